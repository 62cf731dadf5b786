"""Make the practice recordings of this folder again: ``python recordings_demo/make_demo.py``."""

from dataclasses import replace
from pathlib import Path

from injsound.engine import Engine
from injsound.simulate import Chain, Scene, Skipping, simulate, write

RPM = 1_050.0
ENGINE = Engine(cylinders=6, cylinder=2, firing_order=(1, 5, 3, 6, 2, 4))
MORNING = Scene(
    seconds=40.0, sr=24_000, rpm=RPM, wander=0.012, unevenness=0.001, tick_db=23.0, valve_db=-9.0, rumble_db=12.0,
    chain=Chain.CONTACT, engine=ENGINE, seed=20,
)  # fmt: skip
RECORDINGS = {
    "cylinder_2.flac": replace(MORNING, skipping=Skipping.BURSTS, skip_rate=0.06, burst=4, sag=0.015, seed=21),
    "cylinder_4.flac": replace(MORNING, engine=replace(ENGINE, cylinder=4), seed=22),
    "cylinder_2_processed.flac": replace(
        MORNING, skipping=Skipping.BURSTS, skip_rate=0.06, burst=4, suppression_db=45.0, suppression_s=1.5, seed=23
    ),
    "cylinder_5_phone.m4a": replace(MORNING, engine=replace(ENGINE, cylinder=5), sr=48_000, seconds=45.0, seed=24),
}


def main() -> None:
    """Write every recording with its truth beside it."""
    folder = Path(__file__).parent
    for name, scene in RECORDINGS.items():
        recording, truth = simulate(scene)
        write(folder / name, recording, truth, bit_rate=96_000 if name.endswith("m4a") else None)
        print(f"{name}: {int(truth.skipped.sum())} of {len(truth.due_s)} ticks left out")


if __name__ == "__main__":
    main()
