"""A pulse that a control unit trims: the close click wanders against the open, and is followed."""

import numpy as np
import pytest

from injsound.engine import Engine
from injsound.errors import ParameterError
from injsound.reading import read
from injsound.simulate import Scene, simulate
from injsound.simulate.clicks import add_strikes, injector_clicks
from injsound.sound.filters import whitened
from injsound.sound.opening.trimmed import find_trim
from injsound.sound.own.candidates import measure_candidate
from injsound.sound.waveforms import cut, moved
from injsound.values import CycleClock

_SR, _CYCLE_S, _GAP_S, _SWING_S = 48_000, 0.16, 0.0032, 1.7
_ENGINE = Engine(cylinders=6, cylinder=2, firing_order=(1, 5, 3, 6, 2, 4))


def _doublets(seed, *, trim=0.0, loose_s=15e-6):
    """Samples, their whitened form, when the opens strike, and each gap [s]."""
    rng = np.random.default_rng(seed)
    at = 0.1 + _CYCLE_S * np.arange(250)
    gap = _GAP_S * (1 + trim * np.sin(2 * np.pi * at / _SWING_S)) + loose_s * rng.standard_normal(len(at))
    y = rng.standard_normal(round((at[-1] + 0.3) * _SR)) / 0.97  # rms 1 above 1.5 kHz of 24
    for click, strikes in zip(injector_clicks(rng), (at, at + gap), strict=True):
        level = 10 ** (18.0 / 20) / click.peak(_SR)
        add_strikes(y, _SR, click, strikes, np.full(len(at), level), 0.15, rng)
    y = y.astype(np.float32)
    return y, whitened(y, _SR), at, gap


def _trim(seed, **how):
    _, white, at, gap = _doublets(seed, **how)
    rows = cut(white, _SR, 0.0, at, 0.005, 0.010)
    return find_trim(rows, _SR, zero=round(0.005 * _SR), gap_s=_GAP_S), gap


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("trim", [0.03, 0.05])
def test_a_wandering_gap_is_followed_event_by_event(seed, trim):
    found, gap = _trim(seed, trim=trim)
    # Constructed truth; a click 18 dB over the noise is placed to 20 us and better.
    np.testing.assert_allclose(np.median(np.abs(found.late_s - (gap - np.median(gap)))), 0.0, atol=20e-6)
    assert found.follows


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("loose_s", [15e-6, 150e-6])
def test_a_gap_that_holds_or_jitters_is_left_alone(seed, loose_s):
    # 0.15 ms from one cycle to the next is two valves, not one trimmed pulse.
    found, _ = _trim(seed, loose_s=loose_s)
    assert not found.late_s.any()
    rows = np.ones((250, 10))
    assert found.straighten(rows, _SR) is rows


def _candidate(seed, **how):
    y, white, at, _ = _doublets(seed, **how)
    clock = CycleClock(times_s=at - 0.03, cycles=np.arange(len(at), dtype=float))
    return measure_candidate(y, white, _SR, 0.0, clock, phase=0.03 / _CYCLE_S)


@pytest.mark.parametrize("seed", range(5))
def test_a_trimmed_tick_is_one_tick_and_two_loose_clicks_are_two(seed):
    trimmed = _candidate(seed, trim=0.05)
    assert abs(trimmed.gap_s) == pytest.approx(_GAP_S, abs=0.0003)
    assert np.isnan(_candidate(seed, loose_s=250e-6).gap_s)


@pytest.mark.parametrize("seed", [71, 72])
@pytest.mark.parametrize("trim", [0.03, 0.05])
def test_the_open_time_follows_the_trim(seed, trim):
    scene = Scene(
        seed=seed, rpm=720.0, tick_db=18.0, neighbour_db=-14.0, engine=_ENGINE, open_time_ms=3.2, trim=trim, trim_s=1.7
    )
    recording, truth = simulate(scene)
    reading = read([recording], engine=_ENGINE, rpm=720.0)
    assert reading.open_time.median_ms == pytest.approx(3.2, abs=0.1)
    # Spread of a swing of a sine's height a: 1.4826 times its median distance, a / sqrt(2).
    assert reading.open_time.spread_ms == pytest.approx(1.4826 * 3.2 * trim / np.sqrt(2), rel=0.15)
    at = reading.events.time_s
    nearest = np.abs(truth.due_s - at[:, None]).argmin(axis=1)
    off_ms = reading.events.open_time_ms - truth.open_time_ms[nearest]
    assert np.nanmedian(np.abs(off_ms)) < 0.1


def test_rows_are_moved_by_fractions_of_a_sample():
    t = np.arange(200.0)
    rows = np.exp(-0.5 * ((t - np.array([[100.0], [103.25]])) / 4) ** 2)
    np.testing.assert_allclose(moved(rows, np.array([0.0, 3.25]))[1], rows[0], atol=1e-6)


@pytest.mark.parametrize("settings", [{"trim": -0.1}, {"trim": 1.0}, {"trim": 0.1, "trim_s": 0.0}])
def test_an_impossible_trim_is_refused(settings):
    with pytest.raises(ParameterError, match="trim is"):
        Scene(**settings)
