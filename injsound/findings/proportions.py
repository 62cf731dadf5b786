"""Counting statistics: limits for a skip rate, and what a clean count proves.

Thin over scipy. What a command needs stands on ``scipy.special``: ``scipy.stats`` is made of the same, and its import
alone takes 0.85 s (scipy 1.17), longer than all findings of a case. Counts are of judged events: an unjudged event is
neither heard nor skipped and is left out before a function here sees it.
"""

import math
from typing import Any

import numpy as np
import numpy.typing as npt

from injsound.errors import ParameterError

# Of every limit and bound, and with which a fault would have been seen (common practice, no source).
CONFIDENCE = 0.95


def exact_limits(skipped: int, judged: int, *, confidence: float = CONFIDENCE) -> tuple[float, float]:
    """Two-sided limits of a rate by inverting the binomial test.

    Parameters
    ----------
    skipped, judged : int
        Events called skipped, of how many [unitless].
    confidence : float
        Of the pair of limits [unitless].

    Returns
    -------
    tuple of float
        Low and high limit [unitless].

    Raises
    ------
    ParameterError
        If the counts or the confidence are impossible.

    References
    ----------
    Clopper and Pearson, Biometrika 26, 404-413, 1934 (bibliography from memory).
    """
    from scipy.special import betainccinv, betaincinv

    _check_counts(skipped, judged)
    tail = (1 - checked_share(confidence, "confidence")) / 2
    low = float(betaincinv(skipped, judged - skipped + 1, tail)) if skipped else 0.0
    high = float(betainccinv(skipped + 1, judged - skipped, tail)) if skipped < judged else 1.0
    return low, high


def wilson_limits(skipped: int, judged: int, *, confidence: float = CONFIDENCE) -> tuple[float, float]:
    """Two-sided limits of a rate by inverting the score test; narrower, right on average only.

    Parameters
    ----------
    skipped, judged : int
        Events called skipped, of how many [unitless].
    confidence : float
        Of the pair of limits [unitless].

    Returns
    -------
    tuple of float
        Low and high limit [unitless].

    Raises
    ------
    ParameterError
        If the counts or the confidence are impossible.

    References
    ----------
    Wilson's interval as given by the NIST/SEMATECH e-Handbook, 7.2.4.1.
    """
    from scipy.special import ndtri

    _check_counts(skipped, judged)
    z, rate = float(ndtri((1 + checked_share(confidence, "confidence")) / 2)), skipped / judged
    middle = (rate + z**2 / (2 * judged)) / (1 + z**2 / judged)
    reach = z * math.sqrt(rate * (1 - rate) / judged + (z / (2 * judged)) ** 2) / (1 + z**2 / judged)
    # At 0 and at 1 the two are equal but for rounding.
    return middle - reach if skipped else 0.0, middle + reach if skipped < judged else 1.0


def zero_bound(judged: int, *, confidence: float = CONFIDENCE) -> float:
    """One-sided upper limit of the rate after a count without a skip, 1 - (1 - confidence)^(1/n); about 3/n at 95 %.

    Parameters
    ----------
    judged : int
        Events judged, all of them heard [unitless].
    confidence : float
        Of the limit [unitless].

    Returns
    -------
    float
        Upper limit [unitless].

    Raises
    ------
    ParameterError
        If no event was judged or the confidence is impossible.

    References
    ----------
    Jovanovic and Levy, The American Statistician 51(2), 137-139, 1997.
    """
    _check_counts(0, judged)
    return -math.expm1(math.log1p(-checked_share(confidence, "confidence")) / judged)


def events_needed(rate: float, *, confidence: float = CONFIDENCE) -> int:
    """Events without a skip that bring ``zero_bound`` down to a rate.

    Parameters
    ----------
    rate : float
        The rate to get below [unitless].
    confidence : float
        Of the claim [unitless].

    Returns
    -------
    int
        Judged events [unitless].

    Raises
    ------
    ParameterError
        If the rate or the confidence is not between 0 and 1.

    References
    ----------
    As ``zero_bound``.
    """
    alpha = math.log1p(-checked_share(confidence, "confidence"))
    return math.ceil(alpha / math.log1p(-checked_share(rate, "rate")))


def tail_probability(skipped: int, judged: int, *, rate: float) -> float:
    """Probability of so many skips or more where each event is skipped at a given rate.

    Parameters
    ----------
    skipped, judged : int
        Events called skipped, of how many [unitless].
    rate : float
        Assumed rate [unitless].

    Returns
    -------
    float
        One-sided binomial tail [unitless].

    Raises
    ------
    ParameterError
        If the counts or the rate are impossible.
    """
    from scipy.special import bdtrc

    _check_counts(skipped, judged)
    return float(bdtrc(skipped - 1, judged, checked_share(rate, "rate")))


def fisher_exact(first: tuple[int, int], second: tuple[int, int], *, alternative: str = "two-sided") -> float:
    """Whether two skip rates differ, by Fisher's exact test.

    Parameters
    ----------
    first, second : tuple of int
        Skipped and judged events of each recording [unitless].
    alternative : {"two-sided", "greater", "less"}
        ``"greater"``: the first rate is the higher one.

    Returns
    -------
    float
        p-value [unitless].

    Raises
    ------
    ParameterError
        If the counts are impossible.

    References
    ----------
    Fisher, The Design of Experiments, 1935 (from memory).
    """
    if alternative not in ("two-sided", "greater", "less"):
        raise ParameterError(f"alternative is {alternative!r}; expected two-sided, greater or less: choose one")
    for skipped, judged in (first, second):
        _check_counts(skipped, judged)
    (here, n), (there, m) = first, second
    # All tables with the same sums: the hypergeometric law.
    k = np.arange(max(0, here + there - m), min(n, here + there) + 1)
    probability = np.exp(log_ways(n, k) + log_ways(m, here + there - k) - log_ways(n + m, np.array(here + there)))
    if alternative == "greater":
        return min(1.0, float(probability[k >= here].sum()))
    if alternative == "less":
        return min(1.0, float(probability[k <= here].sum()))
    # As likely but for rounding counts as no likelier, as scipy.stats.fisher_exact has it.
    return min(1.0, float(probability[probability <= probability[k == here] * (1 + 1e-7)].sum()))


def _check_counts(skipped: int, judged: int) -> None:
    if judged < 1 or not 0 <= skipped <= judged:
        raise ParameterError(f"{skipped} skipped of {judged} judged is not a count; expected 1 or more judged events")


def log_ways(n: int, k: npt.NDArray[np.integer[Any]]) -> npt.NDArray[np.floating[Any]]:
    """How many ways there are to choose some of n.

    Parameters
    ----------
    n : int
        Of how many [unitless].
    k : ndarray of int
        How many [unitless].

    Returns
    -------
    ndarray
        Natural log of the binomial coefficient; minus infinity outside 0 to n [unitless].
    """
    from scipy.special import gammaln

    inside = (k >= 0) & (k <= n)
    safe = np.where(inside, k, 0)
    log: npt.NDArray[np.floating[Any]] = np.where(
        inside, gammaln(n + 1) - gammaln(safe + 1) - gammaln(n - safe + 1), -np.inf
    )
    return log


def checked_share(value: float, name: str) -> float:
    """A share that is none and not all.

    Parameters
    ----------
    value : float
        The share [unitless].
    name : str
        What it is called.

    Returns
    -------
    float
        The same.

    Raises
    ------
    ParameterError
        If it is not between 0 and 1.
    """
    if not 0 < value < 1:  # also catches nan
        raise ParameterError(f"{name} is {value:g}; expected between 0 and 1, both excluded: give it as a share")
    return value
