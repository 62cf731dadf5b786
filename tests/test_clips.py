"""The report's sounds: the moment lies in the middle of its clip, wherever it lies in the file."""

import io
from dataclasses import replace
from functools import partial

import numpy as np
import pytest
import soundfile
from readings import reading

from injsound.cases.case import Case
from injsound.codes import State
from injsound.show import clips as clips_room
from injsound.show import report
from injsound.show.clips import clips
from injsound.show.report import _longest_sound, _surest_skip
from injsound.show.text import Words
from injsound.sound.decoding.audio import chapters

SR = 8_000
# Chapters of 10 s that share 2 s: 0 to 10, 8 to 18, 16 to 25 s.
SECONDS = 25.0


@pytest.fixture
def short_chapters(monkeypatch):
    monkeypatch.setattr(clips_room, "chapters", partial(chapters, chapter_s=10.0, overlap_s=2.0))


@pytest.fixture
def recording(tmp_path):
    def made(at_s):
        y = 0.001 * np.random.default_rng(0).standard_normal(round(SECONDS * SR))
        y[round(at_s * SR)] = 0.9
        soundfile.write(tmp_path / "a.wav", y, SR)
        return tmp_path / "a.wav"

    return made


@pytest.mark.usefixtures("short_chapters")
@pytest.mark.parametrize("at_s", [1.0, 5.0, 8.0, 8.9, 9.0, 9.01, 9.5, 9.999, 10.0, 16.9, 17.5, 20.0, 24.0])
@pytest.mark.parametrize("slow", [1, 4])
def test_a_moment_is_in_the_middle_of_its_clip(recording, at_s, slow):
    (data,) = clips(recording(at_s), [(at_s, slow)])
    y, sr = soundfile.read(io.BytesIO(data))
    # Two seconds, stretched or not; the coder adds up to a few frames of 24 ms.
    assert len(y) / sr == pytest.approx(2.0, abs=0.1)
    assert np.abs(y).argmax() / sr == pytest.approx(1.0, abs=0.1)


@pytest.mark.usefixtures("short_chapters")
@pytest.mark.parametrize(("at_s", "seconds"), [(0.0, 1.0), (0.5, 1.5), (24.5, 1.5), (25.0, 1.0)])
def test_a_clip_at_the_files_edge_is_shorter(recording, at_s, seconds):
    (data,) = clips(recording(10.0), [(at_s, 1)])
    assert soundfile.info(io.BytesIO(data)).duration == pytest.approx(seconds, abs=0.1)


@pytest.mark.usefixtures("short_chapters")
@pytest.mark.parametrize("at_s", [-5.0, 30.0])
def test_outside_the_file_there_is_none(recording, at_s):
    assert clips(recording(10.0), [(at_s, 1), (5.0, 1)])[0] == b""


def test_the_moments_of_the_report():
    made = reading(skipped=(40, 41, 150))
    assert _surest_skip(made) == pytest.approx(0.04 + 0.16 * 40)
    # Heard from the 42nd to the 149th: in the middle is the 95th.
    assert _longest_sound(made) == pytest.approx(0.04 + 0.16 * 95)


def test_where_no_tick_is_heard_the_report_has_no_stretch_of_them(tmp_path, monkeypatch):
    made = reading()
    silent = replace(made, events=replace(made.events, state=(State.SKIPPED,) * len(made.events.state)))
    monkeypatch.setattr(report, "clips", lambda _, places, **__: [b"sound"] * len(places))
    for one, sounds in ((made, 4), (silent, 2)):
        assert len(report._sounds(Case(folder=tmp_path), [one], Words())) == sounds
