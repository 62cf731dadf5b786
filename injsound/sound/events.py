"""Each due event asked one question: was the tick there or not.

The whitened sound around every due time is matched with the mean tick (open and close together). A match is judged
against matches of the same tick with the sound a few milliseconds away, where it cannot be: so "absent" is learnt
where nothing is missing, and the probability of a skip follows from both distributions.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import linalg, ndimage, special

from injsound.results import FloatArray
from injsound.sound.signals import align_clicks, correlate_rows, cut, on_samples, peak_place

BoolArray = npt.NDArray[np.bool_]

# The clock may be out by this much where the engine stumbles.
SEARCH_S = 0.0030
# Offsets from the due time at which the tick itself cannot be: clear of a doublet to both sides.
_ELSEWHERE_S = (-0.0140, -0.0110, -0.0085, -0.0060, 0.0135, 0.0165, 0.0195, 0.0225)
# Events whose surroundings are matched: eight offsets of 120 events tell a probability of 0.001.
_ELSEWHERE_EVENTS = 120
_BEFORE_S = 0.0008
# One click, and a doublet with its ring.
_LENGTHS_S = (0.0025, 0.0090)
_ROUNDS = 3
_TRACK_STEP_S = 0.0001
# How far off a tick is looked for; farther lies the close click, which looks like the open one.
_NEAR_MIN_S, _NEAR_MAX_S, _BEFORE_CLOSE_S = 0.0010, 0.0022, 0.0006
# Penalties on changes of the lateness, from an engine that stumbles to one that hums.
_STIFFNESS = (0.1, 0.5, 2.0, 8.0)
_MIN_SCATTER_S = 30e-6
# Share of heard ticks that may be much fainter than their fellows, fewer the fainter down to -9 dB: from memory.
_FAINT = 0.005
_FAINTEST = 0.35
# A doublet is one where each click holds this share of the norm; from tick to tick their share varies by this much.
_LEAST_HALF, _HALF_SPREAD = 0.35, 0.25
# Share of absent ticks at whose place another sound happens to meet one of the two clicks, and how strongly, as a share
# of a heard tick: from memory.
_LOPSIDED, _LOPSIDED_REACH = 0.1, 0.15
_LEAST_PRIOR = 1e-3
# Faint ticks were skipped more often than the two kinds say, by this much in log odds: measured, docs/methods.md.
_CAUTION = 0.5
# -log(log 2), and the distance from there to -log(-log 0.98).
_GUMBEL_50, _GUMBEL_50_TO_98 = 0.36651, 3.53543


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
    absent_mean: float
    absent_sd: float
    heard_mean: float
    heard_sd: float
    template: FloatArray
    zero: int


def match_events(
    white: FloatArray,
    sr: int,
    start_s: float,
    due_s: FloatArray,
    usable: BoolArray,
    *,
    gap_s: float = float("nan"),
    click: FloatArray | None = None,
    lead_s: float = 0.0,
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
    gap_s : float
        Rough gap to the partner click, of either sign, nan where unknown [s].
    click : ndarray, shape (p,), or None
        Mean whitened click at the due times, to start from; without it the strongest one near them is taken
        [unitless].
    lead_s : float
        From the start of ``click`` to its strike [s].

    Returns
    -------
    Matches
        One row per due event.
    """
    gap = abs(gap_s) - _BEFORE_CLOSE_S if np.isfinite(gap_s) else _NEAR_MAX_S
    near_s = float(np.clip(gap, _NEAR_MIN_S, _NEAR_MAX_S))
    best: _Fit | None = None
    # Without a partner at a constant gap, what follows the click may be a valve's, and keep being heard without it.
    for length_s in _LENGTHS_S if np.isfinite(gap_s) else _LENGTHS_S[:1]:
        first = None if click is None else _placed(click, sr, lead_s, length_s)
        fit = _fit(white, sr, start_s, due_s, usable, length_s, near_s, first)
        if best is None or fit.kinds.separation > best.kinds.separation:
            best = fit
    assert best is not None
    kinds = best.kinds
    return Matches(
        due_s=due_s + best.trend_s,
        heard_s=due_s + best.late_s,
        value=best.value,
        amplitude=best.value / np.maximum(kinds.usual, 1e-9),
        skip_probability=kinds.skip_probability,
        separation=kinds.separation,
        miss_probability=kinds.miss_probability,
        absent_mean=kinds.absent_mean,
        absent_sd=kinds.absent_sd,
        heard_mean=kinds.heard_mean,
        heard_sd=kinds.heard_sd,
        template=best.template,
        zero=round(_BEFORE_S * sr),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Fit:
    trend_s: FloatArray
    late_s: FloatArray
    value: FloatArray
    template: FloatArray
    kinds: "_Kinds"


def _placed(click: FloatArray, sr: int, lead_s: float, length_s: float) -> FloatArray:
    """A click laid into a template of some length, its strike where the template has it."""
    template = np.zeros(round(_BEFORE_S * sr) + round(length_s * sr))
    start = round(_BEFORE_S * sr) - round(lead_s * sr)
    part = click[max(0, -start) :][: len(template) - max(0, start)]
    template[max(0, start) :][: len(part)] = part
    return template


def _fit(
    white: FloatArray,
    sr: int,
    start_s: float,
    due_s: FloatArray,
    usable: BoolArray,
    length_s: float,
    near_s: float,
    first: FloatArray | None,
) -> _Fit:
    """Learn the mean tick at one length and match every event with it."""
    rows = cut(white, sr, start_s, due_s, _before_with_search(sr), length_s + SEARCH_S)
    template = align_clicks(rows[usable], sr, reach_s=SEARCH_S).template if first is None else first
    heard = usable
    for _ in range(_ROUNDS):
        fit = correlate_rows(rows, template)
        if first is not None:
            # One click alone matches its partner as well, and a valve's close by.
            lag_s = (np.arange(fit.shape[1]) - round(SEARCH_S * sr)) / sr
            fit[:, np.abs(lag_s) > near_s] = 0.0
        trend, scatter = _track(fit, sr, heard)
        value, late = _best_near(fit, sr, trend, scatter, near_s)
        level = _behind(white, sr, start_s, due_s[usable] + late[usable], value[usable], template)
        some = slice(None, None, -(-len(due_s) // _ELSEWHERE_EVENTS))
        around, stray = _elsewhere(white, sr, start_s, (due_s + trend)[some], template, scatter, near_s, level)
        place = _place_odds(late - trend, stray, scatter)
        halves = _halves(white, sr, start_s, due_s + late, template)
        kinds = _two_kinds(value, around, place, halves, usable)
        heard = usable & (kinds.skip_probability < 0.5)
        if heard.sum() < 4:
            break
        template = _mean_tick(white, sr, start_s, due_s[heard] + late[heard], length_s)
    return _Fit(trend_s=trend, late_s=late, value=value, template=template, kinds=kinds)


def _before_with_search(sr: int) -> float:
    """Both in whole samples: their sum, rounded once, can be a sample more [s]."""
    return (round(_BEFORE_S * sr) + round(SEARCH_S * sr)) / sr


def _track(fit: FloatArray, sr: int, heard: BoolArray) -> tuple[FloatArray, float]:
    """Lateness of the tick as a path that changes little from event to event, and its scatter about that path.

    Viterbi over lateness; an event without a tick neither pulls nor breaks the path.
    """
    step = max(1, round(_TRACK_STEP_S * sr))
    bins = fit.shape[1] // step
    level = fit[:, : bins * step].reshape(len(fit), bins, step).max(axis=2)
    # Beyond what noise gives, and no event weighs more than another.
    full = max(8.0, float(np.median(level.max(axis=1)[heard])))
    level = np.clip((level - 2.0) * 6.0 / (full - 2.0), 0.0, 6.0)
    moves = np.arange(-8, 9)
    cost = 0.25 * np.abs(moves)
    source = np.clip(np.arange(bins)[:, None] - moves, 0, bins - 1)
    total, back = level[0], np.zeros(level.shape, dtype=int)
    for i in range(1, len(level)):
        trial = total[source] - cost
        pick = trial.argmax(axis=1)
        back[i] = source[np.arange(bins), pick]
        total = level[i] + trial[np.arange(bins), pick]
    path = np.empty(len(level), dtype=int)
    path[-1] = total.argmax()
    for i in range(len(level) - 1, 0, -1):
        path[i - 1] = back[i, path[i]]
    rough = ((path + 0.5) * step - round(SEARCH_S * sr)) / sr
    _, late = _best_near(fit, sr, rough, 3 * _TRACK_STEP_S, _NEAR_MAX_S)
    return _smooth(late, heard, rough)


def _best_near(
    fit: FloatArray, sr: int, trend_s: FloatArray, scatter_s: float, near_s: float
) -> tuple[FloatArray, FloatArray]:
    """Highest match near the expected place, at a price for distance, and where it is."""
    lag = (np.arange(fit.shape[1]) - round(SEARCH_S * sr)) / sr
    away = lag - trend_s[:, None]
    price = _price(away / scatter_s) + np.where(np.abs(away) > near_s, 1e3, 0.0)
    place, _ = peak_place(fit - price)
    at = np.round(place).astype(int)[:, None]
    return np.take_along_axis(fit, at, axis=1)[:, 0], (place - round(SEARCH_S * sr)) / sr


def _price(away: FloatArray) -> FloatArray:
    """What a match loses for its distance from the expected place, in scatters: Student's t with 3 degrees.

    A log likelihood becomes a match value when divided by the separation; 6 is where counting becomes certain.
    """
    price: FloatArray = 2.0 / 6.0 * np.log1p(away**2 / 3.0)
    return price


def _smooth(late: FloatArray, heard: BoolArray, rough: FloatArray) -> tuple[FloatArray, float]:
    """Smooth lateness where heard and the robust scatter about it; how smooth, odd events say of even ones."""
    if heard.sum() < 8:
        return rough, 3e-4
    index = np.flatnonzero(heard)
    halves = np.zeros((2, len(late)), dtype=bool)
    halves[0, index[::2]] = halves[1, index[1::2]] = True
    misses = []
    for stiffness in _STIFFNESS:
        predicted = [_penalised(late, half, rough, stiffness) for half in halves]
        errors = [np.abs(late - p)[other] for p, other in zip(predicted, halves[::-1], strict=True)]
        misses.append(np.median(np.concatenate(errors)))
    smooth = _penalised(late, heard, rough, _STIFFNESS[int(np.argmin(misses))])
    return smooth, max(1.4826 * float(np.median(np.abs(late - smooth)[heard])), _MIN_SCATTER_S)


def _penalised(late: FloatArray, heard: BoolArray, rough: FloatArray, stiffness: float) -> FloatArray:
    """Penalised least squares on differences, wrong matches given less weight round by round."""
    bands = np.zeros((2, len(late)))
    bands[1], bands[0, 1:] = 2.0, -1.0
    bands[1, [0, -1]] = 1.0
    robust = heard.astype(float)
    smooth = rough
    for _ in range(4):
        matrix = stiffness * bands
        matrix[1] += robust + 1e-3
        smooth = linalg.solveh_banded(matrix, robust * late + 1e-3 * rough)
        residual = np.abs(late - smooth)
        scale = max(1.4826 * float(np.median(residual[heard])), _MIN_SCATTER_S)
        robust = heard / (1 + (residual / (3 * scale)) ** 2) ** 2
    return smooth


def _mean_tick(white: FloatArray, sr: int, start_s: float, at_s: FloatArray, length_s: float) -> FloatArray:
    """Mean whitened tick, the parts that averages of noise could give taken out, unit norm."""
    rows = cut(white, sr, start_s, at_s, _BEFORE_S, length_s)
    mean = rows.mean(axis=0)
    power = ndimage.uniform_filter1d(mean**2, max(3, round(0.0003 * sr)))
    noise = rows.var(axis=0).mean() / len(rows)
    mean = mean * np.clip(1 - 2.0 * noise / np.maximum(power, 1e-12), 0, 1)
    unit: FloatArray = mean / max(float(np.linalg.norm(mean)), 1e-9)
    return unit


def _elsewhere(
    white: FloatArray,
    sr: int,
    start_s: float,
    at_s: FloatArray,
    template: FloatArray,
    scatter_s: float,
    near_s: float,
    level: float,
) -> tuple[FloatArray, FloatArray]:
    """The same matching a few milliseconds away, scaled to the loudness of the sound behind the tick itself.

    Returns match values and how far each lay from the middle, for the events given and every offset.
    """
    length = len(template) / sr
    values, away = [], []
    for off in _ELSEWHERE_S:
        apart = off if off > 0 else off - (length - 0.004)
        at = on_samples(at_s + apart, sr, start_s)
        rows = cut(white, sr, start_s, at, _before_with_search(sr), length + SEARCH_S)
        value, late = _best_near(correlate_rows(rows, template), sr, np.zeros(len(rows)), scatter_s, near_s)
        values.append(value * level / _usual_level(rows))
        away.append(late)
    return np.concatenate(values), np.concatenate(away)


def _usual_level(rows: FloatArray) -> float:
    """Root mean square of the typical row."""
    return float(np.sqrt(np.median(np.mean(rows**2, axis=1)))) or 1.0


def _behind(
    white: FloatArray, sr: int, start_s: float, at_s: FloatArray, value: FloatArray, template: FloatArray
) -> float:
    """Level of the sound behind the ticks: what is left when the mean tick is taken out of each."""
    rows = cut(white, sr, start_s, at_s, _BEFORE_S, len(template) / sr - _BEFORE_S + 1 / sr)[:, : len(template)]
    energy = np.mean(rows**2, axis=1) - value**2 / len(template)
    return float(np.sqrt(max(float(np.median(energy)), 0.01)))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Halves:
    """How the open and the close click matched by themselves; without a close click there is nothing to compare."""

    first: FloatArray
    second: FloatArray
    first_norm: float
    second_norm: float

    def log_even(self, value: FloatArray, spread: float) -> FloatArray:
        """Log density of the close click's match, where both clicks share the value as the mean tick does."""
        expected = self.second_norm * value
        sd = np.hypot(self.first_norm, spread * expected)
        log: FloatArray = _log_t3((self.second - expected) / sd) - np.log(sd)
        return log

    def log_lopsided(self) -> FloatArray:
        """Log density of the fainter click's match, where only the other one met something that is no tick."""
        fainter = np.minimum(self.first * self.second_norm, self.second * self.first_norm)
        scale = np.where(
            self.first * self.second_norm < self.second * self.first_norm, self.second_norm, self.first_norm
        )
        log: FloatArray = -0.5 * (fainter / scale) ** 2
        return log


def _halves(white: FloatArray, sr: int, start_s: float, at_s: FloatArray, template: FloatArray) -> _Halves | None:
    """Match both clicks of the mean tick by themselves; None where it is no clear doublet."""
    power = ndimage.uniform_filter1d(template**2, max(3, round(0.0004 * sr)))
    low, high = (round((_BEFORE_S + s) * sr) for s in (0.0010, 0.0070))
    if len(template) <= high:
        return None
    share = np.cumsum(template[:high] ** 2)[low:]
    both = np.minimum(share, 1 - share) >= _LEAST_HALF**2
    if not both.any():
        return None
    cut_at = low + int(np.where(both, power[low:high], np.inf).argmin())
    norms = [max(float(np.linalg.norm(part)), 1e-9) for part in (template[:cut_at], template[cut_at:])]
    rows = cut(white, sr, start_s, at_s, _BEFORE_S, len(template) / sr - _BEFORE_S + 1 / sr)[:, : len(template)]
    return _Halves(
        first=rows[:, :cut_at] @ template[:cut_at] / norms[0],
        second=rows[:, cut_at:] @ template[cut_at:] / norms[1],
        first_norm=norms[0],
        second_norm=norms[1],
    )


def _place_odds(late: FloatArray, stray: FloatArray, scatter_s: float) -> FloatArray:
    """Log odds of absent over heard from the place alone: chance matches lie anywhere, ticks where they are due."""
    wide = max(1.4826 * float(np.median(np.abs(stray))), 1.5 * scatter_s)
    odds: FloatArray = _log_t3(late / wide) - np.log(wide) - _log_t3(late / scatter_s) + np.log(scatter_s)
    return odds


def _log_t3(z: FloatArray) -> FloatArray:
    """Log density of Student's t with 3 degrees, up to a constant."""
    density: FloatArray = -2.0 * np.log1p(z**2 / 3.0)
    return density


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Kinds:
    skip_probability: FloatArray
    usual: FloatArray
    separation: float
    miss_probability: float
    absent_mean: float
    absent_sd: float
    heard_mean: float
    heard_sd: float


def _two_kinds(
    value: FloatArray, around: FloatArray, place: FloatArray, halves: _Halves | None, usable: BoolArray
) -> _Kinds:
    """Heard and absent as two kinds of match; absent is known from elsewhere, heard is learnt from these."""
    # Gumbel's place and scale from the middle and the upper tail.
    q50, q98 = np.quantile(around, [0.5, 0.98])
    sd0 = max(float(q98 - q50) / _GUMBEL_50_TO_98, 0.2)
    mean0 = float(q50) - sd0 * _GUMBEL_50
    middle = 0.5 * (mean0 + np.quantile(value[usable], 0.9))
    heard = usable & (value > middle)
    prior = 0.05
    for _ in range(12):
        usual = _local_median(value, heard)
        spread = (value - usual)[heard]
        sd1 = max(1.4826 * float(np.median(np.abs(spread))), 0.7) if heard.any() else 1.0
        p = _skip_probability(value, place, halves, usual, sd1, mean0, sd0, prior)
        prior = float(np.clip(p[usable].mean(), _LEAST_PRIOR, 0.95))
        heard = usable & (p < 0.5)
    p = special.expit(special.logit(p) + _CAUTION)
    mean1 = float(np.median(usual[usable]))
    typical = np.full_like(around, mean1)
    absent = _skip_probability(around, np.zeros_like(around), None, typical, sd1, mean0, sd0, prior)
    return _Kinds(
        skip_probability=p,
        usual=usual,
        separation=(mean1 - mean0) / np.sqrt((sd0**2 + sd1**2) / 2),
        miss_probability=float(np.mean(absent < 0.5)),
        absent_mean=mean0,
        absent_sd=sd0,
        heard_mean=mean1,
        heard_sd=sd1,
    )


def _local_median(value: FloatArray, heard: BoolArray) -> FloatArray:
    """Running median of the heard values over 41 events."""
    index = np.flatnonzero(heard)
    if len(index) < 5:
        return np.full(len(value), float(np.median(value[heard])) if heard.any() else float(np.max(value)))
    running = ndimage.median_filter(value[index], size=min(41, len(index)), mode="nearest")
    usual: FloatArray = np.interp(np.arange(len(value)), index, running)
    return usual


def _skip_probability(
    value: FloatArray,
    place: FloatArray,
    halves: _Halves | None,
    usual: FloatArray,
    sd1: float,
    mean0: float,
    sd0: float,
    prior: float,
) -> FloatArray:
    """Probability that each event was skipped, from its match value and the log odds of its place."""
    # Above its usual value a heard tick stays a heard tick.
    away = np.minimum(value - usual, 0) / sd1
    main = np.log1p(-_FAINT) - 0.5 * away**2 - np.log(sd1 * np.sqrt(2 * np.pi))
    low = np.maximum(_FAINTEST * usual, mean0)
    rising = 2 * np.clip(value - low, 0, None) / np.maximum(usual - low, sd0) ** 2
    faint = np.where((value > low) & (value < usual), np.log(_FAINT * np.maximum(rising, 1e-12)), -np.inf)
    heard = np.logaddexp(main, faint)
    # The highest of many noise values: Gumbel's law.
    z = (np.maximum(value, mean0 - sd0) - mean0) / sd0
    absent = -z - np.exp(-z) - np.log(sd0)
    if halves is not None:
        heard = heard + halves.log_even(value, _HALF_SPREAD)
        chance = np.log1p(-_LOPSIDED) + absent + halves.log_even(value, 0.0)
        met = _LOPSIDED_REACH * usual
        absent = np.logaddexp(chance, np.log(_LOPSIDED / met) - value / met + halves.log_lopsided())
    odds: FloatArray = special.expit(np.log(prior) - np.log1p(-prior) + absent - heard + place)
    return odds


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
    side = 0.001
    before = matches.zero / sr
    rows = cut(white, sr, start_s, times_s, before + side, len(matches.template) / sr - before + side)
    best: FloatArray = correlate_rows(rows, matches.template).max(axis=1)
    return best
