"""Where the fault went when two injectors, or their connectors, changed places."""

from collections.abc import Sequence
from itertools import pairwise

from injsound.diagnoses import Arm, Reason, Stage, SwapFinding, SwapVerdict, Take, Why
from injsound.findings.episodes import LEVEL, arm_of_takes, more_episodes_p, pooled, seconds_for, shows_fault

# Recordings alike enough to be compared: the injection pulse and the count's power change with both (common practice,
# no source).
MOST_SPEED_RATIO = 1.2
MOST_LENGTH_RATIO = 2.0
_CELLS = 4
# With so many episodes in each faulty cell, and none in the other two, the fault is placed (docs/methods.md).
_EPISODES_FOR_VERDICT = 7
# Each cell after the swap is asked by itself. Fisher's test is conditional: at 2 % it calls a fault gone that is still
# there in under 1 %, whatever its rate (every table of 17 to 120 blocks counted in the tests).
_GONE_LEVEL = 0.02
# The two cells after the swap against each other or the clean cell: one of four looks, each with its own condition.
_CELL_LEVEL = 5 * LEVEL

Cells = dict[tuple[int, Stage], list[Take]]


def find_fault(takes: Sequence[Take]) -> SwapFinding:
    """Whether the fault follows the injector or stays with its cylinder.

    Parameters
    ----------
    takes : sequence of Take
        Two cylinders, each before the swap and after; injector labels say what moved.

    Returns
    -------
    SwapFinding
        "Not shown" unless all four cells are there and alike. With crossed connectors give the connectors' labels as
        injectors: what followed is then named by the caller.
    """
    cells = _cells(takes)
    arms = {key: arm for key, own in cells.items() if (arm := arm_of_takes(own)) is not None}
    doubts = _doubts(takes, cells, arms)
    if doubts:
        return _not_shown(arms, doubts)
    first = _faulty_before(arms)
    if first is None:
        return _unplaced(arms)
    return _place(arms, first)


def _cells(takes: Sequence[Take]) -> Cells:
    cells: Cells = {}
    for take in takes:
        stage = Stage.BEFORE if take.stage is Stage.BEFORE else Stage.SWAPPED
        cells.setdefault((take.cylinder, stage), []).append(take)
    return cells


def _doubts(takes: Sequence[Take], cells: Cells, arms: dict[tuple[int, Stage], Arm]) -> list[Reason]:
    cylinders = sorted({take.cylinder for take in takes})
    found = [
        Reason(why=Why.CELL_MISSING, figures={"cylinder": cylinder, "stage": stage})
        for cylinder in cylinders
        for stage in (Stage.BEFORE, Stage.SWAPPED)
        if (cylinder, stage) not in cells
    ]
    if len(cylinders) != 2:
        found.append(Reason(why=Why.TOO_FEW_RECORDINGS, figures={"count": len(cells), "needed": _CELLS}))
    found += [
        Reason(why=Why.NOT_COUNTED, figures={"file": own[0].reading.file})
        for key, own in cells.items()
        if key not in arms
    ]
    conditions = sorted({take.condition for take in takes})
    if len(conditions) > 1:
        found.append(Reason(why=Why.CONDITIONS_DIFFER, figures={"conditions": ", ".join(conditions)}))
    return found or [*_same_sound(takes), *_nothing_moved(cells, cylinders), *_unlike(takes)]


def _same_sound(takes: Sequence[Take]) -> list[Reason]:
    by_hash = sorted(takes, key=lambda take: take.reading.sha256)
    return [
        Reason(why=Why.SAME_RECORDING, figures={"file": a.reading.file, "other": b.reading.file})
        for a, b in pairwise(by_hash)
        if a.reading.sha256 and a.reading.sha256 == b.reading.sha256
    ]


def _nothing_moved(cells: Cells, cylinders: list[int]) -> list[Reason]:
    before, after = (
        [cells[cylinder, stage][0].injector for cylinder in cylinders] for stage in (Stage.BEFORE, Stage.SWAPPED)
    )
    return [] if "" in (*before, *after) or before == after[::-1] else [Reason(why=Why.NOTHING_MOVED)]


def _unlike(takes: Sequence[Take]) -> list[Reason]:
    found = []
    speeds = [take.reading.firing.rpm for take in takes if take.reading.firing is not None]
    if speeds and max(speeds) > MOST_SPEED_RATIO * min(speeds):
        figures = {"rpm_low": round(min(speeds)), "rpm_high": round(max(speeds))}
        found.append(Reason(why=Why.SPEEDS_DIFFER, figures=figures))
    lengths = [take.reading.seconds for take in takes]
    if max(lengths) > MOST_LENGTH_RATIO * min(lengths):
        figures = {"seconds_short": round(min(lengths)), "seconds_long": round(max(lengths))}
        found.append(Reason(why=Why.LENGTHS_DIFFER, figures=figures))
    return found


def _faulty_before(arms: dict[tuple[int, Stage], Arm]) -> int | None:
    """The cylinder that skipped more than the other before anything moved."""
    one, other = sorted({cylinder for cylinder, _ in arms})
    for cylinder, partner in ((one, other), (other, one)):
        arm, rest = arms[cylinder, Stage.BEFORE], arms[partner, Stage.BEFORE]
        if shows_fault(arm) and more_episodes_p(arm, rest) < 0.5:
            return cylinder
    return None


def _place(arms: dict[tuple[int, Stage], Arm], first: int) -> SwapFinding:
    (partner,) = {cylinder for cylinder, _ in arms} - {first}
    before, fellow = arms[first, Stage.BEFORE], arms[partner, Stage.BEFORE]
    stayed, followed = arms[first, Stage.SWAPPED], arms[partner, Stage.SWAPPED]
    p_injector = more_episodes_p(pooled([before, followed]), pooled([fellow, stayed]))
    p_cylinder = more_episodes_p(pooled([before, stayed]), pooled([fellow, followed]))
    figures = {"episodes": before.episodes, "blocks": before.blocks}

    def found(verdict: SwapVerdict, why: Why, record_s: float | None = None) -> SwapFinding:
        return SwapFinding(
            verdict=verdict,
            cells=arms,
            reasons=(Reason(why=why, figures=figures),),
            p_injector=p_injector,
            p_cylinder=p_cylinder,
            record_s=record_s,
        )

    faults = shows_fault(stayed), shows_fault(followed)
    clear = more_episodes_p(before, fellow) < LEVEL
    if faults == (False, True) and p_injector < LEVEL and more_episodes_p(followed, stayed) < _CELL_LEVEL:
        return found(SwapVerdict.FOLLOWS_INJECTOR, Why.MORE_EPISODES)
    if faults == (True, False) and p_cylinder < LEVEL and more_episodes_p(stayed, followed) < _CELL_LEVEL:
        return found(SwapVerdict.STAYS_WITH_CYLINDER, Why.MORE_EPISODES)
    clean = not shows_fault(fellow)
    alike = all(more_episodes_p(after, fellow) < _CELL_LEVEL for after in (stayed, followed))
    if all(faults) and clean and clear and alike:
        return found(SwapVerdict.BOTH, Why.MORE_EPISODES)
    if not any(faults) and clean and all(_is_gone(before, after) for after in (stayed, followed)):
        return found(SwapVerdict.NEITHER, Why.NOTHING_SKIPS)
    return found(SwapVerdict.NOT_SHOWN, Why.DIFFERENCE_UNCLEAR, seconds_for(_EPISODES_FOR_VERDICT, before))


def _is_gone(before: Arm, after: Arm) -> bool:
    """A fault as frequent as before would have shown here; a lone wrong call does not keep it from being gone."""
    return more_episodes_p(before, after) < _GONE_LEVEL


def _unplaced(arms: dict[tuple[int, Stage], Arm]) -> SwapFinding:
    most = max(
        (arm for (_, stage), arm in arms.items() if stage is Stage.BEFORE), key=lambda a: a.episodes / max(a.blocks, 1)
    )
    why = Reason(why=Why.NO_FAULT_BEFORE, figures={"episodes": most.episodes})
    return _not_shown(arms, [why], seconds_for(_EPISODES_FOR_VERDICT, most))


def _not_shown(arms: dict[tuple[int, Stage], Arm], reasons: list[Reason], record_s: float | None = None) -> SwapFinding:
    return SwapFinding(
        verdict=SwapVerdict.NOT_SHOWN,
        cells=arms,
        reasons=tuple(reasons),
        p_injector=None,
        p_cylinder=None,
        record_s=record_s,
    )
