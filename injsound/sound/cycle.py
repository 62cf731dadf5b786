"""Lock to the engine's cycle: everything an engine does repeats every 720 degrees of crank.

The clock follows all of the engine's sounds together, so that a tick which goes missing takes no count with it.

Steps, each a function: the local cycle length over time (`_interval_path`), a phase for every frame from it, the
best-folding stretch as a first cycle profile (`_first_profile`), each cycle's shift against the profile by circular
Viterbi (`_follow`), the profile again, and last the shifts within the cycle (`_refine`).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import fft, linalg, ndimage

from injsound.results import CycleClock, FloatArray, OnsetStrength, Span
from injsound.sound.clock import frames_at, time_at
from injsound.sound.signals import Complex, best_path

# Phase resolution: at 700 rpm a bin is 0.67 ms, the width of a tick's rise in the onset strength.
BINS = 256
# An injector's tick, a valve or a firing is much shorter than this; what is slower is removed.
_SLOW_S = 0.04
_FRAME_S = 0.001
# A stretch without sound that is shorter than this leads no clock astray.
_LONG_S = 0.3
_WINDOW_S = 1.6
_STEP_S = 0.25
# Log spacing of trial cycle lengths.
_GRID = 0.005
# A tachometer is read while the needle moves: common practice, no source.
TOLERANCE = 0.12
# From the typed speed up to 4.3 times (600 to 2,580 rpm) and down to 0.75 times (a sag).
_SPEED_RANGE = (0.75, 4.3)
# Relative speed change per second that a rev or its decay may reach; zero is the steady engine.
_CHIRPS = (0.0, -1.6, -1.1, -0.75, -0.5, -0.3, -0.15, 0.15, 0.3, 0.5, 0.75, 1.1, 1.6)
_STRETCH = 24
# Noise reaches 0.62, the faintest engines that could be counted 0.68.
_LEAST_AGREEMENT = 0.62
# What leaving the typed speed costs per window, where that speed does not show and where it does: multiples of the
# cycle repeat the sound as well, and shorter ones better where the speed wanders. Once so, and once nearly free.
_LEAVING, _LEAVING_SHOWN = 0.06, 0.3
_LEAVING_FREELY = 0.02
# The free path must repeat the sound better by so many windows' worth and keep to the typed speed half of the time.
_FREELY_BETTER = 2.0
# The speed was typed as it was when the recording began, or nearly.
_ANCHOR = 5.0
# Standard deviation of a lag's score on white noise, times the root of the frames in the window: measured.
_CHANCE = 1.1
_CLEAR = 5.0
_AGAIN = (8.0, 4.0)
_REV_MARGIN_S = 2.5
_BENDING = 6.0
_BENDING_AGAIN = 1.5
# Share of the usual likeness under which a cycle is not heard: sounding engines keep above 0.8, noise gives 0.
_UNHEARD_SHARE = 0.35
_STEADY_CHANGE = 0.04
# What a change of the speed change costs, and how much worse than an even speed one that was not tried counts.
_CHANGING, _NOT_TRIED = 1.0, 0.5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lock:
    """A followed engine cycle.

    Parameters
    ----------
    clock : CycleClock
        Time against engine cycle.
    profile : ndarray, shape (n_bands, BINS)
        Mean onset strength over the cycle, each band's mean removed [unitless].
    agreement : float
        Correlation of the profiles of odd and even cycles [unitless].
    unheard : ndarray, shape (n_cycles,) of bool
        Cycles whose sound, with that of their surroundings, does not show the profile: the clock is a guess there.
    """

    clock: CycleClock
    profile: FloatArray
    agreement: float
    unheard: npt.NDArray[np.bool_]

    @property
    def holds(self) -> bool:
        """Whether the profiles of odd and even cycles agree, so that cycles can be counted."""
        return self.agreement >= _LEAST_AGREEMENT


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Scores:
    """How well each lag repeats the sound, per window; lengths in nominal cycles."""

    lags: FloatArray
    hop: float
    centres: FloatArray
    score: FloatArray
    """Shape (windows, chirps, lags)."""
    chirps: FloatArray
    """Trial speed changes [1/cycle], the first zero."""
    clear: bool
    """Whether the nominal lag stands clear of chance."""
    shown: npt.NDArray[np.bool_]
    """Windows in which the nominal lag shows."""


def lock_cycle(
    strength: OnsetStrength,
    *,
    interval_s: float,
    tolerance: float = TOLERANCE,
    profile: FloatArray | None = None,
    clock: CycleClock | None = None,
    without: Sequence[Span] = (),
) -> Lock | None:
    """Follow the engine's 720-degree cycle through a chapter.

    Parameters
    ----------
    strength : OnsetStrength
        Onset strength in bands [unitless].
    interval_s : float
        Cycle length by the tachometer, 120/rpm [s].
    tolerance : float
        How far the typed speed may be off [unitless].
    profile : ndarray, shape (n_bands, BINS), or None
        Profile of an earlier chapter, to keep the place of phase zero.
    clock : CycleClock or None
        A clock that is nearly right, to begin with; None begins with the local cycle length.
    without : sequence of Span
        Stretches whose sound says nothing: the clock runs through the long ones as its surroundings foretell.

    Returns
    -------
    Lock or None
        None where fewer than four cycles fit into the chapter.

    References
    ----------
    Folding over period and drift as in pulsar timing, Viterbi over circular shift: docs/methods.md, 'Cycle lock'.
    """
    sound = _flatten(strength)
    times = strength.start_s + strength.hop_s * np.arange(len(sound))
    for span in without:
        if span.to_s - span.from_s > _LONG_S:
            sound[(times >= span.from_s - _SLOW_S) & (times <= span.to_s + _SLOW_S)] = 0.0
    if strength.bands.shape[1] * strength.hop_s < 4 * interval_s:
        return None
    if clock is None:
        clock = _interval_path(sound, strength, interval_s, tolerance)
    for stage in range(3):
        spectra = fft.rfft(_fold(sound, strength, clock), axis=2)
        if stage == 0:
            shape = _first_profile(spectra) if profile is None else profile
        for _ in range(2):
            shift = _follow(spectra, shape)
            shape = _mean_profile(spectra, shift)
        clock = _shifted(clock, shift)
    for width_s in (0.006, 0.003):
        cycles = _fold(sound, strength, clock)
        shape = cycles.mean(axis=0) if profile is None else profile
        clock = _refine(cycles, shape, clock, width_s)
    cycles = _fold(sound, strength, clock)
    return Lock(
        clock=clock, profile=cycles.mean(axis=0), agreement=_agreement(cycles), unheard=_unheard(cycles, interval_s)
    )


def _flatten(strength: OnsetStrength) -> FloatArray:
    """Frames by bands, the slow part removed."""
    slow = ndimage.uniform_filter1d(strength.bands, max(1, round(_SLOW_S / strength.hop_s)), axis=1)
    return np.ascontiguousarray(ndimage.uniform_filter1d(strength.bands - slow, 3, axis=1).T)


# --- local cycle length ---------------------------------------------------------------------------------------------


def _interval_path(sound: FloatArray, strength: OnsetStrength, interval_s: float, tolerance: float) -> CycleClock:
    """Cycle count over time from the local cycle length, first in seconds, then once more in cycles."""
    per = max(1, round(_FRAME_S / strength.hop_s))
    n = len(sound) // per * per
    frames = sound[:n].reshape(-1, per, sound.shape[1]).mean(axis=1)
    step, hop = per * strength.hop_s / interval_s, _STEP_S / interval_s
    width = max(_WINDOW_S / interval_s, 5.0)
    chirps = tuple(c * interval_s for c in _CHIRPS)
    scores = _lag_scores(frames, step, _lags(_SPEED_RANGE), width=width, hop=hop, near=tolerance, chirps=chirps)
    if not scores.clear:
        # Too faint for a rev to be followed: more cycles at once, near the typed speed only.
        narrow = _lags((1 - tolerance, 1 + tolerance), spacing=_GRID / 3)
        for widen in (2, 4):
            scores = _lag_scores(
                frames, step, narrow, width=widen * width, hop=hop, near=tolerance, chirps=(0.0,), multiples=4
            )
            if scores.clear:
                break
    length = _smooth_path(scores, near=tolerance)
    clock = _integrate(strength.start_s + scores.centres * interval_s, length * interval_s, strength)
    revving = np.abs(np.log(length)) > tolerance
    if not revving.any():
        return clock
    nearby = strength.start_s + scores.centres[revving] * interval_s
    touched = (np.abs(clock.times_s[:, None] - nearby) < _REV_MARGIN_S).any(axis=1)
    for width in _AGAIN:
        even = _fold(sound, strength, clock).transpose(0, 2, 1).reshape(-1, sound.shape[1])
        again = _lag_scores(even, 1 / BINS, _lags((0.9, 1.1)), width=width, hop=1.0, near=0.1, chirps=(0.0,))
        length = _smooth_path(again, near=0.1, bending=_BENDING_AGAIN)
        first = np.ceil(clock.cycles[0])
        rate = np.where(touched, 1 / np.interp(clock.cycles - first, again.centres, length), 1.0)
        cycles = np.concatenate([[0.0], np.cumsum(np.diff(clock.cycles) * (rate[1:] + rate[:-1]) / 2)])
        clock = CycleClock(times_s=clock.times_s, cycles=cycles)
    return clock


def _lags(speeds: tuple[float, float], *, spacing: float = _GRID) -> FloatArray:
    """Trial cycle lengths for a range of relative speeds, evenly spaced in log [nominal cycles]."""
    return np.exp(np.arange(-np.log(speeds[1]), -np.log(speeds[0]), spacing))


def _lag_scores(
    frames: FloatArray,
    step: float,
    lags: FloatArray,
    *,
    width: float,
    hop: float,
    near: float,
    chirps: tuple[float, ...],
    multiples: int = 2,
) -> _Scores:
    """Autocorrelation at each lag and twice the lag in windows along the sound; all lengths in nominal cycles."""
    n_width = min(len(frames), round(width / step))
    starts = np.arange(0, len(frames) - n_width + 1, max(1, round(hop / step)))
    together = frames.mean(axis=1, keepdims=True)
    bands = np.concatenate([frames, together], axis=1).T.astype(np.float32)
    weight = np.r_[np.full(frames.shape[1], 0.5 / frames.shape[1]), 0.5].astype(np.float32)
    window = np.hanning(n_width + 2)[1:-1].astype(np.float32)
    n_fft = fft.next_fast_len(2 * n_width, real=True)
    taper = fft.irfft(np.abs(fft.rfft(window, n_fft)) ** 2, n_fft)[:n_width]
    taper = np.maximum(taper / taper[0], 0.05)
    times = np.arange(1, multiples + 1)
    lag_frames = lags[:, None] * times / step
    t = (np.arange(n_width) - n_width / 2) * step

    def rate(start: int, chirp: float) -> FloatArray:
        index: FloatArray | slice = slice(start, start + n_width)
        if chirp:
            # Frames at which an engine speeding up by `chirp` would have turned evenly.
            index = start + np.round(np.interp(t, np.expm1(chirp * t) / chirp, np.arange(n_width))).astype(int)
        part = bands[:, index] * window
        spectra = fft.rfft(part, n_fft, axis=1)
        # The bands' spectra are added, each over its energy, and turned into one autocorrelation.
        shares = weight / np.maximum((part**2).sum(axis=1), 1e-12)
        even = fft.irfft(shares @ (spectra.real**2 + spectra.imag**2), n_fft)[:n_width] / taper
        rated: FloatArray = np.interp(lag_frames, np.arange(n_width), even, right=0.0) @ (1 / times)
        return rated

    score = np.stack([rate(a, 0.0) for a in starts.tolist()])
    close = np.abs(np.log(lags)) <= near
    best = score[:, close].max(axis=1)
    typical, chance = float(np.median(best)), _CHANCE * np.sqrt(np.sum(1 / times**2) / 1.25 / n_width)
    # Where the nominal lag does not show, the engine may be revving.
    clear = typical > _CLEAR * chance
    shown = best >= 0.6 * np.quantile(best, 0.8)
    scale = max(typical, 5 * chance)
    revving = clear and len(chirps) > 1 and not shown.all()
    by_chirp = np.repeat(score[:, None], len(chirps) if revving else 1, axis=1)
    by_chirp[:, 1:] -= _NOT_TRIED * scale
    for i in np.flatnonzero(~shown) if revving else ():
        by_chirp[i, 1:] = [rate(starts[i], trial) for trial in chirps[1:]]
    return _Scores(
        lags=lags,
        hop=hop,
        centres=(starts + n_width / 2) * step,
        score=by_chirp / scale,
        chirps=np.array(chirps[: by_chirp.shape[1]]),
        clear=clear,
        shown=shown,
    )


def _smooth_path(scores: _Scores, *, near: float, bending: float = _BENDING) -> FloatArray:
    """Lag per window: near the typed speed unless another path repeats the sound much better."""
    close, worth = _path(scores, near, bending, _LEAVING, _LEAVING_SHOWN)
    free, worth_free = _path(scores, near, bending, _LEAVING_FREELY, _LEAVING_FREELY)
    mostly_near = np.mean(np.abs(np.log(free)) <= near) >= 0.5
    return free if mostly_near and worth_free - worth > _FREELY_BETTER else close


def _path(
    scores: _Scores, near: float, bending: float, leaving: float, leaving_shown: float
) -> tuple[FloatArray, float]:
    """Lag per window by Viterbi over log lag and speed change, and its total score.

    A speed moves as its own change foretells.
    """
    lags, chirps = scores.lags, scores.chirps
    away = np.abs(np.log(lags))
    outside = np.where(scores.shown, leaving_shown, leaving)[:, None]
    score = scores.score - np.where(away > near, outside, leaving * (away / near) ** 2)[:, None]
    spacing = np.log(lags[1] / lags[0])
    # Without a rev the speed changes by a few percent from window to window.
    reach = 1 if len(chirps) > 1 else round(_STEADY_CHANGE / spacing)
    stray = np.arange(-reach, reach + 1)
    # From every chirp and step, how many lags back the path comes from, and at what cost.
    expected = np.round(-0.5 * (chirps[:, None] + chirps) * scores.hop / spacing).astype(int)
    changing = _CHANGING * np.abs(chirps[:, None] - chirps) * scores.hop
    back_to = np.arange(len(lags)) - (expected[:, :, None] + stray)[..., None]
    inside = (back_to >= 0) & (back_to < len(lags))
    cost = changing[:, :, None, None] + bending * spacing * np.abs(stray)[:, None] + np.where(inside, 0.0, 1e3)
    source = np.arange(len(chirps))[:, None, None] * len(lags) + np.clip(back_to, 0, len(lags) - 1)
    # One row per way to come, one column per state reached.
    cost, source = (rows.reshape(len(chirps), -1, len(lags)) for rows in np.broadcast_arrays(cost, source))
    total = np.empty(score.shape)
    total[0] = score[0] - np.where(away > near, _ANCHOR, 0.0)
    for i in range(1, len(score)):
        total[i] = score[i] + (total[i - 1].ravel()[source] - cost).max(axis=1)
    path = np.empty(len(score), dtype=int)
    path[-1] = total[-1].argmax()
    for i in range(len(score) - 1, 0, -1):
        chirp, lag = divmod(path[i], len(lags))
        ways = source[chirp, :, lag]
        path[i - 1] = ways[(total[i - 1].ravel()[ways] - cost[chirp, :, lag]).argmax()]
    worth = float(scores.score.reshape(len(score), -1)[np.arange(len(score)), path].sum())
    return lags[path % len(lags)], worth


def _integrate(times_s: FloatArray, length_s: FloatArray, strength: OnsetStrength) -> CycleClock:
    """Cycle count at a fine grid from the local cycle length."""
    end = strength.start_s + (strength.bands.shape[1] - 1) * strength.hop_s
    fine = np.linspace(strength.start_s, end, max(8, round((end - strength.start_s) / 0.02)))
    speed = 1 / np.interp(fine, times_s, length_s)
    cycles = np.concatenate([[0.0], np.cumsum((speed[1:] + speed[:-1]) / 2 * np.diff(fine))])
    return CycleClock(times_s=fine, cycles=cycles)


# --- folding --------------------------------------------------------------------------------------------------------


def turned_sound(strength: OnsetStrength, clock: CycleClock) -> FloatArray:
    """Onset strength over the crank instead of over time.

    Parameters
    ----------
    strength : OnsetStrength
        Onset strength in bands [unitless].
    clock : CycleClock
        Time against cycle.

    Returns
    -------
    ndarray, shape (n_cycles * BINS, n_bands)
        At even steps of the clock, over its whole cycles, the slow part removed [unitless].
    """
    return _turned(_flatten(strength), strength, clock)


def _turned(sound: FloatArray, strength: OnsetStrength, clock: CycleClock) -> FloatArray:
    first, last = np.ceil(clock.cycles[0]), np.floor(clock.cycles[-1])
    phase = first + np.arange(round((last - first) * BINS)) / BINS
    turned: FloatArray = sound[frames_at(strength, clock, phase)]
    return turned


def _fold(sound: FloatArray, strength: OnsetStrength, clock: CycleClock) -> FloatArray:
    """Whole cycles by bands by bins, each cycle's mean removed."""
    folded = _turned(sound, strength, clock).reshape(-1, BINS, sound.shape[1]).transpose(0, 2, 1)
    level: FloatArray = folded - folded.mean(axis=2, keepdims=True)
    return level


def _first_profile(spectra: Complex) -> FloatArray:
    """Profile of the stretch that folds best over cycle length and its drift, from the cycles' spectra."""
    n = min(_STRETCH, len(spectra))
    k = np.arange(n) - (n - 1) / 2
    slopes = np.arange(-4, 4.01, 0.5)
    bends = np.arange(-0.15, 0.151, 0.05)
    shifts = slopes[:, None, None] * k + bends[None, :, None] * (k**2 - (k**2).mean())
    # A matrix per frequency: from the cycles of a stretch to their sum after each trial shift.
    turn = np.exp(2j * np.pi / BINS * shifts.reshape(-1, n) * np.arange(1, 96)[:, None, None]).astype(np.complex64)
    low = np.ascontiguousarray(spectra[:, :, 1:96].transpose(2, 0, 1))
    best, found = -np.inf, None
    for start in range(0, len(spectra) - n + 1, max(1, n // 2)):
        total = turn @ low[:, start : start + n]
        parts = total.view(np.float32)
        power = np.einsum("fsb,fsb->s", parts, parts)
        if power.max() > best:
            best, found = power.max(), total[:, power.argmax()]
    assert found is not None
    full = np.zeros((spectra.shape[1], BINS // 2 + 1), dtype=np.complex64)
    full[:, 1:96] = found.T
    first: FloatArray = fft.irfft(full, BINS, axis=1) / n
    return first


def _correlate(spectra: Complex, profile: FloatArray) -> FloatArray:
    """Each cycle against the profile at every circular shift, shape (n_cycles, BINS)."""
    product = spectra * np.conj(fft.rfft(profile, axis=1)).astype(np.complex64)
    fit: FloatArray = fft.irfft(product.sum(axis=1), BINS, axis=1)
    return fit


def _follow(spectra: Complex, profile: FloatArray) -> FloatArray:
    """Unwrapped shift per cycle by circular Viterbi."""
    fit = _correlate(spectra, profile)
    fit = (fit - fit.mean(axis=1, keepdims=True)) / np.maximum(fit.std(axis=1, keepdims=True), 1e-12)
    steps = np.arange(-14, 15)
    path = best_path(fit, (np.abs(steps) / 4.0) ** 1.5 * 0.25, circular=True)
    first = (path[0] + BINS // 2) % BINS - BINS // 2
    moved = (np.diff(path, prepend=path[0]) + BINS // 2) % BINS - BINS // 2
    followed: FloatArray = first + np.cumsum(moved).astype(float)
    return followed


def _mean_profile(spectra: Complex, shift: FloatArray) -> FloatArray:
    turn = np.exp(2j * np.pi / BINS * shift[:, None] * np.arange(BINS // 2 + 1)).astype(np.complex64)
    mean: FloatArray = fft.irfft((spectra * turn[:, None]).mean(axis=0), BINS, axis=1)
    return mean


def _shifted(clock: CycleClock, shift: FloatArray) -> CycleClock:
    """Move the clock so that each cycle's fit lies at shift zero."""
    first = np.ceil(clock.cycles[0])
    centres = first + np.arange(len(shift)) + 0.5
    smooth = ndimage.gaussian_filter1d(shift, 0.7, mode="nearest") / BINS
    cycles = clock.cycles - np.interp(clock.cycles, centres, smooth)
    return CycleClock(times_s=clock.times_s, cycles=np.maximum.accumulate(cycles + 1e-9 * np.arange(len(cycles))))


def _refine(cycles: FloatArray, profile: FloatArray, clock: CycleClock, width_s: float) -> CycleClock:
    """Shifts of quarter cycles against the profile, smoothed, laid onto the clock."""
    parts = 4
    first = np.ceil(clock.cycles[0])
    edges = np.arange(parts) * (BINS // parts)
    knots = first + (np.arange(len(cycles))[:, None] + (np.arange(parts) + 0.5) / parts).ravel()
    interval = np.median(np.diff(time_at(clock, first + np.arange(len(cycles) + 1.0))))
    reach = max(3, round(width_s / interval * BINS))
    bell = np.exp(-0.5 * ((np.arange(BINS) - BINS / 2) / (BINS / parts / 2)) ** 2)
    lags = np.arange(-reach, reach + 1)
    spectra = fft.rfft(cycles, axis=2)
    found = np.empty((len(cycles), parts))
    weight = np.empty((len(cycles), parts))
    for j, edge in enumerate(edges):
        local = profile * np.roll(bell, edge + BINS // parts // 2 - BINS // 2)
        fit = _correlate(spectra, local)[:, lags % BINS]
        found[:, j], weight[:, j] = _peak(fit, lags.astype(float))
    shift = _smooth(found.ravel(), weight.ravel()) / BINS
    times = time_at(clock, knots)
    corrected = knots - shift
    rising = np.concatenate([[True], np.diff(np.maximum.accumulate(corrected)) > 1e-6])
    return CycleClock(times_s=times[rising], cycles=corrected[rising])


def _peak(fit: FloatArray, lags: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Place of each row's highest value by a parabola, and how sharp it is."""
    rows = np.arange(len(fit))
    top = np.clip(fit.argmax(axis=1), 1, len(lags) - 2)
    left, mid, right = fit[rows, top - 1], fit[rows, top], fit[rows, top + 1]
    bend = np.maximum(2 * mid - left - right, 1e-12)
    edge = fit.argmax(axis=1) != top
    place = lags[top] + np.clip((right - left) / (2 * bend), -0.5, 0.5)
    return place, np.where(edge, 0.0, bend)


def _smooth(values: FloatArray, weight: FloatArray) -> FloatArray:
    """Weighted penalised least squares on second differences, large residuals given less weight."""
    n = len(values)
    weight = weight / max(float(np.median(weight)), 1e-12)
    stiffness = 4.0
    bands = np.zeros((3, n))
    bands[2] = 6.0
    bands[2, [0, -1]] = 1.0
    bands[2, [1, -2]] = 5.0
    bands[1, 1:] = -4.0
    bands[1, [1, -1]] = -2.0
    bands[0, 2:] = 1.0
    robust = np.ones(n)
    smooth = np.zeros(n)
    for _ in range(4):
        w = weight * robust
        matrix = stiffness * bands
        matrix[2] += w + 1e-9
        smooth = linalg.solveh_banded(matrix, w * values)
        residual = np.abs(values - smooth)
        scale = max(1.4826 * np.median(residual), 0.1)
        robust = 1 / (1 + (residual / (3 * scale)) ** 2)
    return smooth


def _unheard(cycles: FloatArray, interval_s: float) -> npt.NDArray[np.bool_]:
    """Cycles around which the correlation with the profile is far under its usual value."""
    profile = cycles.mean(axis=0)
    norm = np.linalg.norm(cycles, axis=(1, 2)) * np.linalg.norm(profile)
    likeness = np.tensordot(cycles, profile, axes=([1, 2], [0, 1])) / np.maximum(norm, 1e-12)
    around = ndimage.uniform_filter1d(likeness, max(3, round(_WINDOW_S / interval_s)), mode="nearest")
    unheard: npt.NDArray[np.bool_] = around < _UNHEARD_SHARE * np.median(around)
    return unheard


def _agreement(cycles: FloatArray) -> float:
    """Correlation of odd and even cycles; 0 where one is silent."""
    odd, even = cycles[1::2].mean(axis=0).ravel(), cycles[::2].mean(axis=0).ravel()
    if min(odd.std(), even.std()) == 0:
        return 0.0
    return float(np.corrcoef(odd, even)[0, 1])


# --- without a tachometer -------------------------------------------------------------------------------------------

# Idle, cold fast idle and some margin, 500 to 1,500 1/min: customary idle is 600 to 1,000, cold 1,000 to 1,500
# (common practice, no source).
_IDLE_S = (0.08, 0.24)
_AS_GOOD = 0.4


def estimate_interval(strength: OnsetStrength) -> float | None:
    """Cycle length of an idling engine, where nobody has read a tachometer.

    Parameters
    ----------
    strength : OnsetStrength
        Onset strength in bands [unitless].

    Returns
    -------
    float or None
        The length between 0.08 and 0.24 s that repeats the sound better than those around it [s]; None where nothing
        repeats. Simple multiples of that length can be right as well: `engine_speed.follow_engine` tells.
    """
    lags, score, clear = _repetition(strength)
    if not clear:
        return None
    peaks = np.flatnonzero((score[1:-1] >= score[:-2]) & (score[1:-1] >= score[2:])) + 1
    peaks = peaks[score[peaks] >= _AS_GOOD * score.max()]
    inside = peaks[(lags[peaks] >= _IDLE_S[0]) & (lags[peaks] <= _IDLE_S[1])]
    if not inside.size:
        return None
    # Every multiple of the firing interval repeats the sound, the longer the worse while the speed wanders; the whole
    # cycle repeats it better than the multiples around it.
    around = np.zeros(inside.size)
    for k, peak in enumerate(inside):
        others = peaks[peaks != peak]
        around[k] = np.interp(lags[peak], lags[others], score[others]) if others.size else 0.0
    return float(lags[inside[int((score[inside] - around).argmax())]])


def _repetition(strength: OnsetStrength) -> tuple[FloatArray, FloatArray, bool]:
    """Cycle lengths, how well each repeats the sound in the typical window, and whether any stands clear of chance."""
    sound = _flatten(strength)
    per = max(1, round(_FRAME_S / strength.hop_s))
    frames = sound[: len(sound) // per * per].reshape(-1, per, sound.shape[1]).mean(axis=1)
    shortest, longest = 0.7 * _IDLE_S[0], 1.35 * _IDLE_S[1]
    unit = float(np.sqrt(shortest * longest))
    lags = _lags((unit / longest, unit / shortest))
    scores = _lag_scores(
        frames,
        per * strength.hop_s / unit,
        lags,
        width=2 * _WINDOW_S / unit,
        hop=_WINDOW_S / unit,
        near=10.0,
        chirps=(0.0,),
    )
    return lags * unit, np.median(scores.score[:, 0], axis=0), scores.clear
