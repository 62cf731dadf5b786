"""Which cycle the engine turns by: the typed speed's, unless the sound contradicts it.

A clock locks to whatever repeats, and three quarters of a cycle or two repeat as well. What its order lines say
(`orders.py`) decides; a clock that counts wrong cycles is put right by its factor and asked again. Where the speed
changed much, a clock may be right in one part of the recording only: it is followed anew from the speed of that part.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import partial

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from injsound.sound.clock import passing_times
from injsound.sound.signals import covered
from injsound.sound.turning.cycle import Lock, lock_cycle
from injsound.sound.turning.folding import BINS, flatten, turned_sound
from injsound.sound.turning.lengths import TOLERANCE, estimate_interval
from injsound.sound.turning.orders import measure_orders, repeats_after, repeats_later
from injsound.values import CycleClock, FloatArray, OnsetStrength, Span

_TRIES = 3
# The needle was read at some moment of the recording: the speed was typed rightly where it fits one cycle in so many.
_FITTING = 0.05
# No engine turns slower than 400 1/min, none idles under 500 (common practice, no source). Without the number of
# cylinders a sound that repeats every second cycle may be one whose every second tick is missing: then it is.
_LONGEST_S, _LONGEST_IDLE_S = 0.30, 0.24
# Parts of a recording in which a clock is asked for its lines. A right one keeps 0.6 and more of what its better parts
# show, a wrong one up to 0.3 (measured: docs/methods.md). Where the engine as such hardly shows, nothing is said.
_PART, _KEPT, _LEAST_SHOWN = 60, 0.45, 0.25
# A part that is hidden for more than this says nothing.
_HIDDEN = 0.2
# A smaller share is not worth another try.
_MENDED = 0.05
# So many cycles beside such a part have the speed that it begins or ends with.
_BESIDE = 20


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Followed:
    """The engine's cycle as followed through a chapter.

    Parameters
    ----------
    lock : Lock or None
        The cycle that the sound tells; None where nothing could be followed.
    suggested_s : float or None
        Cycle length that the sound suggests where it contradicts the typed speed [s].
    settled : bool
        False where the sound contradicts each cycle that was tried: none may be counted by.
    """

    lock: Lock | None = None
    suggested_s: float | None = None
    settled: bool = True


def follow_engine(
    strength: OnsetStrength,
    *,
    interval_s: float | None,
    cylinders: int | None = None,
    per_cycle: int = 1,
    profile: FloatArray | None = None,
    without: Sequence[Span] = (),
) -> Followed:
    """Follow the engine's cycle and ask the sound whether it is the engine's.

    Parameters
    ----------
    strength : OnsetStrength
        Onset strength in bands [unitless].
    interval_s : float or None
        Cycle length by the tachometer, 120/rpm [s]; None where nobody has read one.
    cylinders : int or None
        How many fire in a cycle, evenly spaced; None where it is not known [unitless].
    per_cycle : int
        How often each injector ticks in a cycle: 2 in batch injection [unitless].
    profile : ndarray, shape (n_bands, BINS), or None
        Profile of an earlier chapter, to keep the place of phase zero.
    without : sequence of Span
        Stretches whose sound says nothing.

    Returns
    -------
    Followed
        The lock, and what the sound suggests instead of the typed speed.

    References
    ----------
    docs/methods.md, 'Which cycle'.
    """
    ask = _Ask(
        strength=strength,
        sound=flatten(strength),
        cylinders=cylinders,
        per_cycle=per_cycle,
        profile=profile,
        without=tuple(without),
        told=interval_s is not None,
    )
    if interval_s is None:
        return _found(ask)
    given = _settle(ask, ask.lock(interval_s))
    if given.lock is None:
        return given
    if given.settled and given.lock.holds:
        return _judged(given, interval_s)
    found = _found(replace(ask, told=False))
    if found.settled and found.lock is not None and found.lock.holds:
        return _judged(found, interval_s)
    return given


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Ask:
    """A chapter's sound and what is known of the engine."""

    strength: OnsetStrength
    sound: FloatArray
    """The same, the slow part removed, shape (n_frames, n_bands)."""
    cylinders: int | None
    per_cycle: int
    profile: FloatArray | None
    without: tuple[Span, ...]
    told: bool

    def lock(self, interval_s: float, clock: CycleClock | None = None) -> Lock | None:
        follow = partial(lock_cycle, self.strength, interval_s=interval_s, profile=self.profile, without=self.without)
        lock = follow(clock=clock)
        false_rev = clock is None and lock is not None and _is_false_rev(self, lock.clock, interval_s)
        return follow(revs=False) if false_rev else lock


def _found(ask: _Ask) -> Followed:
    """Follow the engine from a speed estimated over the whole chapter, or over the part where it changes least."""
    n = ask.strength.bands.shape[1]
    for start, stop in ((0, n), (2 * n // 3, n), (n // 3, 2 * n // 3), (0, n // 3)):
        interval_s = estimate_interval(replace(ask.strength, bands=ask.strength.bands[:, start:stop]))
        if interval_s is not None:
            return _settle(ask, ask.lock(interval_s))
    return Followed()


def _judged(followed: Followed, interval_s: float) -> Followed:
    """Whether the typed speed fits what was followed."""
    assert followed.lock is not None
    length = _lengths(followed.lock.clock)
    length = length[~followed.lock.unheard] if not followed.lock.unheard.all() else length
    if np.mean(np.abs(np.log(length / interval_s)) <= TOLERANCE) >= _FITTING:
        return followed
    return Followed(lock=followed.lock, suggested_s=float(np.median(length)))


def _settle(ask: _Ask, lock: Lock | None) -> Followed:
    """Put a clock right until the sound repeats once per cycle of it."""
    for anew in (False,) * _TRIES + (True,):
        if lock is None:
            return Followed()
        lock = _throughout(ask, lock)
        repeat = _repeats_after(ask, lock.clock)
        if repeat == 1:
            return Followed(lock=lock)
        clock = CycleClock(times_s=lock.clock.times_s, cycles=lock.clock.cycles / float(repeat))
        interval_s = float(np.median(_lengths(lock.clock))) * float(repeat)
        lock = ask.lock(interval_s, None if anew else clock)
    return Followed(lock=lock, settled=lock is None or _repeats_after(ask, lock.clock) == 1)


def _throughout(ask: _Ask, lock: Lock) -> Lock:
    """Follow anew what was right in some parts only, from their speed; what still is not counts as unheard."""
    astray = _astray(ask, lock)
    if _MENDED < astray.mean() < 1:
        length = _lengths(lock.clock)
        beside = ndimage.binary_dilation(astray, iterations=_BESIDE) & ~astray
        for interval_s in (float(np.median(length[~astray])), float(np.median(length[beside]))):
            again = ask.lock(interval_s)
            still = astray if again is None else _astray(ask, again)
            if again is not None and still.mean() < astray.mean():
                lock, astray = again, still
            if not astray.any():
                break
    return replace(lock, unheard=lock.unheard | astray)


def _astray(ask: _Ask, lock: Lock) -> npt.NDArray[np.bool_]:
    """Cycles that do not show the profile, and parts in which the lines of the clock's cycle are gone."""
    turned = turned_sound(ask.sound, ask.strength, lock.clock).reshape(-1, BINS, len(ask.strength.bands))
    edges = passing_times(lock.clock, 0.0)
    length = np.diff(edges)
    hidden = covered(ask.without, edges[:-1], edges[1:])
    astray = lock.unheard & ~hidden
    hidden |= astray
    parts = []
    for end in range(len(turned), _PART - 1, -_PART):
        part = slice(end - _PART if end >= 2 * _PART else 0, end)
        if hidden[part].mean() <= _HIDDEN:
            sound = turned[part].reshape(-1, turned.shape[2])
            parts.append((part, measure_orders(sound, BINS, float(np.median(length[part]))).standing_out()))
    usual = float(np.quantile([shown for _, shown in parts], 0.75)) if parts else 0.0
    for part, shown in parts:
        astray[part] |= usual > _LEAST_SHOWN and shown < _KEPT * usual
    return astray


def _is_false_rev(ask: _Ask, clock: CycleClock, interval_s: float) -> bool:
    """Whether the engine idled where its clock ran away, and counts a half or a third of the typed cycle there.

    Under speech or a loud noise the cycle is out of hearing, and a part of it repeats the sound nearly as well.
    """
    length = _lengths(clock)
    away = length < interval_s / (1 + TOLERANCE)
    if away.sum() < _PART or away.all():
        return False
    away_s = float(np.median(length[away]))
    times = round(interval_s / away_s)
    if times < 2 or abs(np.log(times * away_s / interval_s)) > TOLERANCE:
        return False
    turned = turned_sound(ask.sound, ask.strength, clock)[np.repeat(away, BINS)]
    return repeats_later(measure_orders(turned, BINS, away_s), times)


def _repeats_after(ask: _Ask, clock: CycleClock) -> Fraction:
    """Cycles of a clock after which the sound repeats; 1 where the sound does not say."""
    length_s = float(np.median(_lengths(clock)))
    orders = measure_orders(turned_sound(ask.sound, ask.strength, clock), BINS, length_s)
    longest_s = _LONGEST_IDLE_S if ask.cylinders is None else _LONGEST_S
    longest = longest_s / length_s
    repeat = repeats_after(orders, longest=longest, cylinders=ask.cylinders, per_cycle=ask.per_cycle, told=ask.told)
    return repeat or Fraction(1)


def _lengths(clock: CycleClock) -> FloatArray:
    """Length of each whole cycle [s]."""
    return np.diff(passing_times(clock, 0.0))
