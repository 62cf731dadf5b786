"""How long the engine's cycle is, locally: the lag at which the sound repeats itself, followed through a chapter."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import fft

from injsound.sound.turning.folding import BINS, flatten, fold
from injsound.values import CycleClock, FloatArray, OnsetStrength

BoolArray = npt.NDArray[np.bool_]

_FRAME_S = 0.001
WINDOW_S = 1.6
_STEP_S = 0.25
# Log spacing of trial cycle lengths.
_GRID = 0.005
# A tachometer is read while the needle moves: common practice, no source.
TOLERANCE = 0.12
# From the typed speed up to 4.3 times (600 to 2,580 rpm) and down to 0.75 times (a sag).
_SPEED_RANGE = (0.75, 4.3)
# Relative speed change per second that a rev or its decay may reach; zero is the steady engine.
_CHIRPS = (0.0, -1.6, -1.1, -0.75, -0.5, -0.3, -0.15, 0.15, 0.3, 0.5, 0.75, 1.1, 1.6)
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
# That was measured with each lag and its double, weighted 1 and 1/2: the squares add up to this.
_MEASURED_WITH = 1.25
# The nominal lag shows in a window whose best score is so large a share of what the better fifth of the windows reach.
_SHOWN, _USUAL_BEST = 0.6, 0.8
# At lags at which less of the window overlaps, the score would be noise.
_LEAST_OVERLAP = 0.05
_AGAIN = (8.0, 4.0)
_REV_MARGIN_S = 2.5
_BENDING = 6.0
_BENDING_AGAIN = 1.5
_STEADY_CHANGE = 0.04
# What a change of the speed change costs, and how much worse than an even speed one that was not tried counts.
_CHANGING, _NOT_TRIED = 1.0, 0.5
# Idle, cold fast idle and some margin, 500 to 1,500 1/min: customary idle is 600 to 1,000, cold 1,000 to 1,500
# (common practice, no source).
_IDLE_S = (0.08, 0.24)
# Beyond its ends lengths are tried as well, for a peak is told by what lies around it.
_AROUND_IDLE = (0.7, 1.35)
_AS_GOOD = 0.4
# Windows transformed together: more do not fit the processor's cache.
_AT_ONCE = 8


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
    shown: BoolArray
    """Windows in which the nominal lag shows."""


def interval_path(sound: FloatArray, strength: OnsetStrength, interval_s: float, *, revs: bool = True) -> CycleClock:
    """Cycle count over time from the local cycle length, first in seconds, then once more in cycles.

    Parameters
    ----------
    sound : ndarray, shape (n_frames, n_bands)
        As from `folding.flatten` [unitless].
    strength : OnsetStrength
        Onset strength in bands [unitless].
    interval_s : float
        Cycle length by the tachometer, 120/rpm [s].
    revs : bool
        Whether the engine may have left the typed speed.

    Returns
    -------
    CycleClock
        Right to a fraction of a cycle; its phase is arbitrary.
    """
    per = max(1, round(_FRAME_S / strength.hop_s))
    n = len(sound) // per * per
    frames = sound[:n].reshape(-1, per, sound.shape[1]).mean(axis=1)
    step, hop = per * strength.hop_s / interval_s, _STEP_S / interval_s
    width = max(WINDOW_S / interval_s, 5.0)
    narrow = _lags((1 - TOLERANCE, 1 + TOLERANCE), spacing=_GRID / 3)
    chirps = tuple(c * interval_s for c in _CHIRPS) if revs else (0.0,)
    lags = _lags(_SPEED_RANGE) if revs else narrow
    scores = _lag_scores(frames, step, lags, width=width, hop=hop, near=TOLERANCE, chirps=chirps)
    if not scores.clear:
        # Too faint for a rev to be followed: more cycles at once, near the typed speed only.
        for widen in (2, 4):
            scores = _lag_scores(
                frames, step, narrow, width=widen * width, hop=hop, near=TOLERANCE, chirps=(0.0,), multiples=4
            )
            if scores.clear:
                break
    length = _smooth_path(scores, near=TOLERANCE)
    clock = _integrate(strength.start_s + scores.centres * interval_s, length * interval_s, strength)
    revving = np.abs(np.log(length)) > TOLERANCE
    if not revving.any():
        return clock
    nearby = strength.start_s + scores.centres[revving] * interval_s
    touched = (np.abs(clock.times_s[:, None] - nearby) < _REV_MARGIN_S).any(axis=1)
    for width in _AGAIN:
        even = fold(sound, strength, clock).transpose(0, 2, 1).reshape(-1, sound.shape[1])
        again = _lag_scores(even, 1 / BINS, _lags((0.9, 1.1)), width=width, hop=1.0, near=0.1, chirps=(0.0,))
        length = _smooth_path(again, near=0.1, bending=_BENDING_AGAIN)
        first = np.ceil(clock.cycles[0])
        rate = np.where(touched, 1 / np.interp(clock.cycles - first, again.centres, length), 1.0)
        cycles = np.concatenate([[0.0], np.cumsum(np.diff(clock.cycles) * (rate[1:] + rate[:-1]) / 2)])
        clock = CycleClock(times_s=clock.times_s, cycles=cycles)
    return clock


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
    sound = flatten(strength)
    per = max(1, round(_FRAME_S / strength.hop_s))
    frames = sound[: len(sound) // per * per].reshape(-1, per, sound.shape[1]).mean(axis=1)
    shortest, longest = _AROUND_IDLE[0] * _IDLE_S[0], _AROUND_IDLE[1] * _IDLE_S[1]
    unit = float(np.sqrt(shortest * longest))
    lags = _lags((unit / longest, unit / shortest))
    scores = _lag_scores(
        frames,
        per * strength.hop_s / unit,
        lags,
        width=2 * WINDOW_S / unit,
        hop=WINDOW_S / unit,
        near=10.0,
        chirps=(0.0,),
    )
    return lags * unit, np.median(scores.score[:, 0], axis=0), scores.clear


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
    windows = _windows(frames, step, lags, width=width, hop=hop, multiples=multiples)
    score = _rates(windows, windows.starts, 0.0)
    best = score[:, np.abs(np.log(lags)) <= near].max(axis=1)
    typical = float(np.median(best))
    chance = _CHANCE * np.sqrt(np.sum(1 / windows.times**2) / _MEASURED_WITH / len(windows.taper))
    # Where the nominal lag does not show, the engine may be revving.
    clear = typical > _CLEAR * chance
    shown = best >= _SHOWN * np.quantile(best, _USUAL_BEST)
    scale = max(typical, _CLEAR * chance)
    revving = clear and len(chirps) > 1 and not shown.all()
    trials = chirps if revving else chirps[:1]
    return _Scores(
        lags=lags,
        hop=hop,
        centres=(windows.starts + len(windows.taper) / 2) * step,
        score=_by_chirp(windows, score, trials, again=~shown, not_tried=_NOT_TRIED * scale) / scale,
        chirps=np.array(trials),
        clear=clear,
        shown=shown,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Windows:
    """Windows along the sound in which it is laid over itself.

    ``starts`` are their first frames, ``window`` their weights, ``taper`` the share of the weights that overlap at each
    lag, ``t`` the frames' places about the middle [nominal cycles]. ``bands`` are the sound's and their mean, shape
    (bands + 1, frames), weighted by ``weight``. ``times`` are the multiples of each lag, at ``lag_frames``.
    """

    starts: npt.NDArray[np.intp]
    window: npt.NDArray[np.float32]
    taper: FloatArray
    t: FloatArray
    bands: npt.NDArray[np.float32]
    weight: npt.NDArray[np.float32]
    times: npt.NDArray[np.intp]
    lag_frames: FloatArray
    n_fft: int


def _windows(
    frames: FloatArray, step: float, lags: FloatArray, *, width: float, hop: float, multiples: int
) -> _Windows:
    n_width = min(len(frames), round(width / step))
    window = np.hanning(n_width + 2)[1:-1].astype(np.float32)
    n_fft = fft.next_fast_len(2 * n_width, real=True)
    taper = fft.irfft(np.abs(fft.rfft(window, n_fft)) ** 2, n_fft)[:n_width]
    together = frames.mean(axis=1, keepdims=True)
    times = np.arange(1, multiples + 1)
    return _Windows(
        starts=np.arange(0, len(frames) - n_width + 1, max(1, round(hop / step))),
        window=window,
        taper=np.maximum(taper / taper[0], _LEAST_OVERLAP),
        t=(np.arange(n_width) - n_width / 2) * step,
        bands=np.concatenate([frames, together], axis=1).T.astype(np.float32),
        weight=np.r_[np.full(frames.shape[1], 0.5 / frames.shape[1]), 0.5].astype(np.float32),
        times=times,
        lag_frames=lags[:, None] * times / step,
        n_fft=n_fft,
    )


def _rates(windows: _Windows, starts: npt.NDArray[np.intp], chirp: float) -> FloatArray:
    """How well each lag repeats the sound of each window, of an engine whose speed changes by ``chirp`` [1/cycle]."""
    n_width, t = len(windows.taper), windows.t
    frame = np.arange(n_width)
    if chirp:
        # Frames at which an engine speeding up by `chirp` would have turned evenly.
        frame = np.round(np.interp(t, np.expm1(chirp * t) / chirp, frame)).astype(int)
    rated = np.empty((len(starts), len(windows.lag_frames)))
    for first in range(0, len(starts), _AT_ONCE):
        some = slice(first, first + _AT_ONCE)
        part = windows.bands[:, starts[some, None] + frame] * windows.window
        spectra = fft.rfft(part, windows.n_fft)
        # The bands' spectra are added, each over its energy, and turned into one autocorrelation.
        shares = windows.weight[:, None] / np.maximum(np.einsum("bwt,bwt->bw", part, part), 1e-12)
        power = np.einsum("bw,bwf->wf", shares, spectra.real**2 + spectra.imag**2)
        even = fft.irfft(power, windows.n_fft)[:, :n_width] / windows.taper
        repeated = np.stack([np.interp(windows.lag_frames, np.arange(n_width), row, right=0.0) for row in even])
        rated[some] = repeated @ (1 / windows.times)
    return rated


def _by_chirp(
    windows: _Windows, score: FloatArray, chirps: tuple[float, ...], *, again: BoolArray, not_tried: float
) -> FloatArray:
    """Scores per window, speed change and lag: changes are tried in some windows, elsewhere they count for less."""
    by_chirp = np.repeat(score[:, None], len(chirps), axis=1)
    by_chirp[:, 1:] -= not_tried
    for k, trial in enumerate(chirps[1:], start=1):
        by_chirp[again, k] = _rates(windows, windows.starts[again], trial)
    return by_chirp


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
