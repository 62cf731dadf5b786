"""Which tick in the engine's cycle is this injector's.

The candidates are measured in ``candidates.py``. An injector's tick is a doublet (open, close); a valve's is longer,
lower and scatters more.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from injsound.results import CycleClock, FloatArray, OnsetStrength
from injsound.sound.candidates import (
    GAP_MAX_S,
    LEAST_AMPLITUDE,
    Candidate,
    measure_candidate,
    steady_rises,
)
from injsound.sound.faint import look_again
from injsound.sound.prominence import over_others
from injsound.sound.signals import cycle_length

# Two candidates are open and close of one tick if they lie as far apart as either one's gap says.
_SAME_GAP_S, _RING_S = 0.0012, 0.0035


# Clicks of an injector keep their place to a tenth of a millisecond, the clock to three; combustion and loose parts
# moved by 0.4 to 0.9 ms on four real engines: docs/methods.md.
MOST_SCATTER_S = 0.40e-3
_SCATTER_SCALE_S = 0.15e-3
# A click that rings no longer than this struck nothing solid: pick-up, or a tone that starts at once.
_LEAST_LENGTH_S = 0.3e-3
# So high a click may be a solenoid's; a faint one moves by as much as noise moves its place.
_HIGH_CENTRE_HZ, _PLAIN_AMPLITUDE = 7_000.0, 6.5
# So steady a loud click may be a solenoid's however low it sounds; clicks of a real engine as low moved by 70 us and
# more.
_SOLENOID_SCATTER_S = 0.12e-3
_OUTSHINES = 2.0
# Above chance, but not to be named.
_FAINT_AMPLITUDE = 4.5
# So much a faint click may seem to move, and so many are looked at again.
_FAINT_SCATTER_S, _MOST_LOOKS = 0.5e-3, 4
# Where the engine's own clicks stand out this much, an injector under the probe would be heard beside them.
_LOUD_ENGINE = 8.0
# A second candidate this close to the first could as well be the one: measured on real engines, docs/methods.md.
_CLOSE = 0.75
# A lone click below this is a valve's rather than a solenoid's: on recordings of both, docs/methods.md.
_LEAST_LONE_CENTRE_HZ = 4_500.0
_MOST_LONE_SCATTER_S = 0.20e-3
_CENTRE_SCALE_HZ, _LOW_SHARE = 800.0, 0.15
# Neighbours lie at k/N of the cycle, to about this much.
_SLOT_S = 0.0015
# Less louder than the loudest neighbour while another place is silent, a tick may be a neighbour's own and the silent
# place this injector's; path loss along a rail: from memory, measured on simulated engines, docs/methods.md.
_OWN_OVER_NEIGHBOUR_DB, _SURE_OVER_NEIGHBOUR_DB = 4.0, 8.0
_OWN_OVER_ALL_DB, _SURE_OVER_ALL_DB = 1.5, 3.0
# So alike that the loudest is no nearer than the rest.
_ALIKE_DB = 1.0
# A place where the sound rises by so much of the own tick's rise is not silent, whatever rises there.
_RISES = 0.5
# Unless every neighbour ticks as the own one does, this must have so much more power than whatever is at their places
# or, where none are known, anywhere in the cycle; more yet where it is faint (measured: docs/methods.md).
_SURE_LEVEL, _SURE_OVER_PLACES_DB, _FAINT_OVER_PLACES_DB = 10.0, 7.0, 9.0
# The mean of aligned noise has this norm; levels are compared without it.
_NOISE_LEVEL = 3.5
# A click as clear as this, beside another, says what that one's partner is where its own gap leads nowhere.
_CLEARLY_POINTS = 0.7
# The open click stands for the tick where it stands out this much, as a share of the close click.
_OPEN_SHARE = 0.6
# A neighbour's place: its click lies this close to k/N of the cycle and moves no more than the own one.
_SLOT_PLACE_S, _SLOT_SCATTER = 0.0003, 1.7
_COMMON_CYLINDERS = (3, 4, 5, 6, 8)


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
    """

    found: Found
    own: Candidate | None = None
    rival: Candidate | None = None
    slots: tuple[Candidate, ...] = ()
    sure: bool = False


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

    Returns
    -------
    Choice
        The tick or the reason why none can be named.
    """

    def measured(phase: float, rise: float) -> Candidate:
        return measure_candidate(y, white, sr, start_s, clock, phase=phase, rise=rise)

    interval = cycle_length(clock)
    all_found = [measured(p, r) for p, r in zip(*steady_rises(strength, clock), strict=True)]
    if not any(_is_plain(c) for c in all_found):
        all_found = _looked_at_again(all_found, lambda c: look_again(c, white, sr, start_s, clock))
    recurring = [c for c in all_found if _recurs(c)]
    if not recurring:
        return Choice(found=Found.NOTHING)
    least_s = min(c.scatter_s for c in recurring)

    def weight(c: Candidate) -> float:
        return _weight(c, least_s)

    ticks = _doublets(recurring, interval, weight)
    like = [c for c in ticks if _like_injector(c)]
    if not like:
        plain = max(c.amplitude for c in ticks) >= _LOUD_ENGINE and not any(_may_be_own(c) for c in all_found)
        return Choice(found=Found.ENGINE_ONLY if plain else Found.NOTHING, own=max(ticks, key=weight))
    own = max(like, key=weight)
    if _is_faint(own) and any(_outshines(c, own) for c in ticks):
        return Choice(found=Found.NOTHING, own=own)
    own = _open_click(own, measured, interval)
    slots, places = _neighbours(own, ticks, measured, interval, fellows, per_cycle)
    nearer = _nearer(own, slots, like, interval)
    if nearer is not None:
        own = _open_click(nearer, measured, interval)
        slots, places = _neighbours(own, ticks, measured, interval, fellows, per_cycle)
    silent = [place for place in places if not any(_near(c, place, interval) for c in slots)]
    rising = [c for c in all_found if c.rise > _RISES * own.rise]
    hushed = not any(_near(c, place, interval) for place in silent for c in rising)
    others = [
        c
        for c in ticks
        if _apart(c, own, per_cycle) * interval > GAP_MAX_S and not any(_is_at(c, s.phase, interval) for s in slots)
    ]
    rivals = [c for c in others if c in like and weight(c) > _CLOSE * weight(own)]
    choice = _judge_choice(own, slots, len(silent), rivals, named=fellows is not None and hushed)
    if not choice.sure or (slots and not silent and _twins(own, slots)):
        return choice
    over_db = over_others(white, sr, start_s, clock, own, places)
    least_db = _SURE_OVER_PLACES_DB if _level(own) >= _SURE_LEVEL else _FAINT_OVER_PLACES_DB
    return replace(choice, sure=over_db >= least_db)


def _judge_choice(
    own: Candidate, slots: tuple[Candidate, ...], silent: int, rivals: list[Candidate], *, named: bool
) -> Choice:
    """Own tick, a neighbour's with the own place silent, or in doubt; ``named`` says that a silent place is one."""
    sure = True
    if slots:
        loudest = max(slots, key=_level)
        over_db = 20 * np.log10(_level(own) / _level(loudest))
        twins = _twins(own, slots)
        # One silent place and twins at all others: the silent place may be this injector's.
        missing = named and silent == 1 and len(slots) > 1 and twins
        least = _OWN_OVER_NEIGHBOUR_DB if silent else _OWN_OVER_ALL_DB
        safe = _SURE_OVER_ALL_DB if twins and not silent else _SURE_OVER_NEIGHBOUR_DB
        if over_db < (safe if missing else least):
            alike = missing and over_db < _ALIKE_DB
            return Choice(found=Found.OWN_SILENT if alike else Found.TWO, own=own, rival=loudest, slots=slots)
        sure = bool(over_db >= safe)
    if rivals:
        return Choice(found=Found.TWO, own=own, rival=rivals[0], slots=slots)
    return Choice(found=Found.OWN, own=own, slots=slots, sure=sure)


def _twins(own: Candidate, slots: tuple[Candidate, ...]) -> bool:
    """Whether every neighbour is a doublet like the own one; a valve may strike where a neighbour ticks."""
    return all(abs(c.gap_s - own.gap_s) < _SLOT_PLACE_S for c in slots)


def _level(c: Candidate) -> float:
    """Level without what aligned noise adds to it."""
    return float(np.sqrt(max(c.level**2 - _NOISE_LEVEL**2, 0.25)))


def _recurs(c: Candidate) -> bool:
    return c.amplitude >= LEAST_AMPLITUDE and c.scatter_s <= MOST_SCATTER_S and c.separation > 0


def _is_plain(c: Candidate) -> bool:
    """A doublet that needs no second look."""
    return bool(_recurs(c) and np.isfinite(c.gap_s) and c.amplitude >= _PLAIN_AMPLITUDE)


def _looked_at_again(found: list[Candidate], again: Callable[[Candidate], Candidate | None]) -> list[Candidate]:
    """The clearest of the clicks that may be a faint tick, replaced by what a second look makes of them."""
    faint = [
        c for c in found if c.amplitude >= _FAINT_AMPLITUDE and c.scatter_s <= _FAINT_SCATTER_S and c.separation > 0
    ]
    pairs = {c.phase: again(c) for c in sorted(faint, key=lambda c: -c.amplitude)[:_MOST_LOOKS]}
    return [
        pair if (pair := pairs.get(c.phase)) is not None and pair.amplitude >= LEAST_AMPLITUDE else c for c in found
    ]


def _may_be_own(c: Candidate) -> bool:
    """As high as a solenoid's click but too faint or too unsteady to be named; or loud, and as steady, or paired."""
    least_hz = _LEAST_LONE_CENTRE_HZ if c.amplitude >= _LOUD_ENGINE else _HIGH_CENTRE_HZ
    high = c.amplitude >= _FAINT_AMPLITUDE and c.centre_hz >= least_hz
    steady = c.scatter_s < _SOLENOID_SCATTER_S and c.length_s >= _LEAST_LENGTH_S
    loud = c.amplitude >= _LOUD_ENGINE and (steady or np.isfinite(c.gap_s))
    return bool((high or loud) and c.separation > 0)


def _is_faint(c: Candidate) -> bool:
    """Lone, and taken for an injector's for nothing but its height."""
    return c.amplitude < _PLAIN_AMPLITUDE and not np.isfinite(c.gap_s)


def _outshines(c: Candidate, faint: Candidate) -> bool:
    """Far clearer and no less steady, so that the faint one may well be a neighbour's."""
    return c.amplitude > _OUTSHINES * faint.amplitude and c.scatter_s < faint.scatter_s


def _weight(c: Candidate, least_s: float = 0.0) -> float:
    """Steady rise, less where the click moves more than the steadiest one, less where it is as low as valves are."""
    steady = float(np.exp(-max(0.0, c.scatter_s**2 - least_s**2) / _SCATTER_SCALE_S**2))
    high = 1 / (1 + float(np.exp(-(c.centre_hz - _LEAST_LONE_CENTRE_HZ) / _CENTRE_SCALE_HZ)))
    return c.rise * steady * (_LOW_SHARE + (1 - _LOW_SHARE) * high)


def _like_injector(c: Candidate) -> bool:
    """A click that rings, and is a doublet, or lone and too high and too exact for a valve."""
    if c.length_s < _LEAST_LENGTH_S:
        return False
    faint = c.amplitude < _PLAIN_AMPLITUDE and c.centre_hz >= _HIGH_CENTRE_HZ
    if np.isfinite(c.gap_s) or faint:
        return True
    return c.centre_hz >= _LEAST_LONE_CENTRE_HZ and c.scatter_s <= _MOST_LONE_SCATTER_S


def _apart(a: Candidate, b: Candidate, per_cycle: int) -> float:
    """Distance of two phases on the circle [cycles]."""
    period = 1 / per_cycle
    away = (a.phase - b.phase) % period
    return min(away, period - away)


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
            clear = click.amplitude >= max(_PLAIN_AMPLITUDE, _CLEARLY_POINTS * tick.amplitude)
            if not np.isfinite(tick.gap_s) or (clear and not any(_points_at(tick, c, interval) for c in clicks)):
                tick = replace(tick, gap_s=-click.gap_s)
        kept[same[0]] = tick
    return kept


def _points_at(click: Candidate, other: Candidate, interval: float) -> bool:
    """Whether a click's partner is the other one."""
    apart = ((other.phase - click.phase + 0.5) % 1.0 - 0.5) * interval
    return bool(abs(apart - click.gap_s) < _SLOT_PLACE_S)


def _open_click(own: Candidate, measured: Callable[[float, float], Candidate], interval: float) -> Candidate:
    """The first click of a doublet, where it is nearly as clear: times are told from the open click."""
    if not own.gap_s < 0:
        return own
    first = measured((own.phase + own.gap_s / interval) % 1.0, own.rise)
    clear = first.amplitude >= max(LEAST_AMPLITUDE, _OPEN_SHARE * own.amplitude)
    return first if clear and abs(first.gap_s + own.gap_s) < _SAME_GAP_S else own


def _one_tick(a: Candidate, b: Candidate, interval: float) -> bool:
    """Whether two clicks are open and close, or the ring, of the same tick."""
    apart = ((b.phase - a.phase + 0.5) % 1.0 - 0.5) * interval
    partner = abs(apart - a.gap_s) < _SAME_GAP_S or abs(apart + b.gap_s) < _SAME_GAP_S
    return partner or abs(apart) < _RING_S


def _neighbours(
    own: Candidate,
    ticks: list[Candidate],
    measured: Callable[[float, float], Candidate],
    interval: float,
    fellows: tuple[float, ...] | None,
    per_cycle: int,
) -> tuple[tuple[Candidate, ...], list[float]]:
    """Ticks at the other injectors' places, and the places; none where no even spacing shows."""
    if fellows is None:
        tried = {n: _ticks_spaced(n, own, ticks, interval, per_cycle) for n in _COMMON_CYLINDERS if n % per_cycle == 0}
        n, found = max(tried.items(), key=lambda item: (item[1] / (item[0] // per_cycle - 1 or 1), -item[0]))
        if found < 2:
            return (), []
        fellows = tuple(k / n for k in range(1, n))
    places = [(own.phase + after) % 1.0 for after in fellows if after < 1 / per_cycle - 1e-9]
    slots = []
    for phase in places:
        c = measured(phase, 0.0)
        if _is_neighbour(c, own, phase, interval):
            slots.append(c)
    return tuple(slots), places


def _nearer(own: Candidate, slots: tuple[Candidate, ...], like: list[Candidate], interval: float) -> Candidate | None:
    """The loudest injector's tick at a neighbour's place, where it is so much louder that the probe must be on it."""
    clearer = [c for c in like if c.amplitude > own.amplitude]
    at_slots = [c for c in clearer if any(_is_at(c, slot.phase, interval) for slot in slots)]
    nearer = max(at_slots, key=_level, default=own)
    return nearer if _level(nearer) > 10 ** (_OWN_OVER_NEIGHBOUR_DB / 20) * _level(own) else None


def _ticks_spaced(n: int, own: Candidate, ticks: list[Candidate], interval: float, per_cycle: int) -> int:
    """At how many of n even places a tick was found."""
    places = [(own.phase + k / n) % 1.0 for k in range(1, n // per_cycle)]
    others = [c for c in ticks if c is not own]
    return sum(any(_near(c, phase, interval) for c in others) for phase in places)


def _gap(a: float, b: float) -> float:
    away = (a - b) % 1.0
    return min(away, 1.0 - away)


def _is_neighbour(c: Candidate, own: Candidate, phase: float, interval: float) -> bool:
    """A click like the own one at a neighbour's place."""
    exact = _gap(c.phase, phase) * interval < _SLOT_PLACE_S and c.scatter_s < _SLOT_SCATTER * max(own.scatter_s, 5e-5)
    doublet = np.isfinite(c.gap_s) and abs(c.gap_s - own.gap_s) < _SLOT_PLACE_S and _near(c, phase, interval)
    return bool(c.amplitude >= LEAST_AMPLITUDE and (exact or (doublet and _recurs(c))))


def _is_at(c: Candidate, phase: float, interval: float) -> bool:
    """Either click of a tick strikes at the phase."""
    return min(_gap(c.phase, phase), _gap(c.phase + _finite(c.gap_s) / interval, phase)) * interval < _SLOT_PLACE_S


def _near(c: Candidate, phase: float, interval: float) -> bool:
    """Either click of a tick lies at the phase."""
    return _gap(c.phase, phase) * interval < _SLOT_S + abs(_finite(c.gap_s))


def _finite(x: float) -> float:
    return x if np.isfinite(x) else 0.0
