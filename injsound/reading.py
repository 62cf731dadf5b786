"""From chapters of one recording to a `Reading`: composes the stages and joins their results.

No signal arithmetic of its own. Each chapter is heard with what the earlier ones taught (`_Memory`): the profile that
fixes phase zero and this injector's tick.
"""

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from injsound.codes import SpanKind, Verdict
from injsound.counting import count
from injsound.engine import EVENTS_PER_CYCLE, Engine, check_rpm, cycle_interval, neighbour_phases
from injsound.errors import ParameterError
from injsound.heard import Heard, is_contradicted, without_count
from injsound.joining import join
from injsound.pictures import uncounted_picture
from injsound.results import Reading
from injsound.sound import knocks, onsets, quality
from injsound.sound.clock import cycle_length, time_at
from injsound.sound.filters import muted, whitened
from injsound.sound.own import ticks
from injsound.sound.signals import covered, true_runs
from injsound.sound.turning import cycle, engine_speed
from injsound.values import SHORTEST_CHAPTER_S, FloatArray, OnsetStrength, Recording, Span


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Memory:
    """What earlier chapters taught; ``typed`` where the interval is the person's."""

    interval_s: float | None = None
    typed: bool = False
    profile: FloatArray | None = None
    choice: ticks.Choice | None = None


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
        If the speed is impossible, a chapter too short, a sample no finite number, or there is nothing to read.
    """
    memory = _Memory(interval_s=None if rpm is None else cycle_interval(check_rpm(rpm)), typed=rpm is not None)
    heard: list[Heard] = []
    for recording in chapters:
        _check_chapter(recording)
        chapter, memory = _hear(recording, engine, memory)
        heard.append(_emptied(chapter))
    if not heard:
        raise ParameterError("there is no chapter to read; expected one Recording at least: give the file's chapters")
    if is_contradicted(heard):
        heard = [without_count(chapter) for chapter in heard]
    seconds = heard[-1].end_s
    made = join(heard, engine, rpm, seconds=seconds, file=file, sha256=sha256)
    if made.verdict is Verdict.SKIPPING or all(chapter.uncounted is None for chapter in heard):
        return made
    # What only skips could have shown to be an injector's tick shows none.
    heard = [chapter.uncounted or chapter for chapter in heard]
    return join(heard, engine, rpm, seconds=seconds, file=file, sha256=sha256)


def _check_chapter(recording: Recording) -> None:
    length_s = len(recording.y) / recording.sr
    if length_s < SHORTEST_CHAPTER_S:
        raise ParameterError(
            f"chapter at {recording.start_s:g} s is {length_s:.3g} s long; expected {SHORTEST_CHAPTER_S:g} s or "
            "more: join it to the one before"
        )
    wrong = np.flatnonzero(~np.isfinite(recording.y))
    if wrong.size:
        raise ParameterError(
            f"sample {wrong[0]} of the chapter at {recording.start_s:g} s is {recording.y[wrong[0]]}; "
            "expected a number: put zeros there, and name the hole in gaps"
        )


def _hear(recording: Recording, engine: Engine, memory: _Memory) -> tuple[Heard, _Memory]:
    """One chapter, and what it taught."""
    chapter, strength = _follow(recording, engine, memory)
    if chapter.followed is None or not chapter.settled:
        return chapter, memory
    return _choose_and_count(chapter, strength, engine, memory)


def _emptied(chapter: Heard) -> Heard:
    """The same without its samples: a view of none of them would keep them all."""
    recording = replace(chapter.recording, y=np.zeros(0, dtype=np.float32))
    return replace(chapter, recording=recording, uncounted=chapter.uncounted and _emptied(chapter.uncounted))


def _follow(recording: Recording, engine: Engine, memory: _Memory) -> tuple[Heard, OnsetStrength]:
    """What may not be judged, and the engine's cycle followed; bumps are taken out of the sound."""
    checked = quality.judge_quality(recording, interval_s=memory.interval_s)
    strength = onsets.onset_strength(recording, bandwidth_hz=checked.bandwidth_hz)
    followed = engine_speed.follow_engine(
        strength,
        interval_s=memory.interval_s,
        cylinders=None if engine.firing_angles else engine.cylinders,
        per_cycle=EVENTS_PER_CYCLE[engine.injection],
        profile=memory.profile,
        without=checked.blind,
    )
    checked = replace(checked, spans=(*checked.spans, *_lost_spans(followed.lock, checked.blind)))
    struck = knocks.find_knocks(recording.y, recording.sr, recording.start_s, checked.spans)
    bumps = [span for span in checked.spans if span.kind is SpanKind.BUMP]
    muffled = muted(recording.y, recording.sr, recording.start_s, bumps)
    chapter = Heard(
        recording=replace(recording, y=muffled),
        end_s=recording.start_s + len(recording.y) / recording.sr,
        quality=checked,
        lock=followed.lock,
        spans=checked.spans,
        suggested_s=followed.suggested_s if memory.typed else None,
        settled=followed.settled,
        knocks=struck,
    )
    return chapter, strength


def _choose_and_count(
    chapter: Heard, strength: OnsetStrength, engine: Engine, memory: _Memory
) -> tuple[Heard, _Memory]:
    """The own tick, as chosen before or now, and its events."""
    recording, lock = chapter.recording, chapter.lock
    assert lock is not None
    white = whitened(recording.y, recording.sr, high_hz=chapter.quality.bandwidth_hz)
    per_cycle = EVENTS_PER_CYCLE[engine.injection]
    choice = memory.choice or ticks.choose_tick(
        recording.y,
        white,
        recording.sr,
        recording.start_s,
        strength,
        lock.clock,
        fellows=_fellows(engine),
        per_cycle=per_cycle,
        without=chapter.quality.blind,
    )
    learnt = replace(memory, interval_s=memory.interval_s or cycle_length(lock.clock), profile=lock.profile)
    chapter = replace(chapter, choice=choice)
    named = choice.found is ticks.Found.OWN
    if named or choice.only_by_skips:
        counted, learnt = count(chapter, white, strength, per_cycle), replace(learnt, choice=choice)
        if named and counted.picture is not None:
            return counted, learnt
    else:
        counted = chapter
    uncounted = replace(chapter, picture=uncounted_picture(strength, lock, choice))
    return uncounted if counted.picture is None else replace(counted, uncounted=uncounted), learnt


def _fellows(engine: Engine) -> tuple[float, ...] | None:
    """Where the other injectors tick, None where it is not known."""
    if engine.cylinders is None or (engine.firing_angles is not None and engine.cylinder is None):
        return None
    return neighbour_phases(engine)


def _lost_spans(lock: cycle.Lock | None, blind: tuple[Span, ...]) -> tuple[Span, ...]:
    """Stretches in which the engine's cycle is not heard, where nothing else explains it."""
    if lock is None or not lock.holds:
        return ()
    first = np.ceil(lock.clock.cycles[0])
    times = time_at(lock.clock, first + true_runs(lock.unheard))
    lost = [Span(from_s=float(a), to_s=float(b), kind=SpanKind.NO_LOCK) for a, b in times]
    return tuple(s for s in lost if not covered(blind, np.array([s.from_s]), np.array([s.to_s]))[0])
