"""What several tests share: simulated recordings, made once, and the folder of real ones."""

import os
from pathlib import Path

import pytest

from injsound.engine import Engine
from injsound.reading import read
from injsound.results import Reading
from injsound.simulate import Scene, Skipping, Truth, simulate
from injsound.values import Recording

SIX = Engine(cylinders=6, cylinder=2, firing_order=(1, 5, 3, 6, 2, 4))
# The end-to-end design: 60 s at 750 rpm, 12 skips of which two follow each other, 1 % wander.
SKIPPED = (17, 48, 90, 133, 134, 171, 205, 240, 268, 301, 333, 360)


@pytest.fixture(scope="session")
def real_audio() -> Path:
    folder = os.environ.get("INJSOUND_REAL_AUDIO")
    if not folder or not Path(folder).is_dir():
        pytest.skip("INJSOUND_REAL_AUDIO names no folder with real recordings")
    return Path(folder)


@pytest.fixture(scope="session")
def twelve() -> tuple[Recording, Truth]:
    return simulate(Scene(seed=41, rpm=750.0, tick_db=18.0, engine=SIX, skipping=Skipping.LISTED, skip_events=SKIPPED))


@pytest.fixture(scope="session")
def twelve_read(twelve: tuple[Recording, Truth]) -> Reading:
    return read([twelve[0]], engine=SIX, rpm=750.0, file="twelve.wav", sha256="0" * 64)


@pytest.fixture(scope="session")
def whole() -> tuple[Recording, Truth]:
    return simulate(Scene(seed=41, rpm=750.0, tick_db=18.0, engine=SIX))


@pytest.fixture(scope="session")
def whole_read(whole: tuple[Recording, Truth]) -> Reading:
    return read([whole[0]], engine=SIX, rpm=750.0, file="whole.wav", sha256="1" * 64)
