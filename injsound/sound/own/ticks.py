"""Which tick in the engine's cycle is this injector's.

Where something may tick ``rises.py`` finds, and ``candidates.py`` measures it; ``likeness.py`` says what each is like,
``slots.py`` what ticks at the neighbours' places, ``whose.py`` whether the probe is surely on the one that was chosen.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from functools import partial

import numpy as np

from injsound.sound.clock import apart, cycle_length, wrapped
from injsound.sound.own.candidates import LEAST_AMPLITUDE, Candidate, measure_candidate
from injsound.sound.own.faint import followed, look_again
from injsound.sound.own.likeness import (
    FAINT_AMPLITUDE,
    LOUD_ENGINE,
    PLAIN_AMPLITUDE,
    dominates,
    is_plain,
    is_solid,
    level,
    like_injector,
    may_be_own,
    outshines,
    recurs,
    weight,
)
from injsound.sound.own.prominence import Standing, among_twins, stand
from injsound.sound.own.slots import SAME_PLACE_S, Slots, are_twins, at_places, far_loudest, find_slots, is_at, near
from injsound.sound.own.whose import is_under_probe, left_out
from injsound.sound.rises import steady_rises
from injsound.sound.second_click import GAP_MAX_S
from injsound.values import CycleClock, FloatArray, OnsetStrength, Span

# Two candidates are open and close of one tick if they lie as far apart as either one's gap says.
_SAME_GAP_S, _RING_S = 0.0012, 0.0035
# Where the sound hardly rises nothing was struck: the ring of the louder click, whose period a gap can be.
_STRUCK_RISE = 0.1
# So much a faint click may seem to move, and so many are looked at again.
_FAINT_SCATTER_S, _MOST_LOOKS = 0.5e-3, 4
# A second candidate this close to the first could as well be the one: measured on real engines, docs/methods.md.
_CLOSE = 0.75
# Less louder than the loudest neighbour while another place is silent, a tick may be a neighbour's own and the silent
# place this injector's; path loss along a rail: from memory, measured on simulated engines, docs/methods.md.
_OWN_OVER_NEIGHBOUR_DB, _OVER_TWINS_DB = 4.0, 8.0
_OWN_OVER_ALL_DB, _SURE_OVER_ALL_DB = 1.5, 3.0
# So many times louder a second candidate is asked instead of the first.
_FAR_LOUDER = 2.0
# So alike that the loudest is no nearer than the rest.
_ALIKE_DB = 1.0
# A place where the sound rises by so much of the own tick's rise is not silent, whatever rises there.
_RISES = 0.5
# Beside a click so much louder than the tick chosen, which may be this injector's, no place is known to be empty.
_OUTDONE_DB = 6.0
# Valve pairs taken for a dead injector's tick on engines of one cylinder lay under 4.6 kHz (10 of 60 simulated ones).
_OVER_VALVES_HZ = 5_000.0
# So many places must sound before one that does not is known to be left out.
_FEWEST_PLACES = 3
# A click as clear as this, beside another, says what that one's partner is where its own gap leads nowhere.
_CLEARLY_POINTS = 0.7
# The open click stands for the tick where it stands out this much, as a share of the close click.
_OPEN_SHARE = 0.6


class Found(StrEnum):
    """What the search for this injector's tick ended in."""

    OWN = "own"
    NOTHING = "nothing ticks"
    ENGINE_ONLY = "engine only"
    OWN_SILENT = "own place silent"
    TWO = "two candidates"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Choice:
    """Which candidate is this injector's tick.

    Parameters
    ----------
    found : Found
        How the search ended.
    own : Candidate or None
        The tick, also where it is in doubt.
    rival : Candidate or None
        The other candidate, where two are close.
    slots : tuple of Candidate
        Ticks of neighbours, by phase after the own tick.
    sure : bool
        Whether it cannot well be a neighbour's tick.
    only_by_skips : bool
        Whether only what it leaves out could tell it from a valve or a neighbour's tick: these do not skip.
    empty : float or None
        Where this injector would tick, where it is silent and that place is known [cycles].
    others : tuple of float
        Where the others tick then [cycles].
    standing : Standing or None
        What is heard at the neighbours' places, in the order in which they tick after the own one; None where these are
        not known or another click was weighed against it.
    """

    found: Found
    own: Candidate | None = None
    rival: Candidate | None = None
    slots: tuple[Candidate, ...] = ()
    sure: bool = False
    only_by_skips: bool = False
    empty: float | None = None
    others: tuple[float, ...] = ()
    standing: Standing | None = None


def choose_tick(
    y: FloatArray,
    white: FloatArray,
    sr: int,
    start_s: float,
    strength: OnsetStrength,
    clock: CycleClock,
    *,
    fellows: tuple[float, ...] | None,
    per_cycle: int = 1,
    without: Sequence[Span] = (),
) -> Choice:
    """Find this injector's tick among all that recurs in the cycle.

    Parameters
    ----------
    y : ndarray, shape (n,)
        Samples [unitless].
    white : ndarray, shape (n,)
        Whitened samples [standard deviations].
    sr : int
        Sampling rate [Hz].
    start_s : float
        Time of ``white[0]`` [s].
    strength : OnsetStrength
        Onset strength in bands [unitless].
    clock : CycleClock
        The engine's cycle.
    fellows : tuple of float or None
        Where the other injectors tick after this one's, rising; None where unknown [cycles].
    per_cycle : int
        Ticks of one injector per cycle: 1 sequential, 2 batch [unitless].
    without : sequence of Span
        Stretches whose sound says nothing.

    Returns
    -------
    Choice
        The tick or the reason why none can be named.
    """
    ask = _Ask(
        y=y, white=white, sr=sr, start_s=start_s, clock=clock, fellows=fellows, per_cycle=per_cycle, without=without
    )
    all_found = [ask.measured(p, r) for p, r in zip(*steady_rises(strength, clock), strict=True)]
    if not any(is_plain(c) for c in all_found):
        all_found = _looked_at_again(all_found, lambda c: look_again(c, white, sr, start_s, clock))
    recurring = [c for c in all_found if recurs(c)]
    if not recurring:
        return Choice(found=Found.NOTHING)
    speaks_for = partial(weight, least_s=min(c.scatter_s for c in recurring))
    ticks = _doublets(recurring, ask.interval, speaks_for)
    lone = _lone(ask, max(ticks, key=lambda c: c.rise), ticks)
    if lone is not None:
        slots = ask.slots(lone, ticks)
        choice = replace(_judge_choice(lone, slots, [], named=False), sure=False, only_by_skips=True)
        return replace(choice, standing=ask.standing(lone, slots) if ask.placed else None)
    like = [c for c in ticks if like_injector(c)]
    told = [c for c in like if not any(outshines(other, c) for other in ticks)]
    if not told:
        plain = max(c.amplitude for c in ticks) >= LOUD_ENGINE and not any(may_be_own(c) for c in all_found)
        own = max(ticks, key=speaks_for)
        along = followed(own, white, sr, start_s, clock)
        found = Found.ENGINE_ONLY if plain and not like else Found.NOTHING
        return Choice(found=found, own=along if is_solid(along) else own, only_by_skips=is_solid(along))
    return _chosen(ask, _open_click(max(told, key=speaks_for), ask), told, ticks, all_found, speaks_for)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Ask:
    """A chapter's sound and what is known of the other injectors."""

    y: FloatArray
    white: FloatArray
    sr: int
    start_s: float
    clock: CycleClock
    fellows: tuple[float, ...] | None
    per_cycle: int
    without: Sequence[Span]

    @property
    def interval(self) -> float:
        return cycle_length(self.clock)

    def measured(self, phase: float, rise: float) -> Candidate:
        sound = (self.y, self.white, self.sr, self.start_s, self.clock)
        return measure_candidate(*sound, phase=phase, rise=rise, without=self.without)

    def slots(self, own: Candidate, ticks: list[Candidate]) -> Slots:
        return find_slots(own, ticks, self.measured, self.interval, self.fellows, self.per_cycle)

    @property
    def placed(self) -> bool:
        """Whether the places of the other injectors are known, each ticking at one of its own."""
        return bool(self.fellows) and self.per_cycle == 1

    def standing(self, own: Candidate, slots: Slots) -> Standing:
        return stand(self.white, self.sr, self.start_s, self.clock, own, slots.places)

    def far(self, c: Candidate, own: Candidate) -> bool:
        """Whether a click cannot be the other end of the same stroke."""
        return bool(apart(c.phase, own.phase, 1 / self.per_cycle) * self.interval > GAP_MAX_S)


def _lone(ask: _Ask, loudest: Candidate, ticks: list[Candidate]) -> Candidate | None:
    """The loudest click, followed from cycle to cycle, where nothing else in the cycle comes near it."""
    if like_injector(loudest):
        return None
    lone = followed(loudest, ask.white, ask.sr, ask.start_s, ask.clock)
    return lone if dominates(lone, [c for c in ticks if ask.far(c, loudest)]) else None


def _chosen(
    ask: _Ask,
    own: Candidate,
    like: list[Candidate],
    ticks: list[Candidate],
    all_found: list[Candidate],
    speaks_for: Callable[[Candidate], float],
) -> Choice:
    """The likeliest of several clicks or one nearer to the probe, in doubt where another could as well be the one."""
    slots = ask.slots(own, ticks)
    nearer = far_loudest(
        at_places(like, own, slots, ask.interval) + _rising_more(like, own, ask), own, over_db=_OWN_OVER_NEIGHBOUR_DB
    )
    if nearer is not None:
        own = _open_click(nearer, ask)
        slots = ask.slots(own, ticks)
    # By itself unlike an injector's, for its close click may come at a gap that varies with the pulse.
    unlike = far_loudest([c for c in slots.ticks if is_solid(c)], own, over_db=_OWN_OVER_NEIGHBOUR_DB)
    if unlike is not None:
        slots = ask.slots(unlike, ticks)
        choice = _judge_choice(unlike, slots, [], named=False)
        only_by_skips = choice.only_by_skips or choice.found is Found.OWN
        standing = ask.standing(unlike, slots) if ask.placed else None
        return replace(choice, sure=False, only_by_skips=only_by_skips, standing=standing)
    return _weighed(ask, own, slots, [c for c in like if speaks_for(c) > _CLOSE * speaks_for(own)], ticks, all_found)


def _weighed(
    ask: _Ask, own: Candidate, slots: Slots, close: list[Candidate], ticks: list[Candidate], all_found: list[Candidate]
) -> Choice:
    """The click taken for the own one against what else ticks; ``close`` speak about as much for an injector."""
    rising = [c for c in all_found if c.rise > _RISES * own.rise]
    hushed = not any(near(c, place, ask.interval) for place in slots.silent for c in rising)
    others = [c for c in close if ask.far(c, own)]
    rivals = [c for c in others if not any(is_at(c, slot.phase, ask.interval) for slot in slots.ticks)]
    choice = _judge_choice(own, slots, rivals, named=ask.fellows is not None and hushed)
    if ask.fellows == ():
        # No other injector: only the engine's own clicks could be taken for it.
        return choice if _over_valves(own) else replace(choice, sure=False, only_by_skips=True)
    all_round = slots.ticks and not slots.silent and are_twins(own, slots)
    may_be_left_out = ask.placed and len(slots.places) >= _FEWEST_PLACES
    if all_round:
        return replace(choice, standing=among_twins(own, slots.ticks) if ask.placed else None)
    if rivals and not may_be_left_out:
        return choice
    standing = ask.standing(own, slots)
    choice = replace(choice, standing=standing if ask.placed else None)
    # A click far louder than all of these may be this injector's: then no place of theirs is the empty one.
    outdone = far_loudest(ticks, own, over_db=_OUTDONE_DB) is not None
    empty = left_out(standing, slots.places) if may_be_left_out and not outdone else None
    if empty is not None:
        return _silent(choice, own, slots.places, empty)
    asked = choice.found is not Found.OWN_SILENT and not rivals
    least_s = min(c.scatter_s for c in ticks)
    if asked and is_under_probe(own, standing, least_s=least_s, told=ask.fellows is not None):
        return Choice(found=Found.OWN, own=own, slots=slots.ticks, sure=True, standing=choice.standing)
    return replace(choice, sure=False)


def _rising_more(like: list[Candidate], own: Candidate, ask: _Ask) -> list[Candidate]:
    """Doublets higher than a valve's that rise more than the one taken for the own, wherever they lie.

    Of an injector that skips each tick after a skip comes late by what the engine lost: it moves more than the others'.
    """
    if ask.per_cycle > 1:
        return []
    return [c for c in like if _over_valves(c) and c.rise > own.rise and ask.far(c, own)]


def _over_valves(c: Candidate) -> bool:
    """Whether a tick is a doublet higher than pairs of valves are."""
    return bool(np.isfinite(c.gap_s) and c.centre_hz >= _OVER_VALVES_HZ)


def _silent(choice: Choice, own: Candidate, places: tuple[float, ...], empty: float) -> Choice:
    """The same, with this injector's place among all others' empty."""
    others = (own.phase, *(place for place in places if place != empty))
    return replace(choice, found=Found.OWN_SILENT, sure=False, empty=empty, others=others)


def _judge_choice(own: Candidate, slots: Slots, rivals: list[Candidate], *, named: bool) -> Choice:
    """Own tick, a neighbour's with the own place silent, or in doubt; ``named`` says that a silent place is one."""
    sure = True
    if slots.ticks:
        loudest = max(slots.ticks, key=level)
        over_db = 20 * np.log10(level(own) / level(loudest))
        twins = are_twins(own, slots)
        # One silent place and twins at all others: the silent place may be this injector's.
        missing = named and len(slots.silent) == 1 and len(slots.ticks) > 1 and twins
        over_silent_db = _OVER_TWINS_DB if missing else _OWN_OVER_NEIGHBOUR_DB
        if over_db < (over_silent_db if slots.silent else _OWN_OVER_ALL_DB):
            clearer = over_db >= _OWN_OVER_ALL_DB
            doubted = Choice(found=Found.TWO, own=own, rival=loudest, slots=slots.ticks, only_by_skips=clearer)
            alike = missing and over_db < _ALIKE_DB
            return _silent(doubted, own, slots.places, slots.silent[0]) if alike else doubted
        sure = bool(over_db >= _SURE_OVER_ALL_DB)
    if rivals:
        # The far louder one is the likelier to be under the probe, whichever speaks more for an injector.
        louder = is_solid(rivals[0]) and level(rivals[0]) > _FAR_LOUDER * level(own)
        first, second = (rivals[0], own) if louder else (own, rivals[0])
        return Choice(found=Found.TWO, own=first, rival=second, slots=() if louder else slots.ticks, only_by_skips=True)
    return Choice(found=Found.OWN, own=own, slots=slots.ticks, sure=sure)


def _looked_at_again(found: list[Candidate], again: Callable[[Candidate], Candidate | None]) -> list[Candidate]:
    """The clearest of the clicks that may be a faint tick, replaced by what a second look makes of them."""
    faint = [
        c for c in found if c.amplitude >= FAINT_AMPLITUDE and c.scatter_s <= _FAINT_SCATTER_S and c.separation > 0
    ]
    pairs = {c.phase: again(c) for c in sorted(faint, key=lambda c: -c.amplitude)[:_MOST_LOOKS]}
    return [
        pair if (pair := pairs.get(c.phase)) is not None and pair.amplitude >= LEAST_AMPLITUDE else c for c in found
    ]


def _doublets(clicks: list[Candidate], interval: float, weight: Callable[[Candidate], float]) -> list[Candidate]:
    """Of the two clicks of a doublet keep the one that rises more, with the other's gap where its own leads nowhere."""
    kept: list[Candidate] = []
    for click in sorted(clicks, key=weight, reverse=True):
        same = [k for k, other in enumerate(kept) if _one_tick(click, other, interval)]
        if not same:
            kept.append(click)
            continue
        tick = kept[same[0]]
        if _points_at(click, tick, interval):
            # The one that rings longer says what was struck.
            tick = replace(tick, length_s=max(tick.length_s, click.length_s))
            clear = click.amplitude >= max(PLAIN_AMPLITUDE, _CLEARLY_POINTS * tick.amplitude)
            struck = click.rise > _STRUCK_RISE
            if (struck and not np.isfinite(tick.gap_s)) or (
                clear and not any(_points_at(tick, c, interval) for c in clicks)
            ):
                tick = replace(tick, gap_s=-click.gap_s)
        kept[same[0]] = tick
    return kept


def _points_at(click: Candidate, other: Candidate, interval: float) -> bool:
    """Whether a click's partner is the other one."""
    return bool(abs(_after_s(click, other, interval) - click.gap_s) < SAME_PLACE_S)


def _open_click(own: Candidate, ask: _Ask) -> Candidate:
    """The first click of a doublet, where it is nearly as clear: times are told from the open click."""
    if not own.gap_s < 0:
        return own
    first = ask.measured((own.phase + own.gap_s / ask.interval) % 1.0, own.rise)
    clear = first.amplitude >= max(LEAST_AMPLITUDE, _OPEN_SHARE * own.amplitude)
    return first if clear and abs(first.gap_s + own.gap_s) < _SAME_GAP_S else own


def _one_tick(a: Candidate, b: Candidate, interval: float) -> bool:
    """Whether two clicks are open and close, or the ring, of the same tick."""
    after_s = _after_s(a, b, interval)
    partner = abs(after_s - a.gap_s) < _SAME_GAP_S or abs(after_s + b.gap_s) < _SAME_GAP_S
    return partner or abs(after_s) < _RING_S


def _after_s(a: Candidate, b: Candidate, interval: float) -> float:
    """How long the second click comes after the first, negative where it comes before [s]."""
    return wrapped(b.phase - a.phase) * interval
