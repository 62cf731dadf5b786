"""Make the practice recordings of this folder again: ``python recordings_demo/make_demo.py``.

Every recording has a seed of its own, and all of one engine share its valves and injection angle. ``case.toml`` is
written by hand; what each recording holds stands beside it in ``truth.json``.
"""

import json
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np

from injsound.engine import Engine, cycle_interval
from injsound.simulate import Chain, Scene, Skipping, Truth, simulate, write

# Opus keeps ticks with half the bits of AAC.
BIT_RATES = {".opus": 48_000, ".m4a": 96_000}
# Shorter than a real one should be, so that the demo is quick; enough for the 299 ticks that a bound of 1 % needs.
SECONDS = 32.0

# --- a mobile library's in-line six: the plug of cylinder 2 has a corroded pin -------------------------------------

_LIBRARY = Scene(
    seconds=SECONDS, sr=48_000, rpm=1_250.0, wander=0.012, unevenness=0.001, tick_db=28.0, neighbour_db=-14.0,
    valve_db=-10.0, rumble_db=12.0, chain=Chain.CONTACT,
    engine=Engine(cylinders=6, cylinder=2, firing_order=(1, 5, 3, 6, 2, 4)),
    engine_seed=6,
)  # fmt: skip
_PIN = {"skipping": Skipping.BURSTS, "skip_rate": 0.15, "burst": 3, "sag": 0.015}
# Still and moved in turn, 4 s each.
_STRETCH_S, _STRETCHES = 4.0, 12


def _moved_pin(seed: int) -> tuple[int, ...]:
    """Skips of a connector that is moved: two bursts while moved, one in every third still stretch."""
    rng = np.random.default_rng(seed)
    interval = cycle_interval(_LIBRARY.rpm)
    bursts = [2 if k % 2 else int(k % 6 == 2) for k in range(_STRETCHES)]
    starts = [
        _STRETCH_S * (k + (place + rng.uniform(0.2, 0.6)) / max(count, 1))
        for k, count in enumerate(bursts)
        for place in range(count)
    ]
    return tuple(round(start / interval) + more for start in starts for more in range(int(rng.integers(2, 5))))


_FELLOWS = ((1, 21), (3, 23), (4, 24), (5, 76), (6, 26))


def _library() -> dict[str, Scene]:
    made = {f"cyl{c}_cold.{'m4a' if c == 5 else 'opus'}": _at(_LIBRARY, c, seed) for c, seed in _FELLOWS}
    made["cyl2_cold_first_try.opus"] = replace(
        _at(_LIBRARY, 2, 30), seconds=16.0, **_PIN, suppression_db=45.0, suppression_s=1.5
    )
    made["cyl2_cold.opus"] = replace(_at(_LIBRARY, 2, 31), **_PIN)
    made["cyl2_cold_wiggle.opus"] = replace(
        _at(_LIBRARY, 2, 32), seconds=_STRETCH_S * _STRETCHES, skipping=Skipping.LISTED, skip_events=_moved_pin(32),
        sag=0.015,
    )  # fmt: skip
    made["cyl2_cold_swapped.opus"] = replace(_at(_LIBRARY, 2, 33), **_PIN)
    made["cyl3_cold_swapped.opus"] = _at(_LIBRARY, 3, 34)
    made |= {f"cyl{c}_cold_after.opus": _at(_LIBRARY, c, 40 + c) for c in range(1, 7)}
    return made


# --- an orchard sprayer's three-cylinder: the injector of cylinder 3 sticks ----------------------------------------

_SPRAYER = Scene(
    seconds=26.0, sr=48_000, rpm=1_800.0, wander=0.006, unevenness=0.001, tick_db=28.0, neighbour_db=-14.0,
    valve_db=-10.0, rumble_db=12.0, chain=Chain.CONTACT, engine=Engine(cylinders=3, cylinder=3, firing_order=(1, 3, 2)),
    engine_seed=3, open_time_ms=2.9,
)  # fmt: skip
# A needle that sticks opens late and, now and then, not at all.
_STUCK = {"skipping": Skipping.SCATTERED, "skip_rate": 0.08, "sag": 0.01, "open_time_ms": 3.4, "gap_scatter_us": 40.0}


def _sprayer() -> dict[str, Scene]:
    made = {f"cyl{c}_working_speed.opus": _at(_SPRAYER, c, 50 + c) for c in (1, 2)}
    made["cyl3_working_speed.opus"] = replace(_at(_SPRAYER, 3, 53), **_STUCK)
    made["cyl3_working_speed_swapped.opus"] = _at(_SPRAYER, 3, 54)
    made["cyl2_working_speed_swapped.opus"] = replace(_at(_SPRAYER, 2, 55), **_STUCK)
    made |= {f"cyl{c}_working_speed_after.opus": _at(_SPRAYER, c, 60 + c) for c in (1, 2, 3)}
    return made


def _at(scene: Scene, cylinder: int, seed: int) -> Scene:
    return replace(scene, engine=replace(scene.engine, cylinder=cylinder), seed=seed)


# --- files ----------------------------------------------------------------------------------------------------------


def _row(truth: Truth) -> dict[str, object]:
    """What a reading may be held against."""
    return {
        "rpm": round(truth.rpm, 1),
        "due": len(truth.due_s),
        "skipped": int(truth.skipped.sum()),
        "open_time_ms": truth.scene.open_time_ms,
        "skipped_at_s": [round(float(t), 3) for t in truth.due_s[truth.skipped]],
    }


def main() -> None:
    """Write every recording, and per case the truth of all."""
    for name, scenes in {"library": _library(), "sprayer": _sprayer()}.items():
        folder, rows = Path(__file__).parent / name, {}
        for file, scene in scenes.items():
            recording, truth = simulate(scene)
            with TemporaryDirectory() as there:
                write(Path(there) / file, recording, truth, bit_rate=BIT_RATES[Path(file).suffix])
                (folder / file).write_bytes((Path(there) / file).read_bytes())
            rows[file] = _row(truth)
            print(f"{name}/{file}: {rows[file]['skipped']} of {rows[file]['due']} ticks left out")
        text = json.dumps({"simulated": True, "recordings": rows}, indent=1).replace(",\n    ", ", ")
        (folder / "truth.json").write_text(text + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
