"""Ticks struck so softly that only their low notes are left.

A needle that lands softly presses longer on its stop and excites the high notes less (the spectrum of a blow falls
beyond the inverse of its contact's length). The mean tick, most of whose weight lies high, then hardly matches. So
what seems to be missing is asked again with the mean tick's low notes, and what is heard there all the same was a weak
tick: one such is hardly told from noise, all of them together are.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numpy.lib.stride_tricks import sliding_window_view
from scipy import fft

from injsound.sound.matching.laws import log_normal
from injsound.sound.signals import robust_spread
from injsound.sound.waveforms import correlate_rows, cut, on_samples, unit
from injsound.values import FloatArray

BoolArray = npt.NDArray[np.bool_]

# Half of the level is left at these, a seventeenth an octave above; the last leaves all notes in.
_LOW_HZ = (2_000.0, 3_000.0, 4_500.0, 7_000.0, 1e6)
# How far before the tick's length and after its start neither of its clicks can be, and events that are asked there.
_ELSEWHERE_S = ((-0.0170, -0.0130, -0.0100, -0.0070, -0.0045), (0.0135, 0.0165, 0.0195, 0.0225))
_ELSEWHERE_EVENTS = 150
# A tick is looked for within so many spreads of the heard ones.
_NEAR, _LEAST_NEAR_S = 2.0, 0.06e-3
# How loud a weak tick's low notes may be over those of its fellows: -17 to -4 dB, in steps.
_LEVELS = np.linspace(0.14, 0.63, 15)
# Spread of that level, as a share of it; ticks this few spreads over noise are not told from it.
_LEVEL_SPREAD = 0.3
_APART = 1.5
# Shares of what seems missing that may be weak ticks.
_SHARES = np.linspace(0.05, 0.999, 20)
# One in so many places elsewhere holds another sound, this many times more spread.
_OTHER, _OTHER_SPREAD = 0.05, 2.5
# The logarithm of the likelihood by which weak ticks must explain what seems missing better than noise.
_CLEARLY = 8.0
# By so much, and by 1 per event, they may: one to three such events make no more. True skips gave under 1 (measured).
_DOUBTFULLY = 3.0
# How far beside a heard tick, taken out, it is asked how loud the engine is at the tick's own place.
_BESIDE_S = (-0.0007, -0.0004, 0.0004, 0.0007)
# The mean of what is heard must have the mean tick's shape: cosine.
_ALIKE = 0.75
_FEWEST_HEARD = 20


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Mixture:
    """How much likelier weak ticks of some level and share make the matches, and which are of that kind."""

    gain: float
    weak: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Laid:
    """Low notes of the mean tick laid over rows where they match best: the matches, and the sound there."""

    value: FloatArray
    rows: FloatArray


def weak_by_low_notes(
    white: FloatArray,
    sr: int,
    start_s: float,
    due_s: FloatArray,
    late_s: FloatArray,
    *,
    missing: BoolArray,
    heard: BoolArray,
    template: FloatArray,
    zero: int,
) -> FloatArray:
    """Probability that a tick that seems missing was struck softly.

    Parameters
    ----------
    white : ndarray, shape (n,)
        Whitened samples [standard deviations].
    sr : int
        Sampling rate [Hz].
    start_s : float
        Time of ``white[0]`` [s].
    due_s, late_s : ndarray, shape (k,)
        When each tick was due, and how much later it was matched [s].
    missing, heard : ndarray of bool, shape (k,)
        Which seem to be missing, and which were heard.
    template : ndarray, shape (m,)
        Mean whitened tick, unit norm [unitless].
    zero : int
        Where its open click lies [samples].

    Returns
    -------
    ndarray, shape (k,)
        Zero where nothing seems missing or noise explains it as well; one half where that cannot be told [unitless].
    """
    weak = np.zeros(len(due_s))
    if not missing.any() or heard.sum() < _FEWEST_HEARD:
        return weak
    side = max(1, round(max(_NEAR * robust_spread(late_s[heard]), _LEAST_NEAR_S) * sr))
    some = np.flatnonzero(heard)[:: -(-int(heard.sum()) // _ELSEWHERE_EVENTS)]

    def rows_at(times_s: FloatArray, room: int = 0) -> FloatArray:
        before, after = zero + side + room, len(template) - zero + side + room
        return cut(white, sr, start_s, times_s, before / sr, after / sr)

    asked, fellows = rows_at(due_s[missing]), rows_at((due_s + late_s)[some])
    before_s, after_s = _ELSEWHERE_S
    # Before the tick the row itself must end before it.
    apart = (*(off - len(template) / sr for off in before_s), *after_s)
    elsewhere = [rows_at(on_samples(due_s[some] + off, sr, start_s)) for off in apart]
    room = round(_BESIDE_S[-1] * sr)
    rest = _without(rows_at((due_s + late_s)[some], room), template, room + side)
    beside = [rest[:, room + round(off * sr) :][:, : asked.shape[1]] for off in _BESIDE_S]
    best = _Mixture(gain=0.0, weak=np.zeros(len(asked)))
    for edge_hz in _LOW_HZ:
        low = unit(_lowered(template, sr, edge_hz))
        usual = float(np.median(correlate_rows(fellows, low)[:, side]))
        here = _laid(asked, low)
        # At the tick's own place the engine may be louder than elsewhere.
        chance, local = _usual(elsewhere, low), _usual(beside, low)
        mean, spread = max(chance[0], local[0]), max(chance[1], local[1], 1e-9)
        found = _mixture(here.value, mean, spread, usual)
        if found.gain > best.gain and _alike(here, low, found.weak, mean, sr, edge_hz) >= _ALIKE:
            best = found
    if best.gain >= _CLEARLY:
        weak[missing] = best.weak
    elif best.gain >= max(_DOUBTFULLY, len(asked)):
        weak[missing] = np.where(best.weak >= 0.5, 0.5, 0.0)
    return weak


def _without(rows: FloatArray, template: FloatArray, first: int) -> FloatArray:
    """Rows whose tick, as loud as it matches in each from sample ``first`` on, is taken out."""
    rest = rows.copy()
    at = rest[:, first : first + len(template)]
    at -= (at @ template)[:, None] * template
    return rest


def _lowered(waveforms: FloatArray, sr: int, edge_hz: float) -> FloatArray:
    """Waveforms without their high notes, not delayed."""
    n = waveforms.shape[-1]
    pass_ = 1 / (1 + (fft.rfftfreq(2 * n, 1 / sr) / edge_hz) ** 4)
    low: FloatArray = fft.irfft(fft.rfft(waveforms, 2 * n) * pass_, 2 * n)[..., :n]
    return low


def _mixture(value: FloatArray, mean: float, spread: float, usual: float) -> _Mixture:
    """The likeliest level and share of weak ticks among matches that may be of noise."""
    deviate = (value - mean) / spread
    noise = np.logaddexp(
        np.log1p(-_OTHER) + log_normal(deviate, spread),
        np.log(_OTHER) + log_normal(deviate / _OTHER_SPREAD, _OTHER_SPREAD * spread),
    )
    best = _Mixture(gain=0.0, weak=np.zeros(len(value)))
    for level in _LEVELS * usual:
        # The highest of some matches with a tick among them.
        over = np.hypot(mean, level)
        if over < mean + _APART * spread:
            continue
        sd = float(np.hypot(spread, _LEVEL_SPREAD * level))
        tick = log_normal((value - over) / sd, sd)
        both = np.logaddexp(np.log(_SHARES)[:, None] + tick, np.log1p(-_SHARES)[:, None] + noise)
        gain = both.sum(axis=1) - noise.sum()
        at = int(gain.argmax())
        if gain[at] > best.gain:
            best = _Mixture(gain=float(gain[at]), weak=np.exp(np.log(_SHARES[at]) + tick - both[at]))
    return best


def _laid(rows: FloatArray, low: FloatArray) -> _Laid:
    slid = correlate_rows(rows, low)
    at = sliding_window_view(rows, len(low), axis=1)[np.arange(len(rows)), slid.argmax(axis=1)]
    return _Laid(value=slid.max(axis=1), rows=at)


def _usual(places: list[FloatArray], low: FloatArray) -> tuple[float, float]:
    """Middle and spread of the matches at the middle one of some places."""
    values = [correlate_rows(rows, low).max(axis=1) for rows in places]
    middle = [float(np.median(value)) for value in values]
    spread = [robust_spread(value - m) for value, m in zip(values, middle, strict=True)]
    return float(np.median(middle)), float(np.median(spread))


def _alike(laid: _Laid, low: FloatArray, weight: FloatArray, absent: float, sr: int, edge_hz: float) -> float:
    """Cosine of the low notes of the weak ones' mean and those of the tick, without what noise adds to either.

    Along the tick noise adds what such matches are elsewhere, for each was laid where it matched best; to all else it
    adds its variance.
    """
    share = weight / max(float(weight.sum()), 1e-9)
    lower = _lowered(low, sr, edge_hz)
    norm = float(np.linalg.norm(lower))
    along = norm**2 * max(float(share @ laid.rows @ low) ** 2 - absent**2, 1e-12)
    lowered = _lowered(laid.rows, sr, edge_hz)
    mean = share @ lowered
    noise = float((share @ (lowered - mean) ** 2).sum()) * float((share**2).sum())
    across = max(float(mean @ mean) - float(mean @ lower / norm) ** 2 - noise, 0.0)
    return float(np.sqrt(along / (along + across)))
