"""What ticks where the other injectors do."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from injsound.engine import tick_together
from injsound.sound.clock import apart
from injsound.sound.own.candidates import LEAST_AMPLITUDE, Candidate
from injsound.sound.own.likeness import level, recurs

# Neighbours lie at k/N of the cycle, to about this much.
_SLOT_S = 0.0015
# A neighbour's place: its click lies this close to k/N of the cycle and moves no more than the own one.
SAME_PLACE_S, _SLOT_SCATTER = 0.0003, 1.7
_COMMON_CYLINDERS = (3, 4, 5, 6, 8)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Slots:
    """The neighbours' places of one tick.

    Parameters
    ----------
    places : tuple of float
        Where the other injectors tick if this is the own one; empty where it is not known [cycles].
    ticks : tuple of Candidate
        What ticks there like it.
    silent : tuple of float
        Places without such a tick [cycles].
    """

    places: tuple[float, ...]
    ticks: tuple[Candidate, ...]
    silent: tuple[float, ...]


def find_slots(
    own: Candidate,
    ticks: list[Candidate],
    measured: Callable[[float, float], Candidate],
    interval: float,
    fellows: tuple[float, ...] | None,
    per_cycle: int,
) -> Slots:
    """Find the ticks at the other injectors' places.

    Parameters
    ----------
    own : Candidate
        The tick taken for the own one.
    ticks : list of Candidate
        All that recur.
    measured : callable
        Measures the click near a phase [cycles] with a rise.
    interval : float
        Length of the cycle [s].
    fellows : tuple of float or None
        Where the others tick after the own one; None looks for an even spacing [cycles].
    per_cycle : int
        Ticks of one injector per cycle [unitless].

    Returns
    -------
    Slots
        No places where no even spacing shows.
    """
    if fellows is None:
        tried = {n: _ticks_spaced(n, own, ticks, interval, per_cycle) for n in _COMMON_CYLINDERS if n % per_cycle == 0}
        n, most = max(tried.items(), key=lambda item: (item[1] / (item[0] // per_cycle - 1 or 1), -item[0]))
        if most < 2:
            return Slots(places=(), ticks=(), silent=())
        fellows = tuple(k / n for k in range(1, n))
    # In batch mode a fellow ticks once per revolution too: its place within the own interval, partners left out.
    folded = sorted({round(after % (1 / per_cycle), 9) for after in fellows if not tick_together(after, per_cycle)})
    places = tuple((own.phase + after) % 1.0 for after in folded)
    found = ((measured(place, 0.0), place) for place in places)
    there = tuple(c for c, place in found if _is_neighbour(c, own, place, interval))
    silent = tuple(place for place in places if not any(near(c, place, interval) for c in there))
    return Slots(places=places, ticks=there, silent=silent)


def at_places(like: list[Candidate], own: Candidate, slots: Slots, interval: float) -> list[Candidate]:
    """Ticks like an injector's that strike exactly at a neighbour's place, clearer than the one taken for the own.

    Parameters
    ----------
    like : list of Candidate
        Ticks like an injector's.
    own : Candidate
        The tick taken for the own one.
    slots : Slots
        Its neighbours' places.
    interval : float
        Length of the cycle [s].

    Returns
    -------
    list of Candidate
        In order.
    """
    clearer = [c for c in like if c.amplitude > own.amplitude]
    return [c for c in clearer if any(is_at(c, slot.phase, interval) for slot in slots.ticks)]


def far_loudest(clicks: list[Candidate], own: Candidate, *, over_db: float) -> Candidate | None:
    """The loudest of some clicks, where it is so much louder that the probe must be nearer to it.

    Parameters
    ----------
    clicks : list of Candidate
        Any.
    own : Candidate
        The tick taken for the own one.
    over_db : float
        How much louder [dB].

    Returns
    -------
    Candidate or None
        None where none is.
    """
    nearer = max(clicks, key=level, default=own)
    return nearer if level(nearer) > 10 ** (over_db / 20) * level(own) else None


def are_twins(own: Candidate, slots: Slots) -> bool:
    """Whether every neighbour's tick is a doublet like the own one; a valve may strike where a neighbour ticks.

    Parameters
    ----------
    own : Candidate
        The tick taken for the own one.
    slots : Slots
        Its neighbours' places.

    Returns
    -------
    bool
        True also where no neighbour ticks.
    """
    return all(abs(c.gap_s - own.gap_s) < SAME_PLACE_S for c in slots.ticks)


def is_at(c: Candidate, phase: float, interval: float) -> bool:
    """Whether either click of a tick strikes exactly at a phase.

    Parameters
    ----------
    c : Candidate
        A tick.
    phase : float
        The place [cycles].
    interval : float
        Length of the cycle [s].

    Returns
    -------
    bool
        True within 0.3 ms.
    """
    return min(apart(c.phase, phase), apart(c.phase + c.partner_s / interval, phase)) * interval < SAME_PLACE_S


def near(c: Candidate, phase: float, interval: float) -> bool:
    """Whether a tick, or its partner, may be what lies at a phase.

    Parameters
    ----------
    c : Candidate
        A tick.
    phase : float
        The place [cycles].
    interval : float
        Length of the cycle [s].

    Returns
    -------
    bool
        True within 1.5 ms and the gap.
    """
    return apart(c.phase, phase) * interval < _SLOT_S + abs(c.partner_s)


def _ticks_spaced(n: int, own: Candidate, ticks: list[Candidate], interval: float, per_cycle: int) -> int:
    """At how many of n even places a tick was found."""
    places = [(own.phase + k / n) % 1.0 for k in range(1, n // per_cycle)]
    others = [c for c in ticks if c is not own]
    return sum(any(near(c, phase, interval) for c in others) for phase in places)


def _is_neighbour(c: Candidate, own: Candidate, phase: float, interval: float) -> bool:
    """A click like the own one at a neighbour's place."""
    exact = apart(c.phase, phase) * interval < SAME_PLACE_S and c.scatter_s < _SLOT_SCATTER * max(own.scatter_s, 5e-5)
    doublet = np.isfinite(c.gap_s) and abs(c.gap_s - own.gap_s) < SAME_PLACE_S and near(c, phase, interval)
    return bool(c.amplitude >= LEAST_AMPLITUDE and (exact or (doublet and recurs(c))))
