"""Which injector of one engine is the odd one: each against the rest, within one condition.

Skips by episodes; steadiness and open time each against what its fellows predict. All looks together are corrected, so
that in a sound set one is named in under 1 %.
"""

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from injsound.codes import ReasonCode, Verdict
from injsound.diagnoses import Arm, Comparison, Reason, Side, Take
from injsound.findings.alike import UNLIKE, of_one_speed, unlike
from injsound.findings.episodes import (
    LEVEL,
    arm_of_takes,
    holm,
    is_counted,
    is_silent,
    more_episodes_p,
    no_measure,
    pooled,
    seconds_for,
    seems_faulty,
    shows_fault,
    tick_by_tick,
    uncounted,
)
from injsound.findings.fellows import prediction_p
from injsound.findings.opening import FEWEST_GAPS, like_open_times, opening_leads
from injsound.findings.places import settle
from injsound.job_codes import CompareVerdict, Measure, Shaking, Stage, Why
from injsound.values import Figure

# Fewer cylinders than this leave nothing to compare with.
FEWEST_CYLINDERS = 2
# Sound injectors of one engine differ by about this much at the same place and speed (from memory): no smaller spread
# is believed, however alike the fellows happen to be.
OPEN_TIME_FLOOR_MS = 0.08
STEADINESS_FLOOR_LOG = 0.25
# What a recording says of itself where no injector's tick stands out of it; so many fellows' must then.
_UNHEARD = frozenset({ReasonCode.FAINT, ReasonCode.TICK_UNLIKE_INJECTOR, ReasonCode.ENGINE_TICKS_ONLY})
_FEWEST_HEARD = 2
# With so many episodes against none the odd one is named.
_EPISODES_FOR_NAME = 8


def compare_injectors(takes: Sequence[Take]) -> Comparison:
    """Compare the injectors of one engine, recorded in one condition.

    Parameters
    ----------
    takes : sequence of Take
        One or more per cylinder.

    Returns
    -------
    Comparison
        The odd one with its evidence, none, or not shown.
    """
    if unlike(takes):
        return _compare(takes, takes, [])
    kept, told, places = settle(takes)
    return replace(_compare(kept, takes, told), places=places, files=tuple(take.reading.file for take in kept))


def compare_most_alike(takes: Sequence[Take]) -> Comparison | None:
    """Compare the injectors before any swap, in the condition and at the speed of most, shaking ones first.

    Parameters
    ----------
    takes : sequence of Take
        Of one engine.

    Returns
    -------
    Comparison or None
        None without a recording.
    """
    own = [take for take in takes if take.stage is Stage.BEFORE]
    if not own:
        return None
    shook = [take for take in own if take.shaking is Shaking.YES] or own
    conditions = sorted({take.condition for take in shook})
    alike = [of_one_speed([take for take in shook if take.condition == condition]) for condition in conditions]
    most = max(alike, key=_cylinders)
    # Where no two are alike the comparison is asked all the same, and says why it cannot be made.
    return compare_injectors(most if _cylinders(most) > 1 else shook)


def others_steadiness(side: Side, sides: Sequence[Side]) -> list[float]:
    """Timing figures of a side's fellows, where they have one.

    Parameters
    ----------
    side : Side
        One cylinder.
    sides : sequence of Side
        All, itself among them.

    Returns
    -------
    list of float
        Cycle-to-cycle jitter [us].
    """
    return [other.steadiness_us for other in sides if other is not side and other.steadiness_us is not None]


def _cylinders(takes: Sequence[Take]) -> int:
    return len({take.cylinder for take in takes})


def _compare(takes: Sequence[Take], every: Sequence[Take], told: Sequence[Reason]) -> Comparison:
    """Compare what is left of every recording once each was laid to its place."""
    conditions = sorted({take.condition for take in every})
    cylinders = sorted({take.cylinder for take in every})
    wrong = [reason for reason in told if reason.why is Why.NEIGHBOUR_RECORDED]
    beside = [*(reason for reason in told if reason.why is Why.IN_ORDER), *_unmeasured(takes)]
    doubts = [*_doubts(every, cylinders), *wrong]
    sides = _corrected([_side(takes, cylinder) for cylinder in cylinders])
    condition = conditions[0] if len(conditions) == 1 else ""
    arms = _skip_arms(sides)
    counted = [side for side in sides if side.cylinder in arms]
    silent = _dead(takes, sides, told)
    doubts += _uncounted(takes, silent)
    if any(reason.why in UNLIKE for reason in doubts) or (len(counted) < FEWEST_CYLINDERS and not silent):
        return _finding(CompareVerdict.NOT_SHOWN, (), sides, doubts, condition, None)
    odd = tuple(side.cylinder for side in sides if _is_odd(side) or side.cylinder in silent)
    reasons = [reason for side in sides if side.cylinder in odd for reason in _evidence(side, sides, odd)]
    beside = [*_alone_unheard(takes, cylinders), *_skipping_by_themselves(takes, odd), *beside]
    if odd:
        verdict = CompareVerdict.ODD_ONE if len(odd) == 1 else CompareVerdict.SEVERAL
        return _finding(verdict, odd, sides, [*reasons, *beside, *doubts], condition, None)
    if not doubts and all(_cleared(side, takes) for side in counted) and len(counted) == len(cylinders):
        why = Reason(why=Why.NONE_STANDS_OUT, figures={"cylinders": len(cylinders)})
        return _finding(CompareVerdict.NONE, (), sides, [why, *beside], condition, None)
    most = max(arms.values(), key=_share)
    smallest = round(min(_smallest(side) for side in sides), 3)
    skipped = any(side.arm is not None and side.arm.skipped for side in sides)
    why = Reason(why=Why.DIFFERENCE_UNCLEAR, figures={"p": smallest})
    if not skipped:
        why = Reason(why=Why.NOTHING_SKIPS, figures={"seconds": round(sum(t.reading.seconds for t in takes))})
    # Longer recordings of the others tell nothing of one that cannot be counted.
    again = any(reason.why is Why.NOT_COUNTED for reason in doubts)
    seconds = None if again else seconds_for(_EPISODES_FOR_NAME, most)
    return _finding(CompareVerdict.NOT_SHOWN, (), sides, [why, *beside, *doubts], condition, seconds)


def _alone_unheard(takes: Sequence[Take], cylinders: list[int]) -> list[Reason]:
    """The one cylinder at which no tick stands out, while one surely does at every other: it may be silent."""
    heard = {take.cylinder for take in takes if take.reading.verdict in (Verdict.STEADY, Verdict.SKIPPING)}
    left = [cylinder for cylinder in cylinders if cylinder not in heard]
    own = [take.reading for take in takes if take.cylinder in left]
    unheard = own and all(reading.reasons[0].code in _UNHEARD for reading in own)
    if len(left) != 1 or len(heard) < _FEWEST_HEARD or not unheard:
        return []
    return [Reason(why=Why.ALONE_UNHEARD, figures={"cylinder": left[0]})]


def _skipping_by_themselves(takes: Sequence[Take], odd: tuple[int, ...]) -> list[Reason]:
    """Others whose own recording says that they skip: they may not be told from their fellows, sound they are not."""
    found: dict[int, Reason] = {}
    for take in takes:
        arm = arm_of_takes([take])
        if take.cylinder not in odd and take.reading.verdict is Verdict.SKIPPING and arm is not None:
            figures = {"cylinder": take.cylinder, "skipped": arm.skipped, "judged": arm.judged}
            found.setdefault(take.cylinder, Reason(why=Why.SKIPS_BY_ITSELF, figures=figures))
    return [found[cylinder] for cylinder in sorted(found)]


def _dead(takes: Sequence[Take], sides: Sequence[Side], told: Sequence[Reason]) -> set[int]:
    """Cylinders at whose place nothing ticks while others tick at theirs: that needs no count of theirs.

    By what all recordings show together, or by its own; where several say so of themselves alone, each may be hearing
    the same one, and one that does so needs half of the others, for what it takes for them may be the engine's clicks.
    """
    placed = {reason.figures["cylinder"] for reason in told if reason.why is Why.SILENT}
    by_itself = {take.cylinder for take in takes if is_silent(take.reading)} - placed
    alone = len(by_itself) == 1 and 2 * len(_skip_arms(sides)) >= len(sides) - 1
    named = placed | (by_itself if alone else set())
    return {side.cylinder for side in sides if side.silent and side.cylinder in named}


def _finding(
    verdict: CompareVerdict,
    odd: tuple[int, ...],
    sides: list[Side],
    reasons: list[Reason],
    condition: str,
    record_s: float | None,
) -> Comparison:
    return Comparison(
        verdict=verdict,
        odd=odd,
        sides=tuple(sides),
        reasons=(*reasons, *opening_leads(sides)),
        condition=condition,
        record_s=record_s,
    )


def _doubts(takes: Sequence[Take], cylinders: list[int]) -> list[Reason]:
    found = unlike(takes)
    if len(cylinders) < FEWEST_CYLINDERS:
        figures = {"count": len(cylinders), "needed": FEWEST_CYLINDERS}
        found.append(Reason(why=Why.TOO_FEW_CYLINDERS, figures=figures))
    found += [
        Reason(why=Why.RAN_WELL, figures={"file": take.reading.file}) for take in takes if take.shaking is Shaking.NO
    ]
    return found


def _uncounted(takes: Sequence[Take], silent: set[int]) -> list[Reason]:
    """Recordings of cylinders of which none could be counted: one that was recorded again is no doubt."""
    usable = {take.cylinder for take in takes if is_counted(take.reading)} | silent
    return uncounted([take for take in takes if take.cylinder not in usable])


def _unmeasured(takes: Sequence[Take]) -> list[Reason]:
    """Recordings of which only the skips enter, where the cylinder has no other."""
    codes = [(take, no_measure(take.reading)) for take in takes if is_counted(take.reading)]
    measured = {take.cylinder for take, code in codes if code is None}
    return [
        Reason(why=Why.NOT_MEASURED, figures={"file": take.reading.file, "reason": code})
        for take, code in codes
        if take.cylinder not in measured
    ]


def _side(takes: Sequence[Take], cylinder: int) -> Side:
    own = [take for take in takes if take.cylinder == cylinder]
    usable = [take for take in own if is_counted(take.reading) or is_silent(take.reading)]
    measured = [take for take in own if is_counted(take.reading) and no_measure(take.reading) is None]
    gaps = [take.reading.open_time for take in measured if take.reading.open_time.count >= FEWEST_GAPS]
    return Side(
        cylinder=cylinder,
        arm=arm_of_takes(own),
        p={},
        steadiness_us=_middle([take.reading.jitter.cycle_to_cycle_us for take in measured]),
        open_time_ms=_middle([gap.median_ms for gap in gaps]),
        open_spread_ms=_middle([gap.spread_ms for gap in gaps]),
        coolant_c=_middle([take.coolant_c for take in measured]),
        pulse_width_ms=_middle([take.pulse_width_ms for take in measured]),
        silent=bool(usable) and all(is_silent(take.reading) for take in usable),
    )


def _corrected(sides: list[Side]) -> list[Side]:
    """Each side's probabilities, all looks corrected together."""
    looks = [
        (side.cylinder, measure, p)
        for side in sides
        for measure, p in (
            (Measure.SKIPS, _skips_p(side, sides)),
            (Measure.STEADINESS, _steadiness_p(side, sides)),
            (Measure.OPEN_TIME, _open_time_p(side, sides)),
        )
        if p is not None
    ]
    corrected = holm([p for _, _, p in looks])
    found = {(cylinder, measure): p for (cylinder, measure, _), p in zip(looks, corrected, strict=True)}
    one_by_one = [
        replace(side, p={m: found[side.cylinder, m] for m in Measure if (side.cylinder, m) in found}) for side in sides
    ]
    return _with_several(one_by_one)


def _with_several(sides: list[Side]) -> list[Side]:
    """Several that skip hide one another among the rest: a group is asked against those outside it, then each member.

    Any group of two or more could have been the one, so the group's probability counts as often as there are groups.
    """
    ranked = sorted(_skip_arms(sides).items(), key=lambda one: -_share(one[1]))
    groups = 2 ** len(ranked) - len(ranked) - 2
    for size in range(len(ranked) - 1, 1, -1):
        rest, together = (pooled([arm for _, arm in some]) for some in (ranked[size:], ranked[:size]))
        of_group = min(1.0, groups * _more_p(together, rest))
        p = {cylinder: max(of_group, _more_p(arm, rest)) for cylinder, arm in ranked[:size]}
        if max(p.values()) < LEVEL:
            return [
                replace(side, p={**side.p, Measure.SKIPS: min(side.p[Measure.SKIPS], p[side.cylinder])})
                if side.cylinder in p
                else side
                for side in sides
            ]
    return sides


def _skip_arms(sides: Sequence[Side]) -> dict[int, Arm]:
    """By cylinder, of those that tick: a silent one skips without end, and beside it no other would seem to skip."""
    return {side.cylinder: side.arm for side in sides if side.arm is not None and not side.silent}


def _share(arm: Arm) -> float:
    return arm.episodes / max(arm.blocks, 1)


def _skips_p(side: Side, sides: list[Side]) -> float | None:
    rest = _skip_arms(sides)
    own = rest.pop(side.cylinder, None)
    return _more_p(own, pooled(list(rest.values()))) if own and rest else None


def _more_p(arm: Arm, rest: Arm) -> float:
    return more_episodes_p(arm, rest) if shows_fault(arm) else 1.0


def _steadiness_p(side: Side, sides: list[Side]) -> float | None:
    """Only an unsteadier injector is odd; ratios matter, so logs are compared."""
    if side.steadiness_us is None:
        return None
    own, rest = math.log(side.steadiness_us), [math.log(us) for us in others_steadiness(side, sides)]
    p = prediction_p(own, rest, floor=STEADINESS_FLOOR_LOG)
    return p if p is None or own > np.mean(rest) else 1.0


def _open_time_p(side: Side, sides: list[Side]) -> float | None:
    if side.open_time_ms is None:
        return None
    return prediction_p(side.open_time_ms, like_open_times(side, sides), floor=OPEN_TIME_FLOOR_MS)


def _is_odd(side: Side) -> bool:
    """An open time that stands apart is a lead, not a verdict."""
    named = (side.p.get(Measure.SKIPS, 1.0), side.p.get(Measure.STEADINESS, 1.0))
    return min(named) < LEVEL


def _cleared(side: Side, takes: Sequence[Take]) -> bool:
    """A side clears itself where a reading made while the engine shook was steady, and no fault shows."""
    own = [take for take in takes if take.cylinder == side.cylinder]
    steady = any(take.shaking is Shaking.YES and take.reading.verdict is Verdict.STEADY for take in own)
    return side.arm is not None and not seems_faulty(side.arm) and not side.silent and steady


def _smallest(side: Side) -> float:
    return min(side.p.values(), default=1.0)


def _evidence(side: Side, sides: list[Side], odd: tuple[int, ...]) -> list[Reason]:
    """What sets a side apart; its skips from those of the sides that are not odd, where there are any."""
    found = []
    if side.silent:
        found.append(Reason(why=Why.SILENT, figures={"cylinder": side.cylinder}))
    elif side.arm is not None and side.p.get(Measure.SKIPS, 1.0) < LEVEL:
        others = {one: arm for one, arm in _skip_arms(sides).items() if one != side.cylinder}
        rest = pooled([arm for one, arm in others.items() if one not in odd] or list(others.values()))
        figures = {
            "cylinder": side.cylinder,
            "episodes": side.arm.episodes,
            "others": rest.episodes,
            "p": _rounded(side.p[Measure.SKIPS]),
        }
        found.append(Reason(why=Why.MORE_EPISODES, figures=figures))
        if side.arm.judged and rest.judged:
            found.append(tick_by_tick(side.arm, rest))
    if side.steadiness_us is not None and side.p.get(Measure.STEADINESS, 1.0) < LEVEL:
        usual = others_steadiness(side, sides)
        spread: dict[str, Figure] = {
            "cylinder": side.cylinder,
            "measure": Measure.STEADINESS,
            "value": round(side.steadiness_us),
            "low": round(min(usual)),
            "high": round(max(usual)),
        }
        found.append(Reason(why=Why.STANDS_APART, figures=spread))
    return found


def _middle(values: list[float | None]) -> float | None:
    """Median of what is known."""
    known = [value for value in values if value is not None]
    return float(np.median(known)) if known else None


def _rounded(p: float) -> float:
    return float(f"{p:.2g}")
