"""How far a tick stands over everything else in the cycle, and whether all its neighbours are heard too.

A neighbour's tick may be too faint to be measured as a click of its own, hidden in what hisses at higher frequencies.
Its power still shows in the mean over all cycles, for half a millisecond at its place, in the band in which ticks ring.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import fft, ndimage

from injsound.sound.candidates import Candidate
from injsound.sound.clock import apart, cycle_length, nearest_frames, time_at
from injsound.sound.filters import weighted
from injsound.sound.second_click import GAP_MAX_S
from injsound.sound.signals import robust_spread
from injsound.values import CycleClock, FloatArray

# Above, hiss and codecs are louder than what a solenoid strikes.
_TOP_HZ, _EDGE_HZ, _KERNEL = 10_000.0, 1_000.0, 512
# A tick's power is gathered over so long, looked for so near its place, over what lies this far around it.
_TICK_S, _NEAR_S, _FROM_S, _TO_S = 0.0005, 0.0005, 0.0015, 0.008
_STEP_S = 0.0001
# Loudest share of the cycles that does not count: bangs.
_TRIMMED = 0.05
# What a quarter of the cycle exceeds comes and goes anywhere.
_ANYWHERE = 0.75
# A neighbour ticks this near to its place; elsewhere is further from every injector's open and close.
_TURN_S, _ELSEWHERE_S, _OFF_CLOSE_S = 0.0003, 0.0025, 0.0015
# A smaller share of the cycle, which holds some fifty ticks' lengths, says no more.
_LEAST_SHARE = 0.02
# Power is told down to 30 dB under the usual background.
_LEAST_POWER = 1e-3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Standing:
    """How a tick stands in its cycle.

    Parameters
    ----------
    over_db : float
        Its mean power over that of what is loudest at its neighbours' places, anywhere where none are known [dB].
    places_db : ndarray, shape (k,)
        Power at each of the neighbours' places over the tick's own [dB].
    chances : ndarray, shape (k,)
        Probability of so much sound there if nothing ticks: the share of the rest of the cycle with as much, times that
        with as much before and after the tick's own gap; each at least 0.02 [unitless].
    """

    over_db: float
    places_db: FloatArray
    chances: FloatArray


def stand(
    white: FloatArray, sr: int, start_s: float, clock: CycleClock, own: Candidate, places: tuple[float, ...]
) -> Standing:
    """How far a tick stands over what is loudest at some places, and whether something ticks at each of them.

    A dead injector leaves one place empty, whichever neighbour's tick is taken for its own: where all of them sound
    more than the rest of the cycle does, the tick is the own one.

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
        Where the neighbours tick; empty looks all round the cycle [cycles].

    Returns
    -------
    Standing
        Each power less what lies around it.
    """
    length_s = cycle_length(clock)
    power = _mean_power(white, sr, start_s, clock)
    usual = _usual(power, length_s)
    over = _highest(power, length_s, _NEAR_S) - usual
    turns = np.array([own.phase, *places])
    own_at, *at = (np.round(turns * len(power)).astype(int) % len(power)).tolist()
    anywhere = over[_apart_s(len(over), own.phase, length_s) > GAP_MAX_S]
    if not anywhere.size:  # above 7,000 1/min an injector's strokes fill the cycle: nothing stands out
        return Standing(over_db=0.0, places_db=np.zeros(len(places)), chances=np.ones(len(places)))
    others = over[at] if at else anywhere
    loudest = max(float(others.max()), float(np.quantile(anywhere, _ANYWHERE)), _LEAST_POWER)
    exact = _highest(power, length_s, _TURN_S) - usual
    return Standing(
        over_db=float(_db(over[own_at] / loudest)),
        places_db=_db(exact[at] / max(float(exact[own_at]), _LEAST_POWER)),
        chances=_chances(exact, turns, at, own.gap_s, length_s),
    )


def _db(ratio: FloatArray) -> FloatArray:
    db: FloatArray = 10 * np.log10(np.maximum(ratio, _LEAST_POWER))
    return db


def _chances(over: FloatArray, turns: FloatArray, at: list[int], gap_s: float, length_s: float) -> FloatArray:
    """Chance of so much at each of the neighbours' places, and of so much there and after the own tick's gap."""
    elsewhere = _away_from(len(over), turns, length_s, _ELSEWHERE_S)
    if not np.isfinite(gap_s):
        return _shares_over(over, at, elsewhere)
    gap = gap_s / length_s
    elsewhere &= _away_from(len(over), np.concatenate([turns - gap, turns + gap]), length_s, _OFF_CLOSE_S)
    both = np.minimum(over, np.roll(over, -round(gap * len(over))))
    return _shares_over(over, at, elsewhere) * _shares_over(both, at, elsewhere)


def _shares_over(power: FloatArray, at: list[int], elsewhere: npt.NDArray[np.bool_]) -> FloatArray:
    """Share of the rest of the cycle with no less power than each of some places."""
    if not elsewhere.any():
        return np.ones(len(at))
    shares: FloatArray = np.maximum(np.mean(power[elsewhere] >= power[at, None], axis=1), _LEAST_SHARE)
    return shares


def _away_from(n: int, phases: FloatArray, length_s: float, least_s: float) -> npt.NDArray[np.bool_]:
    """Which of n steps of the cycle lie further than so much from all of some phases."""
    away: npt.NDArray[np.bool_] = np.all([_apart_s(n, phase, length_s) > least_s for phase in phases], axis=0)
    return away


def _apart_s(n: int, phase: float, length_s: float) -> FloatArray:
    """Distance of each of n steps of the cycle from a phase [s]."""
    away: FloatArray = apart(np.arange(n) / n, phase) * length_s
    return away


def _in_band(white: FloatArray, sr: int) -> FloatArray:
    """The sound below 10 kHz, in multiples of its usual spread."""
    band = weighted(white, np.clip((_TOP_HZ + _EDGE_HZ - fft.rfftfreq(_KERNEL, 1 / sr)) / _EDGE_HZ, 0, 1))
    spread = robust_spread(band[:: max(1, len(band) // 100_000)])
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


def _highest(power: FloatArray, length_s: float, near_s: float) -> FloatArray:
    """Highest power near each place of the cycle."""
    near = round(near_s / (length_s / len(power)))
    return np.asarray(ndimage.maximum_filter1d(power, 2 * near + 1, mode="wrap"))


def _usual(power: FloatArray, length_s: float) -> FloatArray:
    """Usual power around each place of the cycle."""
    step_s = length_s / len(power)
    away = round(_TO_S / step_s)
    around = np.abs(np.arange(-away, away + 1)) * step_s >= _FROM_S
    return np.asarray(ndimage.median_filter(power, footprint=around, mode="wrap"))
