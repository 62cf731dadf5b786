"""Sounds that nobody on this project made. Known facts and sources stand in the README of their folder."""

import numpy as np
import pytest
import soundfile
from scipy import signal

from injsound.codes import State, Verdict
from injsound.engine import Engine
from injsound.reading import read
from injsound.simulate import speech_like
from injsound.sound import onsets
from injsound.sound.clock import time_at
from injsound.sound.filters import whitened
from injsound.sound.turning import cycle
from injsound.sound.waveforms import align_clicks, cut
from injsound.values import Recording


def _load(folder, name):
    y, sr = soundfile.read(folder / name, dtype="float32")
    return Recording(y=y if y.ndim == 1 else y[:, 0], sr=sr, file=name)


def _locked(recording, interval_s):
    return cycle.lock_cycle(onsets.onset_strength(recording), interval_s=interval_s)


def test_engine_at_900_rpm_is_locked_and_no_tick_is_claimed(real_audio):
    # FlightGear c172p idle, 900 rpm by its 15/30/60/90 Hz comb; it has a carburettor.
    recording = _load(real_audio, "engine_idle_900rpm.flac")
    reading = read([recording], engine=Engine(cylinders=4), rpm=900.0)
    assert reading.firing.rpm == pytest.approx(900.0, rel=0.0095)
    assert reading.verdict in (Verdict.NO_TICK, Verdict.CANNOT_TELL)


def test_engine_interval_is_the_combs(real_audio):
    recording = _load(real_audio, "engine_idle_900rpm.flac")
    lock = _locked(recording, 120 / 900)
    length = np.diff(time_at(lock.clock, np.arange(np.ceil(lock.clock.cycles[0]), lock.clock.cycles[-1])))
    # The firing line near 30 Hz, two firings per revolution of four cylinders, over the whole take.
    n = len(recording.y)
    power = np.abs(np.fft.rfft(recording.y * np.hanning(n), 8 * n))
    f = np.fft.rfftfreq(8 * n, 1 / recording.sr)
    near = (f > 29) & (f < 31)
    line = f[near][power[near].argmax()]
    assert 4 / line == pytest.approx(length.mean(), rel=0.005)


@pytest.mark.parametrize("name", ["valve_quiet_1092ms.flac", "valve_factory_noise_1092ms.flac"])
def test_solenoid_valve_every_1092_ms(real_audio, name):
    # MIMII (Purohit and others, 2019): nine strong clicks 1092.4 ms apart.
    recording = _load(real_audio, name)
    white = whitened(recording.y, recording.sr)
    power = signal.fftconvolve(white**2, np.ones(48) / 48, mode="same")
    first = int(power[: recording.sr].argmax()) / recording.sr
    due = first + 1.0924 * np.arange(9)
    due = due[due < len(recording.y) / recording.sr - 0.05]
    clicks = align_clicks(cut(white, recording.sr, 0.0, due, 0.012, 0.016), recording.sr, reach_s=0.008)
    times = due + clicks.place / recording.sr
    assert len(due) >= 8
    assert np.diff(times).mean() == pytest.approx(1.0924, abs=0.002)
    assert clicks.value.min() > 2 * np.median(np.abs(white)) * 5


def test_clock_ticks_375_ms_apart(real_audio):
    # SuperTuxKart clock.ogg: 18 ticks, mean 375.4 ms; an event train with a given interval (160 rpm sequential twice).
    recording = _load(real_audio, "clock_375ms.flac")
    lock = _locked(recording, 0.3754)
    length = np.diff(time_at(lock.clock, np.arange(np.ceil(lock.clock.cycles[0]), lock.clock.cycles[-1])))
    assert length.mean() == pytest.approx(0.3754, rel=0.01)


def test_alignment_beats_first_threshold_crossing(real_audio):
    recording = _load(real_audio, "clock_375ms.flac")
    lock = _locked(recording, 0.3754)
    white = whitened(recording.y, recording.sr)
    cycles = np.arange(np.ceil(lock.clock.cycles[0]), np.floor(lock.clock.cycles[-1]))
    level = signal.fftconvolve(white**2, np.ones(64) / 64, mode="same")
    rough = time_at(lock.clock, cycles)
    at = np.array(
        [t + np.argmax(level[int(t * recording.sr) : int((t + 0.37) * recording.sr)]) / recording.sr for t in rough]
    )
    clicks = align_clicks(cut(white, recording.sr, 0.0, at, 0.012, 0.014), recording.sr, reach_s=0.008)
    aligned = at + (clicks.place - round(0.008 * recording.sr)) / recording.sr
    crossing = []
    for t in at:
        part = np.abs(white[int((t - 0.012) * recording.sr) : int((t + 0.014) * recording.sr)])
        crossing.append(t - 0.012 + np.argmax(part > 0.3 * part.max()) / recording.sr)
    spread = [np.median(np.abs(np.diff(x) - np.median(np.diff(x)))) for x in (aligned, np.array(crossing))]
    assert spread[0] <= spread[1]


@pytest.mark.parametrize("click", [0, 3, 7])
def test_real_valve_clicks_placed_on_the_real_engine_are_counted(real_audio, click):
    recording, due, skipped = _placed(real_audio, click)
    reading = read([recording], engine=Engine(), rpm=900.0)
    times = reading.events.time_s
    nearest = np.abs(times[:, None] - due).argmin(axis=0)
    offset = np.median(times[nearest] - due)
    assert np.abs(times[nearest] - due - offset).max() < 0.004
    called = np.array([reading.events.state[k] is State.SKIPPED for k in nearest])
    np.testing.assert_array_equal(called, skipped)
    assert reading.verdict is Verdict.SKIPPING


def _placed(folder, click):
    """A real click at one phase of the real engine's cycle, 12 dB over its sound above 1.5 kHz, some left out."""
    engine = _load(folder, "engine_idle_900rpm.flac")
    lock = _locked(engine, 120 / 900)
    cycles = np.arange(np.ceil(lock.clock.cycles[0]), np.floor(lock.clock.cycles[-1])) + 0.37
    due = time_at(lock.clock, cycles)
    due = due[(due > 0.05) & (due < len(engine.y) / engine.sr - 0.1)]
    skipped = np.zeros(len(due), dtype=bool)
    skipped[[7, 20, 21, 50, 77]] = True
    y, sr = soundfile.read(folder / f"valve_click_{click:02d}.flac")
    high = signal.butter(4, 1_500, "high", fs=sr, output="sos")
    one = signal.resample_poly(signal.sosfilt(high, y if y.ndim == 1 else y[:, 0]), engine.sr // 100, sr // 100)
    peak = int(np.abs(one).argmax())
    one = one[max(0, peak - int(0.004 * engine.sr)) : peak + int(0.015 * engine.sr)]
    above = signal.sosfilt(signal.butter(4, 1_500, "high", fs=engine.sr, output="sos"), engine.y)
    one = one / np.abs(one).max() * above.std() * 10 ** (12 / 20)
    mixed = engine.y.astype(float).copy()
    for t in due[~skipped]:
        first = int(t * engine.sr)
        mixed[first : first + len(one)] += one
    return Recording(y=mixed.astype(np.float32), sr=engine.sr), due, skipped


def test_speech_like_sound_is_no_injector():
    rng = np.random.default_rng(3)
    y = speech_like(30.0, 22_050, rng) + 0.01 * rng.standard_normal(30 * 22_050)
    reading = read([Recording(y=(0.3 * y).astype(np.float32), sr=22_050)], engine=Engine(), rpm=700.0)
    assert reading.verdict in (Verdict.NO_TICK, Verdict.CANNOT_TELL)
