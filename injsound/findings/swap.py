"""Where the fault went when two injectors, or their connectors, changed places."""

from collections.abc import Sequence
from dataclasses import replace
from enum import Enum

from injsound.control_unit import Misfires
from injsound.diagnoses import Arm, Reason, SwapFinding, Take
from injsound.findings.alike import same_recordings, unlike_conditions, unlike_engines, unlike_lengths, unlike_speeds
from injsound.findings.episodes import (
    LEVEL,
    arm_of_takes,
    more_episodes_p,
    pooled,
    seconds_for,
    seems_faulty,
    shows_fault,
    tick_by_tick,
    uncounted,
)
from injsound.findings.misfires import second_evidence
from injsound.job_codes import Exchange, Stage, SwapVerdict, Why
from injsound.values import Figure

CELLS = 4
_ASKED = (Stage.BEFORE, Stage.SWAPPED)
# With so many episodes in each faulty cell, and none in the other two, the fault is placed (docs/methods.md).
_EPISODES_FOR_VERDICT = 7
# Each cell after the swap is asked by itself. Fisher's test is conditional: at 2 % it calls a fault gone that is still
# there in under 1 %, whatever its rate (every table of 17 to 120 blocks counted in the tests).
_GONE_LEVEL = 0.02
# The two cells after the swap against each other or the clean cell: one of four looks, each with its own condition.
CELL_LEVEL = 5 * LEVEL

Cells = dict[tuple[int, Stage], list[Take]]


def find_fault(
    takes: Sequence[Take], *, before: Misfires | None = None, swapped: Misfires | None = None
) -> SwapFinding:
    """Whether the fault follows the injector or stays with its circuit.

    Parameters
    ----------
    takes : sequence of Take
        Two cylinders, each of stage "before" and "swapped"; labels of injectors and connectors say what changed
        places. Those of other stages are left out: `reversal.find_reversal` asks those of "changed back".
    before, swapped : Misfires or None
        What the control unit said of misfires before and after.

    Returns
    -------
    SwapFinding
        "Not shown" unless all four cells are there and alike. Where injectors were exchanged a fault that moves follows
        the injector; where connectors were crossed one that moves follows the circuit.
    """
    takes = [take for take in takes if take.stage in _ASKED]
    cells = cells_of(takes)
    arms = {key: arm for key, own in cells.items() if (arm := arm_of_takes(own)) is not None}
    cylinders = sorted({take.cylinder for take in takes})
    doubts = _doubts(takes, cells, arms, cylinders)
    if doubts:
        return _not_shown(arms, doubts)
    exchange, odd = _exchanged(cells, cylinders)
    doubts = [*same_recordings(takes), *odd, *unlike_engines(takes), *unlike_speeds(takes), *unlike_lengths(takes)]
    if doubts:
        return _not_shown(arms, doubts)
    first = _faulty_before(arms)
    if first is None:
        return _unplaced(arms)
    return _with_misfires(_place(arms, first, exchange), first, before or Misfires(), swapped or Misfires())


def cells_of(takes: Sequence[Take]) -> Cells:
    """Recordings by cylinder, before the swap and after; those of other stages are in no cell.

    Parameters
    ----------
    takes : sequence of Take
        Any.

    Returns
    -------
    dict of (int, Stage) to list of Take
        A whole swap has `CELLS` of them.
    """
    cells: Cells = {}
    for take in takes:
        if take.stage in _ASKED:
            cells.setdefault((take.cylinder, take.stage), []).append(take)
    return cells


def _doubts(
    takes: Sequence[Take], cells: Cells, arms: dict[tuple[int, Stage], Arm], cylinders: list[int]
) -> list[Reason]:
    found = [
        Reason(why=Why.CELL_MISSING, figures={"cylinder": cylinder, "stage": stage})
        for cylinder in cylinders
        for stage in _ASKED
        if (cylinder, stage) not in cells
    ]
    if len(cylinders) != 2:
        named = ", ".join(map(str, cylinders))
        found.insert(0, Reason(why=Why.NOT_TWO_CYLINDERS, figures={"cylinders": named}))
    found += uncounted([own[0] for key, own in cells.items() if key not in arms])
    return [*found, *unlike_conditions(takes)]


class _Moved(Enum):
    """How the labels of one kind of part lie after the swap."""

    CROSSED = "crossed"
    SAME = "same"
    UNKNOWN = "unknown"
    UNCLEAR = "unclear"


def _moved(labels: list[set[str]]) -> _Moved:
    """From the labels of both cylinders before, then of both after."""
    if any("" in some for some in labels):
        return _Moved.UNKNOWN
    if any(len(some) > 1 for some in labels) or labels[0] == labels[1]:
        return _Moved.UNCLEAR
    if labels[:2] == labels[2:]:
        return _Moved.SAME
    return _Moved.CROSSED if labels[:2] == labels[:1:-1] else _Moved.UNCLEAR


def _named(order: list[tuple[int, Stage]], labels: list[set[str]]) -> list[set[str]]:
    """Labels of one kind of part; where only those after the swap are given, a part was its cylinder's before."""
    given = [some != {""} for some in labels]
    if given != [stage is Stage.SWAPPED for _, stage in order]:
        return labels
    return [some if here else {str(cylinder)} for (cylinder, _), some, here in zip(order, labels, given, strict=True)]


def _exchanged(cells: Cells, cylinders: list[int]) -> tuple[Exchange, list[Reason]]:
    """What changed places by the labels, and what stands against it."""
    order = [(cylinder, stage) for stage in _ASKED for cylinder in cylinders]
    injectors = _named(order, [{take.injector for take in cells[key]} for key in order])
    connectors = _named(order, [{take.connector for take in cells[key]} for key in order])
    how = _moved(injectors), _moved(connectors)
    for labels, moved in zip((injectors, connectors), how, strict=True):
        if moved is _Moved.UNCLEAR:
            before, after = (", ".join(sorted(set().union(*some))) for some in (labels[:2], labels[2:]))
            return Exchange.ASSUMED, [Reason(why=Why.LABELS_UNCLEAR, figures={"before": before, "after": after})]
    if how == (_Moved.CROSSED, _Moved.CROSSED):
        return Exchange.ASSUMED, [Reason(why=Why.BOTH_MOVED)]
    if how[0] is _Moved.CROSSED:
        return Exchange.INJECTORS, []
    if how[1] is _Moved.CROSSED:
        return Exchange.CONNECTORS, []
    return Exchange.ASSUMED, [Reason(why=Why.NOTHING_MOVED)] if how[0] is _Moved.SAME else []


def _faulty_before(arms: dict[tuple[int, Stage], Arm]) -> int | None:
    """The cylinder that skipped more than the other before anything moved."""
    one, other = sorted({cylinder for cylinder, _ in arms})
    for cylinder, partner in ((one, other), (other, one)):
        arm, rest = arms[cylinder, Stage.BEFORE], arms[partner, Stage.BEFORE]
        if shows_fault(arm) and more_episodes_p(arm, rest) < 0.5:
            return cylinder
    return None


def _place(arms: dict[tuple[int, Stage], Arm], first: int, exchange: Exchange) -> SwapFinding:
    (partner,) = {cylinder for cylinder, _ in arms} - {first}
    before, fellow = arms[first, Stage.BEFORE], arms[partner, Stage.BEFORE]
    stayed, followed = arms[first, Stage.SWAPPED], arms[partner, Stage.SWAPPED]
    as_moved = pooled([before, followed]), pooled([fellow, stayed])
    as_stayed = pooled([before, stayed]), pooled([fellow, followed])
    p_moved, p_stayed = more_episodes_p(*as_moved), more_episodes_p(*as_stayed)
    moved, still = SwapVerdict.FOLLOWS_INJECTOR, SwapVerdict.STAYS_WITH_CYLINDER
    if exchange is Exchange.CONNECTORS:
        moved, still = still, moved

    def found(verdict: SwapVerdict, reasons: tuple[Reason, ...], record_s: float | None = None) -> SwapFinding:
        return SwapFinding(
            verdict=verdict,
            cells=arms,
            reasons=reasons,
            p_injector=p_stayed if exchange is Exchange.CONNECTORS else p_moved,
            p_cylinder=p_moved if exchange is Exchange.CONNECTORS else p_stayed,
            record_s=record_s,
            exchange=exchange,
            faulty=first,
        )

    faults = shows_fault(stayed), shows_fault(followed)
    stayed_clean, followed_clean = not seems_faulty(stayed), not seems_faulty(followed)
    clear = more_episodes_p(before, fellow) < LEVEL
    if faults[1] and stayed_clean and p_moved < LEVEL and more_episodes_p(followed, stayed) < CELL_LEVEL:
        return found(moved, _beside(Why.SKIPS_PLACED, *as_moved))
    if faults[0] and followed_clean and p_stayed < LEVEL and more_episodes_p(stayed, followed) < CELL_LEVEL:
        return found(still, _beside(Why.SKIPS_PLACED, *as_stayed))
    clean = not seems_faulty(fellow)
    alike = all(more_episodes_p(after, fellow) < CELL_LEVEL for after in (stayed, followed))
    if all(faults) and clean and clear and alike:
        return found(SwapVerdict.BOTH, _beside(Why.SKIPS_PLACED, pooled([before, stayed, followed]), fellow))
    if stayed_clean and followed_clean and clean and all(is_gone(before, after) for after in (stayed, followed)):
        return found(SwapVerdict.NEITHER, _beside(Why.SKIPS_GONE, before, pooled([stayed, followed])))
    return found(
        SwapVerdict.NOT_SHOWN, (Reason(why=Why.PLACE_UNCLEAR),), record_s=seconds_for(_EPISODES_FOR_VERDICT, before)
    )


def _beside(why: Why, faulty: Arm, rest: Arm) -> tuple[Reason, ...]:
    """The bad moments of two sides, and beside them their single ticks where both were counted."""
    p = float(f"{more_episodes_p(faulty, rest):.2g}")
    figures: dict[str, Figure] = {"episodes": faulty.episodes, "others": rest.episodes, "p": p}
    ticks = [tick_by_tick(faulty, rest)] if faulty.judged and rest.judged else []
    return Reason(why=why, figures=figures), *ticks


def _with_misfires(found: SwapFinding, first: int, before: Misfires, swapped: Misfires) -> SwapFinding:
    (partner,) = {cylinder for cylinder, _ in found.cells} - {first}
    at_partner = {
        SwapVerdict.FOLLOWS_INJECTOR: found.exchange is not Exchange.CONNECTORS,
        SwapVerdict.STAYS_WITH_CYLINDER: found.exchange is Exchange.CONNECTORS,
    }.get(found.verdict)
    heard_at = None if at_partner is None else partner if at_partner else first
    second = second_evidence(before, swapped, first=first, partner=partner, heard=found.verdict, heard_at=heard_at)
    return replace(found, second=second)


def is_gone(before: Arm, after: Arm) -> bool:
    """Whether a fault as frequent as before would have shown; a lone wrong call does not keep it from being gone.

    Parameters
    ----------
    before, after : Arm
        With the fault, and where it is looked for.

    Returns
    -------
    bool
        True where it is gone.
    """
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
