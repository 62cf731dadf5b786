"""What several stages share: runs and spans of time, robust spread, and the best path through a table."""

from typing import Any

import numpy as np
import numpy.typing as npt
from numpy.lib.stride_tricks import sliding_window_view

from injsound.values import FloatArray, Span

Complex = npt.NDArray[np.complexfloating[Any, Any]]
# Median absolute deviation of the normal law, ndtri(3 / 4), and its inverse: each rounded as it is published.
MAD_SIGMA, _SIGMA_OVER_MAD = 0.6745, 1.4826


def true_runs(where: npt.NDArray[np.bool_]) -> npt.NDArray[np.intp]:
    """Rows of true entries.

    Parameters
    ----------
    where : ndarray of bool, shape (n,)
        Any.

    Returns
    -------
    ndarray of int, shape (m, 2)
        First entry of each row and the one after its last [unitless].
    """
    return np.flatnonzero(np.diff(where, prepend=False, append=False)).reshape(-1, 2)


def covered(spans: tuple[Span, ...], from_s: FloatArray, to_s: FloatArray) -> npt.NDArray[np.bool_]:
    """Whether each stretch of time touches one of the spans.

    Parameters
    ----------
    spans : tuple of Span
        Spans [s].
    from_s, to_s : ndarray, shape (n,)
        Starts and ends of the stretches [s].

    Returns
    -------
    ndarray of bool, shape (n,)
        True where a stretch overlaps a span.
    """
    touched = np.zeros(len(from_s), dtype=bool)
    for span in spans:
        touched |= (from_s < span.to_s) & (to_s > span.from_s)
    return touched


def robust_spread(deviations: FloatArray) -> float:
    """Spread of the normal law whose deviations have the same median size.

    Parameters
    ----------
    deviations : ndarray
        From their middle, at least one.

    Returns
    -------
    float
        1.4826 = 1 / ndtri(3 / 4) times the median absolute deviation, in its unit.
    """
    return _SIGMA_OVER_MAD * float(np.median(np.abs(deviations)))


def modified_z(values: FloatArray) -> FloatArray:
    """Deviation from the median in robust standard deviations.

    Parameters
    ----------
    values : ndarray, shape (n,)
        Any unit.

    Returns
    -------
    ndarray, shape (n,)
        0.6745 (x - median) / MAD; zero where more than half of the values are equal [unitless].

    References
    ----------
    Iglewicz and Hoaglin, How to Detect and Handle Outliers, ASQC, 1993, section 3.3.
    """
    deviation = np.asarray(values, dtype=float) - np.median(values)
    mad = np.median(np.abs(deviation))
    z: FloatArray = MAD_SIGMA * deviation / mad if mad > 0 else np.zeros_like(deviation)
    return z


def spread_by_steps(steps: FloatArray) -> float:
    """Spread of what moves anew each time, from its changes alone: a slow drift does not count.

    Parameters
    ----------
    steps : ndarray
        Changes from one value to the next, at least one.

    Returns
    -------
    float
        As from `robust_spread`, over the root of two: each change is of two values.
    """
    return float(robust_spread(steps) / np.sqrt(2))


def best_path(score: FloatArray, cost: FloatArray, *, circular: bool) -> npt.NDArray[np.intp]:
    """Path through the rows of a table that gathers most, less what its steps cost (Viterbi).

    Parameters
    ----------
    score : ndarray, shape (n, states)
        What each state is worth in each row [unitless].
    cost : ndarray, shape (2 k + 1,)
        Of steps from -k to k states; longer ones are not taken [unitless].
    circular : bool
        Whether the last state lies beside the first.

    Returns
    -------
    ndarray of int, shape (n,)
        State in each row [unitless].
    """
    n, states = score.shape
    side = len(cost) // 2
    # What the best way to each state is worth; beyond the ends the other end, or nothing.
    worth = np.full((n, states + 2 * side), -np.inf)
    worth[:, side:-side] = score
    # Of each row, for every step to a state of the next, what the states are worth from which it comes.
    coming = sliding_window_view(worth, states, axis=1)[:, ::-1]
    left = np.empty((len(cost), states))
    for i in range(n):
        if i:
            np.subtract(coming[i - 1], cost[:, None], out=left)
            worth[i, side:-side] += np.maximum.reduce(left)
        if circular:
            worth[i, :side], worth[i, -side:] = worth[i, states:-side], worth[i, side : 2 * side]
    path = np.empty(n, dtype=np.intp)
    path[-1] = worth[-1, side:-side].argmax()
    for i in range(n - 1, 0, -1):
        step = int((coming[i - 1, :, path[i]] - cost).argmax()) - side
        path[i - 1] = (path[i] - step) % states
    return path
