"""How far a tick stands over everything else in the cycle, in the band in which ticks ring.

A neighbour's tick may be too faint to be measured as a click of its own, hidden in what hisses at higher frequencies.
Its power still shows in the mean over all cycles, for half a millisecond at its place.
"""

import numpy as np
from scipy import fft, ndimage

from injsound.results import CycleClock, FloatArray
from injsound.sound.candidates import GAP_MAX_S, Candidate
from injsound.sound.signals import cycle_length, nearest_frames, time_at, weighted

# Above, hiss and codecs are louder than what a solenoid strikes.
_TOP_HZ, _EDGE_HZ, _KERNEL = 10_000.0, 1_000.0, 512
# A tick's power is gathered over so long, looked for so near its place, over what lies this far around it.
_TICK_S, _NEAR_S, _FROM_S, _TO_S = 0.0005, 0.0005, 0.0015, 0.008
_STEP_S = 0.0001
# Loudest share of the cycles that does not count: bangs.
_TRIMMED = 0.05
# What a quarter of the cycle exceeds comes and goes anywhere.
_ANYWHERE = 0.75


def over_others(
    white: FloatArray, sr: int, start_s: float, clock: CycleClock, own: Candidate, places: tuple[float, ...]
) -> float:
    """How far a tick stands over what is loudest at some places.

    Parameters
    ----------
    white : ndarray, shape (n,)
        Whitened samples [standard deviations].
    sr : int
        Sampling rate [Hz].
    start_s : float
        Time of ``white[0]`` [s].
    clock : CycleClock
        The engine's cycle.
    own : Candidate
        The tick.
    places : tuple of float
        Where else to look; empty looks all round the cycle [cycles].

    Returns
    -------
    float
        Mean power of the tick over that of the loudest other place, each less what lies around it [dB].
    """
    over = _over_around(_mean_power(white, sr, start_s, clock), cycle_length(clock))
    phase = np.arange(len(over)) / len(over)

    def power(place: float) -> float:
        return float(over[round(place * len(over)) % len(over)])

    apart = np.abs((phase - own.phase + 0.5) % 1.0 - 0.5) * cycle_length(clock)
    anywhere = over[apart > GAP_MAX_S]
    others = [power(place) for place in places] or [float(anywhere.max())]
    loudest = max(*others, float(np.quantile(anywhere, _ANYWHERE)), 1e-3)
    return float(10 * np.log10(max(power(own.phase), 1e-6) / loudest))


def _in_band(white: FloatArray, sr: int) -> FloatArray:
    """The sound below 10 kHz, in multiples of its usual spread."""
    band = weighted(white, np.clip((_TOP_HZ + _EDGE_HZ - fft.rfftfreq(_KERNEL, 1 / sr)) / _EDGE_HZ, 0, 1))
    spread = 1.4826 * float(np.median(np.abs(band[:: max(1, len(band) // 100_000)])))
    return band / np.float32(max(spread, 1e-12))


def _mean_power(white: FloatArray, sr: int, start_s: float, clock: CycleClock) -> FloatArray:
    """Mean power over all cycles, in even steps of the cycle."""
    step = max(1, round(_STEP_S * sr))
    power = ndimage.uniform_filter1d(_in_band(white, sr) ** 2, max(1, round(_TICK_S * sr)))[::step]
    bins = round(cycle_length(clock) / _STEP_S)
    at_s = time_at(clock, np.arange(np.ceil(clock.cycles[0]) * bins, np.floor(clock.cycles[-1]) * bins) / bins)
    rows = power[nearest_frames(at_s, start_s, step / sr, len(power))].reshape(-1, bins)
    kept = max(1, round((1 - _TRIMMED) * len(rows)))
    mean: FloatArray = np.partition(rows, kept - 1, axis=0)[:kept].mean(axis=0)
    return mean


def _over_around(power: FloatArray, length_s: float) -> FloatArray:
    """Highest power near each place of the cycle, less the usual power around it."""
    step_s = length_s / len(power)
    near, away = round(_NEAR_S / step_s), round(_TO_S / step_s)
    around = np.abs(np.arange(-away, away + 1)) * step_s >= _FROM_S
    usual = ndimage.median_filter(power, footprint=around, mode="wrap")
    return np.asarray(ndimage.maximum_filter1d(power, 2 * near + 1, mode="wrap") - usual)
