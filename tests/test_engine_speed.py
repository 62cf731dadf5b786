"""Which cycle the engine turns by: a wrongly typed speed is told, a rightly typed one is believed."""

from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest

from injsound.engine import Engine
from injsound.simulate import Scene, Skipping, simulate
from injsound.sound.clock import cycle_at
from injsound.sound.onsets import onset_strength
from injsound.sound.turning.engine_speed import follow_engine
from injsound.sound.turning.orders import measure_orders, repeats_after, repeats_later

FOUR = Engine(cylinders=4, cylinder=2, firing_order=(1, 3, 4, 2))
BASE = Scene(seed=61, seconds=40.0, rpm=760.0, tick_db=16.0, engine=FOUR)
_BINS = 512


def _strikes(every, *, cycles=60, strong=1, odd=0.0):
    """A strike per so many bins of the clock, each so many-th strong, in noise; `odd` more for every second one."""
    rng = np.random.default_rng(5)
    turned = 0.2 * rng.random((cycles * _BINS, 3))
    at = np.arange(0.0, len(turned), every).astype(int)
    turned[at] += 0.5
    turned[at[::strong]] += 1.0
    turned[at[::2]] += odd
    return (turned - turned.mean(axis=0)).astype(np.float32)


@pytest.mark.parametrize(
    ("every", "strong", "repeat"),
    [
        (_BINS / 4, 4, Fraction(1)),  # four strikes per cycle of the clock, the first of them strong
        (_BINS * 3 / 16, 4, Fraction(3, 4)),  # the same engine by a clock that counts three quarters of each cycle
        (_BINS / 3, 4, Fraction(4, 3)),  # and by one that counts four thirds
        (_BINS / 2, 4, Fraction(2)),
        (_BINS / 8, 4, Fraction(1, 2)),
    ],
)
def test_lines_say_after_how_many_cycles_of_the_clock_the_engine_repeats(every, strong, repeat):
    assert repeats_after(measure_orders(_strikes(every, strong=strong), _BINS, 0.16), cylinders=4) == repeat


@pytest.mark.parametrize("missing", [4, 5, 6, 7])
def test_every_nth_tick_missing_makes_no_longer_cycle(missing):
    # Lines at each n-th of an order: 2, 5/3 or 7/4 cycles have some of them, and were taken for the engine's.
    turned = _strikes(_BINS / 8, cycles=420, strong=8)
    own = np.arange(0, len(turned), _BINS)
    turned[own[::missing]] -= turned[own[0]] - turned.min()
    orders = measure_orders(turned - turned.mean(axis=0), _BINS, 0.137)
    assert repeats_after(orders, longest=2.19, cylinders=8) == 1


@pytest.mark.parametrize(("told", "repeat"), [(False, Fraction(2)), (True, Fraction(1))])
def test_one_thing_that_comes_every_second_cycle_halves_no_known_speed(told, repeat):
    # Driven at a quarter of the crank's speed, it made "424 rpm heard" of 848 read by the tachometer.
    turned = _strikes(_BINS / 4, strong=4, cycles=120)
    turned[77 :: 2 * _BINS] += 0.5
    assert repeats_after(measure_orders(turned, _BINS, 0.14), cylinders=4, told=told) == repeat
    # Where the speed is wrong by two, every strike that was one of a kind comes every second time.
    twice = measure_orders(_strikes(_BINS / 2, strong=4), _BINS, 0.07)
    assert repeats_after(twice, cylinders=4, told=told) == 2


def test_all_that_ticks_together_twice_makes_no_shorter_cycle():
    # Batch injection of an odd number of cylinders: the injectors' lines lie between the firing's.
    together = 4 * _strikes(_BINS / 2, cycles=420) + _strikes(_BINS / 3, cycles=420, strong=3)
    orders = measure_orders(together, _BINS, 0.19)
    assert repeats_after(orders, longest=1.55, cylinders=3, per_cycle=2) == 1


def test_noise_says_nothing_about_the_cycle():
    noise = np.random.default_rng(2).standard_normal((60 * _BINS, 3)).astype(np.float32)
    assert repeats_after(measure_orders(noise, _BINS, 0.16), cylinders=4) is None


def test_a_clock_that_counts_thirds_is_told_from_a_rev():
    # Six strikes in an engine's cycle, one of them strong; two of them in a cycle of the clock.
    thirds = measure_orders(_strikes(_BINS / 2, cycles=180, strong=6), _BINS, 0.057)
    assert repeats_later(thirds, 3)
    # The same engine at three times the speed has all six in it.
    rev = measure_orders(_strikes(_BINS / 6, cycles=180, strong=6), _BINS, 0.057)
    assert not repeats_later(rev, 3)
    noise = np.random.default_rng(3).standard_normal((180 * _BINS, 3)).astype(np.float32)
    assert not repeats_later(measure_orders(noise, _BINS, 0.057), 3)


def _followed(scene, *, factor=1.0, cylinders=4, typed=True):
    recording, truth = simulate(scene)
    strength = onset_strength(recording, bandwidth_hz=scene.sr / 2)
    interval = 120 / (factor * scene.rpm) if typed else None
    return follow_engine(strength, interval_s=interval, cylinders=cylinders), truth


def _cycles_per_tick(followed, truth):
    counted = np.diff(cycle_at(followed.lock.clock, truth.due_s))
    return counted[np.isfinite(counted)]


@pytest.mark.parametrize("factor", [0.5, 0.75, 0.82, 1.22, 4 / 3, 2.0])
def test_a_wrong_speed_is_contradicted_by_the_right_one(factor):
    followed, _ = _followed(BASE, factor=factor)
    assert 120 / followed.suggested_s == pytest.approx(760.0, rel=0.01)


@pytest.mark.parametrize(
    "settings",
    [
        {},
        {"skipping": Skipping.EVERY_NTH, "burst": 2},
        {"skipping": Skipping.EVERY_NTH, "burst": 3},
        {"skipping": Skipping.DEAD},
        {"rpm_profile": ((0.0, 1_100.0), (40.0, 800.0)), "rpm": 800.0},
        {"rpm_profile": ((0.0, 760.0), (12.0, 760.0), (15.0, 2_500.0), (17.0, 2_500.0), (21.0, 760.0), (60.0, 760.0))},
    ],
    ids=["sound", "every second", "every third", "dead", "warming up", "rev"],
)
@pytest.mark.parametrize("factor", [0.92, 1.0, 1.08])
def test_a_needle_read_on_the_move_is_not_contradicted(settings, factor):
    # Warming up falls by 27 % while it is recorded: the needle was right at some moment of it.
    followed, truth = _followed(replace(BASE, **settings), factor=factor)
    assert followed.settled
    assert followed.suggested_s is None
    assert np.abs(_cycles_per_tick(followed, truth) - 1).max() < 0.05


_FALLING = replace(BASE, seconds=60.0, rpm_profile=((0.0, 1_000.0), (60.0, 750.0)))


@pytest.mark.parametrize("typed", [750.0, 690.0, 1_000.0, 1_100.0, None])
def test_a_clock_right_in_one_part_only_is_followed_anew(typed):
    # Typed as at the end of the warm-up, as at its beginning, each also a tenth off, and not at all.
    followed, truth = _followed(replace(_FALLING, rpm=typed or 870.0), typed=typed is not None)
    assert followed.suggested_s is None
    assert np.abs(_cycles_per_tick(followed, truth) - 1).max() < 0.05
    assert not followed.lock.unheard.any()


def test_a_stretch_the_clock_could_not_follow_is_unheard():
    # 20 s of noise in place of the engine: the clock goes on, what it counts there is a guess.
    recording, _ = simulate(replace(BASE, seconds=60.0))
    y = recording.y.copy()
    at = slice(20 * recording.sr, 40 * recording.sr)
    y[at] = y.std() * np.random.default_rng(0).standard_normal(20 * recording.sr)
    strength = onset_strength(replace(recording, y=y), bandwidth_hz=24_000.0)
    lock = follow_engine(strength, interval_s=120 / 760, cylinders=4).lock
    cycles = cycle_at(lock.clock, np.array([1.0, 19.0, 21.0, 39.0, 41.0, 59.0])) - np.ceil(lock.clock.cycles[0])
    before, guessed, after = (lock.unheard[int(a) : int(b)] for a, b in cycles.reshape(3, 2))
    assert guessed.all()
    assert before.mean() < 0.2
    assert after.mean() < 0.2


@pytest.mark.parametrize(("rpm", "cylinders"), [(620.0, 3), (760.0, 4), (700.0, 6), (900.0, 8)])
def test_the_cycle_is_found_without_a_tachometer(rpm, cylinders):
    orders = {3: (1, 2, 3), 4: (1, 3, 4, 2), 6: (1, 5, 3, 6, 2, 4), 8: (1, 8, 4, 3, 6, 5, 7, 2)}
    engine = Engine(cylinders=cylinders, cylinder=2, firing_order=orders[cylinders])
    followed, truth = _followed(replace(BASE, rpm=rpm, engine=engine), cylinders=cylinders, typed=False)
    assert np.abs(_cycles_per_tick(followed, truth) - 1).max() < 0.05


def test_noise_contradicts_no_speed():
    recording, _ = simulate(BASE)
    noise = 0.1 * np.random.default_rng(1).standard_normal(len(recording.y)).astype(np.float32)
    strength = onset_strength(replace(recording, y=noise), bandwidth_hz=24_000.0)
    assert follow_engine(strength, interval_s=120 / 760, cylinders=4).suggested_s is None
