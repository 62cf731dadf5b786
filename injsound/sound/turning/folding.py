"""The sound over the crank: folded by the clock into cycles, and each cycle's shift against their profile."""

import numpy as np
from scipy import fft, linalg, ndimage

from injsound.sound.clock import frames_at, time_at
from injsound.sound.filters import SLOW_S
from injsound.sound.signals import Complex, best_path, robust_spread
from injsound.values import CycleClock, FloatArray, OnsetStrength

# Phase resolution: at 700 rpm a bin is 0.67 ms, the width of a tick's rise in the onset strength.
BINS = 256
# Cycles that are folded at once for the first profile, and the shifts tried: bins per cycle, and per cycle squared.
_STRETCH = 24
_SLOPES, _BENDS = np.arange(-4, 4.01, 0.5), np.arange(-0.15, 0.151, 0.05)
# The first profile needs no finer detail: 95 periods a cycle are 2.7 bins each.
_HARMONICS = 95
# From one cycle to the next the shift changes by so many bins at most. A change by the second costs the third, in
# standard deviations of a cycle's fit, others as their power 1.5.
_MOST_STEP, _COSTLY_STEP, _STEP_COST = 14, 4.0, 0.25
# What a bend of the smoothed shifts costs, where a usual quarter's residual costs 1. A quarter counts half at so many
# spreads of the residuals, a tenth of a bin at least; fitted so often.
_STIFFNESS, _FAR_OFF, _LEAST_SPREAD, _FITS = 4.0, 3.0, 0.1, 4


def flatten(strength: OnsetStrength) -> FloatArray:
    """Take what is slower than ticks and valves out of the onset strength.

    Parameters
    ----------
    strength : OnsetStrength
        Onset strength in bands [unitless].

    Returns
    -------
    ndarray, shape (n_frames, n_bands)
        Frames by bands, the slow part removed [unitless].
    """
    slow = ndimage.uniform_filter1d(strength.bands, max(1, round(SLOW_S / strength.hop_s)), axis=1)
    return np.ascontiguousarray(ndimage.uniform_filter1d(strength.bands - slow, 3, axis=1).T)


def turned_sound(sound: FloatArray, strength: OnsetStrength, clock: CycleClock) -> FloatArray:
    """Onset strength over the crank instead of over time.

    Parameters
    ----------
    sound : ndarray, shape (n_frames, n_bands)
        As from `flatten` [unitless].
    strength : OnsetStrength
        Onset strength in bands [unitless].
    clock : CycleClock
        Time against cycle.

    Returns
    -------
    ndarray, shape (n_cycles * BINS, n_bands)
        At even steps of the clock, over its whole cycles [unitless].
    """
    first, last = np.ceil(clock.cycles[0]), np.floor(clock.cycles[-1])
    phase = first + np.arange(round((last - first) * BINS)) / BINS
    turned: FloatArray = sound[frames_at(strength, clock, phase)]
    return turned


def fold(sound: FloatArray, strength: OnsetStrength, clock: CycleClock) -> FloatArray:
    """Cut the sound into whole cycles of the engine.

    Parameters
    ----------
    sound : ndarray, shape (n_frames, n_bands)
        As from `flatten` [unitless].
    strength : OnsetStrength
        Onset strength in bands [unitless].
    clock : CycleClock
        Time against cycle.

    Returns
    -------
    ndarray, shape (n_cycles, n_bands, BINS)
        Each cycle's mean removed [unitless].
    """
    folded = turned_sound(sound, strength, clock).reshape(-1, BINS, sound.shape[1]).transpose(0, 2, 1)
    level: FloatArray = folded - folded.mean(axis=2, keepdims=True)
    return level


def first_profile(spectra: Complex) -> FloatArray:
    """Profile of the stretch that folds best over cycle length and its drift.

    Parameters
    ----------
    spectra : ndarray, shape (n_cycles, n_bands, BINS // 2 + 1)
        Spectra of the folded cycles [unitless].

    Returns
    -------
    ndarray, shape (n_bands, BINS)
        Mean onset strength over the cycle [unitless].

    References
    ----------
    Folding over period and drift as in pulsar timing: docs/methods.md, 'Cycle lock'.
    """
    n = min(_STRETCH, len(spectra))
    k = np.arange(n) - (n - 1) / 2
    shifts = _SLOPES[:, None, None] * k + _BENDS[None, :, None] * (k**2 - (k**2).mean())
    # A matrix per frequency: from the cycles of a stretch to their sum after each trial shift.
    harmonics = np.arange(1, _HARMONICS + 1)[:, None, None]
    turn = np.exp(2j * np.pi / BINS * shifts.reshape(-1, n) * harmonics).astype(np.complex64)
    low = np.ascontiguousarray(spectra[:, :, 1 : _HARMONICS + 1].transpose(2, 0, 1))
    best, found = -np.inf, None
    for start in range(0, len(spectra) - n + 1, max(1, n // 2)):
        total = turn @ low[:, start : start + n]
        parts = total.view(np.float32)
        power = np.einsum("fsb,fsb->s", parts, parts)
        if power.max() > best:
            best, found = power.max(), total[:, power.argmax()]
    assert found is not None
    full = np.zeros((spectra.shape[1], BINS // 2 + 1), dtype=np.complex64)
    full[:, 1 : _HARMONICS + 1] = found.T
    first: FloatArray = fft.irfft(full, BINS, axis=1) / n
    return first


def _correlate(spectra: Complex, profile: FloatArray) -> FloatArray:
    """Each cycle against the profile at every circular shift, shape (n_cycles, BINS)."""
    product = spectra * np.conj(fft.rfft(profile, axis=1)).astype(np.complex64)
    fit: FloatArray = fft.irfft(product.sum(axis=1), BINS, axis=1)
    return fit


def follow(spectra: Complex, profile: FloatArray) -> FloatArray:
    """Shift of each cycle against a profile, by circular Viterbi.

    Parameters
    ----------
    spectra : ndarray, shape (n_cycles, n_bands, BINS // 2 + 1)
        Spectra of the folded cycles [unitless].
    profile : ndarray, shape (n_bands, BINS)
        Mean onset strength over the cycle [unitless].

    Returns
    -------
    ndarray, shape (n_cycles,)
        Unwrapped [bins].
    """
    fit = _correlate(spectra, profile)
    fit = (fit - fit.mean(axis=1, keepdims=True)) / np.maximum(fit.std(axis=1, keepdims=True), 1e-12)
    steps = np.arange(-_MOST_STEP, _MOST_STEP + 1)
    path = best_path(fit, (np.abs(steps) / _COSTLY_STEP) ** 1.5 * _STEP_COST, circular=True)
    first = (path[0] + BINS // 2) % BINS - BINS // 2
    moved = (np.diff(path, prepend=path[0]) + BINS // 2) % BINS - BINS // 2
    followed: FloatArray = first + np.cumsum(moved).astype(float)
    return followed


def mean_profile(spectra: Complex, shift: FloatArray) -> FloatArray:
    """Mean of the cycles, each moved back by its shift.

    Parameters
    ----------
    spectra : ndarray, shape (n_cycles, n_bands, BINS // 2 + 1)
        Spectra of the folded cycles [unitless].
    shift : ndarray, shape (n_cycles,)
        As from `follow` [bins].

    Returns
    -------
    ndarray, shape (n_bands, BINS)
        Mean onset strength over the cycle [unitless].
    """
    turn = np.exp(2j * np.pi / BINS * shift[:, None] * np.arange(BINS // 2 + 1)).astype(np.complex64)
    mean: FloatArray = fft.irfft((spectra * turn[:, None]).mean(axis=0), BINS, axis=1)
    return mean


def shifted(clock: CycleClock, shift: FloatArray) -> CycleClock:
    """Move the clock so that each cycle's fit lies at shift zero.

    Parameters
    ----------
    clock : CycleClock
        Time against cycle.
    shift : ndarray, shape (n_cycles,)
        As from `follow` [bins].

    Returns
    -------
    CycleClock
        Smoothly moved, never backwards.
    """
    first = np.ceil(clock.cycles[0])
    centres = first + np.arange(len(shift)) + 0.5
    smooth = ndimage.gaussian_filter1d(shift, 0.7, mode="nearest") / BINS
    cycles = clock.cycles - np.interp(clock.cycles, centres, smooth)
    return CycleClock(times_s=clock.times_s, cycles=np.maximum.accumulate(cycles + 1e-9 * np.arange(len(cycles))))


def refine(cycles: FloatArray, profile: FloatArray, clock: CycleClock, width_s: float) -> CycleClock:
    """Lay the shifts of quarter cycles against the profile, smoothed, onto the clock.

    Parameters
    ----------
    cycles : ndarray, shape (n_cycles, n_bands, BINS)
        As from `fold` [unitless].
    profile : ndarray, shape (n_bands, BINS)
        Mean onset strength over the cycle [unitless].
    clock : CycleClock
        Time against cycle.
    width_s : float
        How far off each quarter is looked for [s].

    Returns
    -------
    CycleClock
        With a knot in the middle of each quarter that moves on.
    """
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
    bands = np.zeros((3, n))
    bands[2] = 6.0
    bands[2, [0, -1]] = 1.0
    bands[2, [1, -2]] = 5.0
    bands[1, 1:] = -4.0
    bands[1, [1, -1]] = -2.0
    bands[0, 2:] = 1.0
    robust = np.ones(n)
    smooth = np.zeros(n)
    for _ in range(_FITS):
        w = weight * robust
        matrix = _STIFFNESS * bands
        matrix[2] += w + 1e-9
        smooth = linalg.solveh_banded(matrix, w * values)
        residual = np.abs(values - smooth)
        scale = max(robust_spread(residual), _LEAST_SPREAD)
        robust = 1 / (1 + (residual / (_FAR_OFF * scale)) ** 2)
    return smooth
