"""The tick's own scatter against the engine's cycle, told apart from the engine's unevenness by likelihood.

Only the engine's other repeated sounds can tell how far a tick strays from its place in the cycle. Times of all of them
are fitted by one model, which ``scatter_model.py`` makes: each sound's scatter, steps and walks of the engine.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from injsound.sound.signals import modified_z
from injsound.sound.timing.scatter_model import (
    ENGINE_PARTS,
    FEWEST_TICKS,
    Differences,
    join_times,
    second_differences,
    white_band,
)
from injsound.values import FloatArray

BoolArray = npt.NDArray[np.bool_]

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


# An interval that reaches zero still says "steady" where its upper end lies below this: 2 % of an open time of 2.5 ms,
# the repeatability of a healthy injector (from memory).
STEADY_US = 50.0
# Half the 95 % quantile of chi-square with one degree of freedom: where a profile likelihood interval ends.
_PROFILE_DROP = 1.9207
# Normal deviates beyond 4 come once in 16,000: in a minute of ticks they are the engine's step or a stray time.
_STRAY, _ROUNDS = 4.0, 8
# A stray time bends the neighbours' fit as far as this many sounds away.
_REACH = 4
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

    Returns
    -------
    OwnScatter
        Estimate with interval.

    Raises
    ------
    ParameterError
        If lengths differ.

    References
    ----------
    Scoring by average information: Gilmour, Thompson and Cullis, Biometrics 51, 1440-1450, 1995 (from memory). Model,
    robustness, interval and measured coverage: docs/methods.md.
    """
    time, cycle, source = join_times(own_s, own_cycle, reference_s, reference_cycle, reference_source)
    if np.isfinite(own_s).sum() < FEWEST_TICKS:
        return OwnScatter()
    try:
        model, peak = _fit_robustly(second_differences(time * _US, cycle, source))
        low, high = (_profile_end(model, peak, side) for side in (-1, 1))
        return _report(model, peak, low, high)
    except np.linalg.LinAlgError:  # times so far from any engine's that the likelihood drowns in rounding
        return OwnScatter()


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


def _normal(model: Differences, variance: FloatArray) -> _Normal:
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


def _slopes(model: Differences, normal: _Normal) -> tuple[FloatArray, FloatArray, FloatArray]:
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


def _climb(model: Differences, start: FloatArray, *, hold_own: bool = False) -> _Peak:
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


def _fit_robustly(model: Differences) -> tuple[Differences, _Peak]:
    """Fit, give slack where the engine stepped or a time is stray, and fit again until none is left."""
    start = np.full(len(model.parts), model.typical / 3)
    start[-ENGINE_PARTS:] = model.typical
    peak = _climb(model, start)
    for _ in range(_ROUNDS):
        stray, step = _strays(model, _normal(model, peak.variance))
        if not stray.any() and not step.any():
            break
        freed = white_band(model.weights, stray.astype(float))
        freed[0] += step[1:-1]
        model = replace(model, slack=model.slack + _SLACK * model.typical * freed)
        peak = _climb(model, peak.variance)
    return model, peak


def _strays(model: Differences, normal: _Normal) -> tuple[BoolArray, BoolArray]:
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


def _profile_end(model: Differences, peak: _Peak, side: int) -> float:
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


def _engine_at_tick(model: Differences, variance: FloatArray) -> float:
    """How far the engine strays [us] between its other sounds, were all of them heard without scatter."""
    own = np.flatnonzero(model.source == 0)
    own = own[(own >= 2) & (own < model.source.size - 2)]
    own = own[:: max(1, own.size // _PLACES)]
    columns = np.zeros((model.data.shape[0], own.size))
    for k in range(3):
        columns[own - k, np.arange(own.size)] = model.weights[k, own - k]
    exact_us2 = np.where(np.arange(variance.size) < variance.size - ENGINE_PARTS, model.none, variance)
    exact = _normal(model, exact_us2)
    # The variance of a value given all others is the inverse of its diagonal element in the inverse covariance.
    given_others = 1 / np.einsum("ij,ij->j", columns, _project(exact, columns))
    return math.sqrt(max(0.0, float(np.median(given_others)) - model.none))


def _report(model: Differences, peak: _Peak, low: float, high: float) -> OwnScatter:
    """The interval is widened by what the model of the engine may be wrong."""
    engine = _engine_at_tick(model, peak.variance)

    def root(variance: float) -> float:
        return math.sqrt(max(0.0, variance))

    low, high = root(low**2 - engine**2), root(high**2 + engine**2)
    hidden = low == 0 and high > STEADY_US
    return OwnScatter(
        sigma_us=None if hidden else root(float(peak.variance[0])),
        low_us=low,
        high_us=high,
        unevenness_us=engine,
    )
