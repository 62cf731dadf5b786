"""Stretches in which a missing tick is no skip: silence of the engine, and a clock that may be astray."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from injsound import counting
from injsound.beside import Beside, astray_spans, silent_spans, stray_spans
from injsound.codes import SpanKind, State, Verdict
from injsound.engine import Engine
from injsound.reading import read
from injsound.simulate import Scene, simulate
from injsound.sound.matching.company import Company
from injsound.sound.matching.events import Matches, stray_ticks
from injsound.sound.waveforms import unit
from injsound.values import Recording, Span

_DUE = 0.1 + 0.2 * np.arange(20)
_NOWHERE = np.zeros(20, dtype=bool)


def _there(*missing):
    there = np.ones(20, dtype=bool)
    there[list(missing)] = False
    return there


def _beside(*silent, audible=True):
    return Beside(neighbours=[], others=Company(heard=_there(*silent), audible=audible), by_ticks=True)


def _astray(there, beside, *spans, due_s=_DUE, hidden=_NOWHERE, first_chapter=True):
    found = astray_spans(due_s, there, hidden, beside, spans, first_chapter=first_chapter)
    assert all(span.kind is SpanKind.NO_LOCK for span in found)
    return [(span.from_s, span.to_s) for span in found]


FAINT = _beside(audible=False)
BLIP = Span(from_s=2.0, to_s=2.5, kind=SpanKind.LOUD)


def test_three_missing_with_all_others_are_a_silence_of_the_engine():
    (span,) = silent_spans(_DUE, _there(5, 6, 7), _beside(5, 6, 7))
    # Half an interval, 0.1 s, before the event at 1.1 s and after that at 1.5 s.
    assert (span.from_s, span.to_s, span.kind) == (pytest.approx(1.0), pytest.approx(1.6), SpanKind.ENGINE_SILENT)
    assert silent_spans(_DUE, _there(5, 6), _beside(5, 6)) == ()
    assert silent_spans(_DUE, _there(5, 6, 7), _beside(5)) == ()
    assert silent_spans(_DUE, _there(5, 6, 7), FAINT) == ()


def test_before_the_first_tick_and_after_the_last_the_engine_may_not_run():
    assert _astray(_there(0, 1, 2), FAINT) == [(pytest.approx(0.0), pytest.approx(0.6))]
    assert _astray(_there(0, 1), FAINT) == []
    assert _astray(_there(0, 1, 2), FAINT, first_chapter=False) == []
    end = Span(from_s=3.95, to_s=4.0, kind=SpanKind.END)
    assert _astray(_there(17, 18, 19), FAINT, end) == [(pytest.approx(3.4), pytest.approx(4.0))]
    assert _astray(_there(17, 18, 19), FAINT) == []


_SR = 48_000


def _strays(off_s, *, height=8.0):
    """Which of five missing events are met, where a tick was laid so far off each; none where that is nan."""
    rng = np.random.default_rng(4)
    tick = unit(np.exp(-np.arange(192) / 24) * np.sin(2 * np.pi * 6_000 * np.arange(192) / _SR))
    white = rng.standard_normal(round(4.3 * _SR))
    missing = ~_there(*range(3, 18, 3))
    for due_s, off in zip(_DUE[~missing].tolist() + _DUE[missing].tolist(), [0.0] * 15 + off_s, strict=True):
        if np.isfinite(off):
            start = round((due_s + off) * _SR)
            white[start : start + len(tick)] += height * tick
    nothing = np.zeros(20)
    matches = Matches(
        due_s=_DUE,
        heard_s=_DUE,
        value=nothing,
        amplitude=nothing,
        skip_probability=nothing,
        separation=6.0,
        miss_probability=0.0,
        heard_mean=8.0,
        template=tick,
        zero=0,
    )
    return stray_ticks(white, _SR, 0.0, matches, missing)[missing].tolist()


def test_on_a_rough_idle_a_tick_may_lie_far_off_its_place():
    # At 8 standard deviations a tick 4 or 6 ms off is met; nothing is where nothing was struck, nor 12 ms off.
    assert _strays([0.004, np.nan, -0.006, 0.012, 0.005]) == [True, False, True, False, True]
    # Five at one distance are another sound of the engine.
    assert _strays([0.004] * 5) == [False] * 5


def test_a_tick_far_off_is_unjudged_unless_other_sounds_kept_their_time():
    strays = ~_there(4, 9)
    (first, second) = stray_spans(_DUE, strays, strays, FAINT)
    assert (first.from_s, first.to_s, first.kind) == (pytest.approx(0.8), pytest.approx(1.0), SpanKind.NO_LOCK)
    assert second.from_s == pytest.approx(1.8)
    assert stray_spans(_DUE, strays, strays, _beside()) == ()
    assert len(stray_spans(_DUE, strays, strays, _beside(4))) == 1


def test_after_a_tick_far_off_none_is_judged_until_one_is_heard():
    # A neighbour that skips four times in a row stalls three cylinders: the own tick came 4 ms late, then further off.
    # What went missing before it is where the clock was still right.
    (span,) = stray_spans(_DUE, ~_there(3, 4, 5, 6, 9), ~_there(4), FAINT)
    assert (span.from_s, span.to_s) == (pytest.approx(0.8), pytest.approx(1.4))
    assert stray_spans(_DUE, ~_there(3, 4, 5, 6), ~_there(4), _beside()) == ()


def test_beside_a_blip_a_missing_tick_is_no_skip():
    # Events at 1.9 and 2.5 s lie within one and a half intervals of it, those at 1.5 and 3.1 s do not.
    assert _astray(_there(9, 12), FAINT, BLIP) == [(pytest.approx(1.8), pytest.approx(2.0)),
                                                   (pytest.approx(2.4), pytest.approx(2.6))]  # fmt: skip
    assert _astray(_there(7, 15), FAINT, BLIP) == []
    bump = Span(from_s=2.0, to_s=2.5, kind=SpanKind.BUMP)
    assert _astray(_there(9, 12), FAINT, bump) == []


def test_where_the_speed_was_far_from_the_usual_a_missing_tick_is_no_skip():
    due_s = np.cumsum(np.r_[np.full(10, 0.2), np.full(4, 0.1), np.full(6, 0.2)])
    assert len(_astray(_there(12), FAINT, due_s=due_s)) == 1
    assert _astray(_there(4), FAINT, due_s=due_s) == []


def test_where_the_neighbours_tick_the_engine_turns():
    assert _astray(_there(0, 1, 2), _beside()) == []
    assert _astray(_there(9), _beside(), BLIP) == []
    assert len(_astray(_there(0, 1, 2), _beside(0, 1))) == 1


def test_what_is_hidden_needs_no_second_reason():
    hidden = ~_there(9)
    assert _astray(_there(9), FAINT, BLIP, hidden=hidden) == []


def test_hidden_events_are_not_missing():
    # Two under a knock and one missing are no row of three.
    hidden = ~_there(0, 1)
    assert _astray(_there(0, 1, 2), FAINT, hidden=hidden) == []
    assert len(_astray(_there(0, 1, 2, 3, 4), FAINT, hidden=hidden)) == 1


def test_a_silence_of_the_engine_is_told_once():
    engine = Engine(cylinders=4, cylinder=2, firing_order=(1, 3, 4, 2))
    scene = Scene(seconds=40.0, seed=4, rpm=900.0, engine=engine, neighbour_db=6.0, fuel_cut_s=((25.0, 27.0),))
    recording, _ = simulate(scene)
    reading = read([recording], engine=engine, rpm=900.0)
    kinds = [span.kind for span in reading.spans]
    assert kinds.count(SpanKind.ENGINE_SILENT) == 1
    assert SpanKind.NO_LOCK not in kinds


def test_a_trace_of_weakness_makes_no_disputed_tick_heard(monkeypatch):
    matches = _asked([0.5, 0.99, 0.99, 0.01, 0.99]).matches
    monkeypatch.setattr(counting, "weak_by_low_notes", lambda *_, **__: np.array([0.01, 0.9, 0.5, 0.0, 0.4]))
    none = np.zeros(5, dtype=bool)
    after = counting._with_weak(matches, np.zeros(1), 1, 0.0, missing=none, heard=none)
    assert after.skip_probability == pytest.approx([0.5, 0.1, 0.5, 0.01, 0.594])


def test_what_is_heard_without_a_time_is_weak():
    matches = _asked([0.1, 0.1, 0.9]).matches
    matches = replace(matches, amplitude=np.array([0.9, 0.9, 0.9]))
    states = counting._states(matches, np.zeros(3, dtype=bool), np.array([True, False, False]))
    assert states == (State.HEARD, State.WEAK, State.SKIPPED)


def test_a_tick_met_at_its_close_click_has_no_time():
    # Five of 200 ticks were matched 1.9 ms late, at the close click: the tick's unsteadiness had doubled by them.
    rng = np.random.default_rng(1)
    due_s = np.arange(200) * 0.17
    late_s = 1e-4 * rng.standard_normal(200)
    late_s[20::40] = 1.9e-3
    matches = replace(_asked([0.0]).matches, due_s=due_s, heard_s=due_s + late_s)
    away = counting._mistimed(matches, np.ones(200, dtype=bool))
    assert np.flatnonzero(away).tolist() == [20, 60, 100, 140, 180]
    # On an engine whose ticks scatter by half a millisecond all of it is theirs.
    loose = replace(matches, heard_s=due_s + 5 * late_s.clip(-3e-4, 3e-4) + 5e-4 * rng.standard_normal(200))
    assert not counting._mistimed(loose, np.ones(200, dtype=bool)).any()


def _asked(p):
    matches = counting.Matches(
        due_s=_DUE, heard_s=_DUE, value=_DUE, amplitude=_DUE, skip_probability=np.asarray(p, dtype=float),
        separation=5.0, miss_probability=0.0, heard_mean=1.0, template=np.ones(1), zero=0,
    )  # fmt: skip
    return counting._Asked(own=SimpleNamespace(), cycles=_DUE, due=_DUE, hidden=_NOWHERE, matches=matches)


@pytest.mark.parametrize(("heard_too", "expected"), [(3, 0.5), (2, 0.99)])
def test_what_two_ways_of_matching_dispute_is_an_even_chance(heard_too, expected):
    asked = _asked([0.99] * 8 + [0.01] * 12)
    other = _asked([0.001] * heard_too + [0.9] * (8 - heard_too) + [0.01] * 12)
    p = counting._disputed(asked, other).matches.skip_probability
    assert p.tolist() == [expected] * heard_too + [0.99] * (8 - heard_too) + [0.01] * 12


@pytest.mark.parametrize(("off_s", "expected"), [(0.0004, 0.5), (0.001, 0.99)])
def test_another_sound_heard_off_the_usual_place_disputes_nothing(off_s, expected):
    # A cam-driven pump 2 ms before the tick, whose ring was heard as it 1 ms early in 109 of 137 skips.
    asked = _asked([0.99] * 8 + [0.01] * 12)
    other = _asked([0.001] * 20)
    heard_s = other.matches.due_s - off_s * (np.arange(20) < 8)
    other = replace(other, matches=replace(other.matches, heard_s=heard_s))
    assert counting._disputed(asked, other).matches.skip_probability[:8] == pytest.approx([expected] * 8)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_recording_that_begins_before_the_start_counts_no_skips_there(seed):
    engine = Engine(cylinders=1, cylinder=1, firing_order=(1,))
    recording, _ = simulate(Scene(seconds=50.0, seed=seed, engine=engine, tick_db=20.0, valve_db=-30.0))
    rng = np.random.default_rng(seed)
    before = (np.std(recording.y) * 0.05 * rng.standard_normal(3 * recording.sr)).astype(np.float32)
    reading = read([Recording(y=np.concatenate([before, recording.y]), sr=recording.sr)], engine=engine, rpm=700.0)
    assert reading.skips.skipped == 0
    assert reading.verdict is not Verdict.SKIPPING
