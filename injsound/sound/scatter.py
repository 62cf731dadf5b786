"""The tick's own scatter against the engine's cycle, told apart from the engine's unevenness by likelihood.

Only the engine's other repeated sounds can tell how far a tick strays from its place in the cycle. Times of all of them
are differenced twice over the cycle and fitted by one model: each sound's scatter, steps and walks of the engine.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from injsound.errors import ParameterError
from injsound.results import FloatArray
from injsound.sound.jitter import modified_z

BoolArray = npt.NDArray[np.bool_]

# Median absolute deviation of the normal distribution.
_MAD_SIGMA = 0.6745
_US = 1e6


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OwnScatter:
    """How far the tick strays from its place in the engine's cycle; None where the recording cannot tell.

    Parameters
    ----------
    sigma_us : float or None
        Standard deviation of the tick's own scatter; None where the engine's unevenness hides it [us].
    low_us, high_us : float or None
        95 % interval; it stands where ``sigma_us`` is hidden, as "at most" [us].
    unevenness_us : float or None
        What the engine's own unevenness leaves at the tick's place [us].
    """

    sigma_us: float | None = None
    low_us: float | None = None
    high_us: float | None = None
    unevenness_us: float | None = None


# Below this many ticks a standard deviation is known to 10 % at best (1 / sqrt(2 n)).
FEWEST_TICKS = 50
# An interval that reaches zero still says "steady" where its upper end lies below this: 2 % of an open time of 2.5 ms,
# the repeatability of a healthy injector (from memory).
STEADY_US = 50.0
# Half the 95 % quantile of chi-square with one degree of freedom: where a profile likelihood interval ends.
_PROFILE_DROP = 1.9207
# Normal deviates beyond 4 come once in 16,000: in a minute of ticks they are the engine's step or a stray time.
_STRAY, _ROUNDS = 4.0, 8
# A stray time bends the neighbours' fit as far as this many sounds away.
_REACH = 4
# Steps, walk and wander of the engine stand last among the parts of the model.
_ENGINE_PARTS = 3
# Sounds closer in the cycle than this, 1.6 ms at idle, are about as long as they are apart: common practice, no source.
_CLOSEST_CYCLES = 0.01
# Variances that stand for none [us^2], at least and beside the usual variance: smaller ones drown in rounding.
_NONE_US2, _NONE_SHARE = 0.1, 1e-8
# A difference with this many times the usual variance says nothing.
_SLACK = 1e4
# Scoring: share of the variance that is nudged and ridge on the information, both far above rounding; a gain in
# likelihood that no longer matters beside _PROFILE_DROP.
_NUDGE, _RIDGE, _MOST_STEPS, _SETTLED = 1e-4, 1e-8, 60, 2e-3
_MOST_TRIES, _END_TOLERANCE = 8, 0.03
# Places at which the engine's part is looked up.
_PLACES = 50


def own_scatter(
    own_s: FloatArray,
    own_cycle: FloatArray,
    reference_s: FloatArray,
    reference_cycle: FloatArray,
    reference_source: npt.NDArray[np.integer[Any]],
    *,
    measurement_us: float = 0.0,
) -> OwnScatter:
    """Scatter of the tick against the engine's cycle, told apart from the engine's unevenness by likelihood.

    Parameters
    ----------
    own_s, own_cycle : ndarray, shape (n,)
        When each tick was heard, nan where it was not [s], and the engine cycle at which it was due [cycles].
    reference_s, reference_cycle : ndarray, shape (m,)
        The same for the engine's other repeated sounds; may be empty [s], [cycles].
    reference_source : ndarray of int, shape (m,)
        Which sound each reference belongs to; each has a phase and a scatter of its own. In batch mode give every
        second of the injector's ticks as a reference, for the two phases need not lie half a cycle apart [unitless].
    measurement_us : float
        Known standard deviation of the own times' measurement, taken off in quadrature [us].

    Returns
    -------
    OwnScatter
        Estimate with interval.

    Raises
    ------
    ParameterError
        If lengths differ or the measurement error is negative.

    References
    ----------
    Scoring by average information: Gilmour, Thompson and Cullis, Biometrics 51, 1440-1450, 1995 (from memory). Model,
    robustness, interval and measured coverage: docs/methods.md.
    """
    if measurement_us < 0:
        raise ParameterError(f"measurement error is {measurement_us:g} us; expected 0 or more: give its spread")
    time, cycle, source = _join(own_s, own_cycle, reference_s, reference_cycle, reference_source)
    if np.isfinite(own_s).sum() < FEWEST_TICKS:
        return OwnScatter()
    try:
        model, peak = _fit_robustly(_second_differences(time * _US, cycle, source))
        low, high = (_profile_end(model, peak, side) for side in (-1, 1))
        return _report(model, peak, low, high, measurement_us)
    except np.linalg.LinAlgError:  # times so far from any engine's that the likelihood drowns in rounding
        return OwnScatter()


def _join(
    own_s: FloatArray, own_cycle: FloatArray, reference_s: FloatArray, reference_cycle: FloatArray, labels: Any
) -> tuple[FloatArray, FloatArray, npt.NDArray[np.intp]]:
    """All times that are of use, in the order of the cycle; source 0 is the own tick."""
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
class _Differences:
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


def _second_differences(time_us: FloatArray, cycle: FloatArray, source: npt.NDArray[np.intp]) -> _Differences:
    gap = np.maximum(np.diff(cycle), _CLOSEST_CYCLES / 10)  # the rest are apart but for single places out of order
    before, after = 1 / gap[:-1], 1 / gap[1:]
    weights = np.stack([before, -before - after, after])
    norm = np.linalg.norm(weights, axis=0)
    weights /= norm
    members = (source == np.arange(source.max() + 1)[:, None]).astype(float)
    columns = [sum(w * row[k : row.size - 2 + k] for k, w in enumerate(weights)) for row in (time_us, *members[1:])]
    parts = [_band(weights, member) for member in members]
    parts += [_step_band(norm, members[0]), _walk_band(weights, gap), _wander_band(norm, gap)]
    typical = max(float(np.median(np.abs(columns[0])) / _MAD_SIGMA) ** 2, _NONE_US2)
    return _Differences(
        data=np.column_stack(columns),
        parts=np.stack(parts),
        slack=np.zeros((3, gap.size - 1)),
        weights=weights,
        source=source,
        typical=typical,
        none=max(_NONE_US2, _NONE_SHARE * typical),
    )


def _band(weights: FloatArray, member: FloatArray) -> FloatArray:
    """White scatter of the times that belong to one source."""
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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Peak:
    """Variances [us^2] where the likelihood is highest, its negative logarithm and the information there."""

    variance: FloatArray
    loss: float
    information: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Normal:
    """The model at given variances.

    Covariance as a lower band and its Cholesky factor; columns of the references' phases and the inverse times them;
    the inverse times the data, phases projected out; negative log-likelihood.
    """

    band: FloatArray
    factor: FloatArray
    phases: FloatArray
    behind: FloatArray
    rest: FloatArray
    loss: float


def _normal(model: _Differences, variance: FloatArray) -> _Normal:
    band = (variance @ model.parts.reshape(len(variance), -1)).reshape(model.slack.shape)
    band += model.slack
    factor = _cholesky(band)
    solved = _solve(factor, model.data)
    phases, behind = model.data[:, 1:], solved[:, 1:]
    rest = solved[:, 0] - behind @ np.linalg.solve(phases.T @ behind, phases.T @ solved[:, 0])
    loss = float(np.log(factor[0]).sum() + 0.5 * model.data[:, 0] @ rest)
    return _Normal(band=band, factor=factor, phases=phases, behind=behind, rest=rest, loss=loss)


def _cholesky(band: FloatArray) -> FloatArray:
    """Cholesky factor of a lower band; LAPACK is called some thousand times, so without scipy's checks round it."""
    from scipy.linalg.lapack import dpbtrf

    factor: FloatArray
    factor, failed = dpbtrf(band, lower=1)
    if failed:
        raise np.linalg.LinAlgError(f"covariance is not positive definite at {failed}")
    return factor


def _solve(factor: FloatArray, right: FloatArray) -> FloatArray:
    from scipy.linalg.lapack import dpbtrs

    solution: FloatArray = dpbtrs(factor, right, lower=1)[0]
    return solution


def _project(normal: _Normal, right: FloatArray) -> FloatArray:
    """Inverse covariance, less what the phases of the references explain, times columns."""
    known = np.linalg.solve(normal.phases.T @ normal.behind, normal.behind.T @ right)
    return _solve(normal.factor, right) - normal.behind @ known


def _slopes(model: _Differences, normal: _Normal) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Twice the loss's slope in each variance, as what the model expects and what the data show, and information."""
    log_det = np.log(normal.factor[0]).sum()
    nudge = _NUDGE * (normal.band[0] - model.slack[0]).sum() / model.parts[:, 0].sum(axis=1)
    moved = [np.log(_cholesky(normal.band + n * part)[0]).sum() for n, part in zip(nudge, model.parts, strict=True)]
    spread = model.parts[:, 0] * normal.rest
    for k in (1, 2):
        spread[:, k:] += model.parts[:, k, :-k] * normal.rest[:-k]
        spread[:, :-k] += model.parts[:, k, :-k] * normal.rest[k:]
    information = 0.5 * spread @ _project(normal, spread.T)
    return 2 * (np.array(moved) - log_det) / nudge, spread @ normal.rest, information


def _climb(model: _Differences, start: FloatArray, *, hold_own: bool = False) -> _Peak:
    """Raise the likelihood until it settles; ``hold_own`` keeps the own scatter as it is."""
    variance, normal = start, _normal(model, start)
    for _ in range(_MOST_STEPS):
        expected, shown, information = _slopes(model, normal)
        move = (variance > model.none) | (shown > expected)
        move[0] &= not hold_own
        gain = 0.0
        for change in _changes(variance, expected, shown, information, move=move):
            tried = np.where(move, np.maximum(variance + change, model.none), variance)
            there = _normal(model, tried)
            gain = normal.loss - there.loss
            if gain > 0:
                variance, normal = tried, there
                break
        if gain < _SETTLED:
            break
    return _Peak(variance=variance, loss=normal.loss, information=information)


def _changes(
    variance: FloatArray, expected: FloatArray, shown: FloatArray, information: FloatArray, *, move: BoolArray
) -> Iterator[FloatArray]:
    """Yield a scoring step, a shorter one, and the slow step that never fails (docs/methods.md)."""
    damped = information + np.diag(_RIDGE * np.diag(information))
    step = np.zeros_like(variance)
    step[move] = np.linalg.solve(damped[np.ix_(move, move)], (shown - expected)[move] / 2)
    yield step
    yield step / 4
    yield variance * (np.sqrt(np.abs(shown / expected)) - 1)


def _fit_robustly(model: _Differences) -> tuple[_Differences, _Peak]:
    """Fit, give slack where the engine stepped or a time is stray, and fit again until none is left."""
    start = np.full(len(model.parts), model.typical / 3)
    start[-_ENGINE_PARTS:] = model.typical
    peak = _climb(model, start)
    for _ in range(_ROUNDS):
        stray, step = _strays(model, _normal(model, peak.variance))
        if not stray.any() and not step.any():
            break
        freed = _band(model.weights, stray.astype(float))
        freed[0] += step[1:-1]
        model = replace(model, slack=model.slack + _SLACK * model.typical * freed)
        peak = _climb(model, peak.variance)
    return model, peak


def _strays(model: _Differences, normal: _Normal) -> tuple[BoolArray, BoolArray]:
    """Mark times that stray, and times at which the speed steps, as the rest of the train has it.

    Both show in several differences: of neighbours within reach only the worst is taken, as the one or the other.
    """
    from scipy.ndimage import maximum_filter1d

    first, second, third = model.weights * normal.rest
    pull = np.zeros((2, model.source.size))
    pull[0, :-2], pull[1, 1:-1] = first, normal.rest
    pull[0, 1:-1] += second
    pull[0, 2:] += third
    for source in range(model.source.max() + 1):
        pull[:, model.source == source] = [modified_z(row) for row in pull[:, model.source == source]]
    pull[1, [0, -1]] = 0
    pull = np.abs(pull)
    worst = pull.max(axis=0)
    peak = (worst > _STRAY) & (worst == maximum_filter1d(worst, 2 * _REACH + 1))
    return peak & (pull[0] >= pull[1]), peak & (pull[0] < pull[1])


def _profile_end(model: _Differences, peak: _Peak, side: int) -> float:
    """Own standard deviation [us] where the likelihood, the rest adjusted, has fallen by the interval's drop."""
    best, rest = math.sqrt(peak.variance[0]), peak.variance[1:]
    if side < 0 and _climb(model, np.array([model.none, *rest]), hold_own=True).loss - peak.loss < _PROFILE_DROP:
        return 0.0
    damped = peak.information + np.diag(_RIDGE * np.diag(peak.information))
    spread = math.sqrt(np.linalg.inv(damped)[0, 0])
    end = math.sqrt(max(best**2 + side * 2 * spread, best**2 / 4))
    for _ in range(_MOST_TRIES):
        there = _climb(model, np.array([end**2, *rest]), hold_own=True)
        fall, rest = math.sqrt(max(there.loss - peak.loss, _SETTLED) / _PROFILE_DROP), there.variance[1:]
        if abs(fall - 1) < _END_TOLERANCE:
            break
        end = max(best + (end - best) * min(max(1 / fall, 0.1), 2.0), end / 4)
    return end


def _engine_at_tick(model: _Differences, variance: FloatArray) -> float:
    """How far the engine strays [us] between its other sounds, were all of them heard without scatter."""
    own = np.flatnonzero(model.source == 0)
    own = own[(own >= 2) & (own < model.source.size - 2)]
    own = own[:: max(1, own.size // _PLACES)]
    columns = np.zeros((model.data.shape[0], own.size))
    for k in range(3):
        columns[own - k, np.arange(own.size)] = model.weights[k, own - k]
    exact_us2 = np.where(np.arange(variance.size) < variance.size - _ENGINE_PARTS, model.none, variance)
    exact = _normal(model, exact_us2)
    # The variance of a value given all others is the inverse of its diagonal element in the inverse covariance.
    given_others = 1 / np.einsum("ij,ij->j", columns, _project(exact, columns))
    return math.sqrt(max(0.0, float(np.median(given_others)) - model.none))


def _report(model: _Differences, peak: _Peak, low: float, high: float, measurement_us: float) -> OwnScatter:
    """Measurement taken off, and the interval widened by what the model of the engine may be wrong."""
    engine = _engine_at_tick(model, peak.variance)
    off = measurement_us**2

    def root(variance: float) -> float:
        return math.sqrt(max(0.0, variance))

    low, high = root(low**2 - off - engine**2), root(high**2 - off + engine**2)
    hidden = low == 0 and high > STEADY_US
    return OwnScatter(
        sigma_us=None if hidden else root(float(peak.variance[0]) - off),
        low_us=low,
        high_us=high,
        unevenness_us=engine,
    )
