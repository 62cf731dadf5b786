"""The engine's clock both ways: time against cycle, and what falls on which frame of the onset strength."""

from typing import TypeVar

import numpy as np
import numpy.typing as npt

from injsound.values import CycleClock, FloatArray, OnsetStrength

_END_KNOTS = 6
Phase = TypeVar("Phase", float, FloatArray)


def time_at(clock: CycleClock, cycles: FloatArray) -> FloatArray:
    """Time at which the engine reaches given cycles; beyond the knots the speed over the first or last six goes on.

    Parameters
    ----------
    clock : CycleClock
        Time against engine cycle.
    cycles : ndarray, shape (n,)
        Engine cycles [cycles].

    Returns
    -------
    ndarray, shape (n,)
        Times [s].
    """
    return _interpolate(np.asarray(cycles, dtype=float), clock.cycles, clock.times_s)


def cycle_at(clock: CycleClock, times_s: FloatArray) -> FloatArray:
    """Engine cycle reached at given times; beyond the knots the speed over the first or last six goes on.

    Parameters
    ----------
    clock : CycleClock
        Time against engine cycle.
    times_s : ndarray, shape (n,)
        Times [s].

    Returns
    -------
    ndarray, shape (n,)
        Engine cycles [cycles].
    """
    return _interpolate(np.asarray(times_s, dtype=float), clock.times_s, clock.cycles)


def _interpolate(x: FloatArray, known: FloatArray, values: FloatArray) -> FloatArray:
    y = np.interp(x, known, values)
    low, high = x < known[0], x > known[-1]
    # The last two knots alone would give a rough speed.
    k = min(_END_KNOTS, len(known) - 1)
    y[low] = values[0] + (x[low] - known[0]) * (values[k] - values[0]) / (known[k] - known[0])
    y[high] = values[-1] + (x[high] - known[-1]) * (values[-1] - values[-1 - k]) / (known[-1] - known[-1 - k])
    return y


def cycle_length(clock: CycleClock) -> float:
    """Usual length of a cycle.

    Parameters
    ----------
    clock : CycleClock
        The engine's cycle.

    Returns
    -------
    float
        Median over the knots [s].
    """
    return float(np.median(np.diff(clock.times_s) / np.diff(clock.cycles)))


def wrapped(difference: Phase, period: float = 1.0) -> Phase:
    """The shorter way between two phases on the circle.

    Parameters
    ----------
    difference : float or ndarray
        Of two phases [cycles].
    period : float
        Once round [cycles].

    Returns
    -------
    float or ndarray
        Half the period at most, to either side [cycles].
    """
    return (difference + period / 2) % period - period / 2


def apart(a: Phase, b: Phase | float, period: float = 1.0) -> Phase:
    """Distance of two phases on the circle.

    Parameters
    ----------
    a, b : float or ndarray
        Phases [cycles].
    period : float
        Once round [cycles].

    Returns
    -------
    float or ndarray
        Half the period at most [cycles].
    """
    return abs(wrapped(a - b, period))


def passing_times(clock: CycleClock, phase: float) -> FloatArray:
    """When the engine passes one place of its cycle.

    Parameters
    ----------
    clock : CycleClock
        The engine's cycle.
    phase : float
        The place [cycles].

    Returns
    -------
    ndarray, shape (k,)
        Times within the clock's reach, one per cycle [s].
    """
    return time_at(clock, phase + np.arange(np.ceil(clock.cycles[0] - phase), np.floor(clock.cycles[-1] - phase) + 1))


def nearest_frames(times_s: FloatArray, start_s: float, hop_s: float, count: int) -> npt.NDArray[np.intp]:
    """Frames nearest to given times.

    Parameters
    ----------
    times_s : ndarray, shape (k,)
        Times [s].
    start_s, hop_s : float
        Time of frame 0, and from one to the next [s].
    count : int
        Number of frames [unitless].

    Returns
    -------
    ndarray of int, shape (k,)
        Frames; the first or the last where a time lies beyond the ends [unitless].
    """
    inside: npt.NDArray[np.intp] = np.clip(np.round((times_s - start_s) / hop_s).astype(int), 0, count - 1)
    return inside


def frames_at(strength: OnsetStrength, clock: CycleClock, cycles: FloatArray) -> npt.NDArray[np.intp]:
    """Frames of the onset strength nearest to given engine cycles.

    Parameters
    ----------
    strength : OnsetStrength
        Onset strength in bands [unitless].
    clock : CycleClock
        The engine's cycle.
    cycles : ndarray
        Engine cycles [cycles].

    Returns
    -------
    ndarray of int, of the same shape
        Frames; the first or the last where a cycle lies beyond the ends [unitless].
    """
    return nearest_frames(
        time_at(clock, cycles.ravel()), strength.start_s, strength.hop_s, strength.bands.shape[1]
    ).reshape(cycles.shape)
