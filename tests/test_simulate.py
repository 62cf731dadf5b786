import json
import os
import signal
import time
from dataclasses import replace

import numpy as np
import pytest
from scipy import signal as filters

from injsound.codes import SpanKind
from injsound.engine import Engine, Injection
from injsound.errors import InjsoundError, ParameterError
from injsound.files import clear_strays, together
from injsound.simulate import Scene, Skipping, simulate, truth_to_json, write
from injsound.simulate.clicks import valve_click, varied

FOUR = Engine(cylinders=4, cylinder=1, firing_order=(1, 3, 4, 2))
SHORT = Scene(seconds=8.0, sr=24_000, seed=3, engine=FOUR)
ALONE = {"valves": 0, "neighbour_db": -200.0, "rumble_db": -200.0, "hiss_db": -200.0}


def test_interval_at_750_rpm_is_160_ms():
    # 120 / 750 s: arithmetic.
    _, truth = simulate(Scene(seconds=20.0, sr=8_000, rpm=750.0, wander=0.0, seed=1))
    np.testing.assert_allclose(np.diff(truth.due_s), 0.160, atol=1e-6)


def test_batch_injection_ticks_every_revolution():
    engine = Engine(cylinders=4, cylinder=1, firing_order=(1, 3, 4, 2), injection=Injection.BATCH)
    _, truth = simulate(Scene(seconds=20.0, sr=8_000, rpm=750.0, wander=0.0, engine=engine))
    np.testing.assert_allclose(np.diff(truth.due_s), 0.080, atol=1e-6)


def test_open_and_close_strike_at_their_times():
    scene = Scene(seconds=8.0, seed=2, engine=FOUR, tick_db=60.0, open_time_ms=2.5, scatter_us=0.0, gap_scatter_us=0.0,
                  level_spread_db=0.0, strike=0.0, **ALONE)  # fmt: skip
    recording, truth = simulate(scene)
    for due, gap in zip(truth.heard_s[5:15], truth.open_time_ms[5:15], strict=True):
        before = recording.y[int((due - 0.001) * recording.sr) : int(due * recording.sr)]
        after = recording.y[int(due * recording.sr) + 1 : int((due + 0.0003) * recording.sr)]
        assert np.abs(after).max() > 20 * np.abs(before).max()
        assert gap == pytest.approx(2.5, abs=1e-9)


def test_tick_over_noise_is_as_asked():
    scene = Scene(seconds=20.0, seed=4, engine=FOUR, tick_db=30.0, level_spread_db=0.0, strike=0.0, **ALONE)
    recording, truth = simulate(scene)
    high = filters.sosfilt(filters.butter(4, 1_500, "high", fs=recording.sr, output="sos"), recording.y)
    quiet = np.concatenate([high[int((t - 0.03) * recording.sr) : int((t - 0.01) * recording.sr)] for t in truth.due_s])
    peaks = [np.abs(high[int(t * recording.sr) : int((t + 0.006) * recording.sr)]).max() for t in truth.heard_s]
    # The filter itself shifts the peak of modes near its edge.
    assert 20 * np.log10(np.median(peaks) / quiet.std()) == pytest.approx(30.0, abs=3.0)


def test_same_seed_same_samples():
    np.testing.assert_array_equal(simulate(SHORT)[0].y, simulate(SHORT)[0].y)


@pytest.mark.parametrize("cylinder", [3, 4, 2])
def test_injectors_of_one_engine_open_by_the_firing_order(cylinder):
    steady = replace(SHORT, rpm=600.0, wander=0.0, scatter_us=0.0, engine_seed=7)
    _, first = simulate(steady)
    _, other = simulate(replace(steady, seed=4, engine=replace(FOUR, cylinder=cylinder)))
    later = (other.due_s[0] - first.due_s[0]) / 0.2  # 600 rpm: a cycle is 0.2 s
    assert later % 1 == pytest.approx(FOUR.firing_order.index(cylinder) / 4, abs=1e-6)


def test_a_recording_begins_anywhere_in_the_cycle():
    # 600 rpm: a cycle is 0.2 s; a quarter of it later the same events come 0.05 s earlier.
    steady = replace(SHORT, rpm=600.0, wander=0.0, scatter_us=0.0, engine_seed=7)
    _, first = simulate(steady)
    _, later = simulate(replace(steady, begins_at=0.25))
    assert (first.due_s[0] - later.due_s[0]) / 0.2 % 1 == pytest.approx(0.25, abs=1e-6)


def test_uneven_engines_tick_at_their_angles():
    # A V-twin: 270 of 720 degrees are 0.075 s of 0.2 s.
    twin = Engine(cylinders=2, cylinder=1, firing_order=(1, 2), firing_angles=(0, 270))
    steady = replace(SHORT, rpm=600.0, wander=0.0, scatter_us=0.0, engine_seed=7, engine=twin)
    _, first = simulate(steady)
    _, second = simulate(replace(steady, engine=replace(twin, cylinder=2)))
    assert (second.due_s[0] - first.due_s[0]) % 0.2 == pytest.approx(0.075, abs=1e-6)


def test_valves_alike_ring_alike():
    rng = np.random.default_rng(0)
    kind, own = valve_click(rng), valve_click(rng)
    np.testing.assert_allclose(varied(kind, own, 0.0).frequency_hz, kind.frequency_hz)
    np.testing.assert_array_equal(varied(kind, own, 1.0).weight, own.weight)
    # Halfway in ratio: the geometric mean.
    np.testing.assert_allclose(varied(kind, own, 0.5).damping, np.sqrt(kind.damping * own.damping))


def test_a_dead_fellow_is_not_heard():
    alone = replace(SHORT, valves=0, rumble_db=-200.0, hiss_db=-200.0, skipping=Skipping.DEAD, tick_db=60.0,
                    neighbour_db=0.0, neighbour_spread_db=0.0)  # fmt: skip
    (all_tick, _), (none, _) = simulate(alone), simulate(replace(alone, dead=(2, 3, 4)))
    assert np.abs(all_tick.y).max() / all_tick.y.std() > 2 * np.abs(none.y).max() / none.y.std()


def test_one_engine_sounds_alike_in_all_its_recordings():
    alone = replace(SHORT, rpm=600.0, wander=0.0, tick_db=50.0, skipping=Skipping.DEAD, neighbour_db=-200.0,
                    rumble_db=-200.0, hiss_db=-200.0)  # fmt: skip

    def loudness(seed, engine_seed):
        y = np.abs(simulate(replace(alone, seed=seed, engine_seed=engine_seed))[0].y)
        return y[: 40 * 4_800].reshape(40, 480, 10).mean(axis=(0, 2))  # 40 cycles of 0.2 s at 24 kHz

    valves = loudness(1, 7)
    assert np.corrcoef(valves, loudness(2, 7))[0, 1] > 0.9
    assert np.corrcoef(valves, loudness(2, 8))[0, 1] < 0.5


def test_skips_take_nothing_else_away():
    skipping = replace(SHORT, skipping=Skipping.LISTED, skip_events=(10, 11), peak=0.5)
    (with_all, _), (without, truth) = simulate(SHORT), simulate(skipping)
    scale = np.abs(with_all.y).max() / np.abs(without.y).max()
    different = np.flatnonzero(np.abs(with_all.y - scale * without.y) > 1e-4 * np.abs(with_all.y).max()) / 24_000
    first, last = truth.due_s[truth.skipped].min(), truth.due_s[truth.skipped].max()
    assert truth.skipped.sum() == 2
    assert different.min() >= first - 0.001
    assert different.max() <= last + 0.035


@pytest.mark.parametrize(
    ("settings", "kind"),
    [
        ({"bumps": 3}, SpanKind.BUMP),
        ({"drops": 3}, SpanKind.SILENCE),
        ({"repeats": 3}, SpanKind.REPEATED),
        ({"spikes": 3}, SpanKind.SPIKE),
        ({"bursts_of_speech": 2}, SpanKind.LOUD),
    ],
)
def test_damage_is_in_the_truth(settings, kind):
    scene = replace(SHORT, seconds=14.0, **settings)
    _, truth = simulate(scene)
    assert sum(span.kind is kind for span in truth.spans) == next(iter(settings.values()))


def test_fuel_cut_leaves_no_event_due():
    _, truth = simulate(replace(SHORT, fuel_cut_s=((3.0, 5.0),)))
    assert not ((truth.due_s >= 3.0) & (truth.due_s < 5.0)).any()


def test_written_truth_matches(tmp_path):
    recording, truth = simulate(SHORT)
    write(tmp_path / "x.wav", recording, truth)
    stored = json.loads((tmp_path / "x.truth.json").read_text())
    assert stored == json.loads(json.dumps(truth_to_json(truth)))
    assert stored["simulated"] is True
    assert len(stored["events"]) == len(truth.due_s)


@pytest.mark.skipif(os.name != "posix", reason="links and modes as POSIX has them")
def test_a_practice_recording_is_written_as_every_other_file(tmp_path):
    made, there = simulate(SHORT), tmp_path / "there"
    there.mkdir()
    (there / "kept.wav").write_bytes(b"old")
    (there / "kept.wav").chmod(0o640)
    (tmp_path / "x.wav").symlink_to(there / "kept.wav")
    write(tmp_path / "x.wav", *made)
    assert (tmp_path / "x.wav").is_symlink()
    assert (there / "kept.wav").stat().st_mode & 0o777 == 0o640
    assert (there / "kept.wav").stat().st_size > 8 * 24_000
    assert sorted(path.name for path in tmp_path.iterdir()) == ["there", "x.truth.json", "x.wav"]


@pytest.mark.skipif(not hasattr(os, "fork"), reason="kills as POSIX has them")
def test_what_a_killed_simulation_leaves_is_a_stray_like_others(tmp_path):
    if (child := os.fork()) == 0:
        with together(tmp_path / "x.wav") as (fresh,):
            fresh.write_bytes(b"half")
            os.kill(os.getpid(), signal.SIGKILL)
    os.waitpid(child, 0)
    (stray,) = tmp_path.iterdir()
    clear_strays(tmp_path)
    assert stray.exists()
    os.utime(stray, (time.time() - 7_200,) * 2)
    clear_strays(tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_unknown_container_is_refused(tmp_path):
    recording, truth = simulate(SHORT)
    with pytest.raises(InjsoundError, match="expected a sound format"):
        write(tmp_path / "x.unknown", recording, truth)
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize(
    ("setting", "told"),
    [
        ({"seconds": 0.0}, "expected more than 0 s"),
        ({"seed": -1}, "seed is -1; expected 0 or more"),
        ({"engine_seed": -2}, "seed is -2; expected 0 or more"),
        ({"open_time_ms": 0.0}, "the open time more than 0 ms"),
        ({"open_time_ms": -5.0}, "the open time more than 0 ms"),
    ],
)
def test_impossible_scene_is_refused(setting, told):
    with pytest.raises(ParameterError, match=told):
        Scene(**setting)


@pytest.mark.parametrize("seed", range(6))
def test_bodies_too_high_for_the_rate_are_silent(seed):
    # At 8 kHz a mode over 3.84 kHz is not recorded; a valve with no other is simply not there.
    recording, _ = simulate(Scene(seconds=5.0, sr=8_000, seed=seed, valves=3, pump_lobes=2))
    assert np.isfinite(recording.y).all()
