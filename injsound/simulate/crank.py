"""The crank: how far the engine has turned at each moment, and which cylinder is where in its cycle."""

import numpy as np

from injsound.engine import EVENTS_PER_CYCLE, cylinder_phases
from injsound.simulate.scene import BoolArray, Scene, Skipping
from injsound.values import CycleClock, FloatArray

_STEP_S = 0.001
# The engine is back to half its loss of speed after this long: from memory of idle speed traces.
_RECOVERY_S = 0.3
_SPARE_S = 1.0


def turn(scene: Scene, own_phase: float, rng: np.random.Generator) -> tuple[CycleClock, FloatArray, BoolArray]:
    """Turn the crank for a scene.

    Parameters
    ----------
    scene : Scene
        Settings.
    own_phase : float
        Where the own injector opens [cycles].
    rng : Generator
        Randomness of the crank; skips draw from it first.

    Returns
    -------
    clock : CycleClock
        Time against cycle, a knot every millisecond.
    events : ndarray, shape (n,)
        Cycle of each due event [cycles].
    skipped : ndarray of bool, shape (n,)
        Which are skipped.
    """
    from scipy.signal import lfilter

    t = np.arange(0, scene.seconds + _SPARE_S, _STEP_S)
    base = np.full(t.size, scene.rpm) if not scene.rpm_profile else np.interp(t, *np.transpose(scene.rpm_profile))
    skip_rng, wander_rng, uneven_rng = rng.spawn(3)
    keep = np.exp(-_STEP_S / scene.wander_s)
    noise = wander_rng.standard_normal(t.size + 10_000) * np.sqrt(1 - keep**2)
    speed = base / 120 * (1 + scene.wander * lfilter([1.0], [1.0, -keep], noise)[10_000:])
    cycles = _integrate(speed)
    events = _due(scene, own_phase, cycles[-1])
    skipped = _skips(scene, len(events), skip_rng)
    if scene.unevenness:
        firing = np.floor(cycles * (scene.engine.cylinders or 1)).astype(int)
        speed = speed * (1 + scene.unevenness * uneven_rng.standard_normal(firing[-1] + 1)[firing])
        cycles = _integrate(speed)
    if scene.sag and skipped.any():
        missed = np.interp(events[skipped], cycles, t)
        loss = np.zeros(t.size)
        np.add.at(loss, np.clip(np.round(missed / _STEP_S).astype(int), 0, t.size - 1), scene.sag)
        ease = 1 - np.exp(-_STEP_S / 0.03)
        fade = np.exp(-_STEP_S / _RECOVERY_S)
        loss = lfilter([ease], [1.0, ease - 1], lfilter([1.0], [1.0, -fade], loss))
        cycles = _integrate(speed * np.maximum(1 - loss, 0.5))
    return CycleClock(times_s=t, cycles=cycles), events, skipped


def _integrate(speed: FloatArray) -> FloatArray:
    cycles: FloatArray = np.concatenate([[0.0], np.cumsum(speed[:-1]) * _STEP_S])
    return cycles


def _due(scene: Scene, own_phase: float, turned: float) -> FloatArray:
    per_cycle = EVENTS_PER_CYCLE[scene.engine.injection]
    events: FloatArray = own_phase + np.arange(int(np.ceil(turned * per_cycle)) + 2) / per_cycle
    return events


def _skips(scene: Scene, events: int, rng: np.random.Generator) -> BoolArray:
    skipped = np.zeros(events, dtype=bool)
    if scene.skipping is Skipping.SCATTERED:
        skipped = rng.random(events) < scene.skip_rate
    elif scene.skipping is Skipping.BURSTS:
        starts = rng.random(events) < scene.skip_rate / scene.burst
        for start in np.flatnonzero(starts):
            skipped[start : start + scene.burst] = True
    elif scene.skipping is Skipping.EVERY_NTH:
        skipped[scene.burst - 1 :: scene.burst] = True
    elif scene.skipping is Skipping.DEAD:
        skipped[:] = True
    elif scene.skipping is Skipping.LISTED:
        skipped[[event for event in scene.skip_events if event < events]] = True
    return skipped


def phases_of(scene: Scene) -> dict[int, float]:
    """Place of each cylinder in the cycle, in the order of firing; that of their numbers where none is given.

    Parameters
    ----------
    scene : Scene
        Settings.

    Returns
    -------
    dict
        By cylinder [cycles].
    """
    n = scene.engine.cylinders or 1
    return cylinder_phases(scene.engine) or {k + 1: k / n for k in range(n)}


def own_cylinder(scene: Scene) -> int:
    """Cylinder whose injector is listened to.

    Parameters
    ----------
    scene : Scene
        Settings.

    Returns
    -------
    int
        The engine's own one, else the first [unitless].
    """
    return scene.engine.cylinder or next(iter(phases_of(scene)))


def engine_rng(scene: Scene, part: int) -> np.random.Generator:
    """Randomness of a part of the engine that all its recordings share.

    Parameters
    ----------
    scene : Scene
        Settings.
    part : int
        Which part [unitless].

    Returns
    -------
    Generator
        Its own.
    """
    return np.random.default_rng((scene.engine_seed or 0, part))


def passings(scene: Scene, clock: CycleClock, phase: float) -> FloatArray:
    """Every time the crank is at a phase, counted from the recording's first moment.

    Parameters
    ----------
    scene : Scene
        Settings.
    clock : CycleClock
        Time against cycle.
    phase : float
        Place in the engine's cycle [cycles].

    Returns
    -------
    ndarray, shape (n,)
        Not before the recording begins [cycles].
    """
    turned = np.arange(np.ceil(clock.cycles[-1] + scene.begins_at)) + phase - scene.begins_at
    return turned[turned >= 0]


def times_at(clock: CycleClock, cycles: FloatArray) -> FloatArray:
    """When the crank had turned so far.

    Parameters
    ----------
    clock : CycleClock
        Time against cycle.
    cycles : ndarray, shape (n,)
        From the recording's first moment [cycles].

    Returns
    -------
    ndarray, shape (n,)
        A second after the clock's end for what lies beyond [s].
    """
    times: FloatArray = np.interp(cycles, clock.cycles, clock.times_s, right=clock.times_s[-1] + 1.0)
    return times


def inside(times: FloatArray, stretches: tuple[tuple[float, float], ...]) -> BoolArray:
    """Which times lie in one of some stretches.

    Parameters
    ----------
    times : ndarray, shape (n,)
        Times [s].
    stretches : tuple of (float, float)
        Start and end of each [s].

    Returns
    -------
    ndarray of bool, shape (n,)
        True from the start on, until before the end.
    """
    within = np.zeros(len(times), dtype=bool)
    for from_s, to_s in stretches:
        within |= (times >= from_s) & (times < to_s)
    return within
