"""How far a tick stands over everything else in the cycle, and whether all its neighbours are heard too.

A neighbour's tick may be too faint to be measured as a click of its own, hidden in what hisses at higher frequencies.
Its power still shows in the mean over all cycles, for half a millisecond at its place, in the bands in which ticks
ring, and it comes up and goes there, for open and for close.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import fft, ndimage

from injsound.sound.clock import apart, cycle_length, nearest_frames, time_at
from injsound.sound.filters import weighted
from injsound.sound.own.candidates import Candidate
from injsound.sound.second_click import GAP_MAX_S
from injsound.values import CycleClock, FloatArray

# Above, hiss and codecs are louder than what a solenoid strikes.
_BANDS_HZ = ((0.0, 3_500.0), (3_500.0, 6_000.0), (6_000.0, 10_000.0))
_EDGE_HZ, _KERNEL = 1_000.0, 512
# A tick's power is gathered over so long, looked for so near its place, over what lies this far around it.
_TICK_S, _NEAR_S, _FROM_S, _TO_S = 0.0005, 0.0005, 0.0015, 0.008
_STEP_S = 0.0001
# A tick comes up, in the logarithm of the power, gathered over so long and down to 17 dB under the usual. What is gone
# again a while later counts more: all but so much of what is left then, and so much of it in any case.
_SHORT_S, _FAINTEST, _LEFT_SHARE, _IN_ANY_CASE = 0.0003, 0.02, 0.7, 0.3
_BEFORE, _AT, _LATER = (-11, -4), (1, 3), (7, 16)
# Loudest share of the cycles that does not count: bangs.
_TRIMMED = 0.05
# What a quarter of the cycle exceeds comes and goes anywhere.
_ANYWHERE = 0.75
# A neighbour's power is near its place, and comes up nearer yet; elsewhere is further from every open and close.
_TURN_S, _RISE_STEPS = 0.0003, 2
_ELSEWHERE_S, _OFF_CLOSE_S = 0.0012, 0.0010
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
        Probability of so sharp a rise there if nothing ticks, and of another after the tick's own gap where that is
        known: the share of the rest of the cycle with as much [unitless].
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
    power, rise = _folded(white, sr, start_s, clock)
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
        chances=_chances(rise, turns, at, own.gap_s, length_s),
    )


def among_twins(own: Candidate, others: Sequence[Candidate]) -> Standing:
    """How a tick stands where at each of its neighbours' places one like it was found.

    Parameters
    ----------
    own : Candidate
        The tick.
    others : sequence of Candidate
        Those of all its neighbours, by phase after it.

    Returns
    -------
    Standing
        By their levels; that nothing ticks at one of the places is out of the question.
    """
    places_db = np.array([20 * np.log10(one.level / own.level) for one in others])
    return Standing(over_db=float(-places_db.max()), places_db=places_db, chances=np.zeros(len(others)))


def _db(ratio: FloatArray) -> FloatArray:
    db: FloatArray = 10 * np.log10(np.maximum(ratio, _LEAST_POWER))
    return db


def _chances(rise: FloatArray, turns: FloatArray, at: list[int], gap_s: float, length_s: float) -> FloatArray:
    """Chance of so sharp a rise at each of the neighbours' places, and after the own tick's gap, if nothing ticks."""
    at_once = 2 * _RISE_STEPS + 1
    sharp = ndimage.maximum_filter1d(rise, at_once, mode="wrap")
    elsewhere = _away_from(len(sharp), turns, length_s, _ELSEWHERE_S)
    if np.isfinite(gap_s):
        gap = gap_s / length_s
        elsewhere &= _away_from(len(sharp), np.concatenate([turns - gap, turns + gap]), length_s, _OFF_CLOSE_S)
        sharp = np.minimum(sharp, np.roll(sharp, -round(gap * len(sharp))))
    as_sharp = np.sum(sharp[elsewhere] >= sharp[at, None], axis=1)
    # The highest of so many steps is one rise.
    chances: FloatArray = (at_once + as_sharp) / (at_once + elsewhere.sum())
    return chances


def _away_from(n: int, phases: FloatArray, length_s: float, least_s: float) -> npt.NDArray[np.bool_]:
    """Which of n steps of the cycle lie further than so much from all of some phases."""
    away: npt.NDArray[np.bool_] = np.all([_apart_s(n, phase, length_s) > least_s for phase in phases], axis=0)
    return away


def _apart_s(n: int, phase: float, length_s: float) -> FloatArray:
    """Distance of each of n steps of the cycle from a phase [s]."""
    away: FloatArray = apart(np.arange(n) / n, phase) * length_s
    return away


def _folded(white: FloatArray, sr: int, start_s: float, clock: CycleClock) -> tuple[FloatArray, FloatArray]:
    """Mean power over all cycles, and how far its logarithm comes up, both in even steps of the cycle."""
    step, bins = max(1, round(_STEP_S * sr)), round(cycle_length(clock) / _STEP_S)
    at_s = time_at(clock, np.arange(np.ceil(clock.cycles[0]) * bins, np.floor(clock.cycles[-1]) * bins) / bins)
    frames = nearest_frames(at_s, start_s, step / sr, len(white[::step]))
    squares = [_in_band(white, sr, low, high) ** 2 for low, high in _BANDS_HZ if low < sr / 2]
    power = np.sum(squares, axis=0)
    power /= _usual_of(power)
    rows = _gathered(power, sr, _TICK_S)[::step][frames].reshape(-1, bins)
    kept = max(1, round((1 - _TRIMMED) * len(rows)))
    mean: FloatArray = np.partition(rows, kept - 1, axis=0)[:kept].mean(axis=0)
    rise = np.zeros(bins)
    for square in squares:
        short = _gathered(square, sr, _SHORT_S)[::step]
        level = np.log(short / _usual_of(short) + _FAINTEST)[frames].reshape(-1, bins).mean(axis=0)
        rise += _rises(level)
    return mean, rise


def _in_band(white: FloatArray, sr: int, low_hz: float, high_hz: float) -> FloatArray:
    """The sound between two frequencies."""
    f = fft.rfftfreq(_KERNEL, 1 / sr)
    above, below = ((away / _EDGE_HZ + 0.5).clip(0, 1) for away in (f - low_hz, high_hz - f))
    return weighted(white, above * below)


def _gathered(power: FloatArray, sr: int, length_s: float) -> FloatArray:
    """Power over so long about each sample."""
    return np.asarray(ndimage.uniform_filter1d(power, max(1, round(length_s * sr))))


def _usual_of(power: FloatArray) -> float:
    return max(float(np.median(power[:: max(1, len(power) // 100_000)])), 1e-12)


def _rises(level: FloatArray) -> FloatArray:
    """How far the sound comes up at each step of the cycle, and goes again."""
    before, at, later = (_mean_of(level, *steps) for steps in (_BEFORE, _AT, _LATER))
    rise, left = np.maximum(at - before, 0.0), np.maximum(later - before, 0.0)
    comes: FloatArray = np.maximum(rise - _LEFT_SHARE * left, 0.0) + _IN_ANY_CASE * rise
    return comes


def _mean_of(level: FloatArray, first: int, last: int) -> FloatArray:
    """Mean of the steps so long after each step, the first and the last of them with it."""
    return np.asarray(np.mean([np.roll(level, -k) for k in range(first, last + 1)], axis=0))


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
