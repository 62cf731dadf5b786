"""Groups of knocks on constructed truth: three mark a change, nothing else does, and handling is no knock."""

from dataclasses import replace

import numpy as np
import pytest

from injsound.codes import SpanKind
from injsound.engine import Engine
from injsound.reading import read
from injsound.simulate import Scene, simulate, write
from injsound.sound.decoding.audio import chapters
from injsound.sound.knocks import Knock, find_knocks, group_knocks
from injsound.sound.quality import judge_quality
from injsound.values import Span

ENGINE = Engine(cylinders=4)
SCENE = Scene(
    seconds=50.0, sr=24_000, rpm=900.0, tick_db=18.0, engine=ENGINE, knocks=tuple((8.0 * k, 3) for k in range(1, 6))
)


def _heard(scene):
    recording, truth = simulate(scene)
    spans = judge_quality(recording, interval_s=120 / scene.rpm).spans
    return find_knocks(recording.y, recording.sr, 0.0, spans), truth


def _knock(at_s, low_db=0.0, high_db=5.0):
    return Knock(at_s=at_s, to_s=at_s + 0.05, low_db=low_db, high_db=high_db)


def _counts(times, **settings):
    return [group.count for group in group_knocks([_knock(t, **settings) for t in times])]


def _told(knocks):
    return [(group.count, group.alike) for group in group_knocks(knocks)]


@pytest.mark.parametrize("settings", [{}, {"agc_db": 15.0}, {"peak": 1.0, "clip": 1.0}, {"tick_db": 30.0}])
@pytest.mark.parametrize("seed", [1, 2])
def test_every_group_is_counted_where_it_was_struck(settings, seed):
    knocks, _ = _heard(replace(SCENE, seed=seed, **settings))
    groups = group_knocks(knocks)
    assert [group.count for group in groups] == [3] * 5
    # A bump's margin is 15 ms, its step 1 ms.
    assert [group.from_s for group in groups] == pytest.approx([8, 16, 24, 32, 40], abs=0.02)
    assert all(0.5 < group.to_s - group.from_s < 1.1 for group in groups)


def test_groups_stay_whole_through_a_phone_codec(tmp_path):
    # AAC lets single knocks out more than 12 dB over the rest.
    scene = replace(SCENE, seed=0, sr=48_000)
    write(tmp_path / "knocks.m4a", *simulate(scene))
    (heard,) = chapters(tmp_path / "knocks.m4a")
    knocks = find_knocks(heard.y, heard.sr, 0.0, judge_quality(heard, interval_s=120 / scene.rpm).spans)
    levels = np.array([knock.high_db for knock in knocks])
    assert levels.max() - np.median(levels) > 12.0
    assert _told(knocks) == [(3, True)] * 5


def test_an_engine_without_knocks_has_none():
    knocks, _ = _heard(replace(SCENE, knocks=()))
    assert knocks == ()


@pytest.mark.parametrize("seed", [3, 4, 5])
def test_handling_is_no_mark(seed):
    # Ten bumps lie apart by 2.8 s or more: none makes a group by itself.
    knocks, _ = _heard(replace(SCENE, seed=seed, knocks=(), bumps=10))
    assert len(knocks) == 10
    assert _told(knocks) == [(1, True)] * 10


@pytest.mark.parametrize("seed", range(3))
def test_bumps_between_the_marks_change_none_of_them(seed):
    # In these seeds no bump lies within 0.7 s of a knock, so each stays alone.
    knocks, truth = _heard(replace(SCENE, seed=seed, bumps=6))
    assert len([span for span in truth.spans if span.kind is SpanKind.BUMP]) == 5 * 3 + 6
    groups = group_knocks(knocks)
    marks = [group for group in groups if group.count == 3]
    assert [group.from_s for group in marks] == pytest.approx([8, 16, 24, 32, 40], abs=0.02)
    assert all(group.alike for group in marks)
    assert [group.count for group in groups if group not in marks] == [1] * 6


@pytest.mark.parametrize("count", [2, 4])
def test_two_or_four_stay_two_or_four(count):
    groups = ((8.0, 3), (16.0, count), (24.0, 3))
    knocks, _ = _heard(replace(SCENE, knocks=groups))
    assert [group.count for group in group_knocks(knocks)] == [3, count, 3]


def test_groups_by_hand():
    assert _counts([1.0, 1.3, 1.6]) == [3]
    assert _counts([1.0, 1.3]) == [2]
    assert _counts([1.0]) == [1]
    # 0.71 s apart is another group; 0.1 s after a knock is its bounce.
    assert _counts([1.0, 1.3, 2.01]) == [2, 1]
    assert _counts([1.0, 1.1, 1.3, 1.4, 1.6]) == [3]
    assert _counts([1.0, 1.16, 1.85]) == [3]


def test_a_bump_unlike_the_knocks_is_none_of_them():
    three = [_knock(t) for t in (1.0, 1.3, 1.6, 9.0, 9.3, 9.6, 17.0, 17.3, 17.6)]
    for odd in (_knock(17.9, 10.0, 5.0), _knock(17.9, -20.0, -15.0)):
        assert _told([*three, odd]) == [(3, True), (3, True), (3, True), (1, False)]
    # All down by 10 dB together, as by the phone's gain: still a knock, so a fourth.
    assert _told([*three, _knock(17.9, -10.0, -5.0)]) == [(3, True), (3, True), (4, True)]


def test_what_is_left_of_a_group_is_not_dropped():
    # Two of the last group far too loud: one knock is left of it, and two that sound unlike the rest.
    three = [_knock(t) for t in (1.0, 1.3, 1.6, 9.0, 9.3, 9.6, 17.0)]
    loud = [_knock(t, 16.0, 21.0) for t in (17.3, 17.6)]
    assert _told([*three, *loud]) == [(3, True), (3, True), (1, True), (2, False)]
    # A codec lets single knocks out 12.4 dB louder: still the same metal.
    loud = [_knock(t, 12.4, 17.2) for t in (17.3, 17.6)]
    assert _told([*three, *loud]) == [(3, True)] * 3


def test_a_rub_is_no_knock():
    y = np.random.default_rng(0).standard_normal(48_000).astype(np.float32)
    spans = [Span(from_s=0.2, to_s=0.5, kind=SpanKind.BUMP), Span(from_s=0.6, to_s=0.7, kind=SpanKind.CLIPPED)]
    assert find_knocks(y, 48_000, 0.0, spans) == ()
    (knock,) = find_knocks(y, 48_000, 100.0, [Span(from_s=100.6, to_s=100.7, kind=SpanKind.BUMP)])
    assert (knock.at_s, knock.to_s) == (100.6, 100.7)


def test_a_group_across_two_chapters_is_one_group():
    # Chapters overlap by 2 s; the second group is struck about the middle of the overlap.
    scene = replace(SCENE, seconds=40.0, knocks=((8.0, 3), (19.6, 3), (30.0, 3)))
    recording, _ = simulate(scene)
    first, second = 19 * recording.sr, 21 * recording.sr
    parts = [
        replace(recording, y=recording.y[:second], final=False),
        replace(recording, y=recording.y[first:], start_s=19.0),
    ]
    reading = read(parts, engine=ENGINE, rpm=900.0)
    assert [group.count for group in reading.knocks] == [3, 3, 3]
    assert [group.from_s for group in reading.knocks] == pytest.approx([8.0, 19.6, 30.0], abs=0.02)
