"""How many cycles of a clock the engine takes to repeat: its order lines.

A clock that follows the firing turns evenly with the crank even where it counts wrong cycles: three quarters of one, or
two. In the spectrum of the sound over that clock everything periodic is a line, whatever the speed did meanwhile. The
orders, lines per cycle of the clock, say what repeats how often: a four-cylinder engine whose clock counts three
quarters of each cycle has its lines at the multiples of 3/4, the strong ones of the firing at the multiples of 3.
"""

from dataclasses import dataclass
from fractions import Fraction
from math import ceil

import numpy as np
from scipy import fft, ndimage

from injsound.values import FloatArray

# Below, whine and belts have lines of their own; above 600 Hz a line is shorter than a tick's rise.
_LOWEST_ORDER = 2
_HIGHEST_HZ = 600.0
# The firing's lines are strongest among the first.
_FIRING_LINES = 40
_FEWEST_LINES = 3
# A line counts by the logarithm of its power over its surroundings, up to 20 times: one loud line is no comb.
_MOST = float(np.log(20.0))
# Between two lines, off all simple fractions.
_BESIDE = 0.382
# What a comb must hold per line to be worth having. Lines of noise hold 0.2 at most, those of engines 0.5 or more.
_PRICE = 0.5
# A comb is told from another by so much, and from noise (measured: docs/methods.md).
_CLEARLY = 8.0
# Cycles of the clock after which an engine could repeat. Clocks settle on whole numbers of firing intervals.
_REPEATS = tuple(
    sorted(
        {Fraction(p, q) for p in range(1, 9) for q in range(1, 17) if 0.4 <= p / q <= 2.5}
        | {Fraction(1, k) for k in range(3, 17)}
    )
)
# Where every n-th tick is missing the firing's lines stand out at n times the expected spacing, by so much more in log
# power: 1.9 and more there, 0.5 at most on other simulated engines.
_REGULAR_SKIPS = 1.0


# Lines of a longer repeat lie between those of the shorter, and are as strong; noise has a third of an engine's.
_AS_STRONG = 0.6


# The lines between those of a known cycle are as strong as these where the engine takes twice as long (0.89 to 1.0, in
# noise 0.59); 0.24 to 0.32 where one thing more comes once in two cycles.
_ALTERNATES = 0.45


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Orders:
    """Lines of the sound over a clock.

    Parameters
    ----------
    lines : ndarray, shape (n,)
        Log power over the surroundings, evenly spaced [unitless].
    per_order : int
        How many of them make one order [unitless].
    """

    lines: FloatArray
    per_order: int

    def comb(self, repeat: Fraction) -> FloatArray:
        """Lines that a sound has which repeats after so many cycles of the clock, from the first on."""
        count = np.arange(1, int((len(self.lines) - 2) / self.per_order * repeat) + 1)
        comb: FloatArray = self.lines[np.round(count * (self.per_order / float(repeat))).astype(int)]
        return comb

    def standing_out(self) -> float:
        """How far the lines of the clock's own cycle stand over what lies beside them [log power]."""
        at = np.arange(_LOWEST_ORDER, int(len(self.lines) / self.per_order)) * self.per_order
        on, beside = (np.minimum(self.lines[at + round(off * self.per_order)], _MOST) for off in (0.0, _BESIDE))
        return float(on.mean() - beside.mean())


def measure_orders(turned: FloatArray, bins: int, interval_s: float) -> Orders:
    """Spectrum of the sound over the crank.

    Parameters
    ----------
    turned : ndarray, shape (n, n_bands)
        Onset strength at even steps of the clock [unitless].
    bins : int
        Steps per cycle of the clock [unitless].
    interval_s : float
        Usual length of the clock's cycle [s].

    Returns
    -------
    Orders
        Lines up to 600 Hz.

    References
    ----------
    Order analysis of rotating machines by angular resampling: common practice, no source.
    """
    n = len(turned)
    # Twice the length: a line between two bins is halved at most.
    spectrum = fft.rfft(turned * np.hanning(n)[:, None].astype(np.float32), 2 * n, axis=0)
    per_order = 2 * n // bins
    top = min(bins // 2 - 8, int(_HIGHEST_HZ * interval_s))
    block = max(1, per_order // 2)
    spectrum = spectrum[: 2 * top * block].reshape(-1, block, turned.shape[1])
    power = spectrum.real**2 + spectrum.imag**2
    # The median of an exponential is ln 2 of its mean.
    around = np.median(power, axis=1, keepdims=True) / np.log(2)
    over = (power / np.maximum(around, np.finfo(np.float32).tiny)).mean(axis=2).reshape(-1)
    return Orders(lines=np.log(np.maximum(ndimage.maximum_filter1d(over, 3), 1e-6)), per_order=per_order)


def repeats_after(
    orders: Orders, *, longest: float = 2.5, cylinders: int | None = None, per_cycle: int = 1, told: bool = False
) -> Fraction | None:
    """How many cycles of the clock make one cycle of the engine.

    Parameters
    ----------
    orders : Orders
        Lines of the sound over the clock.
    longest : float
        Cycles of the clock that no cycle of an engine can exceed [unitless].
    cylinders : int or None
        How many fire in a cycle, evenly spaced; None where it is not known [unitless].
    per_cycle : int
        How often each injector ticks in a cycle [unitless].
    told : bool
        Whether the clock goes by a speed that is known: then an engine of half of it alternates with all it sounds.

    Returns
    -------
    Fraction or None
        1 where the clock counts the engine's cycles; None where no comb of lines stands clear of the others [unitless].
    """
    worth = {repeat: _worth(orders, repeat) for repeat in _REPEATS if repeat <= max(1, longest)}
    best = max(worth, key=lambda repeat: worth[repeat])
    if worth[best] < _CLEARLY:
        return None
    if worth[best] < worth[Fraction(1)] + _CLEARLY or _every_nth(orders, best):
        best = Fraction(1)
    if told and per_cycle == 1 and best.denominator == 1 and not _alternates(orders, best.numerator):
        best = Fraction(1)
    if best == Fraction(1, per_cycle):
        # What ticks together, several times in a cycle, drowns what happens once.
        best = Fraction(1)
    if cylinders is not None:
        return _by_firing(orders.comb(best)[:_FIRING_LINES], best, cylinders, per_cycle)
    # Cylinders that all sound alike repeat after a third of the engine's cycle or less.
    return Fraction(1) if best < Fraction(1, 2) and best.numerator == 1 else best


def repeats_later(orders: Orders, times: int) -> bool:
    """Whether so many cycles of the clock make one cycle of the engine, as where it followed a part of it.

    Parameters
    ----------
    orders : Orders
        Lines of the sound over the clock.
    times : int
        How many, two or more [unitless].

    Returns
    -------
    bool
        False where the lines of the longer cycle do not stand clear.
    """
    return _worth(orders, Fraction(times)) > _worth(orders, Fraction(1)) + _CLEARLY


def _worth(orders: Orders, repeat: Fraction) -> float:
    """What the lines of a comb hold, each for its price."""
    lines = orders.comb(repeat)[ceil(_LOWEST_ORDER * repeat) - 1 :]
    return float(np.sum(np.minimum(lines, _MOST) - _PRICE))


def _every_nth(orders: Orders, repeat: Fraction) -> bool:
    """Whether the sound repeats later than p/q cycles: after p, 2 p or 3 p, every so many-th tick missing."""
    p, q = repeat.numerator, repeat.denominator
    return p > 1 and any(_fills(orders, times * p, times * q) for times in (1, 2, 3))


def _alternates(orders: Orders, times: int) -> bool:
    """Whether lines between those of the clock's cycle, of so many cycles, are nearly as strong as they."""
    lines = np.minimum(orders.comb(Fraction(times)), _MOST)
    own = np.arange(1, len(lines) + 1) % times == 0
    return bool(own.all() or lines[~own].mean() >= _ALTERNATES * lines[own].mean())


def _fills(orders: Orders, longer: int, step: int) -> bool:
    """Whether lines of the longer repeat lie between each step-th of them, as strong as these."""
    lines = np.minimum(orders.comb(Fraction(longer)), _MOST)
    number = np.arange(1, len(lines) + 1)
    broken = number % longer != 0
    own, between = broken & (number % step == 0), broken & (number % step != 0)
    return bool(between.any() and own.any() and lines[between].mean() > _AS_STRONG * lines[own].mean())


def _by_firing(comb: FloatArray, repeat: Fraction, cylinders: int, per_cycle: int) -> Fraction:
    """The same, where the sound repeats later (every n-th tick missing) or sooner (cylinders alike) than the engine."""
    # Lines of ticks that come several times in a cycle are no missing ones.
    times = [n for n in (2, 3, 4) if per_cycle == 1 or n % per_cycle]
    here = _standing_out(comb, cylinders)
    if cylinders == 1:
        # Every line is one of the firing: only a sound that repeats later can have ticks missing.
        here, times = 0.0, [n for n in times if repeat.numerator % n == 0]
        if not times:
            return repeat
    later = max(times, key=lambda n: _standing_out(comb, n * cylinders))
    if _standing_out(comb, later * cylinders) > here + _REGULAR_SKIPS:
        return repeat / later
    parts = repeat.denominator if repeat.numerator == 1 else 1
    if parts > 1 and cylinders % parts == 0 and _standing_out(comb, cylinders // parts) >= here:
        return Fraction(1)
    return repeat


def _standing_out(comb: FloatArray, every: int) -> float:
    """How far every n-th line stands over the others."""
    chosen = np.arange(1, len(comb) + 1) % every == 0
    if chosen.sum() < _FEWEST_LINES or chosen.all():
        return -np.inf
    return float(comb[chosen].mean() - comb[~chosen].mean())
