"""One injector against what its fellows predict: Student's prediction interval with a floor under their spread."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from injsound.findings.episodes import LEVEL

FEWEST_FELLOWS = 2


@dataclass(frozen=True, slots=True, kw_only=True)
class _Predicted:
    """Where one more of a kind is expected: the middle, the spread of one new value, and whether that is known."""

    middle: float
    spread: float
    known: bool
    freedom: int


def _predicted(fellows: Sequence[float], floor: float) -> _Predicted | None:
    if len(fellows) < FEWEST_FELLOWS:
        return None
    seen, n = float(np.std(fellows, ddof=1)), len(fellows)
    spread = max(seen, floor) * math.sqrt(1 + 1 / n)
    return _Predicted(middle=float(np.mean(fellows)), spread=spread, known=seen <= floor, freedom=n - 1)


def prediction_limits(fellows: Sequence[float], *, floor: float) -> tuple[float, float] | None:
    """Limits within which one more of the same kind lies, but for `LEVEL`.

    Parameters
    ----------
    fellows : sequence of float
        Their figures, in any unit.
    floor : float
        No smaller spread is believed; where they lie closer together it is the spread, and known (same unit).

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

    if (one := _predicted(fellows, floor)) is None:
        return None
    reach = -one.spread * float(ndtri(LEVEL / 2) if one.known else stdtrit(one.freedom, LEVEL / 2))
    return one.middle - reach, one.middle + reach


def prediction_p(own: float, fellows: Sequence[float], *, floor: float) -> float | None:
    """Probability that one more of the same kind lies so far from what the fellows predict, or farther.

    Parameters
    ----------
    own : float
        Its figure (unit of the fellows').
    fellows : sequence of float
        Theirs.
    floor : float
        As of `prediction_limits`, at which the probability is `LEVEL`.

    Returns
    -------
    float or None
        Two-sided; None with fewer than two fellows [unitless].
    """
    from scipy.special import ndtr, stdtr

    if (one := _predicted(fellows, floor)) is None:
        return None
    distance = abs(own - one.middle) / one.spread
    return float(2 * (ndtr(-distance) if one.known else stdtr(one.freedom, -distance)))
