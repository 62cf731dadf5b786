"""The model behind a tick's own scatter: what each part adds to the second differences of all times over the cycle.

A second difference takes out any even speed. What is left is each sound's own scatter and what the engine does: steps
of the speed at the own tick, a walk of the phase (uneven firing) and a walk of the speed (wander).
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from injsound.errors import ParameterError
from injsound.sound.signals import MAD_SIGMA
from injsound.values import FloatArray

# Below this many ticks a standard deviation is known to 10 % at best (1 / sqrt(2 n)).
FEWEST_TICKS = 50
# Steps, walk and wander of the engine stand last among the parts of the model.
ENGINE_PARTS = 3
# Sounds closer in the cycle than this, 1.6 ms at idle, are about as long as they are apart: common practice, no source.
_CLOSEST_CYCLES = 0.01
# Variances that stand for none [us^2], at least and beside the usual variance: smaller ones drown in rounding.
_NONE_US2, _NONE_SHARE = 0.1, 1e-8


def join_times(
    own_s: FloatArray, own_cycle: FloatArray, reference_s: FloatArray, reference_cycle: FloatArray, labels: Any
) -> tuple[FloatArray, FloatArray, npt.NDArray[np.intp]]:
    """All times that are of use, in the order of the cycle.

    Parameters
    ----------
    own_s, own_cycle : ndarray, shape (n,)
        When each tick was heard, nan where it was not [s], and the engine cycle at which it was due [cycles].
    reference_s, reference_cycle : ndarray, shape (m,)
        The same for the engine's other repeated sounds [s], [cycles].
    labels : ndarray of int, shape (m,)
        Which sound each reference belongs to [unitless].

    Returns
    -------
    time_s, cycle : ndarray, shape (k,)
        Heard ones of all sounds that are heard often enough and apart [s], [cycles].
    source : ndarray of int, shape (k,)
        Which sound each is; 0 is the own tick [unitless].

    Raises
    ------
    ParameterError
        If lengths differ.
    """
    rows = [np.asarray(row, dtype=float) for row in (own_s, own_cycle, reference_s, reference_cycle)]
    if rows[0].shape != rows[1].shape or not rows[2].shape == rows[3].shape == np.shape(labels):
        raise ParameterError("times, cycles and sources differ in length; expected one of each per sound")
    time, cycle = np.concatenate(rows[::2]), np.concatenate(rows[1::2])
    source = np.concatenate([np.zeros(rows[0].size, dtype=np.intp), 1 + np.unique(labels, return_inverse=True)[1]])
    order = np.argsort(cycle, kind="stable")
    order = order[np.isfinite(time[order])]
    time, cycle, source = time[order], cycle[order], source[order]
    kept = np.isin(source, _apart(cycle, source))
    return time[kept], cycle[kept], np.unique(source[kept], return_inverse=True)[1]


def _apart(cycle: FloatArray, source: npt.NDArray[np.intp]) -> list[int]:
    """Pick the sources heard often enough, each away from those before it: closer ones are one sound."""
    kept = [0]
    for one in range(1, source.max(initial=0) + 1):
        places, others = cycle[source == one], cycle[np.isin(source, kept)]
        if min(places.size, others.size) < FEWEST_TICKS:
            continue
        right = np.clip(np.searchsorted(others, places), 1, others.size - 1)
        distance = np.minimum(np.abs(others[right] - places), np.abs(places - others[right - 1]))
        if np.median(distance) >= _CLOSEST_CYCLES:
            kept.append(one)
    return kept


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Differences:
    """Second differences of all times over the cycle, and what each part of the model adds to their covariance.

    ``data`` holds the differences and, per reference, the column of its unknown phase, shape (m, 1 + references).
    ``parts`` are lower bands of unit covariances, shape (sources + 3, 3, m): each source's scatter, steps of the
    speed at the own tick, walk of the phase (uneven firing), walk of the speed (wander). ``slack`` is the band that
    frees stray times and steps of the engine. ``weights`` are the three coefficients of each difference, shape (3, m).
    ``typical`` is the usual variance of a difference, ``none`` the variance that stands for none [us^2].
    """

    data: FloatArray
    parts: FloatArray
    slack: FloatArray
    weights: FloatArray
    source: npt.NDArray[np.intp]
    typical: float
    none: float


def second_differences(time_us: FloatArray, cycle: FloatArray, source: npt.NDArray[np.intp]) -> Differences:
    """Difference all times twice over the cycle, and say what each part of the model adds to their covariance.

    Parameters
    ----------
    time_us : ndarray, shape (k,)
        When each sound was heard [us].
    cycle : ndarray, shape (k,)
        Where in the engine's cycle, rising [cycles].
    source : ndarray of int, shape (k,)
        Which sound each is; 0 is the own tick [unitless].

    Returns
    -------
    Differences
        The model's data and parts.
    """
    gap = np.maximum(np.diff(cycle), _CLOSEST_CYCLES / 10)  # the rest are apart but for single places out of order
    before, after = 1 / gap[:-1], 1 / gap[1:]
    weights = np.stack([before, -before - after, after])
    norm = np.linalg.norm(weights, axis=0)
    weights /= norm
    members = (source == np.arange(source.max() + 1)[:, None]).astype(float)
    columns = [sum(w * row[k : row.size - 2 + k] for k, w in enumerate(weights)) for row in (time_us, *members[1:])]
    parts = [white_band(weights, member) for member in members]
    parts += [_step_band(norm, members[0]), _walk_band(weights, gap), _wander_band(norm, gap)]
    typical = max(float(np.median(np.abs(columns[0])) / MAD_SIGMA) ** 2, _NONE_US2)
    return Differences(
        data=np.column_stack(columns),
        parts=np.stack(parts),
        slack=np.zeros((3, gap.size - 1)),
        weights=weights,
        source=source,
        typical=typical,
        none=max(_NONE_US2, _NONE_SHARE * typical),
    )


def white_band(weights: FloatArray, member: FloatArray) -> FloatArray:
    """White scatter of the times that belong to one source.

    Parameters
    ----------
    weights : ndarray, shape (3, m)
        The coefficients of each difference, norm 1 [unitless].
    member : ndarray, shape (m + 2,)
        1 for a time that belongs to it, else 0 [unitless].

    Returns
    -------
    ndarray, shape (3, m)
        Lower band of the covariance at variance 1 [unitless].
    """
    first, second, third = weights
    band = np.zeros((3, first.size))
    band[0] = first**2 * member[:-2] + second**2 * member[1:-1] + third**2 * member[2:]
    band[1, :-1] = second[:-1] * first[1:] * member[1:-2] + third[:-1] * second[1:] * member[2:-1]
    band[2, :-2] = third[:-2] * first[2:] * member[2:-2]
    return band


def _step_band(norm: FloatArray, member: FloatArray) -> FloatArray:
    """Speed that steps at the ticks of one source."""
    band = np.zeros((3, norm.size))
    band[0] = member[1:-1] / norm**2
    return band


def _walk_band(weights: FloatArray, gap: FloatArray) -> FloatArray:
    """Phase that walks by independent steps of variance 1 a cycle."""
    first, _, third = weights
    band = np.zeros((3, first.size))
    band[0] = first**2 * gap[:-1] + third**2 * gap[1:]
    band[1, :-1] = -third[:-1] * first[1:] * gap[1:-1]
    return band


def _wander_band(norm: FloatArray, gap: FloatArray) -> FloatArray:
    """Speed that walks by independent steps of variance 1 a cycle: a divided difference averages them under a hat."""
    band = np.zeros((3, norm.size))
    band[0] = (gap[:-1] + gap[1:]) / 3 / norm**2
    band[1, :-1] = gap[1:-1] / 6 / (norm[:-1] * norm[1:])
    return band
