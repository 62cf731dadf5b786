"""How steady the heard ticks are, and what part of it is the injector's own.

An idling engine's speed wanders by about 1 %, which moves an interval of 160 ms by 1.6 ms: the spread of raw intervals
measures the engine. ``measure_jitter`` gives the interval figures with the speed trend removed; how far a tick strays
from its place in the engine's cycle is asked in ``scatter.py``.
"""

import math

import numpy as np
import numpy.typing as npt
from numpy.lib.stride_tricks import sliding_window_view

from injsound.errors import ParameterError
from injsound.results import Jitter
from injsound.values import FloatArray

BoolArray = npt.NDArray[np.bool_]

# Wander slower than this is speed trend; common practice splits jitter from wander at 10 periods or more.
TREND_CYCLES = 10
# A parabola in time is a speed that changes evenly.
_TREND_ORDER = 2
# Fewer intervals give no spread worth printing: its own relative error is 1 / sqrt(2 n), 16 % at 20.
FEWEST_INTERVALS = 20
_US = 1e6


def measure_jitter(heard_s: FloatArray, cycle: FloatArray, *, step: float, trend_cycles: int = TREND_CYCLES) -> Jitter:
    """Measure the timing of consecutive ticks; intervals across a skip or a hole in the row never enter.

    Parameters
    ----------
    heard_s : ndarray, shape (n,)
        When each due event was heard; nan where it was not [s].
    cycle : ndarray, shape (n,)
        Engine cycle at which each event was due, rising [cycles].
    step : float
        Cycles from one event to the next: 1 sequential, 0.5 batch [cycles].
    trend_cycles : int
        Length of the trend that is removed [cycles].

    Returns
    -------
    Jitter
        Without the fields of the own scatter; None where there are too few intervals.

    Raises
    ------
    ParameterError
        If the lengths differ or a setting is not positive.

    References
    ----------
    Period, cycle-to-cycle jitter: as clock data sheets restate JESD65B; time interval error: ITU-T G.810. Trend and
    corrections: docs/methods.md.
    """
    heard, index = _due_row(heard_s, cycle, step)
    tick_us = np.full(index[-1] + 1 if index.size else 0, np.nan)
    tick_us[index] = heard * _US
    interval = np.diff(tick_us)
    change = np.diff(interval)
    count = int(np.isfinite(interval).sum())
    if count < FEWEST_INTERVALS or np.isfinite(change).sum() < FEWEST_INTERVALS // 2:
        return Jitter(count=count)
    sign = 1.0 - 2.0 * (np.arange(tick_us.size) % 2)
    alternation = np.nanmean(change * sign[1:-1]) / -4  # the swing +a, -a changes the interval by 4 a each time
    tick_us -= alternation * sign
    half = max(2, round(trend_cycles / step / 2))
    error_us = _spread(tick_us, half, differences=0)
    period_us = _spread(tick_us, half, differences=1)
    cycle_to_cycle_us = _spread(tick_us, half, differences=2)
    return Jitter(
        time_interval_error_us=error_us,
        period_us=period_us,
        cycle_to_cycle_us=cycle_to_cycle_us,
        ratio=cycle_to_cycle_us / period_us if cycle_to_cycle_us is not None and period_us else None,
        lag1=_lag1(np.diff(tick_us), half),
        alternation_us=abs(float(alternation)),
        count=count,
    )


def _due_row(heard_s: FloatArray, cycle: FloatArray, step: float) -> tuple[FloatArray, npt.NDArray[np.intp]]:
    """Heard times and the place of each in the row of due events, counted in steps."""
    heard, cycles = np.asarray(heard_s, dtype=float), np.asarray(cycle, dtype=float)
    if heard.shape != cycles.shape or heard.ndim != 1:
        raise ParameterError(f"heard times have shape {heard.shape}, cycles {cycles.shape}; expected one row of each")
    if not step > 0:
        raise ParameterError(f"step is {step:g}; expected more than 0: 1 for sequential, 0.5 for batch injection")
    index = np.rint((cycles - cycles[:1]) / step).astype(np.intp)
    if np.any(np.diff(index) < 1):
        raise ParameterError("cycles do not rise by whole steps; expected consecutive due events: sort the events")
    return heard, index


def _spread(tick_us: FloatArray, half: int, *, differences: int) -> float | None:
    """Rms of the n-th difference of tick times about its trend, exact for white scatter of the ticks.

    The trend is a parabola of times, so a line of intervals and a constant of their changes.
    """
    rest, kept = _about_trend(np.diff(tick_us, n=differences), half, order=_TREND_ORDER - differences)
    white = math.comb(2 * differences, differences)  # variance of the n-th difference of unit white noise
    noise = float(_noise_kept(kept, differences).sum())
    return float(np.sqrt(np.nansum(rest**2) / noise * white)) if noise > 0 else None


def _about_trend(values: FloatArray, half: int, *, order: int) -> tuple[FloatArray, FloatArray]:
    """Values minus a local polynomial, and the row of the neighbours' weights in each; nan where too few are known."""
    power = (np.arange(-half, half + 1) / half)[:, None] ** np.arange(2 * order + 1)
    window = sliding_window_view(np.pad(values, half, constant_values=np.nan), 2 * half + 1)
    known = np.isfinite(window)
    thick = known[:, half] & (known.sum(axis=1) > order + 2)
    window, known = window[thick], known[thick]
    moment = (known @ power)[:, np.add.outer(np.arange(order + 1), np.arange(order + 1))]
    at_centre = np.linalg.solve(moment, np.eye(order + 1, 1))[:, :, 0]
    weights = np.where(known, -at_centre @ power[:, : order + 1].T, 0)
    weights[:, half] += 1
    rest = np.full(values.size, np.nan)
    rest[thick] = np.einsum("ij,ij->i", weights, np.where(known, window, 0))
    return rest, weights


def _noise_kept(weights: FloatArray, differences: int) -> FloatArray:
    """Variance that white noise of the tick times, variance 1, leaves in each weighted sum of their differences."""
    for _ in range(differences):
        weights = np.diff(weights, axis=1, prepend=0, append=0)
    kept: FloatArray = np.einsum("ij,ij->i", weights, weights)
    return kept


def _lag1(interval_us: FloatArray, half: int) -> float | None:
    period, _ = _about_trend(interval_us, half, order=_TREND_ORDER - 1)
    pairs = period[1:] * period[:-1]
    square = np.nansum(period**2) / max(1, np.isfinite(period).sum())
    return float(np.nanmean(pairs) / square) if square > 0 and np.isfinite(pairs).any() else None
