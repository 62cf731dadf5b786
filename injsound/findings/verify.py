"""Whether the repair is shown to be good: the bound on what is left, the change, and the restarts."""

import math
from collections.abc import Sequence

from injsound.diagnoses import Arm, Measure, Reason, Stage, Take, VerifyFinding, VerifyVerdict, Why
from injsound.errors import ParameterError
from injsound.findings.compare import compare_injectors, timing_figure
from injsound.findings.episodes import LEVEL, REACH_S, arm_of_takes, more_episodes_p, shows_fault
from injsound.findings.proportions import events_needed, exact_limits, wilson_limits, zero_bound
from injsound.findings.verdict import CONFIDENCE, GOAL_RATE
from injsound.results import Figure


def newcombe_difference(
    first: tuple[int, int], second: tuple[int, int], *, confidence: float = CONFIDENCE
) -> tuple[float, float]:
    """Limits of the difference of two shares.

    Parameters
    ----------
    first, second : tuple of int
        Hits and tries; the second is taken off the first [unitless].
    confidence : float
        Two-sided [unitless].

    Returns
    -------
    low, high : float
        Limits of first minus second [unitless].

    References
    ----------
    Newcombe, Statistics in Medicine 17, 873-890, 1998, method 10 (Wilson limits without continuity correction).
    """
    (low1, high1), (low2, high2) = (wilson_limits(*pair, confidence=confidence) for pair in (first, second))
    p1, p2 = first[0] / first[1], second[0] / second[1]
    below = math.hypot(p1 - low1, high2 - p2)
    above = math.hypot(high1 - p1, p2 - low2)
    return p1 - p2 - below, p1 - p2 + above


def clean_restarts_needed(faulty: int, restarts: int, *, confidence: float = CONFIDENCE, certain: bool = False) -> int:
    """How many restarts without the fault show that it is gone.

    Parameters
    ----------
    faulty, restarts : int
        Restarts that showed the fault, of how many, before the repair [unitless].
    confidence : float
        Of the claim [unitless].
    certain : bool
        Take the share seen as the true one; else its uncertainty counts (uniform prior, beta-binomial).

    Returns
    -------
    int
        Fewest clean restarts; with 3 of 5 they are 4, and 5 with the uncertainty.

    Raises
    ------
    ParameterError
        If the counts are impossible or the fault never showed.

    References
    ----------
    (1 - share)^n <= 1 - confidence; and the beta-binomial predictive probability of n clean ones.
    """
    if not 0 < faulty <= restarts:
        raise ParameterError(f"{faulty} of {restarts} restarts; expected at least one faulty, no more than made")
    left, n = 1.0, 0
    while left > 1 - confidence:
        left *= 1 - faulty / restarts if certain else (restarts - faulty + 1 + n) / (restarts + 2 + n)
        n += 1
    return n


def verify_repair(
    takes: Sequence[Take],
    *,
    cylinder: int,
    faulty_restarts: tuple[int, int] | None = None,
    clean_restarts: int = 0,
    leaks_checked: bool = False,
) -> VerifyFinding:
    """Whether a cylinder is shown to be good after the repair, in the fault's own condition.

    Parameters
    ----------
    takes : sequence of Take
        The cylinder before and after, its fellows after.
    cylinder : int
        The repaired one.
    faulty_restarts : tuple of int or None
        Restarts with the fault, of how many, before.
    clean_restarts : int
        Restarts without it since.
    leaks_checked : bool
        Whether the joints were checked for leaks at key-on prime, running and hot.

    Returns
    -------
    VerifyFinding
        Never "good" without its bound and the leak check.

    Raises
    ------
    ParameterError
        If there is no recording of the cylinder after the repair.
    """
    after_takes = [t for t in takes if t.cylinder == cylinder and t.stage is Stage.AFTER]
    if not after_takes:
        raise ParameterError(
            f"no recording of cylinder {cylinder} after the repair: record it in the fault's condition"
        )
    condition = after_takes[0].condition
    before = arm_of_takes(
        [t for t in takes if t.cylinder == cylinder and t.stage is Stage.BEFORE and t.condition == condition]
    )
    after = arm_of_takes([t for t in after_takes if t.condition == condition])
    fellows = [t for t in takes if t.stage is Stage.AFTER and t.condition == condition]
    needed = None if faulty_restarts is None else clean_restarts_needed(*faulty_restarts)
    if after is None:
        uncounted = Reason(why=Why.NOT_COUNTED, figures={"file": after_takes[0].reading.file})
        empty = Arm(episodes=0, blocks=0)
        return _finding(VerifyVerdict.NOT_ENOUGH, before, empty, (uncounted,), needed, 60.0)
    reasons = [*_siblings(fellows, cylinder), *_outside(fellows, cylinder)]
    if shows_fault(after):
        why = Reason(why=Why.SKIPS_LEFT, figures={"cylinder": cylinder, "episodes": after.episodes})
        return _finding(VerifyVerdict.STILL_SKIPPING, before, after, (why, *reasons), needed, None)
    missing = _missing(before, after, needed, clean_restarts, leaks_checked=leaks_checked)
    record_s = _seconds_short(before, after)
    if missing or record_s or any(reason.why is Why.SIBLING_SKIPS for reason in reasons):
        return _finding(VerifyVerdict.NOT_ENOUGH, before, after, (*missing, *reasons), needed, record_s)
    bound = Reason(why=Why.BOUND, figures={"judged": after.judged, "rate_high": round(_rate_high(after), 4)})
    return _finding(VerifyVerdict.GOOD, before, after, (bound, *reasons), needed, None)


def _finding(
    verdict: VerifyVerdict,
    before: Arm | None,
    after: Arm,
    reasons: tuple[Reason, ...],
    needed: int | None,
    record_s: float | None,
) -> VerifyFinding:
    counted = before is not None and before.judged > 0 and after.judged > 0
    low = high = change = None
    if counted and before is not None:
        low, high = newcombe_difference((after.skipped, after.judged), (before.skipped, before.judged))
        change = after.skipped / after.judged - before.skipped / before.judged
    return VerifyFinding(
        verdict=verdict,
        before=before,
        after=after,
        rate_high=_rate_high(after) if after.judged else None,
        change=change,
        change_low=low,
        change_high=high,
        restarts_needed=needed,
        reasons=reasons,
        record_s=record_s,
    )


def _rate_high(after: Arm) -> float:
    if not after.skipped:
        return zero_bound(after.judged, confidence=CONFIDENCE)
    return exact_limits(after.skipped, after.judged, confidence=CONFIDENCE)[1]


def _missing(
    before: Arm | None, after: Arm, needed: int | None, clean_restarts: int, *, leaks_checked: bool
) -> list[Reason]:
    found = []
    if not leaks_checked:
        found.append(Reason(why=Why.LEAKS_NOT_CHECKED))
    if needed is not None and clean_restarts < needed:
        found.append(Reason(why=Why.RESTARTS_NEEDED, figures={"clean": clean_restarts, "needed": needed}))
    if before is not None and (p := _unclear_p(before, after)) is not None:
        found.append(Reason(why=Why.DIFFERENCE_UNCLEAR, figures={"p": float(f"{p:.2g}")}))
    return found


def _unclear_p(before: Arm, after: Arm) -> float | None:
    """Probability that the fault of before is still there, where that is not ruled out."""
    p = more_episodes_p(before, after) if before.episodes else 0.0
    return p if p >= LEVEL else None


def _seconds_short(before: Arm | None, after: Arm) -> float | None:
    """How much longer to record: until 1 % would have shown, and until the fault of before would have."""
    interval = after.blocks * REACH_S / after.judged if after.judged else 0.17
    short = (events_needed(GOAL_RATE, confidence=CONFIDENCE) - after.judged) * interval
    if before is not None and _unclear_p(before, after) is not None:
        short = max(short, before.blocks * REACH_S)
    return float(10 * math.ceil(short / 10)) if short > 0 else None


def _siblings(fellows: list[Take], cylinder: int) -> list[Reason]:
    others = {take.cylinder for take in fellows} - {cylinder}
    return [
        Reason(why=Why.SIBLING_SKIPS, figures={"cylinder": other})
        for other in sorted(others)
        if (arm := arm_of_takes([take for take in fellows if take.cylinder == other])) is not None and shows_fault(arm)
    ]


def _outside(fellows: list[Take], cylinder: int) -> list[Reason]:
    """Timing figures in which the new injector stands out of its fellows."""
    found = []
    for side in compare_injectors(fellows).sides if fellows else ():
        for measure in (Measure.STEADINESS, Measure.OPEN_TIME):
            value = timing_figure(side, measure)
            if side.cylinder == cylinder and value is not None and side.p.get(measure, 1.0) < LEVEL:
                figures: dict[str, Figure] = {"measure": measure, "value": round(value, 2)}
                found.append(Reason(why=Why.OUTSIDE_FELLOWS, figures=figures))
    return found
