"""Chapters joined by hand: what two of them share, what goes on beyond a seam, and what is told of all together."""

from dataclasses import replace

import numpy as np
import pytest

from injsound.codes import ReasonCode, SpanKind, StepCode, Verdict, WarningCode
from injsound.concluding import _without_count
from injsound.engine import Engine
from injsound.heard import Heard
from injsound.joining import join
from injsound.results import Picture
from injsound.sound.own.candidates import Candidate
from injsound.sound.own.ticks import Choice, Found
from injsound.sound.turning.cycle import Lock
from injsound.values import CycleClock, Note, Quality, Recording, Span

# Two chapters that share 2 s: the seam lies at 101 s.
FIRST, SECOND = (0.0, 102.0), (100.0, 200.0)


def _chapter(from_to, spans=(), **fields):
    from_s, to_s = from_to
    recording = Recording(y=np.zeros(0, dtype=np.float32), sr=8_000, start_s=from_s)
    told = {name: fields.pop(name, ()) for name in ("warnings", "clipped")}
    quality = Quality(spans=spans, bandwidth_hz=4_000.0, **told)
    return Heard(recording=recording, end_s=to_s, quality=quality, lock=None, spans=spans, **fields)


def _join(*heard, rpm=None):
    return join(list(heard), Engine(), rpm, seconds=heard[-1].end_s, file="two.wav", sha256="")


def _loud(*times):
    return tuple(Span(from_s=from_s, to_s=to_s, kind=SpanKind.LOUD) for from_s, to_s in times)


def _times(reading, kind):
    return [(span.from_s, span.to_s) for span in reading.spans if span.kind is kind]


def test_a_stretch_that_goes_on_beyond_a_seam_is_one():
    made = _join(_chapter(FIRST, _loud((90.0, 102.0))), _chapter(SECOND, _loud((100.0, 105.0))))
    assert _times(made, SpanKind.LOUD) == [(90.0, 105.0)]


def test_what_ends_before_a_seam_shortens_nothing():
    # What the second chapter hears until 100.4 s lies on the first one's side: there the first one's word holds.
    first, second = _loud((90.0, 102.0)), _loud((100.0, 100.4), (100.7, 105.0))
    made = _join(_chapter(FIRST, first), _chapter(SECOND, second))
    assert _times(made, SpanKind.LOUD) == [(90.0, 105.0)]
    made = _join(_chapter(FIRST, first), _chapter(SECOND, _loud((100.0, 100.4))))
    assert _times(made, SpanKind.LOUD) == [(90.0, 101.0)]


def test_stretches_that_overlap_on_a_seam_are_as_long_as_the_longest():
    made = _join(_chapter(FIRST, _loud((90.0, 102.0))), _chapter(SECOND, _loud((100.2, 106.0), (100.5, 104.0))))
    assert _times(made, SpanKind.LOUD) == [(90.0, 106.0)]


def test_clipping_that_two_chapters_share_is_counted_once():
    # 1.5 s in what both hold, 1 ms elsewhere in each: 3 stretches, 1.502 s.
    shared, one, other = (100.1, 101.6), (50.0, 50.001), (150.0, 150.001)
    chapters = []
    for from_to, times in ((FIRST, (one, shared)), (SECOND, (shared, other))):
        clipped = tuple(Span(from_s=from_s, to_s=to_s, kind=SpanKind.CLIPPED) for from_s, to_s in times)
        warning = Note(code=WarningCode.CLIPPED, figures={"count": 2, "seconds": 1.501})
        chapters.append(_chapter(from_to, clipped=clipped, warnings=(warning,)))
    (told,) = _join(*chapters).quality.warnings
    assert told.code is WarningCode.CLIPPED
    assert told.figures == {"count": 3, "seconds": 1.502}


def test_what_lies_beyond_a_seam_is_not_warned_of():
    bump = (Span(from_s=100.1, to_s=100.4, kind=SpanKind.BUMP),)
    warning = (Note(code=WarningCode.BUMPS, figures={"count": 1, "seconds": 0.3}),)
    made = _join(_chapter(FIRST), _chapter(SECOND, bump, warnings=warning))
    assert (made.spans, made.quality.warnings) == ((), ())


def _click(level):
    return Candidate(
        phase=0.1, amplitude=10.0, level=level, separation=5.0, scatter_s=5e-5, centre_hz=5e3, length_s=1e-3,
        gap_s=float("nan"), template=np.ones(1), lead_s=0.0,
    )  # fmt: skip


def _unheard(from_to, found, **choice):
    """A chapter without a tick that could be counted, with the marks of its picture."""
    clock = CycleClock(times_s=np.array(from_to), cycles=np.array([0.0, 500.0]))
    lock = Lock(clock=clock, profile=np.zeros((2, 256)), agreement=0.9, unheard=np.zeros(500, dtype=bool))
    marks = {"candidates": (0.1,)} if found is Found.TWO else {"empty_phases": (0.5,)} if "empty" in choice else {}
    picture = Picture(
        rows=np.zeros((2, 360)),
        row_times_s=np.array([from_to[0], from_to[1] - 1]),
        profile=np.zeros(360),
        own_phases=(),
        mean_tick=np.zeros(0),
        mean_tick_s=np.zeros(0),
        **marks,
    )
    return replace(_chapter(from_to), lock=lock, choice=Choice(found=found, **choice), picture=picture)


@pytest.mark.parametrize(
    ("faint", "telling", "verdict", "reason"),
    [
        # By the precedence in concluding.py: a tick that may be its own, its silent place, others' ticks, nothing.
        (Found.NOTHING, Found.ENGINE_ONLY, Verdict.NO_TICK, ReasonCode.ENGINE_TICKS_ONLY),
        (Found.NOTHING, Found.OWN_SILENT, Verdict.NO_TICK, ReasonCode.OWN_PLACE_SILENT),
        (Found.ENGINE_ONLY, Found.OWN_SILENT, Verdict.NO_TICK, ReasonCode.OWN_PLACE_SILENT),
        (Found.NOTHING, Found.TWO, Verdict.CANNOT_TELL, ReasonCode.TWO_CANDIDATES),
        (Found.OWN_SILENT, Found.TWO, Verdict.CANNOT_TELL, ReasonCode.TWO_CANDIDATES),
        (Found.OWN_SILENT, Found.OWN, Verdict.CANNOT_TELL, ReasonCode.FAINT),
    ],
)
@pytest.mark.parametrize("first", ["faint", "telling"])
def test_what_was_not_counted_does_not_depend_on_the_order_of_the_chapters(faint, telling, verdict, reason, first):
    order = (faint, telling) if first == "faint" else (telling, faint)
    details = {Found.OWN_SILENT: {"empty": 0.5}, Found.TWO: {"own": _click(2.0), "rival": _click(1.0)}}
    pairs = zip((FIRST, SECOND), order, strict=True)
    made = _join(*(_unheard(at, found, **details.get(found, {})) for at, found in pairs), rpm=600.0)
    assert made.verdict is verdict
    assert made.reasons[0].code is reason
    assert made.reasons[0].figures == ({"ratio": 0.5} if telling is Found.TWO else {})
    # The picture shows both chapters with the marks of the one that speaks.
    assert made.picture.row_times_s[-1] == SECOND[1] - 1
    assert made.picture.candidates == ((0.1,) if telling is Found.TWO else ())
    assert made.picture.empty_phases == ((0.5,) if telling is Found.OWN_SILENT else ())


def test_a_click_that_stands_out_but_may_be_a_valves_is_not_called_nothing():
    # As loud and steady as a solenoid's, low and lone: what it left out was counted and showed no skip.
    low = _unheard(FIRST, Found.NOTHING, own=_click(30.0), only_by_skips=True)
    found = _without_count([low], (), typed=True)
    assert (found.verdict, found.reasons[0].code) == (Verdict.CANNOT_TELL, ReasonCode.TICK_UNLIKE_INJECTOR)
    assert found.next_step.code is StepCode.RECORD_OWN_INJECTOR
    nothing = _without_count([_unheard(FIRST, Found.NOTHING)], (), typed=True)
    assert nothing.reasons[0].code is ReasonCode.FAINT


@pytest.mark.parametrize(
    ("phase", "level", "batch", "step"),
    [
        (0.605, 9.0, False, StepCode.CHECK_MODE),
        (0.63, 9.0, False, StepCode.RECORD_OWN_INJECTOR),
        (0.605, 7.0, False, StepCode.RECORD_OWN_INJECTOR),
        (0.605, 9.0, True, StepCode.RECORD_OWN_INJECTOR),
    ],
)
def test_a_tick_that_comes_twice_per_cycle_asks_for_the_mode(phase, level, batch, step):
    rival = replace(_click(level), phase=phase)
    two = _unheard(FIRST, Found.TWO, own=_click(10.0), rival=rival)
    found = _without_count([two], (), typed=True, batch=batch)
    assert found.reasons[0].code is ReasonCode.TWO_CANDIDATES
    assert found.next_step.code is step


def test_without_the_speed_no_place_is_called_silent():
    # At half the speed this injector and another tick twice each, and one place of four stays empty.
    chapter = _unheard(FIRST, Found.OWN_SILENT, empty=0.5)
    found = _without_count([chapter], (), typed=False)
    assert (found.verdict, found.reasons[0].code) == (Verdict.CANNOT_TELL, ReasonCode.SPEED_UNKNOWN)
    assert found.next_step.code is StepCode.GIVE_RPM
    assert _without_count([chapter], (), typed=True).verdict is Verdict.NO_TICK
