"""The lock on the engine's cycle: no cycle lost or won, whatever the speed does and whatever is not heard."""

from dataclasses import replace

import numpy as np
import pytest

from injsound.codes import SpanKind
from injsound.engine import Engine
from injsound.simulate import Scene, Skipping, simulate
from injsound.sound.clock import cycle_at
from injsound.sound.onsets import onset_strength
from injsound.sound.turning.cycle import lock_cycle
from injsound.sound.turning.lengths import estimate_interval
from injsound.values import Span

SIX = Engine(cylinders=6, cylinder=2, firing_order=(1, 5, 3, 6, 2, 4))
BASE = Scene(seed=11, seconds=40.0, rpm=700.0, tick_db=16.0, engine=SIX)


def _locked(scene, without=(), rpm=None):
    recording, truth = simulate(scene)
    strength = onset_strength(recording, bandwidth_hz=scene.sr / 2)
    return lock_cycle(strength, interval_s=120 / (rpm or scene.rpm), without=without), truth


def _count_errors(lock, truth):
    """How far the clock is from one cycle per due event, from event to event [cycles]."""
    counted = cycle_at(lock.clock, truth.due_s)
    return counted - np.arange(len(counted)) - np.median(counted - np.arange(len(counted)))


@pytest.mark.parametrize(
    "settings",
    [
        {"wander": 0.03},
        {"wander": 0.02, "unevenness": 0.005, "sag": 0.04, "skipping": Skipping.SCATTERED, "skip_rate": 0.1},
        {"skipping": Skipping.EVERY_NTH, "burst": 2},
        {"skipping": Skipping.DEAD},
        {"rpm_profile": ((0.0, 700.0), (12.0, 700.0), (15.0, 2_500.0), (17.0, 2_500.0), (21.0, 700.0), (60.0, 700.0))},
        {"rpm_profile": ((0.0, 700.0), (12.0, 700.0), (13.5, 2_000.0), (20.0, 2_000.0), (22.0, 700.0), (60.0, 700.0))},
        {"rpm_profile": ((0.0, 1_100.0), (40.0, 750.0)), "rpm": 1_000.0},
    ],
    ids=["wander", "rough", "every second", "dead", "rev", "fast rev", "warming up"],
)
@pytest.mark.parametrize("seed", [11, 12])
def test_no_cycle_is_lost(settings, seed):
    lock, truth = _locked(replace(BASE, seed=seed, **settings))
    assert np.abs(_count_errors(lock, truth)).max() < 0.05
    assert lock.agreement > 0.8
    assert not lock.unheard.any()


@pytest.mark.parametrize("seed", [3, 4, 5])
def test_the_clock_runs_straight_through_silence(seed):
    silent = ((15.0, 18.0),)
    span = Span(from_s=15.0, to_s=18.0, kind=SpanKind.SLIPPED)
    lock, truth = _locked(replace(BASE, seed=seed, slips_s=silent), without=(span,))
    errors = _count_errors(lock, truth)
    outside = (truth.due_s < 14.9) | (truth.due_s > 18.1)
    assert np.abs(errors[outside]).max() < 0.05


def test_noise_in_place_of_the_engine_is_unheard():
    recording, truth = simulate(BASE)
    y = recording.y.copy()
    at = slice(15 * recording.sr, 19 * recording.sr)
    y[at] = y.std() * np.random.default_rng(0).standard_normal(4 * recording.sr)
    lock = lock_cycle(onset_strength(replace(recording, y=y), bandwidth_hz=24_000.0), interval_s=120 / 700)
    middle = cycle_at(lock.clock, np.array([16.0, 18.0])) - np.ceil(lock.clock.cycles[0])
    assert lock.unheard[int(middle[0]) : int(middle[1])].all()
    assert lock.unheard.mean() < 0.15
    assert len(truth.due_s)


@pytest.mark.parametrize("off", [-0.08, 0.0, 0.08])
def test_a_tachometer_read_eight_percent_off_is_enough(off):
    # A needle is read while it moves: common practice, no source.
    lock, truth = _locked(BASE, rpm=700 * (1 + off))
    assert np.abs(_count_errors(lock, truth)).max() < 0.05


@pytest.mark.parametrize("rpm", [620.0, 750.0, 900.0])
def test_the_interval_is_found_without_a_tachometer(rpm):
    recording, truth = simulate(replace(BASE, rpm=rpm))
    found = estimate_interval(onset_strength(recording, bandwidth_hz=24_000.0))
    ratio = found / np.median(np.diff(truth.due_s))
    assert min(abs(ratio / factor - 1) for factor in (0.5, 1.0, 2.0)) < 0.02


def test_noise_has_no_interval():
    recording, _ = simulate(BASE)
    noise = np.random.default_rng(1).standard_normal(len(recording.y)).astype(np.float32)
    assert estimate_interval(onset_strength(replace(recording, y=0.1 * noise), bandwidth_hz=24_000.0)) is None
