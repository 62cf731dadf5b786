import numpy as np
import pytest

from injsound.sound.clock import apart, cycle_at, nearest_frames, passing_times, time_at, wrapped
from injsound.values import CycleClock


def test_clock_goes_both_ways():
    clock = CycleClock(times_s=np.array([1.0, 2.0, 4.0]), cycles=np.array([0.0, 10.0, 20.0]))
    times = np.array([0.5, 1.5, 3.0, 5.0])
    # By hand: 10 cycles/s until 2 s, then 5; outside, the speed over all knots goes on, 20 cycles in 3 s.
    np.testing.assert_allclose(cycle_at(clock, times), [-10 / 3, 5.0, 15.0, 20 + 20 / 3])
    np.testing.assert_allclose(time_at(clock, cycle_at(clock, times)), times)


def test_frames_are_the_nearest_and_end_with_the_sound():
    # Hop 0.5 ms from 1 s on, six frames: 1.0007 s is nearer to the second (by 0.2 ms) than to the third.
    frames = nearest_frames(np.array([0.2, 1.0007, 1.0008, 1.0026, 3.0]), 1.0, 0.0005, 6)
    np.testing.assert_array_equal(frames, [0, 1, 2, 5, 5])


def test_passing_times_are_where_the_cycle_reaches_a_phase():
    # Ten cycles a second from 1 s on; a quarter is passed 25 ms into each of the five.
    clock = CycleClock(times_s=np.array([1.0, 1.5]), cycles=np.array([0.0, 5.0]))
    np.testing.assert_allclose(passing_times(clock, 0.25), 1.025 + 0.1 * np.arange(5))


def test_the_shorter_way_round():
    # From 0.9 to 0.1 it is 0.2 on, from 0.1 to 0.9 0.2 back.
    assert wrapped(0.1 - 0.9) == pytest.approx(0.2)
    np.testing.assert_allclose(wrapped(np.array([0.8, 0.3, -1.25])), [-0.2, 0.3, -0.25])
    # Half round: from 0.45 to 0.05 it is 0.1 on, over the end.
    assert wrapped(0.05 - 0.45, 0.5) == pytest.approx(0.1)
    assert apart(0.45, 0.05, 0.5) == pytest.approx(0.1)
    np.testing.assert_allclose(apart(np.array([0.1, 0.5, 0.9]), 0.95), [0.15, 0.45, 0.05])
