"""One injector against what its fellows predict: Student's prediction interval with a floor under their spread."""

import math
from collections.abc import Sequence

import numpy as np

from injsound.findings.episodes import LEVEL

FEWEST_FELLOWS = 2


def prediction_limits(fellows: Sequence[float], *, floor: float, level: float = LEVEL) -> tuple[float, float] | None:
    """Limits within which one more of the same kind lies.

    Parameters
    ----------
    fellows : sequence of float
        Their figures, in any unit.
    floor : float
        No smaller spread is believed; where they lie closer together it is the spread, and known (same unit).
    level : float
        Probability of lying outside, two-sided [unitless].

    Returns
    -------
    tuple of float or None
        Low, high; None with fewer than two fellows.

    References
    ----------
    mean +- t s sqrt(1 + 1/n), t with n - 1 degrees of freedom: prediction interval for one new observation (common
    textbook form, from memory).
    """
    from scipy.special import ndtri, stdtrit

    if len(fellows) < FEWEST_FELLOWS:
        return None
    seen, n = float(np.std(fellows, ddof=1)), len(fellows)
    quantile = -float(ndtri(level / 2) if seen <= floor else stdtrit(n - 1, level / 2))
    reach = quantile * max(seen, floor) * math.sqrt(1 + 1 / n)
    middle = float(np.mean(fellows))
    return middle - reach, middle + reach
