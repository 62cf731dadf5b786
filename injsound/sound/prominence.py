"""How far a tick stands over everything else in the cycle, in the band in which ticks ring.

A neighbour's tick may be too faint to be measured as a click of its own, hidden in what hisses at higher frequencies.
Its power still shows in the mean over all cycles, for half a millisecond at its place.
"""

import numpy as np
from scipy import fft, ndimage

from injsound.results import CycleClock, FloatArray
from injsound.sound.candidates import GAP_MAX_S, Candidate
from injsound.sound.signals import cycle_length, passing_times, weighted

# Above, hiss and codecs are louder than what a solenoid strikes.
_TOP_HZ, _EDGE_HZ, _KERNEL = 10_000.0, 1_000.0, 512
# A tick's power is gathered over so long, looked for so near its place, over what lies this far around it.
_TICK_S, _NEAR_S, _FROM_S, _TO_S = 0.0005, 0.0005, 0.0015, 0.008
_STEP_S = 0.0001
# Loudest share of the cycles that does not count: bangs.
_TRIMMED = 0.05
# Places all round the cycle say what power comes and goes anywhere.
_ROUND = 32


def over_others(
    white: FloatArray, sr: int, start_s: float, clock: CycleClock, own: Candidate, places: list[float]
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
    places : list of float
        Where else to look; empty looks all round the cycle [cycles].

    Returns
    -------
    float
        Mean power of the tick over that of the loudest other place, each less what lies around it [dB].
    """
    step = max(1, round(_STEP_S * sr))
    gathered = ndimage.uniform_filter1d(_in_band(white, sr) ** 2, max(1, round(_TICK_S * sr)))[::step]

    def power(phase: float) -> float:
        return _bump(gathered, (passing_times(clock, phase % 1.0) - start_s) * sr / step, step / sr)

    away = GAP_MAX_S / cycle_length(clock)
    anywhere = np.array([power(own.phase + p) for p in np.linspace(away, 1 - away, _ROUND)])
    others = [power(place) for place in places] or anywhere.tolist()
    loudest = max(*others, float(np.quantile(anywhere, 0.75)), 1e-3)
    return float(10 * np.log10(max(power(own.phase), 1e-6) / loudest))


def _in_band(white: FloatArray, sr: int) -> FloatArray:
    """The sound below 10 kHz, in multiples of its usual spread."""
    band = weighted(white, np.clip((_TOP_HZ + _EDGE_HZ - fft.rfftfreq(_KERNEL, 1 / sr)) / _EDGE_HZ, 0, 1))
    spread = 1.4826 * float(np.median(np.abs(band[:: max(1, len(band) // 100_000)])))
    return band / np.float32(max(spread, 1e-12))


def _bump(power: FloatArray, places: FloatArray, step_s: float) -> float:
    """Highest mean power at a place that comes once per cycle, less that around it."""
    reach = round(_TO_S / step_s)
    away = np.arange(-reach, reach + 1)
    whole = np.round(places).astype(int)
    rows = power[whole[(whole >= reach) & (whole < len(power) - reach), None] + away]
    if not len(rows):
        return 0.0
    least = max(1, round((1 - _TRIMMED) * len(rows)))
    kept = np.partition(rows, least - 1, axis=0)[:least].mean(axis=0)
    far_s = np.abs(away) * step_s
    return float(kept[far_s <= _NEAR_S].max() - np.median(kept[far_s >= _FROM_S]))
