"""Whose tick each recording holds, once all recordings of one engine were laid over one crank.

Own ticks must then stand apart as the firing order says. A tick at another cylinder's place is a neighbour's; nothing
at its own place, while others are heard, is dead. Where the recordings do not lie clearly, what they hear of each other
may tell (`overheard.py`); else nothing is said.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TypeVar

import numpy as np

from injsound.codes import ReasonCode, Verdict
from injsound.diagnoses import Place, Reason, SwapFinding, Take, VerifyFinding
from injsound.engine import Engine, Injection, cylinder_phases
from injsound.findings.crank import TOLERANCE_S, Lie, MeanCycle, lay_cycles, mean_cycles, usual_open_time
from injsound.findings.overheard import overhear
from injsound.findings.verdict import count_skips
from injsound.job_codes import Placing, Why
from injsound.results import Events, Jitter, OpenTime, Reading
from injsound.sound.clock import wrapped
from injsound.sound.turning.alignment import BINS, rises
from injsound.values import Note

FEWEST_RECORDINGS = 2
# Rises in standard deviations of chance: the highest of the degrees looked at reaches 3 where nothing ticks.
NOTHING, HEARD = 4.0, 8.0
_NOTHING_DUE = Events(
    time_s=np.zeros(0),
    state=(),
    skip_probability=np.zeros(0),
    heard_at_s=np.zeros(0),
    level_db=np.zeros(0),
    open_time_ms=np.zeros(0),
    neighbours=(),
)
_NOT_LAID = Place(placing=Placing.NOT_SHOWN)
Found = TypeVar("Found", SwapFinding, VerifyFinding)


def find_places(takes: Sequence[Take]) -> tuple[Place, ...]:
    """Say for each recording at whose place in the firing order its tick lies.

    Parameters
    ----------
    takes : sequence of Take
        Of one engine in one condition.

    Returns
    -------
    tuple of Place
        One per take, in order; not shown where neither the engine's sound lays it clearly nor the other recordings tell
        whether its injector ticks, where the two contradict each other, in batch injection, or without a firing order.
    """
    engine = _engine(takes)
    if engine is None:
        return tuple(_NOT_LAID for _ in takes)
    return _with_overheard(takes, _laid(takes, engine))


def _with_overheard(takes: Sequence[Take], places: Sequence[Place]) -> tuple[Place, ...]:
    """The same with what the recordings of the other cylinders hear; where that contradicts it nothing is shown."""
    said = overhear(takes)

    def among(k: int, place: Place) -> Place:
        denied = {Placing.AT_PLACE: said.silent, Placing.SILENT: said.ticking}
        if k in denied.get(place.placing, ()):
            return replace(place, placing=Placing.NOT_SHOWN)
        if k in said.silent:  # where the probe is on a dead one its loudest neighbour is recorded
            return Place(placing=Placing.SILENT)
        return Place(placing=Placing.AT_PLACE) if k in said.cleared and place.placing is Placing.NOT_SHOWN else place

    return tuple(among(k, place) for k, place in enumerate(places))


def _laid(takes: Sequence[Take], engine: Engine) -> list[Place]:
    """At whose place each tick lies by the engine's common sound."""
    places = [_NOT_LAID for _ in takes]
    cycles = mean_cycles(takes)
    if len(cycles) < FEWEST_RECORDINGS:
        return places
    phases, open_s = cylinder_phases(engine), usual_open_time(takes)
    lies = lay_cycles(cycles, phases, open_s)
    heard = {k: _heard_at(cycles[k], lie.zero, phases) for k, lie in enumerate(lies) if lie is not None and lie.clear}
    for k, lie in enumerate(lies):
        if lie is None:
            continue
        found: tuple[Placing, int | None] = (Placing.NOT_SHOWN, None)
        ticks: dict[int, float] = {}
        if k in heard:
            ticks = _places_of(cycles[k], lie.zero, phases, open_s)
            # One that is dead before the repair is heard after it.
            others = [there for i, there in heard.items() if i != k and cycles[i].stage is cycles[k].stage]
            found = _judge(cycles[k], ticks, heard[k], others)
        if found[0] is not Placing.AT_PLACE and not lie.sure:
            found = (Placing.NOT_SHOWN, None)
        places[cycles[k].index] = _told(found, ticks, cycles[k], lie)
    return places


def _told(found: tuple[Placing, int | None], ticks: Mapping[int, float], one: MeanCycle, lie: Lie) -> Place:
    placing, neighbour = found
    off_s = ticks.get(neighbour or one.cylinder) if placing in (Placing.AT_PLACE, Placing.NEIGHBOUR) else None
    return Place(
        placing=placing,
        neighbour=neighbour,
        off_ms=None if off_s is None else 1e3 * off_s,
        contrast=lie.contrast,
    )


def placed(takes: Sequence[Take]) -> list[Take]:
    """The same recordings, each with its place among all of one condition.

    Parameters
    ----------
    takes : sequence of Take
        Of one engine in any conditions.

    Returns
    -------
    list of Take
        In order.
    """
    found: dict[int, Place] = {}
    for condition in {take.condition for take in takes}:
        some = [k for k, take in enumerate(takes) if take.condition == condition]
        found |= zip(some, find_places([takes[k] for k in some]), strict=True)
    return [replace(take, place=found[k]) for k, take in enumerate(takes)]


def as_evidence(take: Take, place: Place) -> Take | None:
    """What a recording is worth as evidence of its cylinder, now that its place is known.

    Parameters
    ----------
    take : Take
        The recording.
    place : Place
        As from `find_places`.

    Returns
    -------
    Take or None
        None where its tick is a neighbour's; silent where nothing ticks at its place; steady where only the doubt
        whether the tick is a neighbour's had kept it from being so; else as it is.
    """
    reading = take.reading
    codes = {note.code for note in reading.reasons}
    if place.placing is Placing.NEIGHBOUR:
        return None
    if place.placing is Placing.SILENT:
        return replace(take, reading=_of_silent(reading))
    if place.placing is not Placing.AT_PLACE:
        return take
    if ReasonCode.OWN_PLACE_SILENT in codes:
        note = Note(code=ReasonCode.TWO_CANDIDATES, figures={"ratio": None})
        return replace(take, reading=replace(reading, verdict=Verdict.CANNOT_TELL, reasons=(note,)))
    if codes == {ReasonCode.MAY_BE_NEIGHBOUR}:
        figures = {"judged": reading.skips.judged, "rate_high": reading.skips.rate_high}
        note = Note(code=ReasonCode.NO_SKIPS, figures=figures)
        return replace(take, reading=replace(reading, verdict=Verdict.STEADY, reasons=(note,)))
    return take


def _of_silent(reading: Reading) -> Reading:
    """A reading of a silent injector: what was counted for its tick, and is drawn as such, is another's."""
    picture = reading.picture
    if picture is not None:
        unknown = np.zeros(0)
        picture = replace(picture, own_phases=(), candidates=(), mean_tick=unknown, mean_tick_s=unknown)
    return replace(
        reading,
        verdict=Verdict.NO_TICK,
        reasons=(Note(code=ReasonCode.OWN_PLACE_SILENT),),
        events=_NOTHING_DUE,
        skips=count_skips(_NOTHING_DUE),
        jitter=Jitter(),
        open_time=OpenTime(),
        picture=picture,
    )


def settle(takes: Sequence[Take]) -> tuple[list[Take], list[Reason], tuple[Place, ...]]:
    """Recordings as evidence of their cylinders, once all were laid over one crank.

    Parameters
    ----------
    takes : sequence of Take
        Of one engine; `placed` among more recordings before, or not.

    Returns
    -------
    takes : list of Take
        Without those of a neighbour's tick.
    reasons : list of Reason
        What was found: neighbours recorded, silent places, ticks in order.
    places : tuple of Place
        One per take given.
    """
    return settle_placed(takes if _shows_places(takes) else placed(takes))


def settle_placed(takes: Sequence[Take]) -> tuple[list[Take], list[Reason], tuple[Place, ...]]:
    """As `settle`, by the places found before alone.

    Parameters
    ----------
    takes : sequence of Take
        As from `placed`.

    Returns
    -------
    tuple
        As of `settle`.
    """
    places = tuple(take.place or _NOT_LAID for take in takes)
    kept = [as_evidence(take, place) for take, place in zip(takes, places, strict=True)]
    reasons = [
        Reason(
            why=Why.NEIGHBOUR_RECORDED,
            figures={"file": take.reading.file, "cylinder": take.cylinder, "neighbour": place.neighbour},
        )
        for take, place in zip(takes, places, strict=True)
        if place.placing is Placing.NEIGHBOUR
    ]
    by_placing = {
        placing: sorted({t.cylinder for t, place in zip(takes, places, strict=True) if place.placing is placing})
        for placing in (Placing.SILENT, Placing.AT_PLACE)
    }
    reasons += [Reason(why=Why.SILENT, figures={"cylinder": cylinder}) for cylinder in by_placing[Placing.SILENT]]
    if by_placing[Placing.AT_PLACE]:
        named = ", ".join(map(str, by_placing[Placing.AT_PLACE]))
        reasons.append(Reason(why=Why.IN_ORDER, figures={"cylinders": named}))
    return [take for take in kept if take is not None], reasons, places


def settled_takes(takes: Sequence[Take]) -> tuple[list[Take], list[Reason]]:
    """Recordings as their fellows leave them: laid over one crank, those of a neighbour's tick left out.

    Parameters
    ----------
    takes : sequence of Take
        Of one engine, in any conditions and stages.

    Returns
    -------
    takes : list of Take
        Those that are evidence, settled.
    reasons : list of Reason
        One for each that is left out.
    """
    return evidence_of(placed(takes))


def evidence_of(takes: Sequence[Take]) -> tuple[list[Take], list[Reason]]:
    """As `settled_takes`, by the places found before alone.

    Parameters
    ----------
    takes : sequence of Take
        As from `placed`.

    Returns
    -------
    tuple
        As of `settled_takes`.
    """
    kept, told, _ = settle_placed(takes)
    return kept, [reason for reason in told if reason.why is Why.NEIGHBOUR_RECORDED]


def told_first(reasons: Sequence[Reason], found: Found) -> Found:
    """A finding with more reasons before its own.

    Parameters
    ----------
    reasons : sequence of Reason
        Such as for what was left out.
    found : SwapFinding or VerifyFinding
        What was found without it.

    Returns
    -------
    SwapFinding or VerifyFinding
        The same kind.
    """
    return replace(found, reasons=(*reasons, *found.reasons))


def _shows_places(takes: Sequence[Take]) -> bool:
    """Whether all were placed among more recordings, and any clearly.

    Fewer may lie clearly where more do not: when most of those were made at another speed, or sounded otherwise.
    """
    places = [take.place or _NOT_LAID for take in takes]
    return all(take.place for take in takes) and any(place.placing is not Placing.NOT_SHOWN for place in places)


def _engine(takes: Sequence[Take]) -> Engine | None:
    """The engine of all takes, where they agree on it and its injectors tick one by one in a known order."""
    engines = [take.reading.engine for take in takes]
    known = {(engine.firing_order, engine.firing_angles, engine.injection) for engine in engines}
    if len(known) != 1 or engines[0].firing_order is None or engines[0].injection is not Injection.SEQUENTIAL:
        return None
    return engines[0]


def _heard_at(one: MeanCycle, start: float, phases: Mapping[int, float]) -> dict[int, float]:
    """How clearly the sound rises at each cylinder's place [standard deviations of chance]."""
    over = rises(one.picture.halves, one.length_s)
    reach = np.arange(-round(TOLERANCE_S / one.length_s * BINS), round(TOLERANCE_S / one.length_s * BINS) + 1)
    return {c: float(over[(round((start + phase) * BINS) + reach) % BINS].max()) for c, phase in phases.items()}


def _places_of(one: MeanCycle, zero: float, phases: Mapping[int, float], open_s: float) -> dict[int, float]:
    """At which cylinders' places the ticks of a recording lie, and how far off [s]; either click of a tick may."""
    found = {}
    for cylinder, phase in phases.items():
        for tick in one.ticks:
            off = wrapped(tick - zero - phase) * one.length_s
            if min(abs(off), abs(off - open_s)) <= TOLERANCE_S:
                found[cylinder] = off
    return found


def _judge(
    one: MeanCycle, own: Mapping[int, float], heard: Mapping[int, float], others: Sequence[Mapping[int, float]]
) -> tuple[Placing, int | None]:
    """At its place, a neighbour's, silent, or not shown; ``own`` are the places at which its ticks lie."""
    loudest = max(own, key=lambda cylinder: heard[cylinder], default=None)
    counted = bool(one.picture.own_phases)
    if loudest == one.cylinder or (counted and one.cylinder in own):
        return Placing.AT_PLACE, None
    if _is_dead(one, heard, others):
        return Placing.SILENT, None
    # One that by itself has a silent place does not take its neighbour's tick for its own.
    if loudest is None or one.silent or one.cylinder in own:
        return Placing.NOT_SHOWN, None
    if counted or heard[loudest] > heard[one.cylinder]:
        return Placing.NEIGHBOUR, loudest
    return Placing.NOT_SHOWN, None


def _is_dead(one: MeanCycle, heard: Mapping[int, float], others: Sequence[Mapping[int, float]]) -> bool:
    """Nothing at its place in its own recording, in which the cylinders numbered next to it are heard, or by itself.

    Where a tick was taken for its own the probe may have sat at another injector: then none of the others may hear it.
    """
    # Next by number: in a row they sit beside it. Where the numbers go from bank to bank, as on some V engines, those
    # that sit beside it are not among them, and the ones that are asked for sit farther off: fewer dead ones are named.
    numbered_next = [c for c in heard if abs(c - one.cylinder) == 1]
    if heard[one.cylinder] >= (HEARD if one.silent else NOTHING):
        return False
    if not one.silent and not all(heard[c] >= HEARD for c in numbered_next):
        return False
    return not (one.ticks and any(there[one.cylinder] >= HEARD for there in others))
