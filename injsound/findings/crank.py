"""All recordings of one engine laid over one crank by the engine's common sound."""

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from injsound.diagnoses import Take
from injsound.findings.episodes import is_silent
from injsound.job_codes import Stage
from injsound.results import Picture
from injsound.sound.clock import wrapped
from injsound.sound.turning.alignment import BINS, Distinct, distinct_sound, fit_order, lay_under, symmetric_turns

# Each of two clocks is right to half a millisecond, their lay to a degree or two (0.4 ms at 750 1/min), and at speeds
# 10 % apart a 3 ms pulse that ends at a fixed angle starts 1.4 degrees (0.3 ms) elsewhere: 0.9 ms together, as errors
# that know nothing of each other add up, and margin.
TOLERANCE_S = 0.0015
# Injection timing moves with speed.
SAME_TIMING_RATIO = 1.1
# A fit of two sounds to two recordings always succeeds.
FEWEST_TICKS = 3
FEWEST_AGREEING = 2
# Labels play no part in the fit: so many fit it by chance in fewer cases than this.
ORDER_LEVEL = 0.02
# Clearly placed without that: elsewhere so many times more is left unexplained, by how many recordings are fitted, for
# few leave little to go by. Set on simulated engines, measured on others: docs/methods.md, 'Alignment of recordings'.
LEAST_CONTRAST = {3: 2.0, 4: 1.4, 5: 1.25, 6: 1.15}
# What the number of labels confirms must differ a little from the next best place all the same.
BARELY = 1.02
# The same of a recording without a tick: likeness, and how many times that at the next best place.
LEAST_LIKENESS, LEAST_OVER_SECOND = 0.25, 1.5
# To say that a label is wrong takes so many times more.
SURELY = 1.1
# Where no open time is known; and how long a tick rings after it.
_OPEN_S, _RING_S = 0.005, 0.003


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MeanCycle:
    """One recording's mean cycle and what is known of its tick.

    Parameters
    ----------
    index : int
        Which of the takes it is.
    cylinder : int
        At whose turn its injector ticks by the labels [unitless].
    stage : Stage
        Before or after the swap or repair.
    picture : Picture
        What is kept of its sound.
    length_s : float
        Of the cycle [s].
    ticks : tuple of float
        Candidates for its tick, in the picture's row [cycles].
    silent : bool
        Whether by itself its own place is.
    """

    index: int
    cylinder: int
    stage: Stage
    picture: Picture
    length_s: float
    ticks: tuple[float, ...]
    silent: bool


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lie:
    """Where a recording lies on the crank.

    Parameters
    ----------
    zero : float
        The crank's zero in its row [cycles].
    place : float or None
        At which place of the firing order its tick was put, None where it lies by the common sound alone [cycles].
    clear : bool
        Whether elsewhere clearly more is left unexplained.
    sure : bool
        Whether so much that its label may be called wrong.
    contrast : float
        How many times more [unitless].
    """

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


def mean_cycles(takes: Sequence[Take]) -> list[MeanCycle]:
    """Recordings whose cycle was followed, at the speed of most.

    Parameters
    ----------
    takes : sequence of Take
        Of one engine in one condition.

    Returns
    -------
    list of MeanCycle
        In order.
    """
    found = [
        MeanCycle(
            index=index,
            cylinder=turn,
            stage=take.stage,
            picture=picture,
            length_s=float(np.median(np.diff(picture.row_times_s))),
            ticks=picture.candidates,
            silent=is_silent(take.reading),
        )
        for index, (take, turn) in enumerate(zip(takes, turns_of(takes), strict=True))
        if (picture := take.reading.picture) is not None and picture.halves.shape[1] and len(picture.row_times_s) > 1
    ]
    if not found:
        return []
    usual = float(np.median([one.length_s for one in found]))
    return [one for one in found if max(one.length_s / usual, usual / one.length_s) <= SAME_TIMING_RATIO]


def turns_of(takes: Sequence[Take]) -> list[int]:
    """At whose turn each recording's injector ticks: where connectors were crossed, at the other cylinder's.

    Parameters
    ----------
    takes : sequence of Take
        Of one engine; the connectors' labels before the swap say where each belongs.

    Returns
    -------
    list of int
        Cylinders; a take's own where its connector has no label or was at two cylinders [unitless].
    """
    homes: dict[str, set[int]] = {}
    for take in takes:
        if take.connector and take.stage is Stage.BEFORE:
            homes.setdefault(take.connector, set()).add(take.cylinder)
    known = {label: next(iter(at)) for label, at in homes.items() if len(at) == 1}
    return [known.get(take.connector, take.cylinder) for take in takes]


def usual_open_time(takes: Sequence[Take]) -> float:
    """Median open time of all recordings.

    Parameters
    ----------
    takes : sequence of Take
        Of one engine in one condition.

    Returns
    -------
    float
        A usual one where none is known [s].
    """
    known = [take.reading.open_time.median_ms for take in takes]
    opened = [value for value in known if value is not None]
    return float(np.median(opened)) / 1e3 if opened else _OPEN_S


def lay_cycles(cycles: Sequence[MeanCycle], phases: Mapping[int, float], open_s: float) -> list[Lie | None]:
    """Where every recording lies on one crank: those with a tick fitted together, the others laid under them.

    Parameters
    ----------
    cycles : sequence of MeanCycle
        As from `mean_cycles`, at least one.
    phases : mapping of int to float
        Each cylinder's place in the firing order [cycles].
    open_s : float
        Usual open time [s].

    Returns
    -------
    list of Lie or None
        One per cycle; None where there are too few.
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


def _distinct(one: MeanCycle, bands: int, phases: Mapping[int, float], open_s: float) -> Distinct:
    own = one.picture.own_phases[:1]
    places = [tick + phase - phases[one.cylinder] for tick in own for phase in phases.values()]
    return distinct_sound(
        one.picture.halves[:, :bands],
        length_s=one.length_s,
        phases=tuple(phases.values()),
        places=places,
        after_s=open_s + _RING_S,
    )


def _by_tick(tick: float, phase: float, contrast: float, least: float) -> Lie:
    """Where a recording lies with its tick at a place of the firing order."""
    over = contrast / least
    return Lie(zero=tick - phase, place=phase, clear=over >= 1, sure=over >= SURELY, contrast=contrast)


def _by_sound(engine: npt.NDArray[np.complexfloating], part: Distinct, near: float) -> Lie:
    """Where a recording lies by the engine's common sound alone."""
    lay = lay_under(engine, part, near=near)
    contrast = lay.peak / max(lay.second, 1e-9)
    clear = lay.peak >= LEAST_LIKENESS and contrast >= LEAST_OVER_SECOND
    return Lie(zero=lay.zero, place=None, clear=clear, sure=clear, contrast=contrast)


def _settle_one(lie: Lie, one: MeanCycle, turned: _Turned | None, phases: Mapping[int, float]) -> Lie:
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


def _options(one: MeanCycle, phases: Mapping[int, float]) -> list[tuple[float, float]]:
    """Each tick at each cylinder's place, its own first."""
    places = sorted(phases, key=lambda cylinder: (cylinder != one.cylinder, cylinder))
    return [(tick, phases[cylinder]) for tick in one.ticks for cylinder in places]


def _turned(cycles: Sequence[MeanCycle], lies: Sequence[Lie | None], phases: Mapping[int, float]) -> _Turned | None:
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
    by_number = by_chance(best) <= ORDER_LEVEL
    fewest = [FEWEST_AGREEING, *(fits(turn, clear=True) + 1 for turn in others)]
    if not by_number and (fits(best, clear=True) < max(fewest) or fits(best, clear=False) <= len(cylinders) / 2):
        return None
    off = sum(not _at_label(lie, one, best, phases) for one, lie in laid)
    return _Turned(turn=best, by_number=by_number, off=off)


def _at_label(lie: Lie, one: MeanCycle, turn: float, phases: Mapping[int, float]) -> bool:
    return lie.place is not None and abs(wrapped(lie.place + turn - phases[one.cylinder])) < 1 / BINS
