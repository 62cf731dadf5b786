"""Named scenes for the accuracy benchmark, random engines, and sounds that are no engine at all."""

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from injsound.engine import Engine, Injection
from injsound.simulate import Chain, Scene, Skipping, speech_like
from injsound.values import Recording

SIX = Engine(cylinders=6, cylinder=2, firing_order=(1, 5, 3, 6, 2, 4))
FOUR = Engine(cylinders=4, cylinder=3, firing_order=(1, 3, 4, 2))
ENGINES = {
    3: Engine(cylinders=3, cylinder=2, firing_order=(1, 2, 3)),
    4: FOUR,
    5: Engine(cylinders=5, cylinder=4, firing_order=(1, 2, 4, 5, 3)),
    6: SIX,
    8: Engine(cylinders=8, cylinder=6, firing_order=(1, 8, 4, 3, 6, 5, 7, 2)),
}
# Scenes in which the skip probability's calibration is looked at.
FAINT = ("3 dB", "4 dB", "5 dB", "6 dB", "7 dB", "8 dB")
REV = ((0.0, 700.0), (14.0, 700.0), (17.0, 2500.0), (19.0, 2500.0), (23.0, 700.0), (60.0, 700.0))


def grid() -> dict[str, tuple[Scene, str | None]]:
    """Scene and codec (None is the samples as they are) by name; every scene is 45 s long."""
    base = Scene(seconds=45.0, rpm=700.0, tick_db=14.0, skipping=Skipping.SCATTERED, skip_rate=0.05)
    skips = {
        "none": replace(base, skipping=Skipping.NONE),
        "one": replace(base, skipping=Skipping.LISTED, skip_events=(120,)),
        "scattered": base,
        "bursts": replace(base, skipping=Skipping.BURSTS, burst=5),
        "every second": replace(base, skipping=Skipping.EVERY_NTH, burst=2),
        "every fourth": replace(base, skipping=Skipping.EVERY_NTH, burst=4),
        "30 percent": replace(base, skip_rate=0.3),
        "half": replace(base, skip_rate=0.5),
        "eight in a row": replace(base, skipping=Skipping.LISTED, skip_events=tuple(range(80, 88))),
        "dead": replace(base, skipping=Skipping.DEAD),
    }
    scenes: dict[str, tuple[Scene, str | None]] = {f"skips {name}": (scene, None) for name, scene in skips.items()}
    for n, engine in ENGINES.items():
        scenes[f"{n} cylinders"] = (replace(base, engine=engine), None)
    for n in (4, 6):
        batch = replace(ENGINES[n], injection=Injection.BATCH)
        scenes[f"batch {n}"] = (replace(base, engine=batch), None)
    for db in (20.0, 10.0, 8.0, 7.0, 6.0, 5.0, 4.0, 3.0):
        scenes[f"{db:g} dB"] = (replace(base, tick_db=db), None)
        scenes[f"{db:g} dB bursts, 4 cylinders"] = (
            replace(base, tick_db=db, skipping=Skipping.BURSTS, engine=FOUR),
            None,
        )
    engine_scenes = {
        "wander 3 percent": replace(base, wander=0.03),
        "rough idle with sag": replace(base, sag=0.04, unevenness=0.005, wander=0.02),
        "rev to 2500": replace(base, rpm_profile=REV),
        "uneven 0.3 percent": replace(base, unevenness=0.003),
        "loud valves": replace(base, valve_db=0.0),
        "near neighbours": replace(base, neighbour_db=-3.0, neighbour_spread_db=1.0),
        "pump": replace(base, pump_lobes=3, pump_db=-3.0),
        "pulse trimmed by 4 percent": replace(base, trim=0.04, open_time_ms=3.2),
        "weak ticks": replace(base, weak_share=0.03, weak_db=8.0, tick_db=20.0),
        "weak, soft ticks": replace(base, weak_share=0.04, weak_db=8.0, weak_contact_ms=0.12, tick_db=16.0),
        "mode change": replace(base, mode_change_s=4.0),
        "fuel cut": replace(base, fuel_cut_s=((20.0, 23.0),)),
        "engine silent": replace(base, silence_s=((20.0, 22.0),)),
    }
    still = replace(base, wander=0.005)
    scatter_scenes = {f"scatter {us:g} us": replace(still, scatter_us=us) for us in (0.0, 50.0, 100.0, 200.0, 500.0)}
    scatter_scenes |= {
        f"uneven 0.3 percent, {us:g} us": replace(still, scatter_us=us, unevenness=0.003) for us in (50.0, 200.0)
    }
    chain_scenes = {
        "stethoscope": replace(base, chain=Chain.STETHOSCOPE),
        "contact disc": replace(base, chain=Chain.CONTACT),
        "phone": replace(base, chain=Chain.PHONE),
        "gain and bumps": replace(base, agc_db=15.0, bumps=6),
        "noise suppression": replace(base, suppression_db=40.0),
        "clipping": replace(base, clip=0.2, tick_db=20.0),
        "dropped buffers": replace(base, drops=12),
        "repeated buffers": replace(base, repeats=10),
        "speech": replace(base, bursts_of_speech=5),
        "spikes": replace(base, spikes=10),
        "probe slipped": replace(base, slips_s=((15.0, 18.0),)),
        "44.1 kHz": replace(base, sr=44_100),
        "22.05 kHz": replace(base, sr=22_050),
        "16 kHz": replace(base, sr=16_000),
        "8 kHz": replace(base, sr=8_000, tick_db=20.0),
    }
    scenes |= {name: (scene, None) for name, scene in (engine_scenes | scatter_scenes | chain_scenes).items()}
    for codec in ("m4a", "opus", "mp3", "ogg"):
        scenes[f"codec {codec}"] = (base, codec)
    return scenes


def random_engine(seed: int, kind: str) -> Scene:
    """A random engine of a kind: ``sound``, ``skipping`` or ``dead``."""
    rng = np.random.default_rng([seed, {"sound": 1, "skipping": 2, "dead": 3}[kind]])
    engine = ENGINES[int(rng.choice([3, 4, 5, 6, 8]))]
    own = int(rng.integers(1, (engine.cylinders or 1) + 1))
    scene = Scene(
        seconds=60.0,
        seed=int(rng.integers(1 << 31)),
        engine=replace(engine, cylinder=own),
        rpm=float(rng.uniform(600, 1100)),
        wander=float(rng.uniform(0.003, 0.025)),
        unevenness=float(rng.choice([0.0, 0.002, 0.005])),
        tick_db=float(rng.uniform(10, 25)),
        open_time_ms=float(rng.uniform(1.8, 5.0)),
        scatter_us=float(rng.uniform(10, 100)),
        level_spread_db=float(rng.uniform(0.3, 1.5)),
        neighbour_db=float(rng.uniform(-14, -5)),
        neighbour_spread_db=float(rng.uniform(1, 4)),
        valves=int(rng.integers(1, 4)),
        valve_db=float(rng.uniform(-14, -2)),
        rumble_db=float(rng.uniform(5, 20)),
        hiss_db=float(rng.uniform(-12, -2)),
        chain=Chain(rng.choice(list(Chain))),
        bumps=int(rng.choice([0, 0, 2])),
        drops=int(rng.choice([0, 0, 2])),
    )
    if kind == "dead":
        return replace(scene, skipping=Skipping.DEAD)
    if kind == "skipping":
        pattern = Skipping(rng.choice([Skipping.SCATTERED, Skipping.BURSTS]))
        return replace(
            scene,
            skipping=pattern,
            skip_rate=float(rng.uniform(0.02, 0.3)),
            burst=int(rng.integers(2, 9)),
            sag=float(rng.choice([0.0, 0.02])),
        )
    return scene


def not_an_engine(seed: int, kind: str) -> Recording:
    """Noise, speech-like or music-like sound, 40 s long."""
    rng = np.random.default_rng([seed, {"noise": 1, "speech": 2, "music": 3}[kind]])
    sr = 44_100
    made: dict[str, Callable[[], np.ndarray]] = {
        "noise": lambda: rng.standard_normal(40 * sr),
        "speech": lambda: speech_like(40.0, sr, rng) + 0.01 * rng.standard_normal(40 * sr),
        "music": lambda: _music(sr, rng),
    }
    y = made[kind]()
    return Recording(y=(0.5 * y / np.abs(y).max()).astype(np.float32), sr=sr, file=f"{kind} {seed}")


def _music(sr: int, rng: np.random.Generator) -> np.ndarray:
    """Plucked notes on a beat, with a shaker: regular, but no engine."""
    beat = float(rng.uniform(0.11, 0.18))
    y = 0.003 * rng.standard_normal(40 * sr)
    n = round(0.4 * sr)
    t = np.arange(n) / sr
    for k in range(int(39 / beat)):
        first = round(k * beat * sr)
        if rng.random() < 0.7:
            pitch = 220 * 2 ** (rng.choice([0, 2, 4, 7, 9, 12]) / 12)
            y[first : first + n] += np.exp(-t / 0.15) * np.sin(2 * np.pi * pitch * t)
        if rng.random() < 0.8:
            y[first : first + n // 8] += 0.2 * np.exp(-t[: n // 8] / 0.01) * rng.standard_normal(n // 8)
    return y
