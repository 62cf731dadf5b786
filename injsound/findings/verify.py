"""Whether the repair is shown to be good: the bound on what is left, the change, and the restarts."""

import math
from collections.abc import Sequence
from statistics import median

from injsound.codes import ReasonCode
from injsound.diagnoses import Arm, Reason, Take, VerifyFinding
from injsound.errors import ParameterError
from injsound.findings.alike import same_recordings, unlike, unlike_conditions
from injsound.findings.compare import OPEN_TIME_FLOOR_MS, STEADINESS_FLOOR_LOG, compare_injectors, others_steadiness
from injsound.findings.episodes import (
    LEVEL,
    arm_of_takes,
    is_counted,
    more_episodes_p,
    no_measure,
    seems_faulty,
    shows_fault,
    uncounted,
)
from injsound.findings.fellows import FEWEST_FELLOWS, prediction_limits
from injsound.findings.opening import like_open_times, why_doubted
from injsound.findings.proportions import CONFIDENCE, events_needed, exact_limits, wilson_limits, zero_bound
from injsound.findings.verdict import GOAL_RATE
from injsound.job_codes import Measure, Stage, VerifyVerdict, Why
from injsound.values import ONE_RECORDING_S, Figure

# A good repair called "still skipping" costs a part: at LEVEL it was 0.54 % of 10,000 good ones (docs/methods.md).
_STILL_LEVEL = 0.003
# Bad moments of fewer ticks than this are singles with a double among them.
_FEWEST_IN_ROW = 1.5
# A range wider than twice the fellows' usual value says nothing: two fellows that differ give one.
_MOST_WIDTH = 2.0


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


def restarts_needed(faulty_restarts: tuple[int, int] | None, clean_restarts: int) -> int | None:
    """How many clean restarts a repair needs, once what was counted can be.

    Parameters
    ----------
    faulty_restarts : tuple of int or None
        Restarts with the fault, of how many, before; None where they do not matter [unitless].
    clean_restarts : int
        Restarts without it since [unitless].

    Returns
    -------
    int or None
        As from `clean_restarts_needed`; None where restarts do not matter [unitless].

    Raises
    ------
    ParameterError
        If a count is impossible.
    """
    if clean_restarts < 0:
        raise ParameterError(f"{clean_restarts} clean restarts; expected 0 or more: count those since the repair")
    return None if faulty_restarts is None else clean_restarts_needed(*faulty_restarts)


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
        Never "good" without its bound, the leak check and two fellows to compare with, where the engine has them.

    Raises
    ------
    ParameterError
        If there is no recording of the cylinder after the repair, or a count of restarts is impossible.
    """
    needed = restarts_needed(faulty_restarts, clean_restarts)
    own = [t for t in takes if t.cylinder == cylinder]
    if not any(t.stage is Stage.AFTER for t in own):
        raise ParameterError(
            f"no recording of cylinder {cylinder} after the repair: record it in the fault's condition"
        )
    like = _of_fault_condition(takes, cylinder)
    old = _of_fault(like, cylinder)
    new = _of(like, cylinder, Stage.AFTER)
    before, after = arm_of_takes(old), arm_of_takes(_measured(like, cylinder))
    if after is None:
        empty = Arm(episodes=0, blocks=0)
        return _finding(VerifyVerdict.NOT_ENOUGH, before, empty, _uncounted(new), needed, None)
    if twice := same_recordings([*old, *new]):
        return _finding(VerifyVerdict.NOT_ENOUGH, before, after, tuple(twice), needed, ONE_RECORDING_S)
    inside, outside = _timing([t for t in like if t.stage is Stage.AFTER], cylinder)
    siblings = _siblings(like, cylinder)
    if shows_fault(after, level=_STILL_LEVEL):
        why = Reason(why=Why.SKIPS_LEFT, figures={"cylinder": cylinder, "episodes": after.episodes})
        reasons = (why, *siblings, *outside, *inside)
        return _finding(VerifyVerdict.STILL_SKIPPING, before, after, reasons, needed, None)
    doubts = [*_unlike_before(own, old, new, before), *siblings, *_fellows_needed(like, cylinder), *outside]
    doubts += _missing(before, after, needed, clean_restarts, leaks_checked=leaks_checked)
    record_s = _seconds_short(before, after)
    if doubts or record_s:
        return _finding(VerifyVerdict.NOT_ENOUGH, before, after, (*doubts, *inside), needed, record_s)
    bound = Reason(why=Why.BOUND, figures={"judged": after.judged, "rate_high": round(_rate_high(after), 4)})
    return _finding(VerifyVerdict.GOOD, before, after, (bound, *inside), needed, None)


def _of(takes: Sequence[Take], cylinder: int, stage: Stage) -> list[Take]:
    return [t for t in takes if t.cylinder == cylinder and t.stage is stage]


def _of_fault_condition(takes: Sequence[Take], cylinder: int) -> list[Take]:
    """The recordings in the condition that tells most of the repair, in whatever order they were made.

    One in which the cylinder still skips goes first, then one with the fault before, then any with a recording before;
    of several that with the most fellows since.
    """

    def tells(condition: str) -> tuple[bool, bool, bool, int]:
        like = [t for t in takes if t.condition == condition]
        before, after = arm_of_takes(old := _of_fault(like, cylinder)), arm_of_takes(_measured(like, cylinder))
        fellows = {t.cylinder for t in like if t.stage is Stage.AFTER}
        still = after is not None and shows_fault(after, level=_STILL_LEVEL)
        return still, before is not None and before.episodes > 0, bool(old), len(fellows)

    conditions = sorted({t.condition for t in _of(takes, cylinder, Stage.AFTER)})
    chosen = max(conditions, key=tells)
    return [t for t in takes if t.condition == chosen]


def _measured(like: Sequence[Take], cylinder: int) -> list[Take]:
    """Recordings of the cylinder since the repair whose tick is surely its own."""
    return [t for t in _of(like, cylinder, Stage.AFTER) if no_measure(t.reading) is None]


def _of_fault(like: list[Take], cylinder: int) -> list[Take]:
    """Recordings of the cylinder before the repair; those after a swap where that brought the faulty injector there."""
    before, swapped = (_of(like, cylinder, stage) for stage in (Stage.BEFORE, Stage.SWAPPED))
    arms = arm_of_takes(before), arm_of_takes(swapped)
    faulty = [arm is not None and shows_fault(arm) for arm in arms]
    return swapped if faulty == [False, True] else before


def _uncounted(new: Sequence[Take]) -> tuple[Reason, ...]:
    """Why no recording after the repair counts: what ticks in it may be another's, or nothing could be counted."""
    doubted = next((t.reading for t in new if is_counted(t.reading)), None)
    if doubted is None:
        return tuple(uncounted(new[:1]))
    figures: dict[str, Figure] = {"file": doubted.file, "cylinder": new[0].cylinder, "reason": no_measure(doubted)}
    return (Reason(why=Why.TICK_IN_DOUBT, figures=figures),)


def _unlike_before(own: list[Take], old: list[Take], new: list[Take], before: Arm | None) -> list[Reason]:
    """What keeps the recordings before the repair from being the fault's own condition."""
    if not old:
        elsewhere = [t for t in own if t.stage is Stage.BEFORE]
        figures: dict[str, Figure] = {"cylinder": new[0].cylinder, "stage": Stage.BEFORE}
        return unlike_conditions([*elsewhere, *new]) or [Reason(why=Why.CELL_MISSING, figures=figures)]
    if before is None:
        return uncounted(old[:1])
    quiet = [] if before.episodes else [Reason(why=Why.NO_FAULT_BEFORE, figures={"episodes": 0})]
    return [*unlike([*old, *new]), *quiet]


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
        low, high = newcombe_difference(*_as_moments(after, before))
        change = after.skipped / after.judged - before.skipped / before.judged
    return VerifyFinding(
        verdict=verdict,
        before=before,
        after=after,
        rate_high=_rate_high(after) if after.judged else None,
        row=_row(before, after),
        change=change,
        change_low=low,
        change_high=high,
        restarts_needed=needed,
        reasons=reasons,
        record_s=record_s,
    )


def _as_moments(after: Arm, before: Arm) -> tuple[tuple[int, int], tuple[int, int]]:
    """Skips and ticks, each taken as often as bursts leave independent ones: skips in bursts of five count a fifth."""
    burst = max(1.0, (after.skipped + before.skipped) / max(1, after.episodes + before.episodes))
    one, other = ((round(arm.skipped / burst), max(1, round(arm.judged / burst))) for arm in (after, before))
    return one, other


def _seen(arm: Arm) -> int:
    """Judged events in which a skip would have been called one."""
    # To a hundredth of an event: a share is kept rounded, and must give the same bound read back as read anew.
    return int(round(arm.judged * (1 - arm.missed_share), 2))


def _rate_high(after: Arm) -> float:
    """One-sided bound on the skip rate; what skips in bursts is known by its bad moments, not by its ticks."""
    seen = max(_seen(after), after.skipped, 1)
    if not after.skipped:
        return zero_bound(seen, confidence=CONFIDENCE)
    # The upper end of a two-sided interval of 90 % is a one-sided bound of 95 %.
    high = exact_limits(after.episodes, seen, confidence=2 * CONFIDENCE - 1)[1]
    return min(1.0, after.skipped / after.episodes * high)


def _row(before: Arm | None, after: Arm) -> float:
    """How many ticks a bad moment took before; 0 where they dropped out singly, or where rows since it are counted."""
    if before is None or not before.episodes or after.skipped:
        return 0.0
    row = before.skipped / before.episodes
    return row if row >= _FEWEST_IN_ROW else 0.0


def _events_needed(after: Arm) -> int:
    """Events, a skip seen in each, whose bound is the goal, did no more skip: exact without a skip, else by Poisson."""
    from scipy.special import pdtri

    if not after.skipped:
        return events_needed(GOAL_RATE, confidence=CONFIDENCE)
    most = float(pdtri(after.episodes, 1 - CONFIDENCE))
    return math.ceil(after.skipped / after.episodes * most / GOAL_RATE)


def _missing(
    before: Arm | None, after: Arm, needed: int | None, clean_restarts: int, *, leaks_checked: bool
) -> list[Reason]:
    found = []
    if not leaks_checked:
        found.append(Reason(why=Why.LEAKS_NOT_CHECKED))
    if (events := _events_needed(after)) > _seen(after) and after.judged:
        found.append(Reason(why=Why.TICKS_SHORT, figures={"judged": after.judged, "needed": events}))
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
    """How much longer to record: until no more than 1 % can be left, and until the fault of before would have shown."""
    if not after.judged:
        return ONE_RECORDING_S
    short = (_events_needed(after) - _seen(after)) * after.judged_s / after.judged
    if before is not None and _unclear_p(before, after) is not None:
        short = max(short, before.judged_s)
    return float(10 * math.ceil(short / 10)) if short > 0 else None


def _siblings(like: list[Take], cylinder: int) -> list[Reason]:
    """Siblings that skip or may, could not be counted, or were recorded before the repair and not since."""
    since = {t.cylinder for t in like if t.stage is Stage.AFTER} - {cylinder}
    before = {t.cylinder for t in like if t.stage is Stage.BEFORE} - {cylinder}
    found = []
    for other in sorted(since):
        own = _of(like, other, Stage.AFTER)
        arm = arm_of_takes(own)
        if arm is None:
            found += uncounted(own[:1])
        elif shows_fault(arm):
            found.append(Reason(why=Why.SIBLING_SKIPS, figures={"cylinder": other}))
        elif seems_faulty(arm):  # too many for a steady one, and too unsure for a skipping one
            found += uncounted([t for t in own if t.reading.reasons[0].code is ReasonCode.UNCERTAIN_CALLS][:1])
    if before - since:
        missing = ", ".join(map(str, sorted(before - since)))
        found.append(Reason(why=Why.SIBLINGS_NOT_RECORDED, figures={"cylinders": missing}))
    return found


def _fellows_needed(like: list[Take], cylinder: int) -> list[Reason]:
    """That fewer fellows were recorded than tell what is usual, where the engine has so many."""
    others = {t.cylinder for t in like if t.stage in (Stage.BEFORE, Stage.AFTER)} - {cylinder}
    has = next(t.reading.engine.cylinders for t in like if t.cylinder == cylinder and t.stage is Stage.AFTER)
    if len(others) >= FEWEST_FELLOWS or (has is not None and has <= FEWEST_FELLOWS):
        return []  # those that were recorded before the repair only are asked for by their number
    since = {t.cylinder for t in like if t.stage is Stage.AFTER} - {cylinder}
    return [Reason(why=Why.FELLOWS_NEEDED, figures={"count": len(since), "needed": FEWEST_FELLOWS})]


def _timing(fellows: list[Take], cylinder: int) -> tuple[list[Reason], list[Reason]]:
    """Steadiness and open time that lie inside the prediction interval of the fellows, and those that do not.

    A new injector steadier than its fellows is none the worse.
    """
    sides = list(compare_injectors(fellows).sides)
    (own,) = (side for side in sides if side.cylinder == cylinder)
    inside: list[Reason] = []
    outside: list[Reason] = []
    for measure, floor in ((Measure.STEADINESS, STEADINESS_FLOOR_LOG), (Measure.OPEN_TIME, OPEN_TIME_FLOOR_MS)):
        ratio = measure is Measure.STEADINESS
        value = own.steadiness_us if ratio else own.open_time_ms
        others = others_steadiness(own, sides) if ratio else like_open_times(own, sides)
        limits = prediction_limits([math.log(v) for v in others] if ratio else others, floor=floor)
        if value is None or limits is None or not (ratio or why_doubted(own, sides) is None):
            continue
        low, high = (math.exp(limit) for limit in limits) if ratio else limits
        if high - low > _MOST_WIDTH * median(others):
            continue
        digits = 0 if ratio else 2
        shown = [round(figure, digits) for figure in (value, 0.0 if ratio else low, high)]
        figures: dict[str, Figure] = {"measure": measure, **dict(zip(("value", "low", "high"), shown, strict=True))}
        fits = value <= high and (ratio or value >= low)
        why = Why.INSIDE_FELLOWS if fits else Why.OUTSIDE_FELLOWS
        (inside if fits else outside).append(Reason(why=why, figures=figures))
    return inside, outside
