"""Chapters that were heard, joined into one `Reading` with its warnings and verdict. No signal arithmetic."""

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

import numpy as np

from injsound.codes import UNJUDGED_KINDS, Neighbours, ReasonCode, SpanKind, State, WarningCode
from injsound.concluding import conclude, speaker
from injsound.engine import EVENTS_PER_CYCLE, Engine, Injection, has_partner
from injsound.findings.verdict import Finding, count_skips
from injsound.heard import Heard, is_contradicted, select
from injsound.results import Events, Firing, Jitter, NeighbourPlaces, OpenTime, Picture, QualityFigures, Reading
from injsound.sound.clock import cycle_at, passing_times
from injsound.sound.knocks import Knock, group_knocks
from injsound.sound.signals import robust_spread
from injsound.values import Note, Span

_SMOOTH_CYCLES = 10
# Warnings that say how many spans of a kind there are, and for how long.
_OF_SPANS = {
    WarningCode.GAPS: SpanKind.GAP,
    WarningCode.DROPOUTS: SpanKind.SILENCE,
    WarningCode.REPEATED: SpanKind.REPEATED,
    WarningCode.BUMPS: SpanKind.BUMP,
    WarningCode.LOUD_SOUNDS: SpanKind.LOUD,
    WarningCode.PROBE_SLIPPED: SpanKind.SLIPPED,
    WarningCode.SPIKES: SpanKind.SPIKE,
    WarningCode.GAIN_PUMPED: SpanKind.GAIN,
    WarningCode.ENGINE_SILENT: SpanKind.ENGINE_SILENT,
    WarningCode.MODE_CHANGED: SpanKind.ONCE_PER_REVOLUTION,
}
# What is lost for less is seen in the picture and in what was not judged.
_LOST = {WarningCode.CYCLE_LOST: SpanKind.NO_LOCK, WarningCode.NOT_COUNTED: SpanKind.NOT_COUNTED}
_LOST_S = 5.0


def join(heard: list[Heard], engine: Engine, rpm: float | None, *, seconds: float, file: str, sha256: str) -> Reading:
    """Make one reading of all chapters.

    Parameters
    ----------
    heard : list of Heard
        In order, at least one.
    engine : Engine
        What is known of it.
    rpm : float or None
        As typed [1/min].
    seconds : float
        Length of the recording [s].
    file, sha256 : str
        To carry in the reading.

    Returns
    -------
    Reading
        With warnings, verdict and next step.
    """
    first = heard[0].recording
    counted = [chapter for chapter in heard if chapter.events is not None]
    made = _joined_events(heard, EVENTS_PER_CYCLE[engine.injection])
    skips = count_skips(made)
    firing = _firing(heard, engine)
    spans = _joined_spans(heard)
    warnings = _warnings(heard, engine, rpm, firing, counted, spans)
    finding = conclude(heard, made, skips, engine, firing, warnings, typed=rpm is not None)
    return Reading(
        file=file or first.file,
        sha256=sha256,
        seconds=seconds,
        sample_rate_hz=first.sr,
        codec=first.codec,
        channel=first.channel,
        engine=engine,
        verdict=finding.verdict,
        reasons=finding.reasons,
        next_step=finding.next_step,
        firing=firing,
        alternatives=_alternatives(firing, engine) if rpm is None else (),
        events=made,
        spans=spans,
        skips=skips,
        jitter=_jitter(counted, warnings, finding),
        open_time=_open_time(made),
        neighbours=_neighbours(made),
        quality=QualityFigures(
            tick_over_noise_db=_mean([c.tick_over_noise_db for c in counted]),
            separation=min((c.matches.separation for c in counted if c.matches), default=None),
            unjudged_seconds=_joined_length([s for s in spans if s.kind in UNJUDGED_KINDS]),
            bandwidth_hz=min(c.quality.bandwidth_hz for c in heard),
            warnings=warnings,
        ),
        picture=_joined_picture(heard),
        knocks=group_knocks(_joined_knocks(heard)),
        neighbour_places=_neighbour_places(heard),
    )


def _neighbour_places(heard: list[Heard]) -> NeighbourPlaces | None:
    """What the first chapter in which a tick was taken for the own one holds at the neighbours' places."""
    stood = (chapter.choice.standing for chapter in heard if chapter.choice is not None)
    standing = next((one for one in stood if one is not None), None)
    if standing is None:
        return None
    return NeighbourPlaces(over_db=standing.over_db, chances=tuple(standing.chances.tolist()))


def _jitter(counted: list[Heard], warnings: tuple[Note, ...], finding: Finding) -> Jitter:
    """Timing of the first chapter, which is long enough; none where the codec moves the ticks.

    Nor the tick's own scatter where it is hardly told from noise: it may be a valve's.
    """
    if not counted or any(note.code is WarningCode.NO_TIMING for note in warnings):
        return Jitter()
    figures = counted[0].jitter
    if any(note.code is ReasonCode.WEAK_SEPARATION for note in finding.reasons):
        return replace(figures, own_scatter_us=None, own_scatter_low_us=None, own_scatter_high_us=None)
    return figures


def _seams(heard: list[Heard]) -> list[tuple[float, float]]:
    """From when to when each chapter counts: to the middle of what it shares with the next."""
    middles = [(one.end_s + after.recording.start_s) / 2 for one, after in pairwise(heard)]
    return list(pairwise([-np.inf, *middles, np.inf]))


def _joined_spans(heard: list[Heard]) -> tuple[Span, ...]:
    """Each chapter's spans between its seams; what goes on beyond a seam is one."""
    return _between_seams(heard, [(*chapter.spans, *_uncounted(chapter, heard)) for chapter in heard])


def _between_seams(heard: list[Heard], spans: list[tuple[Span, ...]]) -> tuple[Span, ...]:
    """Some spans of each chapter, joined."""
    found: dict[SpanKind, list[Span]] = {}
    for some, (low, high) in zip(spans, _seams(heard), strict=True):
        for span in sorted(some, key=lambda s: s.from_s):
            cut = replace(span, from_s=max(span.from_s, low), to_s=min(span.to_s, high))
            same = found.setdefault(span.kind, [])
            if cut.to_s <= cut.from_s:  # all of it lies beyond a seam
                continue
            if same and cut.from_s == low <= same[-1].to_s:
                same[-1] = replace(same[-1], to_s=max(cut.to_s, same[-1].to_s))
            else:
                same.append(cut)
    return tuple(sorted((span for some in found.values() for span in some), key=lambda s: (s.from_s, s.to_s)))


def _uncounted(chapter: Heard, heard: list[Heard]) -> list[Span]:
    """The whole chapter, where others were counted and it could not be."""
    if chapter.events is not None or all(other.events is None for other in heard):
        return []
    kind = SpanKind.NO_LOCK if chapter.choice is None else SpanKind.NOT_COUNTED
    return [Span(from_s=chapter.recording.start_s, to_s=chapter.end_s, kind=kind)]


def _joined_knocks(heard: list[Heard]) -> list[Knock]:
    return [
        knock
        for chapter, (low, high) in zip(heard, _seams(heard), strict=True)
        for knock in chapter.knocks
        if low <= knock.at_s < high
    ]


def _joined_events(heard: list[Heard], per_cycle: int) -> Events:
    parts = []
    for chapter, (low, high) in zip(heard, _seams(heard), strict=True):
        made = _unjudged(chapter, heard, per_cycle) if chapter.events is None else chapter.events
        if made is not None:
            parts.append(select(made, (made.time_s >= low) & (made.time_s < high)))
    arrays = ("time_s", "skip_probability", "heard_at_s", "level_db", "open_time_ms")
    return Events(
        state=tuple(state for part in parts for state in part.state),
        neighbours=tuple(n for part in parts for n in part.neighbours),
        **{name: np.concatenate([np.zeros(0), *(getattr(part, name) for part in parts)]) for name in arrays},
    )


def _unjudged(chapter: Heard, heard: list[Heard], per_cycle: int) -> Events | None:
    """What was due in a chapter that was followed but not counted: the cycle's zero is the counted ones'."""
    counted = [(c.lock.clock, c.events.time_s) for c in heard if c.lock and c.events and len(c.events.time_s)]
    if chapter.choice is None or chapter.lock is None or not counted:
        return None
    clock, times_s = counted[0]
    phases = cycle_at(clock, times_s[:1]) + np.arange(per_cycle) / per_cycle
    due = np.sort(np.concatenate([passing_times(chapter.lock.clock, float(phase)) for phase in phases]))
    unknown = np.full(len(due), np.nan)
    return Events(
        time_s=due,
        state=(State.UNJUDGED,) * len(due),
        skip_probability=unknown,
        heard_at_s=unknown,
        level_db=unknown,
        open_time_ms=unknown,
        neighbours=(Neighbours.NOT_CHECKED,) * len(due),
    )


def _firing(heard: list[Heard], engine: Engine) -> Firing | None:
    lengths = []
    settled = any(chapter.settled and chapter.followed is not None for chapter in heard)
    for chapter, (low, high) in zip(heard, _seams(heard), strict=True):
        lock = chapter.followed
        if lock is not None and (chapter.settled or not settled):
            times = passing_times(lock.clock, 0.0)
            lengths.append(np.diff(times[(times >= low) & (times < high)]))
    length = np.concatenate([np.zeros(0), *lengths])
    if len(length) < _SMOOTH_CYCLES:
        return None
    smooth = np.convolve(length, np.full(_SMOOTH_CYCLES, 1 / _SMOOTH_CYCLES), mode="valid")
    about = length[_SMOOTH_CYCLES // 2 :][: len(smooth)] - smooth
    per_cycle = EVENTS_PER_CYCLE[engine.injection]
    mean = float(length.mean())
    return Firing(
        interval_s=mean / per_cycle,
        rpm=120 / mean,
        rpm_low=float(120 / smooth.max()),
        rpm_high=float(120 / smooth.min()),
        events_per_revolution=per_cycle / 2,
        wander_percent=float(100 * smooth.std() / mean),
        cycle_variation_percent=float(100 * about.std() / mean),
    )


def _alternatives(firing: Firing | None, engine: Engine) -> tuple[Firing, ...]:
    """The same interval read with the other injection mode: twice or half the speed."""
    if firing is None:
        return ()
    factor = 0.5 if engine.injection is Injection.SEQUENTIAL else 2.0
    return (
        replace(
            firing,
            rpm=firing.rpm * factor,
            rpm_low=firing.rpm_low * factor,
            rpm_high=firing.rpm_high * factor,
            events_per_revolution=firing.events_per_revolution / factor,
        ),
    )


def _open_time(made: Events) -> OpenTime:
    gaps = made.open_time_ms[np.isfinite(made.open_time_ms)]
    if len(gaps) < 5:
        return OpenTime(count=len(gaps))
    median = float(np.median(gaps))
    fifth = max(1, len(gaps) // 5)
    return OpenTime(
        median_ms=median,
        spread_ms=robust_spread(gaps - median),
        drift_ms=float(np.median(gaps[-fifth:]) - np.median(gaps[:fifth])),
        count=len(gaps),
    )


def _neighbours(made: Events) -> Neighbours:
    """Were the others there where ticks are missing; with none missing, could they be heard at all."""
    judged = [(n, s) for n, s in zip(made.neighbours, made.state, strict=True) if s is not State.UNJUDGED]
    asked = [n for n, s in judged if s is State.SKIPPED] or [n for n, _ in judged]
    if not asked or any(n is Neighbours.NOT_CHECKED for n in asked):
        return Neighbours.NOT_CHECKED
    heard = sum(n is Neighbours.HEARD for n in asked)
    return Neighbours.HEARD if heard >= len(asked) / 2 else Neighbours.NOT_HEARD


def _mean(values: list[float | None]) -> float | None:
    known = [v for v in values if v is not None]
    return float(np.mean(known)) if known else None


def _joined_length(spans: Sequence[Span]) -> float:
    total, reached = 0.0, -np.inf
    for span in sorted(spans, key=lambda s: s.from_s):
        total += max(0.0, span.to_s - max(span.from_s, reached))
        reached = max(reached, span.to_s)
    return total


def _joined_picture(heard: list[Heard]) -> Picture | None:
    own = [c for c in heard if c.events is not None and c.picture is not None]
    drawn = own or [c for c in heard if c.picture is not None]
    if not drawn:
        return None
    pictures = [c.picture for c in drawn if c.picture is not None]
    rows = np.concatenate([p.rows for p in pictures])
    times = np.concatenate([p.row_times_s for p in pictures])
    rising = np.concatenate([[True], np.diff(np.maximum.accumulate(times)) > 0])
    weights = [len(p.rows) for p in pictures]
    marked = None if own else speaker(drawn)
    return replace(
        pictures[0] if marked is None or marked.picture is None else marked.picture,
        rows=rows[rising],
        row_times_s=times[rising],
        profile=rows[rising].mean(axis=0),
        halves=np.average([p.halves for p in pictures], axis=0, weights=weights).astype(np.float32),
    )


def _warnings(
    heard: list[Heard],
    engine: Engine,
    rpm: float | None,
    firing: Firing | None,
    counted: list[Heard],
    spans: tuple[Span, ...],
) -> tuple[Note, ...]:
    notes = _about_sound(heard, spans)
    for code, kind in _LOST.items():
        lost_s = _joined_length([s for s in spans if s.kind is kind])
        if counted and lost_s >= _LOST_S:
            notes[code] = Note(code=code, figures={"seconds": round(lost_s)})
    if rpm is None and firing is not None:
        notes[WarningCode.RPM_ESTIMATED] = Note(code=WarningCode.RPM_ESTIMATED, figures={"rpm": round(firing.rpm)})
    if rpm is not None and is_contradicted(heard):
        suggested_s = next(chapter.suggested_s for chapter in heard if chapter.suggested_s is not None)
        figures = {"rpm_given": rpm, "rpm_heard": round(120 / suggested_s)}
        notes[WarningCode.RPM_CONTRADICTED] = Note(code=WarningCode.RPM_CONTRADICTED, figures=figures)
    if has_partner(engine):
        notes[WarningCode.NEIGHBOUR_COINCIDES] = Note(code=WarningCode.NEIGHBOUR_COINCIDES)
    if counted and not any(c.audible for c in counted):
        notes[WarningCode.NEIGHBOURS_NOT_HEARD] = Note(code=WarningCode.NEIGHBOURS_NOT_HEARD)
    if counted and counted[0].jitter.own_scatter_us is None and counted[0].jitter.engine_unevenness_us is not None:
        uneven = counted[0].jitter.engine_unevenness_us
        notes[WarningCode.ENGINE_UNEVEN] = Note(
            code=WarningCode.ENGINE_UNEVEN, figures={"unevenness_us": round(uneven)}
        )
    return tuple(notes.values())


def _about_sound(heard: list[Heard], spans: tuple[Span, ...]) -> dict[WarningCode, Note]:
    """Warnings of all chapters; those that tell of spans tell what two chapters share once."""
    notes: dict[WarningCode, Note] = {}
    for chapter in heard:
        for note in (*chapter.recording.warnings, *chapter.quality.warnings):
            notes[WarningCode(note.code)] = note
    clipped = _between_seams(heard, [chapter.quality.clipped for chapter in heard])
    told = {code: [s for s in spans if s.kind is kind] for code, kind in _OF_SPANS.items()}
    for code, these in {WarningCode.CLIPPED: clipped, **told}.items():
        if these and (len(heard) > 1 or code not in notes):
            # A tick is clipped for a thousandth of a second.
            seconds = round(_joined_length(these), 3 if code is WarningCode.CLIPPED else 1)
            notes[code] = Note(code=code, figures={"count": len(these), "seconds": seconds})
        elif not these:
            notes.pop(code, None)
    return notes
