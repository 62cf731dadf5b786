"""What several tests share: simulated recordings, made once, and the folder of real ones."""

import os
import sys
from pathlib import Path

import pytest

from injsound.diagnoses import Reason
from injsound.engine import Engine
from injsound.reading import read
from injsound.results import Reading
from injsound.simulate import Scene, Skipping, Truth, simulate
from injsound.values import Note, Recording

SIX = Engine(cylinders=6, cylinder=2, firing_order=(1, 5, 3, 6, 2, 4))
# The end-to-end design: 60 s at 750 rpm, 12 skips of which two follow each other, 1 % wander.
SKIPPED = (17, 48, 90, 133, 134, 171, 205, 240, 268, 301, 333, 360)


def _checked(kind, name):
    """A maker of notes or reasons that compares the figures given by the package with those that the code lists."""
    made = kind.__init__

    def with_check(self, **given):
        made(self, **given)
        maker = sys._getframe(1).f_globals["__name__"]
        if maker.startswith("injsound.") and maker != "injsound.record":  # which reads what an older version wrote
            code = given[name]
            assert set(given.get("figures", ())) == set(code.figures), (
                f"{maker} tells {code} with {sorted(given.get('figures', ()))}"
            )

    return with_check


@pytest.fixture(autouse=True, scope="session")
def _figures_are_those_listed():
    """Whatever the package concludes in any test, each code carries just the figures that it lists."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Note, "__init__", _checked(Note, "code"))
        patch.setattr(Reason, "__init__", _checked(Reason, "why"))
        yield


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
