"""Chapters joined by hand: what two of them share, what goes on beyond a seam, and what is told of all together."""

import numpy as np

from injsound.codes import SpanKind, WarningCode
from injsound.engine import Engine
from injsound.heard import Heard
from injsound.joining import join
from injsound.values import Note, Quality, Recording, Span

# Two chapters that share 2 s: the seam lies at 101 s.
FIRST, SECOND = (0.0, 102.0), (100.0, 200.0)


def _chapter(from_to, spans=(), **fields):
    from_s, to_s = from_to
    recording = Recording(y=np.zeros(0, dtype=np.float32), sr=8_000, start_s=from_s)
    told = {name: fields.pop(name, ()) for name in ("warnings", "clipped")}
    quality = Quality(spans=spans, bandwidth_hz=4_000.0, **told)
    return Heard(recording=recording, end_s=to_s, quality=quality, lock=None, spans=spans, **fields)


def _join(*heard):
    return join(list(heard), Engine(), None, seconds=heard[-1].end_s, file="two.wav", sha256="")


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
