"""Trains of an engine's sounds at event level, for the tests and benchmarks of timing.

Made otherwise than the model that reads them: the speed wanders about a mean and returns to it, unevenness is constant
over a firing or a cycle (or blends from one to the next), and a skipped cycle makes the engine sag and recover.
"""

from dataclasses import dataclass

import numpy as np
from scipy.signal import lfilter

PLACES = 48  # places in a cycle at which the speed is drawn


@dataclass(frozen=True, kw_only=True)
class Crank:
    cycles: int
    cycle: np.ndarray
    time_s: np.ndarray


def draw_crank(
    rng,
    *,
    cycles=375,
    rpm=750,
    wander=0.01,
    wander_s=1.0,
    uneven=0.0,
    firings=6,
    blended=False,
    sagging=(),
    sag=0.02,
):
    """Time against cycle; ``wander`` and ``uneven`` are shares of the speed, uneven in ``firings`` steps a cycle."""
    n = (cycles + 4) * PLACES
    stay = np.exp(-120 / rpm / PLACES / wander_s)
    speed = 1 + wander * lfilter([np.sqrt(1 - stay**2)], [1, -stay], rng.normal(size=n + 20_000))[-n:]
    steps = np.repeat(rng.normal(size=(cycles + 4) * firings), PLACES // firings) * uneven
    if blended:
        bell = np.hanning(PLACES // firings + 2)[1:-1]
        steps = np.convolve(steps, bell / bell.sum(), "same")
    since = (np.arange(n) - PLACES * np.asarray(sagging, dtype=float)[:, None]) / PLACES
    sags = sag * np.where(since > 0, np.minimum(since, 1) * np.exp(-np.clip(since - 1, 0, 50) / 2), 0).sum(axis=0)
    time = np.concatenate([[0.0], np.cumsum(120 / rpm / PLACES / (speed + steps - sags))])
    return Crank(cycles=cycles, cycle=np.arange(n + 1) / PLACES, time_s=time)


def hear(rng, crank, *, phase, scatter_us, missing=0.04):
    """Times and cycles of one sound, some of them not heard."""
    cycle = 1 + np.arange(crank.cycles) + phase
    time = np.interp(cycle, crank.cycle, crank.time_s) + scatter_us * 1e-6 * rng.normal(size=cycle.size)
    heard = rng.random(cycle.size) >= missing
    return time[heard], cycle[heard]


def hear_all(rng, crank, *, own_us, own_phase=0.03, others=()):
    """Arguments of ``own_scatter``: the own tick, then (phase, scatter in us) of each other sound."""
    own = hear(rng, crank, phase=own_phase, scatter_us=own_us)
    heard = [hear(rng, crank, phase=phase, scatter_us=scatter) for phase, scatter in others]
    times = np.concatenate([time for time, _ in heard] or [np.zeros(0)])
    cycles = np.concatenate([cycle for _, cycle in heard] or [np.zeros(0)])
    source = np.repeat(np.arange(len(heard)), [time.size for time, _ in heard])
    return *own, times, cycles, source


def neighbours(count=6, scatter_us=60.0):
    return tuple((k / count + 0.03, scatter_us) for k in range(1, count))
