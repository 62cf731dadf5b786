"""From chapters of one recording to a `Reading`: composes the stages and joins their results.

No signal arithmetic of its own. Each chapter is heard with what the earlier ones taught (`_Memory`): the profile that
fixes phase zero and the phase of this injector's tick.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from injsound.engine import EVENTS_PER_CYCLE, Engine, Injection, check_rpm, cycle_interval
from injsound.findings.verdict import Evidence, Finding, count_skips, doubtful, reach_verdict
from injsound.results import (
    UNJUDGED_KINDS,
    Events,
    Firing,
    FloatArray,
    Jitter,
    Neighbours,
    Note,
    OnsetStrength,
    OpenTime,
    Picture,
    Quality,
    QualityFigures,
    Reading,
    ReasonCode,
    Recording,
    Skips,
    Span,
    SpanKind,
    State,
    StepCode,
    Verdict,
    WarningCode,
)
from injsound.sound import company, cycle, jitter, levels, onsets, opentime, quality, scatter, ticks
from injsound.sound.events import Matches, match_elsewhere, match_events
from injsound.sound.signals import covered, cycle_at, time_at, whitened

# Half of the overlap that `audio.chapters` gives: events are taken from the chapter in which they lie further inside.
_SEAM_S = 1.0
# A weak tick lies this far under its fellows and still counts as heard.
WEAK = 10 ** (-6 / 20)
# Locked: profiles of odd and even cycles agree. Noise reaches 0.62, the faintest engines that could be counted 0.68.
_LEAST_AGREEMENT = 0.62
_TICK_BEFORE_S, _TICK_AFTER_S = 0.001, 0.004
_ROW_BINS = 360
_SMOOTH_CYCLES = 10


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Memory:
    """What earlier chapters taught."""

    interval_s: float | None = None
    profile: FloatArray | None = None
    choice: ticks.Choice | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Heard:
    """One chapter, heard."""

    recording: Recording
    quality: Quality
    lock: cycle.Lock | None
    choice: ticks.Choice | None = None
    events: Events | None = None
    event_cycles: FloatArray = field(default_factory=lambda: np.zeros(0))
    spans: tuple[Span, ...] = ()
    matches: Matches | None = None
    tick_over_noise_db: float | None = None
    audible: bool = False
    suggested_s: float | None = None
    jitter: Jitter = field(default_factory=Jitter)
    picture: Picture | None = None
    gap_s: float = float("nan")


def read(
    chapters: Iterable[Recording], *, engine: Engine, rpm: float | None = None, file: str = "", sha256: str = ""
) -> Reading:
    """Read one recording.

    Parameters
    ----------
    chapters : iterable of Recording
        The file's chapters in order, as from ``audio.chapters``.
    engine : Engine
        What is known of the engine.
    rpm : float or None
        Engine speed by the tachometer [1/min].
    file : str
        Name to carry in the reading.
    sha256 : str
        Hash of the file to carry in the reading.

    Returns
    -------
    Reading
        Counts, timing, verdict with reasons and next step.

    Raises
    ------
    ParameterError
        If the speed is impossible.
    """
    memory = _Memory(interval_s=None if rpm is None else cycle_interval(check_rpm(rpm)))
    heard: list[_Heard] = []
    seconds = 0.0
    for recording in chapters:
        chapter, memory = _hear(recording, engine, memory, given=rpm is not None)
        seconds = recording.start_s + len(recording.y) / recording.sr
        # The samples go: a view of none of them would keep them all.
        heard.append(replace(chapter, recording=replace(recording, y=np.zeros(0, dtype=np.float32))))
    return _join(heard, engine, rpm, seconds=seconds, file=file, sha256=sha256)


# --- one chapter ----------------------------------------------------------------------------------------------------


def _hear(recording: Recording, engine: Engine, memory: _Memory, *, given: bool) -> tuple[_Heard, _Memory]:
    checked = quality.judge_quality(recording, interval_s=memory.interval_s)
    strength = onsets.onset_strength(recording, bandwidth_hz=checked.bandwidth_hz)
    interval = memory.interval_s or cycle.estimate_interval(strength)
    suggested = cycle.contradicting_interval(strength, interval_s=interval) if given and interval else None
    blind = tuple(span for span in checked.spans if span.kind in UNJUDGED_KINDS)
    lock = None
    if interval is not None:
        lock = cycle.lock_cycle(strength, interval_s=interval, profile=memory.profile, without=blind)
        checked = replace(checked, spans=(*checked.spans, *_lost_spans(lock, blind)))
    nothing = _Heard(recording=recording, quality=checked, lock=lock, spans=checked.spans, suggested_s=suggested)
    if lock is None or lock.agreement < _LEAST_AGREEMENT:
        return nothing, memory
    white = whitened(recording.y, recording.sr, high_hz=checked.bandwidth_hz)
    per_cycle = EVENTS_PER_CYCLE[engine.injection]
    choice = memory.choice or ticks.choose_tick(
        recording.y,
        white,
        recording.sr,
        recording.start_s,
        strength,
        lock.clock,
        cylinders=engine.cylinders,
        per_cycle=per_cycle,
    )
    learnt = replace(memory, interval_s=interval, profile=lock.profile)
    chapter = replace(nothing, choice=choice, picture=_picture_without_tick(strength, lock))
    if choice.found is not ticks.Found.OWN:
        return chapter, learnt
    return _ask(chapter, white, strength, per_cycle), replace(learnt, choice=choice)


def _lost_spans(lock: cycle.Lock | None, blind: tuple[Span, ...]) -> tuple[Span, ...]:
    """Stretches in which the engine's cycle is not heard, where nothing else explains it."""
    if lock is None or lock.agreement < _LEAST_AGREEMENT:
        return ()
    first = np.ceil(lock.clock.cycles[0])
    edges = np.flatnonzero(np.diff(np.concatenate([[0], lock.unheard.astype(int), [0]]))).astype(float)
    times = time_at(lock.clock, first + edges)
    lost = [Span(from_s=float(a), to_s=float(b), kind=SpanKind.NO_LOCK) for a, b in times.reshape(-1, 2)]
    return tuple(s for s in lost if not covered(blind, np.array([s.from_s]), np.array([s.to_s]))[0])


def _ask(chapter: _Heard, white: FloatArray, strength: OnsetStrength, per_cycle: int) -> _Heard:
    """Ask every due event of a chapter whose own tick is known."""
    recording, lock, choice = chapter.recording, chapter.lock, chapter.choice
    assert lock is not None
    assert choice is not None
    assert choice.own is not None
    sr, start_s = recording.sr, recording.start_s
    cycles, due = _due_events(lock, choice.own.phase, per_cycle, start_s, start_s + len(recording.y) / sr)
    hint = choice.own.gap_s
    blocking = tuple(span for span in chapter.quality.spans if span.kind in UNJUDGED_KINDS)
    first, last = min(0.0, _or_zero(hint)) - _TICK_BEFORE_S, max(0.0, _or_zero(hint)) + _TICK_AFTER_S
    hidden = covered(blocking, due + first, due + last)
    if (~hidden).sum() < 5:
        return chapter
    # A doublet shows by itself; a lone click must be told from a valve's close by.
    click = None if np.isfinite(hint) else choice.own.template
    matches = match_events(white, sr, start_s, due, ~hidden, gap_s=hint, click=click, lead_s=choice.own.lead_s)
    present = ~hidden & (matches.skip_probability < 0.5)
    gaps = opentime.measure_gaps(
        recording.y, white, sr, start_s, np.where(present, matches.heard_s, np.nan), hint_s=hint
    )
    shift = gaps.open_offset_s if np.isfinite(gaps.gap_s) else 0.0
    neighbours = _neighbour_ticks(white, sr, start_s, lock, choice, cycles, matches.due_s - due)
    others = company.neighbours_company(neighbours, len(due))
    if not others.audible:
        own = tuple((choice.own.phase + k / per_cycle) % 1.0 for k in range(per_cycle))
        others = company.engine_company(strength, lock.clock, own, cycles)
    silent = _silent_spans(due, present | hidden, others, neighbours)
    mode = _mode_span(white, sr, start_s, lock, matches, cycles) if per_cycle == 1 else ()
    hidden |= covered(mode, due, due + 1e-6)
    states = _states(matches, hidden)
    made = Events(
        time_s=matches.due_s + shift,
        state=states,
        skip_probability=np.where(hidden, np.nan, matches.skip_probability),
        heard_at_s=np.where(present & ~hidden, matches.heard_s + shift, np.nan),
        level_db=np.where(present & ~hidden, _levels(recording, matches, present), np.nan),
        open_time_ms=np.where(hidden, np.nan, gaps.event_gap_s * 1e3),
        neighbours=_presence(states, others),
    )
    keep = ~covered(silent, due, due + 1e-6)
    return replace(
        chapter,
        events=_select(made, keep),
        event_cycles=cycles[keep],
        spans=chapter.quality.spans + silent + mode,
        matches=matches,
        tick_over_noise_db=_tick_over_noise(recording, matches, present),
        audible=others.audible,
        jitter=_timing(made, cycles, neighbours, choice, per_cycle),
        picture=_picture(strength, lock, choice.own.phase + shift / _length(lock), per_cycle, matches, sr, shift),
        gap_s=gaps.gap_s,
    )


def _due_events(
    lock: cycle.Lock, phase: float, per_cycle: int, from_s: float, to_s: float
) -> tuple[FloatArray, FloatArray]:
    """Engine cycles and times of all due events that lie whole within the chapter."""
    first, last = cycle_at(lock.clock, np.array([from_s, to_s]))
    count = np.arange(np.floor((first - phase) * per_cycle), np.ceil((last - phase) * per_cycle) + 1)
    cycles = phase + count / per_cycle
    due = time_at(lock.clock, cycles)
    inside = (due >= from_s + 0.02) & (due <= to_s - 0.03)
    return cycles[inside], due[inside]


def _neighbour_ticks(
    white: FloatArray,
    sr: int,
    start_s: float,
    lock: cycle.Lock,
    choice: ticks.Choice,
    cycles: FloatArray,
    late: FloatArray,
) -> list[company.NeighbourTicks]:
    """Each neighbour's ticks after every due event; the engine's lateness goes with them."""
    assert choice.own is not None
    return [
        company.match_neighbour(
            white,
            sr,
            start_s,
            time_at(lock.clock, cycles + (slot.phase - choice.own.phase) % 1.0) + late,
            slot.template,
            before_s=slot.lead_s,
        )
        for slot in choice.slots
    ]


def _silent_spans(
    due: FloatArray,
    there: npt.NDArray[np.bool_],
    others: company.Company,
    neighbours: list[company.NeighbourTicks],
) -> tuple[Span, ...]:
    """Three or more events in a row without this tick and without the others: the whole engine fell silent."""
    gone = ~there
    spans = []
    edges = np.flatnonzero(np.diff(np.concatenate([[0], gone.astype(int), [0]])))
    for first, after in zip(edges[::2], edges[1::2], strict=True):
        if after - first < _FEWEST_SILENT:
            continue
        without = others.audible and np.mean(others.heard[first:after]) < 0.5
        if without or company.silent_run(neighbours, int(first), int(after)):
            half = 0.5 * np.median(np.diff(due))
            spans.append(
                Span(from_s=float(due[first] - half), to_s=float(due[after - 1] + half), kind=SpanKind.ENGINE_SILENT)
            )
    return tuple(spans)


_FEWEST_SILENT = 3


def _mode_span(
    white: FloatArray,
    sr: int,
    start_s: float,
    lock: cycle.Lock,
    matches: Matches,
    cycles: FloatArray,
) -> tuple[Span, ...]:
    """The first seconds after a start, in which the injector ticks once per revolution."""
    half = time_at(lock.clock, cycles + 0.5)
    extra = match_elsewhere(white, sr, start_s, half, matches)
    middle = (float(np.median(extra)) + matches.heard_mean) / 2
    run = int(np.argmax(np.cumsum(extra - middle))) + 1
    there, later = extra[:run] > middle, extra[run:] > middle
    if run < _FEWEST_SILENT or there.mean() < _MOST_THERE or later.mean() > 1 - _MOST_THERE:
        return ()
    return (Span(from_s=start_s, to_s=float(half[run - 1]), kind=SpanKind.ONCE_PER_REVOLUTION),)


# Of the ticks half a cycle off, so many must be there before the mode changes, and gone after.
_MOST_THERE = 0.8


def _states(matches: Matches, hidden: npt.NDArray[np.bool_]) -> tuple[State, ...]:
    skipped = matches.skip_probability >= 0.5
    weak = matches.amplitude < WEAK
    return tuple(
        State.UNJUDGED if h else State.SKIPPED if s else State.WEAK if w else State.HEARD
        for h, s, w in zip(hidden, skipped, weak, strict=True)
    )


def _presence(states: tuple[State, ...], others: company.Company) -> tuple[Neighbours, ...]:
    if not others.audible:
        return (Neighbours.NOT_CHECKED,) * len(states)
    return tuple(Neighbours.HEARD if there else Neighbours.NOT_HEARD for there in others.heard)


def _select(made: Events, keep: npt.NDArray[np.bool_]) -> Events:
    index = np.flatnonzero(keep)
    return Events(
        time_s=made.time_s[keep],
        state=tuple(made.state[i] for i in index),
        skip_probability=made.skip_probability[keep],
        heard_at_s=made.heard_at_s[keep],
        level_db=made.level_db[keep],
        open_time_ms=made.open_time_ms[keep],
        neighbours=tuple(made.neighbours[i] for i in index),
    )


def _levels(recording: Recording, matches: Matches, present: npt.NDArray[np.bool_]) -> FloatArray:
    """Level of each tick: peak of the mean tick over full scale, times each event's amplitude [dB]."""
    peak, _ = levels.mean_peak(recording.y, recording.sr, recording.start_s, matches.heard_s[present])
    return 20 * np.log10(np.maximum(peak * np.maximum(matches.amplitude, 1e-3), 1e-9))


def _tick_over_noise(recording: Recording, matches: Matches, present: npt.NDArray[np.bool_]) -> float | None:
    if not present.any():
        return None
    peak, noise = levels.mean_peak(recording.y, recording.sr, recording.start_s, matches.heard_s[present])
    return float(20 * np.log10(max(peak, 1e-9) / max(noise, 1e-9)))


def _timing(
    made: Events,
    cycles: FloatArray,
    neighbours: list[company.NeighbourTicks],
    choice: ticks.Choice,
    per_cycle: int,
) -> Jitter:
    """Interval figures of a chapter, and the tick's own scatter against the engine's other clicks."""
    assert choice.own is not None
    figures = jitter.measure_jitter(made.heard_at_s, cycles, step=1 / per_cycle)
    clear = [k for k, n in enumerate(neighbours) if n.separation >= company.AUDIBLE]
    at = [np.where(neighbours[k].heard, neighbours[k].at_s, np.nan) for k in clear]
    phase = [(choice.slots[k].phase - choice.own.phase) % 1.0 for k in clear]
    own = scatter.own_scatter(
        made.heard_at_s,
        cycles,
        np.concatenate([np.zeros(0), *at]),
        np.concatenate([np.zeros(0), *(cycles + p for p in phase)]),
        np.concatenate([np.zeros(0, dtype=int), *(np.full(len(cycles), k) for k in clear)]),
    )
    return replace(
        figures,
        own_scatter_us=own.sigma_us,
        own_scatter_low_us=own.low_us,
        own_scatter_high_us=own.high_us,
        engine_unevenness_us=own.unevenness_us,
    )


# --- picture --------------------------------------------------------------------------------------------------------


def _rows(strength: OnsetStrength, lock: cycle.Lock, phase: float) -> tuple[FloatArray, FloatArray]:
    """Mean onset strength per cycle and bin, rows starting a quarter cycle before the own tick."""
    start = phase - 0.25
    first, last = np.ceil(lock.clock.cycles[0] - start), np.floor(lock.clock.cycles[-1] - start)
    starts = start + np.arange(first, last)
    where = starts[:, None] + (np.arange(_ROW_BINS) + 0.5) / _ROW_BINS
    frame = np.round((time_at(lock.clock, where.ravel()) - strength.start_s) / strength.hop_s).astype(int)
    level = strength.bands.mean(axis=0)
    rows = level[np.clip(frame, 0, len(level) - 1)].reshape(where.shape).astype(np.float32)
    return rows, time_at(lock.clock, starts)


def _picture_without_tick(strength: OnsetStrength, lock: cycle.Lock) -> Picture:
    rows, times = _rows(strength, lock, 0.25)
    return Picture(
        rows=rows,
        row_times_s=times,
        profile=rows.mean(axis=0),
        own_phases=(),
        mean_tick=np.zeros(0),
        mean_tick_s=np.zeros(0),
    )


def _picture(
    strength: OnsetStrength,
    lock: cycle.Lock,
    phase: float,
    per_cycle: int,
    matches: Matches,
    sr: int,
    shift_s: float,
) -> Picture:
    rows, times = _rows(strength, lock, phase)
    tick = matches.template / max(float(np.abs(matches.template).max()), 1e-12)
    return Picture(
        rows=rows,
        row_times_s=times,
        profile=rows.mean(axis=0),
        own_phases=tuple((0.25 + k / per_cycle) % 1.0 for k in range(per_cycle)),
        mean_tick=tick,
        mean_tick_s=(np.arange(len(tick)) - matches.zero) / sr - shift_s,
    )


def _length(lock: cycle.Lock) -> float:
    clock = lock.clock
    return float(np.median(np.diff(clock.times_s) / np.diff(clock.cycles)))


def _or_zero(x: float) -> float:
    return x if np.isfinite(x) else 0.0


# --- all chapters ---------------------------------------------------------------------------------------------------


def _join(heard: list[_Heard], engine: Engine, rpm: float | None, *, seconds: float, file: str, sha256: str) -> Reading:
    first = heard[0].recording
    counted = [chapter for chapter in heard if chapter.events is not None]
    made = _joined_events(heard)
    skips = count_skips(made)
    firing = _firing(heard, engine)
    warnings = _warnings(heard, engine, rpm, firing, counted)
    finding = _finding(heard, counted, skips, engine, firing, warnings)
    spans = tuple(sorted((s for chapter in heard for s in chapter.spans), key=lambda s: (s.from_s, s.to_s)))
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
        jitter=_jitter(counted, warnings),
        open_time=_open_time(made),
        neighbours=_neighbours(made),
        quality=QualityFigures(
            tick_over_noise_db=_mean([c.tick_over_noise_db for c in counted]),
            separation=_mean([c.matches.separation for c in counted if c.matches]),
            unjudged_seconds=_joined_length([s for s in spans if s.kind in UNJUDGED_KINDS]),
            bandwidth_hz=min(c.quality.bandwidth_hz for c in heard),
            warnings=warnings,
        ),
        picture=_joined_picture(heard),
    )


def _jitter(counted: list[_Heard], warnings: tuple[Note, ...]) -> Jitter:
    """Timing of the first chapter, which is long enough; none where the codec moves the ticks."""
    if not counted or any(note.code is WarningCode.NO_TIMING for note in warnings):
        return Jitter()
    return counted[0].jitter


def _seams(heard: list[_Heard]) -> list[tuple[float, float]]:
    """From when to when each chapter's events count."""
    starts = [chapter.recording.start_s for chapter in heard]
    edges = [-np.inf, *(s + _SEAM_S for s in starts[1:]), np.inf]
    return list(pairwise(edges))


def _joined_events(heard: list[_Heard]) -> Events:
    parts = []
    for chapter, (low, high) in zip(heard, _seams(heard), strict=True):
        if chapter.events is not None:
            time = chapter.events.time_s
            parts.append(_select(chapter.events, (time >= low) & (time < high)))
    arrays = ("time_s", "skip_probability", "heard_at_s", "level_db", "open_time_ms")
    return Events(
        state=tuple(state for part in parts for state in part.state),
        neighbours=tuple(n for part in parts for n in part.neighbours),
        **{name: np.concatenate([np.zeros(0), *(getattr(part, name) for part in parts)]) for name in arrays},
    )


def _firing(heard: list[_Heard], engine: Engine) -> Firing | None:
    lengths = []
    for chapter, (low, high) in zip(heard, _seams(heard), strict=True):
        if chapter.lock is not None and chapter.lock.agreement >= _LEAST_AGREEMENT:
            clock = chapter.lock.clock
            whole = np.arange(np.ceil(clock.cycles[0]), np.floor(clock.cycles[-1]) + 1)
            times = time_at(clock, whole)
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
        spread_ms=float(1.4826 * np.median(np.abs(gaps - median))),
        drift_ms=float(np.median(gaps[-fifth:]) - np.median(gaps[:fifth])),
        count=len(gaps),
    )


def _neighbours(made: Events) -> Neighbours:
    """Were the others there where ticks are missing; with none missing, could they be heard at all."""
    asked = [n for n, s in zip(made.neighbours, made.state, strict=True) if s is State.SKIPPED] or made.neighbours
    if not asked or any(n is Neighbours.NOT_CHECKED for n in asked):
        return Neighbours.NOT_CHECKED
    heard = sum(n is Neighbours.HEARD for n in asked)
    return Neighbours.HEARD if heard >= len(asked) / 2 else Neighbours.NOT_HEARD


def _mean(values: list[float | None]) -> float | None:
    known = [v for v in values if v is not None]
    return float(np.mean(known)) if known else None


def _joined_length(spans: list[Span]) -> float:
    total, reached = 0.0, -np.inf
    for span in sorted(spans, key=lambda s: s.from_s):
        total += max(0.0, span.to_s - max(span.from_s, reached))
        reached = max(reached, span.to_s)
    return total


def _joined_picture(heard: list[_Heard]) -> Picture | None:
    own = [c for c in heard if c.events is not None and c.picture is not None]
    drawn = own or [c for c in heard if c.picture is not None]
    if not drawn:
        return None
    pictures = [c.picture for c in drawn if c.picture is not None]
    rows = np.concatenate([p.rows for p in pictures])
    times = np.concatenate([p.row_times_s for p in pictures])
    rising = np.concatenate([[True], np.diff(np.maximum.accumulate(times)) > 0])
    return replace(pictures[0], rows=rows[rising], row_times_s=times[rising], profile=rows[rising].mean(axis=0))


# --- verdict --------------------------------------------------------------------------------------------------------


def _warnings(
    heard: list[_Heard], engine: Engine, rpm: float | None, firing: Firing | None, counted: list[_Heard]
) -> tuple[Note, ...]:
    notes: dict[WarningCode, Note] = {}
    for chapter in heard:
        for note in (*chapter.recording.warnings, *chapter.quality.warnings):
            notes[WarningCode(note.code)] = _added(notes.get(WarningCode(note.code)), note)
    spans = [s for chapter in heard for s in chapter.spans]
    for kind, code in (
        (SpanKind.ENGINE_SILENT, WarningCode.ENGINE_SILENT),
        (SpanKind.ONCE_PER_REVOLUTION, WarningCode.MODE_CHANGED),
    ):
        these = [s for s in spans if s.kind is kind]
        if these:
            figures = {"count": len(these), "seconds": round(_joined_length(these), 1)}
            notes[code] = Note(code=code, figures=figures)
    if rpm is None and firing is not None:
        notes[WarningCode.RPM_ESTIMATED] = Note(code=WarningCode.RPM_ESTIMATED, figures={"rpm": round(firing.rpm)})
    if rpm is not None and heard[0].suggested_s is not None:
        figures = {"rpm_given": rpm, "rpm_heard": round(120 / heard[0].suggested_s)}
        notes[WarningCode.RPM_CONTRADICTED] = Note(code=WarningCode.RPM_CONTRADICTED, figures=figures)
    if engine.injection is Injection.BATCH:
        notes[WarningCode.NEIGHBOUR_COINCIDES] = Note(code=WarningCode.NEIGHBOUR_COINCIDES)
    if counted and not any(c.audible for c in counted):
        notes[WarningCode.NEIGHBOURS_NOT_HEARD] = Note(code=WarningCode.NEIGHBOURS_NOT_HEARD)
    if counted and counted[0].jitter.own_scatter_us is None and counted[0].jitter.engine_unevenness_us is not None:
        uneven = counted[0].jitter.engine_unevenness_us
        notes[WarningCode.ENGINE_UNEVEN] = Note(
            code=WarningCode.ENGINE_UNEVEN, figures={"unevenness_us": round(uneven)}
        )
    return tuple(notes.values())


def _added(before: Note | None, note: Note) -> Note:
    """Join a chapter's warning with the same warning of earlier chapters: counts and seconds add up."""
    if before is None:
        return note
    figures = dict(note.figures)
    for key in ("count", "seconds"):
        old, new = before.figures.get(key), figures.get(key)
        if isinstance(old, int | float) and isinstance(new, int | float):
            figures[key] = round(old + new, 3)
    return Note(code=note.code, figures=figures)


def _finding(
    heard: list[_Heard],
    counted: list[_Heard],
    skips: Skips,
    engine: Engine,
    firing: Firing | None,
    warnings: tuple[Note, ...],
) -> Finding:
    if not counted or firing is None:
        return _without_count(heard, warnings)
    worst = min(counted, key=lambda c: c.matches.separation if c.matches else np.inf)
    assert worst.matches is not None
    return reach_verdict(
        Evidence(
            skips=skips,
            separation=worst.matches.separation,
            miss_probability=max(c.matches.miss_probability for c in counted if c.matches),
            interval_s=firing.interval_s,
            doubts=_doubts(warnings),
            batch=engine.injection is Injection.BATCH,
            sure=all(c.choice.sure for c in counted if c.choice),
        )
    )


def _doubts(warnings: tuple[Note, ...]) -> tuple[Note, ...]:
    """Warnings that forbid a claim whatever was counted."""
    found = []
    for note in warnings:
        if note.code is WarningCode.NOISE_SUPPRESSION:
            found.append(Note(code=ReasonCode.TICKS_FADE, figures=note.figures))
        if note.code is WarningCode.RPM_CONTRADICTED:
            found.append(Note(code=ReasonCode.RPM_CONTRADICTED, figures=note.figures))
    return tuple(found)


def _without_count(heard: list[_Heard], warnings: tuple[Note, ...]) -> Finding:
    """Verdict where no tick could be named as this injector's."""
    doubts = _doubts(warnings)
    choices = [c.choice for c in heard if c.choice is not None]
    if not choices:
        if doubts:
            return doubtful(doubts)
        note = Note(code=ReasonCode.NOT_A_RECORDING_OF_AN_ENGINE)
        return Finding(verdict=Verdict.NO_TICK, reasons=(note,), next_step=Note(code=StepCode.RECORD_AGAIN_CLOSER))
    found = choices[0].found
    if found is ticks.Found.OWN_SILENT:
        return Finding(
            verdict=Verdict.NO_TICK,
            reasons=(Note(code=ReasonCode.OWN_PLACE_SILENT),),
            next_step=Note(code=StepCode.CHECK_DRIVE),
        )
    if found is ticks.Found.ENGINE_ONLY:
        return Finding(
            verdict=Verdict.NO_TICK,
            reasons=(Note(code=ReasonCode.ENGINE_TICKS_ONLY),),
            next_step=Note(code=StepCode.RECORD_OWN_INJECTOR),
        )
    if found is ticks.Found.TWO:
        own, rival = choices[0].own, choices[0].rival
        assert own is not None
        assert rival is not None
        figures = {"ratio": round(rival.level / own.level, 2)}
        doubts = (Note(code=ReasonCode.TWO_CANDIDATES, figures=figures), *doubts)
        return doubtful(doubts)
    squeezed = [
        Note(code=ReasonCode.SPEECH_CODEC, figures=n.figures) for n in warnings if n.code is WarningCode.SPEECH_CODEC
    ]
    return doubtful((*squeezed, Note(code=ReasonCode.FAINT), *doubts))
