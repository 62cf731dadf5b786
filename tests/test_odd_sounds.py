"""Sounds and settings at the edge of what is taken: a reading comes out of each, none claims what is not there."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from readings import reading
from scipy import ndimage, signal

from injsound import concluding, counting, runs
from injsound.codes import Neighbours, State, Verdict, WarningCode
from injsound.engine import Engine, Injection
from injsound.heard import select
from injsound.reading import read
from injsound.results import Events, Failure
from injsound.runs import run_files
from injsound.simulate import Scene, simulate
from injsound.simulate.clicks import add_strikes, injector_clicks
from injsound.sound.onsets import second_opinion
from injsound.sound.own import ticks
from injsound.sound.own.slots import find_slots
from injsound.values import CycleClock, Recording

FOUR = Engine(cylinders=4, cylinder=2, firing_order=(1, 3, 4, 2))
SETTINGS = {
    "nothing known": Engine(),
    "one cylinder": Engine(cylinders=1, cylinder=1, firing_order=(1,)),
    "batch": Engine(injection=Injection.BATCH),
    "odd fire": Engine(cylinders=2, cylinder=2, firing_order=(1, 2), firing_angles=(0.0, 270.0)),
    "odd batch": Engine(
        cylinders=3, cylinder=1, firing_order=(1, 2, 3), firing_angles=(0.0, 200.0, 500.0), injection=Injection.BATCH
    ),
}


def _noise(seconds, sr, seed=0):
    return (0.1 * np.random.default_rng(seed).standard_normal(round(seconds * sr))).astype(np.float32)


def _told(verdict):
    return verdict in (Verdict.STEADY, Verdict.SKIPPING)


def test_sound_that_ends_below_every_tick_cannot_tell():
    # A muffled engine: 60 dB a half octave down from 1 kHz, and an even floor 80 dB down.
    sr = 48_000
    y = signal.sosfilt(signal.butter(10, 1_000, fs=sr, output="sos"), 3 * _noise(12, sr)) + 1e-4 * _noise(
        12, sr, seed=1
    )
    y = y.astype(np.float32)
    reading = read([Recording(y=y, sr=sr)], engine=FOUR, rpm=700.0)
    assert not _told(reading.verdict)
    assert reading.quality.bandwidth_hz < 1_500
    assert WarningCode.NARROW_BAND in [note.code for note in reading.quality.warnings]


@pytest.mark.parametrize("rpm", [200.0, 230.0, 260.0, None])
@pytest.mark.parametrize("name", SETTINGS)
def test_few_cycles_of_a_short_recording_tell_nothing(name, rpm):
    sr, seconds = 8_000, 5.2
    clicks = _noise(seconds, sr, seed=1) * (1 + 20 * (np.arange(round(seconds * sr)) % 3_200 < 20))
    reading = read([Recording(y=clicks, sr=sr)], engine=SETTINGS[name], rpm=rpm)
    assert not _told(reading.verdict)


@pytest.mark.parametrize("engine", [Engine(), FOUR], ids=["nothing known", "four cylinders"])
@pytest.mark.parametrize("rpm", [7_200.0, 9_500.0])
def test_ticks_that_fill_the_cycle_stand_out_of_nothing(rpm, engine):
    recording, _ = simulate(Scene(seconds=12.0, seed=1, rpm=rpm, engine=FOUR, tick_db=24.0))
    assert not _told(read([recording], engine=engine, rpm=rpm).verdict)


def test_a_fault_of_the_program_on_one_file_leaves_the_others(tmp_path, monkeypatch):
    def fails(_chapters, *, file, **_):
        if "first" in file:
            raise ValueError("in the middle of it")
        return "a reading"

    monkeypatch.setattr(runs, "read", fails)
    for name in ("first.wav", "second.wav"):
        (tmp_path / name).write_bytes(b"x")
    failure, after = run_files([tmp_path / "first.wav", tmp_path / "second.wav"], engine=Engine())
    assert isinstance(failure, Failure)
    assert failure.code == "internal"
    assert "ValueError: in the middle of it" in failure.message
    assert after == "a reading"


def test_the_poorest_chapter_says_how_clear_a_recording_is(twelve, monkeypatch):
    recording, _ = twelve
    half = len(recording.y) // 2
    shares = [0, half + recording.sr]  # the second begins a second before the first ends
    chapters = [
        Recording(y=recording.y[: shares[1]], sr=recording.sr, final=False),
        Recording(y=recording.y[half:], sr=recording.sr, start_s=half / recording.sr),
    ]
    seen = []
    kept = counting.count

    def spying(*args):
        seen.append(kept(*args))
        return seen[-1]

    monkeypatch.setattr("injsound.reading.count", spying)
    reading = read(chapters, engine=Engine(cylinders=6), rpm=750.0)
    separations = [chapter.matches.separation for chapter in seen]
    assert len(separations) == 2
    assert separations[0] != separations[1]
    assert reading.quality.separation == min(separations)


@pytest.mark.parametrize("alternation_us", [0.0, 150.0])
def test_two_places_half_a_cycle_apart_are_no_scatter(alternation_us):
    # In batch mode the two phases need not lie half a cycle apart; the truth is 20 us.
    rng, n, interval_s = np.random.default_rng(0), 500, 0.17
    cycles = 0.1 + np.arange(n) / 2
    swing = 1e-6 * alternation_us * np.where(np.arange(n) % 2, 1.0, -1.0)
    made = Events(
        time_s=interval_s * cycles,
        state=(State.HEARD,) * n,
        skip_probability=np.zeros(n),
        heard_at_s=interval_s * cycles + swing + 20e-6 * rng.standard_normal(n),
        level_db=np.zeros(n),
        open_time_ms=np.full(n, np.nan),
        neighbours=(Neighbours.HEARD,) * n,
    )
    phases = (0.2, 0.35)
    beside = [
        SimpleNamespace(
            separation=9.0,
            heard=np.ones(n, dtype=bool),
            at_s=interval_s * (cycles + phase - 0.1) + 40e-6 * rng.standard_normal(n),
        )
        for phase in phases
    ]
    choice = ticks.Choice(
        found=ticks.Found.OWN,
        own=SimpleNamespace(phase=0.1),
        slots=tuple(SimpleNamespace(phase=phase) for phase in phases),
    )
    timing = counting._timing(made, cycles, beside, choice, 2)
    assert timing.own_scatter_us == pytest.approx(20.0, abs=5.0)


@pytest.mark.parametrize(
    ("fellows", "places"),
    [
        ((0.25, 0.5, 0.75), (0.25,)),
        # Three cylinders: 240 and 480 degrees, within a revolution 240 and 120.
        ((1 / 3, 2 / 3), (1 / 6, 1 / 3)),
        # An odd-fire six: 90, 240, 330, 480 and 570 degrees, within a revolution 90, 240, 330, 120 and 210.
        (tuple(d / 720 for d in (90, 240, 330, 480, 570)), tuple(d / 720 for d in (90, 120, 210, 240, 330))),
    ],
    ids=["four", "three", "odd-fire six"],
)
def test_in_batch_mode_fellows_tick_once_per_revolution(fellows, places):
    own = SimpleNamespace(phase=0.0, gap_s=0.003, scatter_s=1e-4)
    faint = SimpleNamespace(amplitude=0.0, phase=0.9, gap_s=0.003, partner_s=0.003, scatter_s=1e-4)
    slots = find_slots(own, [], lambda *_: faint, 0.17, fellows, 2)
    assert slots.places == pytest.approx(places, abs=1e-6)


def test_ticks_once_per_revolution_to_the_end_are_no_change_of_mode(monkeypatch):
    n = 200
    monkeypatch.setattr(counting, "match_elsewhere", lambda *_: np.full(n, 20.0))
    clock = CycleClock(times_s=np.linspace(0, 40, 400), cycles=np.linspace(0, 233, 400))
    matches = SimpleNamespace(heard_mean=20.0 - 1e-6)
    assert counting._mode_span(np.zeros(1), 1, 0.0, SimpleNamespace(clock=clock), matches, np.arange(n) + 0.1) == ()


@pytest.mark.parametrize("sr", [8_000, 16_000, 48_000])
def test_the_second_opinion_hears_ticks_at_every_rate(sr):
    recording, truth = simulate(Scene(seconds=30.0, seed=3, tick_db=20.0, sr=sr))
    there, away = (second_opinion(recording.y, sr, truth.due_s + off).mean() for off in (0.0, 0.06))
    assert there > 0.4
    assert there > 3 * away


def test_the_second_opinion_keeps_what_an_earlier_chapter_heard(monkeypatch):
    # Due every second; chapters to 6 s and from 4 s on. The later one is deaf in its first half second.
    due = np.arange(10) + 0.2
    made = reading(Verdict.STEADY, cycles=21, skipped=())
    made = replace(made, events=replace(select(made.events, np.arange(21) < 10), time_s=due))
    parts = [Recording(y=np.full(60, deaf_s), sr=10, start_s=start) for start, deaf_s in ((0.0, 0.0), (4.0, 0.5))]
    monkeypatch.setattr(runs, "chapters", lambda *_, **__: parts)
    monkeypatch.setattr(runs, "second_opinion", lambda y, _, due_s: due_s > y[0])
    *_, told = runs.add_second_opinion(made, "two.wav").quality.warnings
    assert told.code is WarningCode.SECOND_OPINION
    assert told.figures == {"agree": 10, "differ": 0, "skipped": 0, "judged": 10}


@pytest.mark.parametrize("rpm", [720.0, 780.0])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_clock_of_four_ticks_a_second_is_no_injector(seed, rpm):
    # Every 0.25 s is every one and a half cycles at 720 1/min: every third event would be "heard".
    rng = np.random.default_rng(seed)
    sr = 48_000
    y = 0.01 * rng.standard_normal(60 * sr)
    at = np.arange(0.3, 59.9, 0.25) + 2e-4 * rng.standard_normal(239)
    for click, ticks_s in zip(injector_clicks(rng), (at[::2], at[1::2]), strict=True):
        add_strikes(y, sr, click, ticks_s, np.full(len(ticks_s), 0.3 / click.peak(sr)), 0.1, rng)
    reading = read([Recording(y=y.astype(np.float32), sr=sr)], engine=FOUR, rpm=rpm)
    assert not _told(reading.verdict)


def test_a_gate_that_shuts_between_sounds_is_read():
    recording, _ = simulate(Scene(seconds=20.0, seed=4, engine=FOUR, tick_db=22.0))
    loud = ndimage.maximum_filter1d(np.abs(recording.y), 480) > 0.3 * np.abs(recording.y).max()
    assert loud.mean() < 0.5
    assert read([replace(recording, y=recording.y * loud)], engine=FOUR, rpm=700.0).firing is not None


@pytest.mark.parametrize(("faint_db", "many", "expected"), [(6.0, 8, True), (2.0, 8, False), (6.0, 2, False)])
def test_faint_ticks_in_batch_injection_may_be_a_partners(faint_db, many, expected):
    level = -24.0 + 0.7 * np.random.default_rng(1).standard_normal(500)
    level[200 : 200 + many] = -24.0 - faint_db
    level[50] = np.nan
    assert concluding._faint_ones(SimpleNamespace(level_db=level)) is expected
