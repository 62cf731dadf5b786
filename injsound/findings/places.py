"""Whose tick each recording holds: all recordings of one engine laid over one crank by the engine's common sound.

Own ticks must then stand apart as the firing order says. A tick at another cylinder's place is a neighbour's; nothing
at its own place, while others are heard, is dead. Where the recordings do not lie clearly, nothing is said.
"""

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from injsound.diagnoses import Place, Placing, Reason, Stage, Take, Why
from injsound.engine import Engine, Injection, cylinder_phases
from injsound.findings.episodes import is_silent_place
from injsound.results import Note, Picture, ReasonCode, Verdict
from injsound.sound.alignment import BINS, Distinct, distinct_sound, fit_order, lay_under, rises, symmetric_turns

# Each of two clocks is right to half a millisecond, their lay to a degree or two (0.4 ms at 750 1/min), and at speeds
# 10 % apart a 3 ms pulse that ends at a fixed angle starts 1.4 degrees (0.3 ms) elsewhere: 0.9 ms together, as errors
# that know nothing of each other add up, and margin.
TOLERANCE_S = 0.0015
# Injection timing moves with speed.
MOST_SPEED_RATIO = 1.1
FEWEST_RECORDINGS = 2
# A fit of two sounds to two recordings always succeeds.
FEWEST_TICKS = 3
FEWEST_AGREEING = 2
# Labels play no part in the fit: so many fit it by chance in fewer cases than this.
LEVEL = 0.02
# Clearly placed without that: elsewhere so many times more is left unexplained, by how many recordings are fitted, for
# few leave little to go by. Set on simulated engines, measured on others: docs/methods.md, 'Alignment of recordings'.
LEAST_CONTRAST = {3: 2.0, 4: 1.4, 5: 1.25, 6: 1.15}
# What the number of labels confirms must differ a little from the next best place all the same.
BARELY = 1.02
# The same of a recording without a tick: likeness, and how many times that at the next best place.
LEAST_LIKENESS, LEAST_OVER_SECOND = 0.25, 1.5
# To say that a label is wrong takes so many times more.
SURELY = 1.1
# Rises in standard deviations of chance: the highest of the degrees looked at reaches 3 where nothing ticks.
NOTHING, HEARD = 4.0, 8.0
# Where no open time is known; and how long a tick rings after it.
_OPEN_S, _RING_S = 0.005, 0.003
_NOT_LAID = Place(placing=Placing.NOT_SHOWN)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Cycle:
    """One recording's mean cycle and what is known of its tick; ``silent`` where by itself its own place is."""

    index: int
    cylinder: int
    stage: Stage
    picture: Picture
    length_s: float
    ticks: tuple[float, ...]
    silent: bool


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Lie:
    """Where a recording lies: the crank's zero in its row, and at which phase its tick was put."""

    zero: float
    place: float | None
    clear: bool
    sure: bool
    contrast: float


@dataclass(frozen=True, slots=True, kw_only=True)
class _Turned:
    """How the crank is turned to the labels, whether their number alone confirms it, and how many lie off."""

    turn: float
    by_number: bool
    off: int


def find_places(takes: Sequence[Take]) -> tuple[Place, ...]:
    """Say for each recording at whose place in the firing order its tick lies.

    Parameters
    ----------
    takes : sequence of Take
        Of one engine in one condition.

    Returns
    -------
    tuple of Place
        One per take, in order; not shown where the engine's sound does not lay it clearly, in batch injection, without
        a firing order, or at another speed than most.
    """
    places = [_NOT_LAID for _ in takes]
    engine = _engine(takes)
    cycles = _cycles(takes)
    if engine is None or len(cycles) < FEWEST_RECORDINGS:
        return tuple(places)
    phases, open_s = cylinder_phases(engine), _open_time(takes)
    lies = _lies(cycles, phases, open_s)
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
    return tuple(places)


def _told(found: tuple[Placing, int | None], ticks: Mapping[int, float], one: _Cycle, lie: _Lie) -> Place:
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
        note = Note(code=ReasonCode.OWN_PLACE_SILENT)
        return replace(take, reading=replace(reading, verdict=Verdict.NO_TICK, reasons=(note,)))
    if place.placing is not Placing.AT_PLACE:
        return take
    if ReasonCode.OWN_PLACE_SILENT in codes:
        note = Note(code=ReasonCode.TWO_CANDIDATES)
        return replace(take, reading=replace(reading, verdict=Verdict.CANNOT_TELL, reasons=(note,)))
    if codes == {ReasonCode.MAY_BE_NEIGHBOUR}:
        figures = {"judged": reading.skips.judged, "rate_high": reading.skips.rate_high}
        note = Note(code=ReasonCode.NO_SKIPS, figures=figures)
        return replace(take, reading=replace(reading, verdict=Verdict.STEADY, reasons=(note,)))
    return take


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


def _shows_places(takes: Sequence[Take]) -> bool:
    """Whether all were placed among more recordings, and any clearly.

    Fewer may lie clearly where more do not: when most of those were made at another speed, or sounded otherwise.
    """
    places = [take.place or _NOT_LAID for take in takes]
    return all(take.place for take in takes) and any(place.placing is not Placing.NOT_SHOWN for place in places)


# --- one crank ------------------------------------------------------------------------------------------------------


def _engine(takes: Sequence[Take]) -> Engine | None:
    """The engine of all takes, where they agree on it and its injectors tick one by one in a known order."""
    engines = [take.reading.engine for take in takes]
    known = {(engine.firing_order, engine.firing_angles, engine.injection) for engine in engines}
    if len(known) != 1 or engines[0].firing_order is None or engines[0].injection is not Injection.SEQUENTIAL:
        return None
    return engines[0]


def _cycles(takes: Sequence[Take]) -> list[_Cycle]:
    """Recordings whose cycle was followed, at the speed of most."""
    found = [
        _Cycle(
            index=index,
            cylinder=take.cylinder,
            stage=take.stage,
            picture=picture,
            length_s=float(np.median(np.diff(picture.row_times_s))),
            ticks=picture.candidates,
            silent=is_silent_place(take.reading),
        )
        for index, take in enumerate(takes)
        if (picture := take.reading.picture) is not None and picture.halves.shape[1] and len(picture.row_times_s) > 1
    ]
    if not found:
        return []
    usual = float(np.median([one.length_s for one in found]))
    return [one for one in found if max(one.length_s / usual, usual / one.length_s) <= MOST_SPEED_RATIO]


def _open_time(takes: Sequence[Take]) -> float:
    known = [take.reading.open_time.median_ms for take in takes]
    opened = [value for value in known if value is not None]
    return float(np.median(opened)) / 1e3 if opened else _OPEN_S


def _distinct(one: _Cycle, bands: int, phases: Mapping[int, float], open_s: float) -> Distinct:
    own = one.picture.own_phases[:1]
    places = [tick + phase - phases[one.cylinder] for tick in own for phase in phases.values()]
    return distinct_sound(
        one.picture.halves[:, :bands],
        length_s=one.length_s,
        phases=tuple(phases.values()),
        places=places,
        after_s=open_s + _RING_S,
    )


def _lies(cycles: Sequence[_Cycle], phases: Mapping[int, float], open_s: float) -> list[_Lie | None]:
    """Where every recording lies on one crank: those with a tick fitted together, the others laid under them.

    None where there are too few.
    """
    bands = min(one.picture.halves.shape[1] for one in cycles)
    parts = [_distinct(one, bands, phases, open_s) for one in cycles]
    # One that cannot tell between two ticks is laid under the others where there are enough of them.
    ticked = [[k for k, one in enumerate(cycles) if one.ticks and (not sure or len(one.ticks) == 1)] for sure in (1, 0)]
    fitted = next((some for some in ticked if len(some) >= FEWEST_TICKS), [])
    if not fitted:
        return [None] * len(cycles)
    options = [_options(cycles[k], phases) for k in fitted]
    fit = fit_order([parts[k] for k in fitted], options)
    ticks = {k: some[chosen] for k, some, chosen in zip(fitted, options, fit.chosen, strict=True)}
    least = LEAST_CONTRAST[min(len(fitted), max(LEAST_CONTRAST))]
    own = {k: _by_tick(*ticks[k], float(contrast), least) for k, contrast in zip(fitted, fit.contrast, strict=True)}
    turned = _turned(cycles, [own.get(k) for k in range(len(cycles))], phases)
    near = TOLERANCE_S / cycles[0].length_s
    laid = [own[k] if k in own else _by_sound(fit.engine, part, near) for k, part in enumerate(parts)]
    settled = [_settle_one(lie, one, turned, phases) for one, lie in zip(cycles, laid, strict=True)]
    clear = {k: ticks[k] for k in fitted if settled[k].clear}
    for k in fitted:
        others = [i for i in clear if i != k]
        if own[k].clear or len(others) < FEWEST_TICKS:
            continue
        # What was taken for its tick fits no place clearly: it lies by the others' sound alone, where that is clear.
        engine = fit_order([parts[i] for i in others], [[clear[i]] for i in others]).engine
        if (anew := _by_sound(engine, parts[k], near)).clear:
            settled[k] = _settle_one(anew, cycles[k], turned, phases)
    return list(settled)


def _by_tick(tick: float, phase: float, contrast: float, least: float) -> _Lie:
    """Where a recording lies with its tick at a place of the firing order."""
    over = contrast / least
    return _Lie(zero=tick - phase, place=phase, clear=over >= 1, sure=over >= SURELY, contrast=contrast)


def _by_sound(engine: npt.NDArray[np.complexfloating], part: Distinct, near: float) -> _Lie:
    """Where a recording lies by the engine's common sound alone."""
    lay = lay_under(engine, part, near=near)
    contrast = lay.peak / max(lay.second, 1e-9)
    clear = lay.peak >= LEAST_LIKENESS and contrast >= LEAST_OVER_SECOND
    return _Lie(zero=lay.zero, place=None, clear=clear, sure=clear, contrast=contrast)


def _settle_one(lie: _Lie, one: _Cycle, turned: _Turned | None, phases: Mapping[int, float]) -> _Lie:
    """Turn the crank to the labels; what their number confirms is clear, what contradicts many others is not."""
    if turned is None:
        return replace(lie, clear=False, sure=False)
    at_label = _at_label(lie, one, turned.turn, phases)
    return replace(
        lie,
        zero=lie.zero - turned.turn,
        clear=lie.clear or (at_label and turned.by_number and lie.contrast >= BARELY),
        sure=lie.sure and (lie.place is None or turned.off <= 1),
    )


def _options(one: _Cycle, phases: Mapping[int, float]) -> list[tuple[float, float]]:
    """Each tick at each cylinder's place, its own first."""
    places = sorted(phases, key=lambda cylinder: (cylinder != one.cylinder, cylinder))
    return [(tick, phases[cylinder]) for tick in one.ticks for cylinder in places]


def _turned(cycles: Sequence[_Cycle], lies: Sequence[_Lie | None], phases: Mapping[int, float]) -> _Turned | None:
    """By how much to turn the crank so that most ticks lie at the places of their labels; None without most."""
    laid = [(one, lie) for one, lie in zip(cycles, lies, strict=True) if lie is not None]
    # Recordings of one cylinder agree with each other at any turn: it counts once, by most of them.
    cylinders = Counter(one.cylinder for one, _ in laid)
    turns = [turn / BINS for turn in symmetric_turns(tuple(phases.values()))]

    def fits(turn: float, *, clear: bool) -> int:
        right = [o.cylinder for o, lie in laid if _at_label(lie, o, turn, phases) and (lie.clear or not clear)]
        return sum(count > cylinders[cylinder] / 2 for cylinder, count in Counter(right).items())

    def by_chance(turn: float) -> float:
        n, p = len(cylinders), 1 / len(phases)
        return len(turns) * sum(
            math.comb(n, k) * p**k * (1 - p) ** (n - k) for k in range(fits(turn, clear=False), n + 1)
        )

    best, *others = sorted(turns, key=lambda turn: (fits(turn, clear=False), fits(turn, clear=True)), reverse=True)
    by_number = by_chance(best) <= LEVEL
    fewest = [FEWEST_AGREEING, *(fits(turn, clear=True) + 1 for turn in others)]
    if not by_number and (fits(best, clear=True) < max(fewest) or fits(best, clear=False) <= len(cylinders) / 2):
        return None
    off = sum(not _at_label(lie, one, best, phases) for one, lie in laid)
    return _Turned(turn=best, by_number=by_number, off=off)


def _at_label(lie: _Lie, one: _Cycle, turn: float, phases: Mapping[int, float]) -> bool:
    return lie.place is not None and abs(_apart(lie.place + turn, phases[one.cylinder])) < 1 / BINS


def _apart(phase: float, other: float) -> float:
    """Signed distance on the circle [cycles]."""
    return (phase - other + 0.5) % 1.0 - 0.5


# --- each recording -------------------------------------------------------------------------------------------------


def _heard_at(one: _Cycle, start: float, phases: Mapping[int, float]) -> dict[int, float]:
    """How clearly the sound rises at each cylinder's place [standard deviations of chance]."""
    over = rises(one.picture.halves, one.length_s)
    reach = np.arange(-round(TOLERANCE_S / one.length_s * BINS), round(TOLERANCE_S / one.length_s * BINS) + 1)
    return {c: float(over[(round((start + phase) * BINS) + reach) % BINS].max()) for c, phase in phases.items()}


def _places_of(one: _Cycle, zero: float, phases: Mapping[int, float], open_s: float) -> dict[int, float]:
    """At which cylinders' places the ticks of a recording lie, and how far off [s]; either click of a tick may."""
    found = {}
    for cylinder, phase in phases.items():
        for tick in one.ticks:
            off = _apart(tick - zero, phase) * one.length_s
            if min(abs(off), abs(off - open_s)) <= TOLERANCE_S:
                found[cylinder] = off
    return found


def _judge(
    one: _Cycle, own: Mapping[int, float], heard: Mapping[int, float], others: Sequence[Mapping[int, float]]
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


def _is_dead(one: _Cycle, heard: Mapping[int, float], others: Sequence[Mapping[int, float]]) -> bool:
    """Nothing at its place in its own recording, in which the cylinders next to it are heard, or all by itself.

    Where a tick was taken for its own the probe may have sat at another injector: then none of the others may hear it.
    """
    beside = [c for c in heard if abs(c - one.cylinder) == 1]
    if heard[one.cylinder] >= (HEARD if one.silent else NOTHING):
        return False
    if not one.silent and not all(heard[c] >= HEARD for c in beside):
        return False
    return not (one.ticks and any(there[one.cylinder] >= HEARD for there in others))
