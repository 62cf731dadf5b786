"""Each due event asked one question: was the tick there or not.

The whitened sound around every due time is matched with the mean tick (open and close together). A match is judged
against matches of the same tick with the sound a few milliseconds away, where it cannot be: so "absent" is learnt
where nothing is missing, and the probability of a skip follows from both distributions.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from injsound.sound.lateness import best_near, track_lateness
from injsound.sound.matching.kinds import Kinds, apart_from_other_sound, match_halves, place_odds, two_kinds
from injsound.sound.signals import robust_spread
from injsound.sound.waveforms import above_noise, correlate_rows, cut, on_samples, peak_place, unit
from injsound.values import FloatArray

BoolArray = npt.NDArray[np.bool_]

# The clock may be out by this much where the engine stumbles.
SEARCH_S = 0.0030
# Offsets from the due time at which the tick itself cannot be: clear of a doublet to both sides.
_ELSEWHERE_S = (-0.0140, -0.0110, -0.0085, -0.0060, 0.0135, 0.0165, 0.0195, 0.0225)
# Events whose surroundings are matched: eight offsets of 120 events tell a probability of 0.001.
_ELSEWHERE_EVENTS = 120
_BEFORE_S = 0.0008
# Near another time a tick is looked for so far to either side.
_ELSEWHERE_NEAR_S = 0.001
_ROUNDS = 3
# No event enters the mean tick with more than this many times the usual norm.
_LOUDEST = 2.0
# So far off all ticks may lie before they are looked for anew.
_OFF_S = 0.0004
# On a rough idle a single tick may lie further off: so far is looked for one as loud as this share of the usual. What
# lies at the same distance each time, to this much, is another sound.
_STRAY_S, _STRAY_SHARE, _SAME_PLACE_S, _FEWEST_STRAY = 0.008, 0.7, 0.0004, 5
# How far off a tick is looked for; farther lies the close click, which looks like the open one.
_NEAR_MIN_S, _NEAR_MAX_S, _BEFORE_CLOSE_S = 0.0010, 0.0022, 0.0006


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pair:
    """The two clicks of a tick whose gap is a little different each time.

    Parameters
    ----------
    first, second : ndarray, shape (p,)
        Mean whitened waveform of either, without the other, the second at its usual gap [standard deviations].
    lead_s : float
        From their start to the first strike [s].
    gap_s : float
        From the first strike to the second [s].
    wander_s : float
        How far the second may lie off that gap [s].
    """

    first: FloatArray
    second: FloatArray
    lead_s: float
    gap_s: float
    wander_s: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Matches:
    """How each due event matched the mean tick.

    Parameters
    ----------
    due_s : ndarray, shape (n,)
        When the tick was due, by the clock and the steady part of its own lateness [s].
    heard_s : ndarray, shape (n,)
        Where it matched best [s].
    value : ndarray, shape (n,)
        Match value [standard deviations of the noise].
    amplitude : ndarray, shape (n,)
        Value over the usual value of heard ticks nearby [unitless].
    skip_probability : ndarray, shape (n,)
        Probability that the event was skipped [unitless].
    separation : float
        Distance of heard from absent [standard deviations].
    miss_probability : float
        Share of matches elsewhere that would be called heard [unitless].
    heard_mean : float
        Usual value of heard ticks [standard deviations of the noise].
    template : ndarray, shape (m,)
        Mean whitened tick, unit norm, its open click ``zero`` samples after the start [unitless].
    zero : int
        See ``template`` [samples].
    """

    due_s: FloatArray
    heard_s: FloatArray
    value: FloatArray
    amplitude: FloatArray
    skip_probability: FloatArray
    separation: float
    miss_probability: float
    heard_mean: float
    template: FloatArray
    zero: int


def match_events(
    white: FloatArray,
    sr: int,
    start_s: float,
    due_s: FloatArray,
    usable: BoolArray,
    *,
    click: FloatArray,
    lead_s: float,
    gap_s: float = float("nan"),
    partner: bool = False,
    pair: Pair | None = None,
) -> Matches:
    """Match every due event with the mean tick and weigh heard against absent.

    Parameters
    ----------
    white : ndarray, shape (n,)
        Whitened samples [standard deviations].
    sr : int
        Sampling rate [Hz].
    start_s : float
        Time of ``white[0]`` [s].
    due_s : ndarray, shape (k,)
        When each tick was due by the clock [s].
    usable : ndarray of bool, shape (k,)
        Events from which the mean tick may be learnt.
    click : ndarray, shape (p,)
        Mean whitened tick at the due times, to start from: one click, or both where ``gap_s`` fits into it [unitless].
    lead_s : float
        From the start of ``click`` to its first strike [s].
    gap_s : float
        Rough gap to the other click, of either sign, nan where unknown [s].
    partner : bool
        Whether another injector ticks at the same moment, as in batch injection.
    pair : Pair or None
        Both clicks of ``click``, where they were told apart: each is matched where it is.

    Returns
    -------
    Matches
        One row per due event.
    """
    gap = abs(gap_s) - _BEFORE_CLOSE_S if np.isfinite(gap_s) else _NEAR_MAX_S
    near_s = float(np.clip(gap, _NEAR_MIN_S, _NEAR_MAX_S))
    length_s = len(click) / sr - lead_s
    first = _placed(click, sr, lead_s, length_s)
    moving = None if pair is None else _moving(pair, sr, length_s)
    # One click alone matches its partner as well, and a valve's close by.
    reach_s = SEARCH_S if 0 < gap_s < length_s else near_s

    def fitted(due_s: FloatArray, template: FloatArray) -> _Fit:
        return _fit(
            white, sr, start_s, due_s, usable, length_s, near_s, reach_s, template, partner=partner, moving=moving
        )

    fit = fitted(due_s, first)
    off_s = float(np.median(fit.trend_s))
    if abs(off_s) > _OFF_S:
        # The ticks lie to one side of where they were looked for: late ones could fall out of reach.
        due_s = due_s + off_s
        fit = fitted(due_s, fit.template)
    kinds = fit.kinds
    return Matches(
        due_s=due_s + fit.trend_s,
        heard_s=due_s + fit.late_s,
        value=fit.value,
        amplitude=fit.value / np.maximum(kinds.usual, 1e-9),
        skip_probability=kinds.skip_probability,
        separation=kinds.separation,
        miss_probability=kinds.miss_probability,
        heard_mean=kinds.heard_mean,
        template=fit.template,
        zero=round(_BEFORE_S * sr),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Fit:
    trend_s: FloatArray
    late_s: FloatArray
    value: FloatArray
    template: FloatArray
    kinds: Kinds


def _placed(click: FloatArray, sr: int, lead_s: float, length_s: float) -> FloatArray:
    """A click laid into a template of some length, its strike where the template has it."""
    template = np.zeros(round(_BEFORE_S * sr) + round(length_s * sr))
    start = round(_BEFORE_S * sr) - round(lead_s * sr)
    part = click[max(0, -start) :][: len(template) - max(0, start)]
    template[max(0, start) :][: len(part)] = part
    return template


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Moving:
    """Both clicks laid into the template, together of unit norm, and how far the second may move [samples]."""

    first: FloatArray
    second: FloatArray
    reach: int


def _moving(pair: Pair, sr: int, length_s: float) -> _Moving:
    first, second = (_placed(click, sr, pair.lead_s, length_s) for click in (pair.first, pair.second))
    norm = max(float(np.linalg.norm(first + second)), 1e-9)
    return _Moving(first=first / norm, second=second / norm, reach=round(pair.wander_s * sr))


def _slid(rows: FloatArray, template: FloatArray, moving: _Moving | None) -> FloatArray:
    """The tick slid along each row, where its second click moves both by themselves."""
    if moving is None:
        return correlate_rows(rows, template)
    second = ndimage.maximum_filter1d(correlate_rows(rows, moving.second), 2 * moving.reach + 1, axis=1)
    slid: FloatArray = correlate_rows(rows, moving.first) + second
    return slid


def _fit(
    white: FloatArray,
    sr: int,
    start_s: float,
    due_s: FloatArray,
    usable: BoolArray,
    length_s: float,
    near_s: float,
    reach_s: float,
    template: FloatArray,
    *,
    partner: bool,
    moving: _Moving | None,
) -> _Fit:
    """Learn the mean tick at one length and match every event with it."""
    rows = cut(white, sr, start_s, due_s, _before_with_search(sr), length_s + SEARCH_S)
    middle = round(SEARCH_S * sr)
    heard = usable
    for _ in range(_ROUNDS):
        fit = _slid(rows, template, moving)
        fit[:, np.abs(np.arange(fit.shape[1]) - middle) > reach_s * sr] = 0.0
        trend, scatter = track_lateness(fit, sr, heard, middle=middle, near_s=_NEAR_MAX_S)
        value, late = best_near(fit, sr, trend, scatter, middle=middle, near_s=near_s)
        level = _behind(white, sr, start_s, due_s[usable] + late[usable], value[usable], template)
        # Speech and thuds near an event say nothing of what is absent at the others.
        some = np.flatnonzero(usable)[:: -(-int(usable.sum()) // _ELSEWHERE_EVENTS)]
        around, stray = _elsewhere(white, sr, start_s, (due_s + trend)[some], template, scatter, near_s, level, moving)
        place = place_odds(late - trend, stray, scatter, near_s)
        at = _rows_at(white, sr, start_s, due_s + late, template)
        halves = None if moving else match_halves(at, template, sr, zero=round(_BEFORE_S * sr))
        kinds = two_kinds(value, around, place, halves, usable, noise=level)
        heard = usable & (kinds.skip_probability < 0.5)
        if heard.sum() < 4 or moving:
            break
        template = _mean_tick(white, sr, start_s, due_s[heard] + late[heard], length_s)
    if moving is None:
        kinds = apart_from_other_sound(kinds, value, at, template, usable, partner=partner, noise=level)
    return _Fit(trend_s=trend, late_s=late, value=value, template=template, kinds=kinds)


def _before_with_search(sr: int) -> float:
    """Both in whole samples: their sum, rounded once, can be a sample more [s]."""
    return (round(_BEFORE_S * sr) + round(SEARCH_S * sr)) / sr


def _mean_tick(white: FloatArray, sr: int, start_s: float, at_s: FloatArray, length_s: float) -> FloatArray:
    """Mean whitened tick, the parts that averages of noise could give taken out, unit norm."""
    rows = cut(white, sr, start_s, at_s, _BEFORE_S, length_s)
    # A bang that lies over one tick must not be the mean of all.
    norm = np.linalg.norm(rows, axis=1, keepdims=True)
    rows = rows * np.minimum(1.0, _LOUDEST * np.median(norm) / np.maximum(norm, 1e-9))
    return unit(above_noise(rows.mean(axis=0), rows, sr))


def _elsewhere(
    white: FloatArray,
    sr: int,
    start_s: float,
    at_s: FloatArray,
    template: FloatArray,
    scatter_s: float,
    near_s: float,
    level: float,
    moving: _Moving | None,
) -> tuple[FloatArray, FloatArray]:
    """The same matching a few milliseconds away, scaled to the loudness of the sound behind the tick itself.

    Returns match values and how far each lay from the middle, a row per offset, a column per event.
    """
    length = len(template) / sr
    values, away = [], []
    for off in _ELSEWHERE_S:
        apart = off if off > 0 else off - (length - 0.004)
        at = on_samples(at_s + apart, sr, start_s)
        rows = cut(white, sr, start_s, at, _before_with_search(sr), length + SEARCH_S)
        fit = _slid(rows, template, moving)
        value, late = best_near(fit, sr, np.zeros(1), scatter_s, middle=round(SEARCH_S * sr), near_s=near_s)
        values.append(value * level / _usual_level(rows))
        away.append(late)
    return np.stack(values), np.stack(away)


def _usual_level(rows: FloatArray) -> float:
    """Root mean square of the typical row."""
    return float(np.sqrt(np.median(np.einsum("km,km->k", rows, rows)) / rows.shape[1])) or 1.0


def _rows_at(white: FloatArray, sr: int, start_s: float, at_s: FloatArray, template: FloatArray) -> FloatArray:
    """The sound that the mean tick would cover at given times."""
    return cut(white, sr, start_s, at_s, _BEFORE_S, len(template) / sr - _BEFORE_S + 1 / sr)[:, : len(template)]


def _behind(
    white: FloatArray, sr: int, start_s: float, at_s: FloatArray, value: FloatArray, template: FloatArray
) -> float:
    """Level of the sound behind the ticks: what is left when the mean tick is taken out of each."""
    rows = _rows_at(white, sr, start_s, at_s, template)
    energy = np.mean(rows**2, axis=1) - value**2 / len(template)
    return float(np.sqrt(max(float(np.median(energy)), 0.01)))


def stray_ticks(white: FloatArray, sr: int, start_s: float, matches: Matches, missing: BoolArray) -> BoolArray:
    """Which of the missing ticks seem to lie further off than ticks are looked for.

    Parameters
    ----------
    white : ndarray, shape (n,)
        Whitened samples [standard deviations].
    sr : int
        Sampling rate [Hz].
    start_s : float
        Time of ``white[0]`` [s].
    matches : Matches
        With the mean tick.
    missing : ndarray of bool, shape (k,)
        Events that seem missing.

    Returns
    -------
    ndarray of bool, shape (k,)
        True where the mean tick is met 2.2 to 8 ms off, at no fixed distance.
    """
    found = np.zeros(len(missing), dtype=bool)
    if not missing.any():
        return found
    fit = _slid_about(white, sr, start_s, matches.due_s[missing], matches, _STRAY_S)
    fit[:, np.abs(np.arange(fit.shape[1]) - round(_STRAY_S * sr)) <= _NEAR_MAX_S * sr] = 0.0
    place, value = peak_place(fit)
    found[missing] = value >= _STRAY_SHARE * matches.heard_mean
    places = place[found[missing]]
    if len(places) >= _FEWEST_STRAY and robust_spread(places - np.median(places)) < _SAME_PLACE_S * sr:
        found[:] = False
    return found


def match_elsewhere(white: FloatArray, sr: int, start_s: float, times_s: FloatArray, matches: Matches) -> FloatArray:
    """Match the same mean tick near other times.

    Parameters
    ----------
    white : ndarray, shape (n,)
        Whitened samples [standard deviations].
    sr : int
        Sampling rate [Hz].
    start_s : float
        Time of ``white[0]`` [s].
    times_s : ndarray, shape (k,)
        Where to look [s].
    matches : Matches
        With the mean tick.

    Returns
    -------
    ndarray, shape (k,)
        Highest match within 1 ms [standard deviations].
    """
    best: FloatArray = _slid_about(white, sr, start_s, times_s, matches, _ELSEWHERE_NEAR_S).max(axis=1)
    return best


def _slid_about(
    white: FloatArray, sr: int, start_s: float, times_s: FloatArray, matches: Matches, side_s: float
) -> FloatArray:
    """The mean tick slid over so long before and after some times, a row each."""
    before_s = matches.zero / sr
    after_s = len(matches.template) / sr - before_s
    return correlate_rows(cut(white, sr, start_s, times_s, before_s + side_s, after_s + side_s), matches.template)
