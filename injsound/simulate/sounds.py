"""What strikes in an engine: the own injector, its fellows, valves and a pump.

Each adds to the sound it is given, with a random generator of its own.
"""

from dataclasses import replace

import numpy as np

from injsound.simulate.clicks import Click, add_strikes, neighbour_click, softened, valve_click, varied
from injsound.simulate.crank import engine_rng, inside, own_cylinder, passings, phases_of, times_at
from injsound.simulate.scene import BoolArray, Scene
from injsound.values import CycleClock, FloatArray

# A valve's click moves by 0.1 to 0.3 ms from cycle to cycle (from memory).
_VALVE_SCATTER_S = 0.0002


def add_own(
    y: FloatArray,
    scene: Scene,
    due: FloatArray,
    there: BoolArray,
    clicks: tuple[Click, Click],
    level: float,
    rng: np.random.Generator,
) -> tuple[FloatArray, FloatArray, BoolArray]:
    """Strike the own injector.

    Parameters
    ----------
    y : ndarray, shape (n,)
        Sound so far, which is added to [rms of the noise above 1.5 kHz].
    scene : Scene
        Settings.
    due : ndarray, shape (k,)
        When each event is due [s].
    there : ndarray of bool, shape (k,)
        Which are not skipped.
    clicks : tuple of (Click, Click)
        Open and close.
    level : float
        What makes the louder of them as loud as the scene has it [unitless].
    rng : Generator
        Randomness of these sounds.

    Returns
    -------
    heard : ndarray, shape (k,)
        When each opened, nan where it did not [s].
    gap : ndarray, shape (k,)
        From open to close [ms].
    weak : ndarray of bool, shape (k,)
        Which came out faint.
    """
    scatter_rng, level_rng, weak_rng, strike_rng = rng.spawn(4)
    n = len(due)
    heard = due + scene.scatter_us * 1e-6 * scatter_rng.standard_normal(n)
    trim = 1 + scene.trim * np.sin(2 * np.pi * due / scene.trim_s)
    gap = scene.open_time_ms * 1e-3 * trim + scene.gap_scatter_us * 1e-6 * scatter_rng.standard_normal(n)
    weak = (weak_rng.random(n) < scene.weak_share) & there
    db = scene.level_spread_db * level_rng.standard_normal(n) + scene.level_drift_db * due / scene.seconds
    # A skipped event is struck with no force, so that all others are struck as they would be without it.
    strength = level * 10 ** ((db - scene.weak_db * weak) / 20) * there
    soft = weak & (scene.weak_contact_ms > 0)
    for click, at in zip(clicks, (heard, heard + gap), strict=True):
        add_strikes(y, scene.sr, click, at, strength * ~soft, scene.strike, strike_rng)
    for click, at in zip(clicks, (heard[soft], (heard + gap)[soft]), strict=True):
        softly = softened(click, scene.weak_contact_ms * 1e-3)
        add_strikes(y, scene.sr, softly, at, strength[soft], scene.strike, weak_rng)
    return np.where(there, heard, np.nan), np.where(there, gap * 1e3, np.nan), weak


def add_extra(
    y: FloatArray,
    scene: Scene,
    clock: CycleClock,
    due_cycles: FloatArray,
    clicks: tuple[Click, Click],
    level: float,
    rng: np.random.Generator,
) -> None:
    """Strike the second tick per cycle of the first seconds after a start.

    Parameters
    ----------
    y : ndarray, shape (n,)
        Sound so far, which is added to [rms of the noise above 1.5 kHz].
    scene : Scene
        Settings.
    clock : CycleClock
        Time against cycle.
    due_cycles : ndarray, shape (k,)
        Where each of the own injector's events is due [cycles].
    clicks : tuple of (Click, Click)
        Open and close.
    level : float
        What makes the louder of them as loud as the scene has it [unitless].
    rng : Generator
        Randomness of these sounds.
    """
    if not scene.mode_change_s:
        return
    extra = times_at(clock, due_cycles + 0.5)
    extra = extra[extra < scene.mode_change_s]
    gap = scene.open_time_ms * 1e-3
    for click, later in zip(clicks, (0.0, gap), strict=True):
        add_strikes(y, scene.sr, click, extra + later, np.full(len(extra), level), scene.strike, rng)


def add_fellows(
    y: FloatArray,
    scene: Scene,
    clock: CycleClock,
    due_cycles: FloatArray,
    clicks: tuple[Click, Click],
    level: float,
    rng: np.random.Generator,
) -> None:
    """Strike the other injectors, at their places in the cycle, weaker the further along the rail.

    Parameters
    ----------
    y : ndarray, shape (n,)
        Sound so far, which is added to [rms of the noise above 1.5 kHz].
    scene : Scene
        Settings.
    clock : CycleClock
        Time against cycle.
    due_cycles : ndarray, shape (k,)
        Where each of the own injector's events is due [cycles].
    clicks : tuple of (Click, Click)
        Open and close.
    level : float
        What makes the louder of them as loud as the scene has it [unitless].
    rng : Generator
        Randomness of these sounds.
    """
    engine, phases, own = scene.engine, phases_of(scene), own_cylinder(scene)
    for cylinder in sorted(phases):
        body_rng, event_rng = rng.spawn(2)
        if cylinder == own or cylinder in scene.dead:
            continue
        places = abs(cylinder - own)
        db = scene.neighbour_db - scene.neighbour_spread_db * (places - 1) + body_rng.normal(0, 1.0)
        phase = (phases[cylinder] - phases[own]) % 1.0
        if engine.injection.value == "batch":
            phase %= 0.5
        at = times_at(clock, np.concatenate([due_cycles[:1] - 1, due_cycles]) + phase)
        if scene.mode_change_s and engine.injection.value == "sequential":
            extra = times_at(clock, due_cycles + phase + 0.5)
            at = np.concatenate([at, extra[extra < scene.mode_change_s]])
        at = at[~inside(at, (*scene.fuel_cut_s, *scene.silence_s))]
        at = at + scene.scatter_us * 1e-6 * event_rng.standard_normal(len(at))
        strength = level * 10 ** (db / 20) * (1 + 0.08 * event_rng.standard_normal(len(at)))
        for click, later in zip(clicks, (0.0, scene.open_time_ms * 1e-3), strict=True):
            far = neighbour_click(click, body_rng)
            far_level = strength * click.peak(scene.sr) / far.peak(scene.sr)
            add_strikes(y, scene.sr, far, at + later, far_level, scene.strike, event_rng)


def add_valves(y: FloatArray, scene: Scene, clock: CycleClock, rng: np.random.Generator) -> None:
    """Strike the valves, at angles that are the same for every cylinder.

    Parameters
    ----------
    y : ndarray, shape (n,)
        Sound so far, which is added to [rms of the noise above 1.5 kHz].
    scene : Scene
        Settings.
    clock : CycleClock
        Time against cycle.
    rng : Generator
        Randomness of these sounds.
    """
    angle_rng, body_rng, event_rng = rng.spawn(3)
    if scene.engine_seed is not None:
        angle_rng, body_rng = engine_rng(scene, 1), engine_rng(scene, 2)
    path_rng, kind_rng = event_rng.spawn(1)[0], body_rng.spawn(1)[0]
    own_peak = _own_peak(scene)
    for angle in angle_rng.uniform(0, 1, scene.valves):
        kind = valve_click(kind_rng)
        for cylinder, phase in phases_of(scene).items():
            click = varied(kind, valve_click(body_rng), scene.valve_variety)
            at = times_at(clock, passings(scene, clock, angle + phase))
            at = at[~inside(at, scene.silence_s)]
            at = at + _VALVE_SCATTER_S * event_rng.standard_normal(len(at))
            db = scene.valve_db + body_rng.normal(-3, 3 * scene.valve_variety)
            db -= scene.valve_spread_db * abs(cylinder - own_cylinder(scene))
            strength = (
                own_peak * 10 ** (db / 20) / click.peak(scene.sr) * (1 + 0.2 * event_rng.standard_normal(len(at)))
            )
            way = 10 ** (scene.path_db * path_rng.standard_normal(len(click.weight)) / 20)
            add_strikes(y, scene.sr, replace(click, weight=click.weight * way), at, strength, 0.3, event_rng)


def _own_peak(scene: Scene) -> float:
    """Peak of the own tick [rms of the noise above 1.5 kHz]."""
    return float(10 ** (scene.tick_db / 20))


def add_pump(y: FloatArray, scene: Scene, clock: CycleClock, rng: np.random.Generator) -> None:
    """Strike a cam-driven pump's control valve.

    Parameters
    ----------
    y : ndarray, shape (n,)
        Sound so far, which is added to [rms of the noise above 1.5 kHz].
    scene : Scene
        Settings.
    clock : CycleClock
        Time against cycle.
    rng : Generator
        Randomness of these sounds.
    """
    if not scene.pump_lobes:
        return
    body_rng = rng if scene.engine_seed is None else engine_rng(scene, 3)
    click = valve_click(body_rng)
    phases = body_rng.uniform() + np.arange(scene.pump_lobes) / scene.pump_lobes
    at = times_at(clock, np.sort(np.concatenate([passings(scene, clock, phase) for phase in phases])))
    strength = np.full(len(at), _own_peak(scene) * 10 ** (scene.pump_db / 20) / click.peak(scene.sr))
    add_strikes(y, scene.sr, click, at, strength, 0.2, rng)
