"""How skips lie in time, and what that does to a rate's limits; whether a fault in bursts would have shown.

A train is a boolean array, one entry per judged event in order of time, True = skipped.
"""

import math
from bisect import bisect_left
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from injsound.codes import Pattern
from injsound.errors import ParameterError
from injsound.findings.proportions import CONFIDENCE, checked_share, exact_limits, log_ways, zero_bound
from injsound.values import FloatArray

BoolArray = npt.NDArray[np.bool_]
# The customary level of significance (common practice, no source).
PATTERN_P = 0.05
# The spacing test is asked besides the runs test: a stricter level keeps the two together near 5 % on scattered skips.
SPACING_P = 0.01
# Five skips are the fewest that differ from none at 5 % (k against 0: 2**-k); fewer say nothing about order either.
FEWEST_SKIPS_FOR_PATTERN = 5
# The fault that a steady reading must be able to exclude: below 5 % a maker need not set the catalyst-damage misfire
# code (13 CCR 1968.2 (e)(3), from memory), and contact faults come in bursts (common practice, no source).
FAULT_RATE, FAULT_BURST = 0.05, 5
# Skips with at most one heard event between them are one burst: a bad contact lets a tick through now and then (common
# practice, no source); coverage with and without such holes is in docs/methods.md.
BURST_GAP = 2
_MOST_EVENTS = 10_000_000
# Where the heard ones keep an order, so many of the others may be heard, and so many of their own turn be missing.
_ORDERLY, _OWN_MISSING = 0.05, 0.5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RunsTest:
    """Whether skipped and heard events alternate more or less often than chance would have it.

    Parameters
    ----------
    runs : int
        Stretches of equal events [unitless].
    expected : float
        Mean number of runs where order is random [unitless].
    z : float or None
        Deviation in standard deviations, for comparison with tables; None where only one order exists [unitless].
    p : float
        Exact two-sided p-value [unitless].
    """

    runs: int
    expected: float
    z: float | None
    p: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Detectable:
    """Whether a given fault would have shown.

    Parameters
    ----------
    probability : float
        That at least one skip would have been called [unitless].
    events_needed : int or None
        Judged events at which that probability reaches the confidence; None where no number does [unitless].
    """

    probability: float
    events_needed: int | None


def runs_test(skipped: BoolArray) -> RunsTest:
    """Exact Wald-Wolfowitz test of the order of skipped and heard events.

    Parameters
    ----------
    skipped : ndarray of bool, shape (n,)
        True where the event was skipped.

    Returns
    -------
    RunsTest
        Its p-value sums every outcome that is no likelier than the one observed.

    Raises
    ------
    ParameterError
        If there is no event.

    References
    ----------
    Form of the statistic: NIST/SEMATECH e-Handbook, 1.3.5.13. Exact distribution: derived in docs/methods.md.
    """
    train = _check_train(skipped)
    n, ones = train.size, int(train.sum())
    runs = 1 + int(np.count_nonzero(train[1:] != train[:-1]))
    product = 2 * ones * (n - ones)
    expected = product / n + 1
    variance = product * (product - n) / (n * n * (n - 1)) if n > 1 else 0.0
    probability = _runs_distribution(ones, n - ones)
    return RunsTest(
        runs=runs,
        expected=expected,
        z=(runs - expected) / math.sqrt(variance) if variance > 0 else None,
        p=_sum_no_likelier(probability, float(probability[runs])),
    )


def _runs_distribution(ones: int, zeros: int) -> FloatArray:
    """Probability of 0, 1, 2, ... runs: each kind is cut into its runs independently, given their number."""
    if not ones or not zeros:
        return np.array([0.0, 1.0])
    runs = np.arange(2 * min(ones, zeros) + 2)
    low, high = runs // 2, runs - runs // 2  # runs of either kind; the kinds change places where the number is odd
    both = np.logaddexp(
        log_ways(ones - 1, low - 1) + log_ways(zeros - 1, high - 1),
        log_ways(ones - 1, high - 1) + log_ways(zeros - 1, low - 1),
    )
    probability: FloatArray = np.exp(both - log_ways(ones + zeros, np.array(ones)))
    return probability


def _sum_no_likelier(probability: FloatArray, observed: float) -> float:
    # The factor keeps outcomes that are equally likely but for rounding in the sum, as scipy.stats.binomtest does.
    return min(1.0, float(probability[probability <= observed * (1 + 1e-7)].sum()))


def skip_pattern(skipped: BoolArray) -> tuple[Pattern, float | None]:
    """How the skips lie in time.

    Parameters
    ----------
    skipped : ndarray of bool, shape (n,)
        True where the event was skipped.

    Returns
    -------
    tuple of Pattern and (float or None)
        The pattern, and the exact p-value of the runs test [unitless]; None where it was not asked.

    Notes
    -----
    Bursts: fewer runs than expected. Regular: more runs than expected, or one spacing of skips that keeps coming back.
    Too few: under five skips, or so few heard events that no order could reach significance.

    References
    ----------
    Thresholds and their false alarms: docs/methods.md.
    """
    train = np.asarray(skipped, dtype=bool)
    count = int(train.sum())
    if not count:
        return Pattern.NONE, None
    if count < FEWEST_SKIPS_FOR_PATTERN:
        return Pattern.TOO_FEW, None
    probability = _runs_distribution(count, train.size - count)
    if _sum_no_likelier(probability, float(probability[probability > 0].min())) >= PATTERN_P:
        return Pattern.TOO_FEW, None
    test = runs_test(train)
    if test.p < PATTERN_P:
        return (Pattern.BURSTS if test.runs < test.expected else Pattern.REGULAR), test.p
    return (Pattern.REGULAR if _spacing_p(train) < SPACING_P else Pattern.SCATTERED), test.p


def heard_every(skipped: BoolArray, judged: BoolArray) -> int:
    """The n of every n-th event, where these are heard and hardly any others.

    Parameters
    ----------
    skipped, judged : ndarray of bool, shape (n,)
        Which due events were skipped, and which were judged at all.

    Returns
    -------
    int
        2 to 6; 1 where the heard ones keep no such order, or hardly one of that is heard [unitless].
    """
    place = np.arange(len(skipped))
    orders: list[tuple[float, int]] = []
    for every in range(2, 7):
        for turn in range(every):
            inside, outside = judged & (place % every == turn), judged & (place % every != turn)
            if min(inside.sum(), outside.sum()) < FEWEST_SKIPS_FOR_PATTERN:
                continue
            if skipped[outside].mean() >= 1 - _ORDERLY:
                orders.append((float(skipped[inside].mean()), every))
    missing, every = min(orders, default=(1.0, 1))
    return every if missing <= _OWN_MISSING else 1


def _spacing_p(train: BoolArray) -> float:
    """Bound on the p-value of the commonest spacing of skips: among scattered ones spacings are geometric."""
    from scipy.special import bdtrc

    spacings = np.diff(np.flatnonzero(train))
    counts = np.bincount(spacings, minlength=3)[2:]  # skips in a row are the runs test's business
    rate = float(train.mean())
    share = rate * (1 - rate) ** np.arange(1, 1 + counts.size)
    return min(1.0, float(bdtrc(counts.max() - 1, spacings.size, share).sum()))


def rate_limits(skipped: BoolArray, *, confidence: float = CONFIDENCE) -> tuple[float, float]:
    """Limits of the skip rate, exact for scattered skips and widened where they come in bursts.

    Parameters
    ----------
    skipped : ndarray of bool, shape (n,)
        True where the event was skipped.
    confidence : float
        Of the pair of limits; of the upper one alone where nothing was skipped [unitless].

    Returns
    -------
    tuple of float
        Low and high limit, never narrower than ``exact_limits`` [unitless].

    Raises
    ------
    ParameterError
        If there is no event or the confidence is impossible.

    References
    ----------
    Effective sample size in the exact limits: Korn and Graubard, Survey Methodology 24, 193-201, 1998 (from memory).
    Design effect and measured coverage: docs/methods.md.
    """
    from scipy.special import betainccinv, betaincinv

    train = _check_train(skipped)
    n, count = train.size, int(train.sum())
    if not count:
        return 0.0, zero_bound(n, confidence=confidence)
    low, high = exact_limits(count, n, confidence=confidence)
    test = runs_test(train)
    if test.p >= PATTERN_P or test.runs >= test.expected:
        return low, high
    effect = _design_effect(train)
    x, m, tail = count / effect, n / effect, (1 - confidence) / 2
    return min(low, float(betaincinv(x, m - x + 1, tail))), max(high, float(betainccinv(x + 1, m - x, tail)))


def _design_effect(train: BoolArray) -> float:
    """Sum of squared burst sizes over their sum: how many skips it takes to say what one independent skip says."""
    where = np.flatnonzero(train)
    sizes = np.diff(np.flatnonzero(np.diff(where, prepend=-np.inf, append=np.inf) > BURST_GAP))
    return float((sizes**2).sum() / sizes.sum())


def detectable(
    judged: int,
    *,
    rate: float = FAULT_RATE,
    burst: int = FAULT_BURST,
    miss_probability: float = 0.0,
    confidence: float = CONFIDENCE,
) -> Detectable:
    """Whether a fault that skips in bursts would have shown at least once.

    Parameters
    ----------
    judged : int
        Events judged [unitless].
    rate : float
        Share of events that the fault skips, in the long run [unitless].
    burst : int
        Skips in a row each time; 1 for skips that stand alone [unitless].
    miss_probability : float
        Of calling a skipped event heard, each on its own [unitless].
    confidence : float
        At which ``events_needed`` is counted [unitless].

    Returns
    -------
    Detectable
        Probability of at least one call, and the events at which it reaches the confidence.

    Raises
    ------
    ParameterError
        If a setting is impossible.

    References
    ----------
    Derived in docs/methods.md: a Markov chain over the place in the burst, looked into at a random moment.
    """
    if judged < 0 or burst < 1:
        raise ParameterError(
            f"judged is {judged} and burst {burst}; expected 0 or more and 1 or more: check the counts"
        )
    if not 0 <= miss_probability <= 1:
        raise ParameterError(f"miss probability is {miss_probability:g}; expected 0 to 1: give it as a share")
    checked_share(confidence, "confidence")
    start, step = _silent_chain(checked_share(rate, "rate"), burst, miss_probability)

    def seen(events: int) -> float:
        return max(0.0, 1 - float((start @ np.linalg.matrix_power(step, events)).sum()))

    needed = None
    if seen(_MOST_EVENTS) >= confidence:
        needed = 1 + bisect_left(range(1, _MOST_EVENTS), confidence, key=seen)
    return Detectable(probability=seen(judged), events_needed=needed)


def _silent_chain(rate: float, burst: int, miss: float) -> tuple[FloatArray, FloatArray]:
    """Stationary start, and one event's step without a call; state 0 is between bursts, 1.. the place in a burst."""
    begin = rate / (rate + burst * (1 - rate))  # between bursts lie burst * (1 - rate) / rate events on average
    start = np.full(burst + 1, rate / burst)
    start[0] = 1 - rate
    step = np.eye(burst + 1, k=1)
    step[[0, burst]] = 0
    step[[0, 0, burst, burst], [0, 1, 0, 1]] = 1 - begin, begin, 1 - begin, begin
    silent = np.full(burst + 1, miss)
    silent[0] = 1
    return start, silent[:, None] * step


def _check_train(skipped: BoolArray) -> BoolArray:
    train = np.asarray(skipped, dtype=bool)
    if train.ndim != 1 or not train.size:
        raise ParameterError(f"events have shape {train.shape}; expected one or more in a row: check the recording")
    return train
