"""Where a click keeps coming a little late or early: its lateness as a path from event to event.

The clock is right to some tenths of a millisecond and errs slowly. Following the error makes a faint click plain that
one look at a time would place on whatever noise is highest.
"""

import numpy as np
import numpy.typing as npt
from scipy.linalg.lapack import dptsv

from injsound.sound.signals import best_path, robust_spread
from injsound.sound.waveforms import peak_place
from injsound.values import FloatArray

BoolArray = npt.NDArray[np.bool_]

_TRACK_STEP_S = 0.0001
# Penalties on changes of the lateness, from an engine that stumbles to one that hums.
_STIFFNESS = (0.1, 0.5, 2.0, 8.0)
_MIN_SCATTER_S = 30e-6


def track_lateness(
    fit: FloatArray, sr: int, heard: BoolArray, *, middle: int, near_s: float
) -> tuple[FloatArray, float]:
    """Lateness of a click as a path that changes little from event to event, and its scatter about that path.

    Viterbi over lateness; an event without a click neither pulls nor breaks the path.

    Parameters
    ----------
    fit : ndarray, shape (n, lags)
        Match values of each event at every lag [standard deviations].
    sr : int
        Sampling rate [Hz].
    heard : ndarray of bool, shape (n,)
        Events that may pull at the path.
    middle : int
        The lag of the due time [samples].
    near_s : float
        How far from the path a click may lie [s].

    Returns
    -------
    late_s : ndarray, shape (n,)
        The path [s].
    scatter_s : float
        Robust spread of the heard ones about it [s].
    """
    step = max(1, round(_TRACK_STEP_S * sr))
    bins = fit.shape[1] // step
    level = fit[:, : bins * step].reshape(len(fit), bins, step).max(axis=2)
    # Beyond what noise gives, and no event weighs more than another.
    full = max(8.0, float(np.median(level.max(axis=1)[heard])))
    level = np.clip((level - 2.0) * 6.0 / (full - 2.0), 0.0, 6.0)
    path = best_path(level, 0.25 * np.abs(np.arange(-8, 9)), circular=False)
    rough = ((path + 0.5) * step - middle) / sr
    _, late = best_near(fit, sr, rough, 3 * _TRACK_STEP_S, middle=middle, near_s=near_s)
    return _smooth(late, heard, rough)


def best_near(
    fit: FloatArray, sr: int, trend_s: FloatArray, scatter_s: float, *, middle: int, near_s: float
) -> tuple[FloatArray, FloatArray]:
    """Highest match near the expected place, at a price for distance, and where it is.

    Parameters
    ----------
    fit : ndarray, shape (n, lags)
        Match values of each event at every lag [standard deviations].
    sr : int
        Sampling rate [Hz].
    trend_s : ndarray, shape (n,) or (1,)
        Expected lateness, one of each event or of all [s].
    scatter_s : float
        Usual distance from it [s].
    middle : int
        The lag of the due time [samples].
    near_s : float
        Farthest distance from it [s].

    Returns
    -------
    value : ndarray, shape (n,)
        The match [standard deviations].
    late_s : ndarray, shape (n,)
        Where it is [s].
    """
    lag = (np.arange(fit.shape[1]) - middle) / sr
    away = (np.abs(lag - trend_s[:, None]) / scatter_s).astype(fit.dtype)
    # Student's t with 3 degrees: a log likelihood becomes a match value when divided by the separation; 6 is where
    # counting becomes certain.
    price = 2.0 / 6.0 * np.log(1 + away**2 / 3)
    price[away > near_s / scatter_s] += 1e3
    place, _ = peak_place(fit - price)
    at = np.round(place).astype(int)[:, None]
    return np.take_along_axis(fit, at, axis=1)[:, 0].astype(float), (place - middle) / sr


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
    return smooth, max(robust_spread((late - smooth)[heard]), _MIN_SCATTER_S)


def _penalised(late: FloatArray, heard: BoolArray, rough: FloatArray, stiffness: float) -> FloatArray:
    """Penalised least squares on differences, wrong matches given less weight round by round."""
    diagonal = np.full(len(late), 2.0 * stiffness)
    diagonal[[0, -1]] = stiffness
    beside = np.full(len(late) - 1, -stiffness)
    robust = heard.astype(float)
    smooth = rough
    for _ in range(4):
        # Positive definite and of three diagonals: LAPACK's own, as it is asked some hundred times.
        smooth = dptsv(diagonal + robust + 1e-3, beside, robust * late + 1e-3 * rough)[2]
        residual = np.abs(late - smooth)
        scale = max(robust_spread(residual[heard]), _MIN_SCATTER_S)
        robust = heard / (1 + (residual / (3 * scale)) ** 2) ** 2
    return smooth
