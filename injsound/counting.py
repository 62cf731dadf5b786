"""One chapter whose own tick is known: every due event asked, and what surrounds it told.

No signal arithmetic of its own, as `reading.py`: the same stages go over the events by one click of the tick, by both
together, and by each where it is; the way that tells more counts, and what another disputes is doubted.
"""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from injsound.beside import FEWEST_SILENT, Beside, astray_spans, listen_beside, silent_spans, stray_spans
from injsound.codes import Neighbours, SpanKind, State
from injsound.heard import Heard, select
from injsound.pictures import counted_picture
from injsound.results import Events, Jitter
from injsound.sound.clock import cycle_at, cycle_length, time_at
from injsound.sound.matching import company
from injsound.sound.matching.dull import weak_by_low_notes
from injsound.sound.matching.events import Matches, Pair, match_elsewhere, match_events, stray_ticks
from injsound.sound.opening import opentime
from injsound.sound.opening.pair import find_pair
from injsound.sound.own import ticks
from injsound.sound.own.candidates import Candidate
from injsound.sound.own.partner import with_partner
from injsound.sound.signals import covered, robust_spread
from injsound.sound.timing import jitter, levels, scatter
from injsound.sound.turning import cycle
from injsound.sound.waveforms import unit
from injsound.values import FloatArray, OnsetStrength, Span

# A weak tick lies this far under its fellows and still counts as heard.
_WEAK = 10 ** (-6 / 20)
_TICK_BEFORE_S, _TICK_AFTER_S = 0.001, 0.004
# What is matched so far off the click that was chosen is another sound; candidates lie within half of it.
_STRAYED_S = 0.001
# Fewer events, hidden ones not counted, make no mean tick.
_FEWEST_EVENTS = 5
# An event is asked where the chapter holds so much before and after it.
_WHOLE_BEFORE_S, _WHOLE_AFTER_S = 0.02, 0.03
# What one way of matching calls missing and the other hears with at most this probability of a skip is disputed; so
# many of them, and such a share of the missing ones, are no chance. Further than this off the usual place another sound
# was heard.
_SURELY_HEARD, _FEWEST_DISPUTED, _DISPUTED_SHARE, _IN_PLACE_S = 0.02, 3, 0.1, 0.0005
# A tick met so far off its place, and so many spreads of the rest, was met at another click: it has no time.
_MISTIMED_S, _MISTIMED_SPREADS = 0.001, 8.0
# Of the ticks half a cycle off, so many must be there before the mode changes, and gone after.
_MOST_THERE = 0.8


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Asked:
    """Due events matched with one idea of the own tick."""

    own: Candidate
    cycles: FloatArray
    due: FloatArray
    hidden: npt.NDArray[np.bool_]
    matches: Matches

    @property
    def present(self) -> npt.NDArray[np.bool_]:
        """Which events were heard, as they are matched so far, shape (n,)."""
        return ~self.hidden & (self.matches.skip_probability < 0.5)


def count(chapter: Heard, white: FloatArray, strength: OnsetStrength, per_cycle: int) -> Heard:
    """Ask every due event of a chapter whose own tick is known.

    Parameters
    ----------
    chapter : Heard
        With its lock on the cycle and the tick that was chosen.
    white : ndarray, shape (n,)
        Its samples, whitened [standard deviations].
    strength : OnsetStrength
        Onset strength in bands [unitless].
    per_cycle : int
        Ticks of one injector per cycle: 1 sequential, 2 batch [unitless].

    Returns
    -------
    Heard
        With its events, timing and picture; as it was where too few events can be judged.
    """
    recording, lock = chapter.recording, chapter.lock
    assert lock is not None
    assert chapter.choice is not None
    assert chapter.choice.own is not None
    asked = _match(chapter, chapter.choice.own, white, per_cycle)
    if asked is None:
        return chapter
    asked = _by_both_clicks(chapter, asked, white, per_cycle)
    if per_cycle == 1:
        asked = _by_each_click(chapter, asked, white)
    sr, start_s = recording.sr, recording.start_s
    sure = chapter.choice.sure and not _strayed(asked, chapter.choice.own.gap_s)
    choice = replace(chapter.choice, own=asked.own, sure=sure)
    cycles, due, matches = asked.cycles, asked.due, asked.matches
    present = asked.present
    timed = present & ~_mistimed(matches, present)
    heard_s = np.where(timed, matches.heard_s, np.nan)
    gaps = opentime.measure_gaps(recording.y, white, sr, start_s, heard_s, gap_s=asked.own.gap_s)
    late = matches.due_s - due
    beside = listen_beside(chapter.recording, lock, choice, cycles, late, white, strength, per_cycle)
    silent = silent_spans(due, present | asked.hidden, beside)
    started = per_cycle == 1 and start_s <= 0
    mode = _mode_span(white, sr, start_s, lock, matches, cycles) if started else ()
    keep = ~covered(silent, due, due + 1e-6)
    spans = (*chapter.quality.spans, *silent)
    astray = astray_spans(due, present | ~keep, asked.hidden, beside, spans, first_chapter=start_s <= 0)
    hidden = asked.hidden | covered((*mode, *astray), due, due + 1e-6)
    if per_cycle == 1:
        missing = keep & ~hidden & ~present
        strays = stray_spans(due, missing, stray_ticks(white, sr, start_s, matches, missing), beside)
        astray += strays
        hidden |= covered(strays, due, due + 1e-6)
        matches = _with_weak(matches, white, sr, start_s, missing=missing & ~hidden, heard=present)
    peak, noise = levels.mean_peak(recording.y, sr, start_s, matches.heard_s[present]) if present.any() else (0.0, 0.0)
    made = _events(matches, gaps, present=present, timed=timed, hidden=hidden, peak=peak, beside=beside)
    open_phase = asked.own.phase + gaps.open_offset_s / cycle_length(lock.clock)
    return replace(
        chapter,
        choice=choice,
        events=select(made, keep),
        spans=chapter.quality.spans + silent + mode + astray,
        matches=matches,
        tick_over_noise_db=float(20 * np.log10(max(peak, 1e-9) / max(noise, 1e-9))) if present.any() else None,
        audible=beside.others.audible,
        injectors_audible=beside.by_ticks,
        jitter=_timing(made, cycles, beside.neighbours, choice, per_cycle),
        picture=counted_picture(strength, lock, open_phase, per_cycle, matches, sr, gaps.open_offset_s),
    )


def _events(
    matches: Matches,
    gaps: opentime.Gaps,
    *,
    present: npt.NDArray[np.bool_],
    timed: npt.NDArray[np.bool_],
    hidden: npt.NDArray[np.bool_],
    peak: float,
    beside: Beside,
) -> Events:
    """Every due event, its times told from the open click."""
    return Events(
        time_s=matches.due_s + gaps.open_offset_s,
        state=_states(matches, hidden, present),
        skip_probability=np.where(hidden, np.nan, matches.skip_probability),
        heard_at_s=np.where(timed & ~hidden, matches.heard_s + gaps.open_offset_s, np.nan),
        level_db=np.where(present & ~hidden, _levels(peak, matches), np.nan),
        open_time_ms=np.where(hidden, np.nan, gaps.event_gap_s * 1e3),
        neighbours=_presence(len(hidden), beside.others),
    )


def _mistimed(matches: Matches, present: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Which of the events that were heard lie so far off all others that another click was met, as the close one."""
    if not present.any():
        return present
    off_s = _off_place(matches, present)
    away: npt.NDArray[np.bool_] = np.abs(off_s) > max(_MISTIMED_S, _MISTIMED_SPREADS * robust_spread(off_s[present]))
    return away


def _off_place(matches: Matches, heard: npt.NDArray[np.bool_]) -> FloatArray:
    """How much later than those that were heard each event was met, at least one of them [s]."""
    late_s = matches.heard_s - matches.due_s
    off_s: FloatArray = late_s - np.median(late_s[heard])
    return off_s


def _with_weak(
    matches: Matches,
    white: FloatArray,
    sr: int,
    start_s: float,
    *,
    missing: npt.NDArray[np.bool_],
    heard: npt.NDArray[np.bool_],
) -> Matches:
    """The matches, ticks found in what seems missing that are too weak for the mean tick but not for its low notes."""
    late_s = matches.heard_s - matches.due_s
    weak = weak_by_low_notes(
        white,
        sr,
        start_s,
        matches.due_s,
        late_s,
        missing=missing,
        heard=heard,
        template=matches.template,
        zero=matches.zero,
    )
    p = matches.skip_probability
    # A trace of weakness adds to the doubt and calls nothing heard.
    doubted = np.maximum(p * (1 - weak), np.minimum(p, 0.5))
    return replace(matches, skip_probability=np.where(weak >= 0.5, np.minimum(p, 1 - weak), doubted))


def _strayed(asked: _Asked, gap_s: float) -> bool:
    """Whether what was matched lies off the click that was chosen, and not where its other click is."""
    off_s = abs(float(np.median(asked.matches.due_s - asked.due)))
    other_s = abs(gap_s) if np.isfinite(gap_s) else 0.0
    return off_s > _STRAYED_S and abs(off_s - other_s) > _STRAYED_S


def _match(
    chapter: Heard, own: Candidate, white: FloatArray, per_cycle: int, pair: Pair | None = None
) -> _Asked | None:
    """Match every due event with an idea of the own tick; None where too few are not hidden."""
    recording, lock = chapter.recording, chapter.lock
    assert lock is not None
    sr, start_s = recording.sr, recording.start_s
    cycles, due = _due_events(lock, own.phase, per_cycle, start_s, start_s + len(recording.y) / sr)
    first, last = min(0.0, own.partner_s) - _TICK_BEFORE_S, max(0.0, own.partner_s) + _TICK_AFTER_S
    hidden = covered(chapter.quality.blind, due + first, due + last)
    if (~hidden).sum() < _FEWEST_EVENTS:
        return None
    matches = match_events(
        white,
        sr,
        start_s,
        due,
        ~hidden,
        click=own.template,
        lead_s=own.lead_s,
        gap_s=own.gap_s,
        partner=per_cycle > 1,
        pair=pair,
    )
    return _Asked(own=own, cycles=cycles, due=due, hidden=hidden, matches=matches)


def _by_both_clicks(chapter: Heard, asked: _Asked, white: FloatArray, per_cycle: int) -> _Asked:
    """The same by both clicks of the tick, where another click keeps its distance and together they tell more."""
    recording, lock = chapter.recording, chapter.lock
    assert lock is not None
    heard_s = asked.matches.heard_s[asked.present]
    pair = with_partner(asked.own, white, recording.sr, recording.start_s, heard_s, interval_s=cycle_length(lock.clock))
    if pair is None:
        return asked
    both = _match(chapter, pair, white, per_cycle)
    if both is not None and both.matches.separation > asked.matches.separation:
        return both
    follows = pair.phase == asked.own.phase
    return replace(asked, own=replace(asked.own, gap_s=pair.gap_s if follows else -pair.gap_s))


def _by_each_click(chapter: Heard, asked: _Asked, white: FloatArray) -> _Asked:
    """The same by each click where it is, where their gap moves and each by itself they tell more."""
    recording, lock = chapter.recording, chapter.lock
    assert lock is not None
    heard_s = asked.matches.heard_s[asked.present]
    found = find_pair(white, recording.sr, recording.start_s, heard_s)
    if found is None:
        return asked
    pair, off_s = found
    off_s += float(np.median(asked.matches.due_s - asked.due))
    own = replace(
        asked.own,
        phase=(asked.own.phase + off_s / cycle_length(lock.clock)) % 1.0,
        gap_s=pair.gap_s,
        template=unit(pair.first + pair.second),
        lead_s=pair.lead_s,
    )
    each = _match(chapter, own, white, 1, pair)
    if each is None:
        return asked
    better, other = (each, asked) if each.matches.separation > asked.matches.separation else (asked, each)
    return _disputed(better, other)


def _disputed(asked: _Asked, other: _Asked) -> _Asked:
    """Missing events that another way of matching surely hears in place count as even chances, where they are many."""
    heard = other.matches.skip_probability < _SURELY_HEARD
    if len(asked.due) != len(other.due) or not heard.any():
        return asked
    missing = ~asked.hidden & ~asked.present
    surely = missing & heard & (np.abs(_off_place(other.matches, heard)) <= _IN_PLACE_S)
    if surely.sum() < max(_FEWEST_DISPUTED, _DISPUTED_SHARE * missing.sum()):
        return asked
    p = np.where(surely, 0.5, asked.matches.skip_probability)
    return replace(asked, matches=replace(asked.matches, skip_probability=p))


def _due_events(
    lock: cycle.Lock, phase: float, per_cycle: int, from_s: float, to_s: float
) -> tuple[FloatArray, FloatArray]:
    """Engine cycles and times of all due events that lie whole within the chapter."""
    first, last = cycle_at(lock.clock, np.array([from_s, to_s]))
    count = np.arange(np.floor((first - phase) * per_cycle), np.ceil((last - phase) * per_cycle) + 1)
    cycles = phase + count / per_cycle
    due = time_at(lock.clock, cycles)
    inside = (due >= from_s + _WHOLE_BEFORE_S) & (due <= to_s - _WHOLE_AFTER_S)
    return cycles[inside], due[inside]


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
    if min(run, len(later)) < FEWEST_SILENT or there.mean() < _MOST_THERE or later.mean() > 1 - _MOST_THERE:
        return ()
    return (Span(from_s=start_s, to_s=float(half[run - 1]), kind=SpanKind.ONCE_PER_REVOLUTION),)


def _states(matches: Matches, hidden: npt.NDArray[np.bool_], present: npt.NDArray[np.bool_]) -> tuple[State, ...]:
    skipped = matches.skip_probability >= 0.5
    weak = (matches.amplitude < _WEAK) | ~present
    return tuple(
        State.UNJUDGED if h else State.SKIPPED if s else State.WEAK if w else State.HEARD
        for h, s, w in zip(hidden, skipped, weak, strict=True)
    )


def _presence(count: int, others: company.Company) -> tuple[Neighbours, ...]:
    if not others.audible:
        return (Neighbours.NOT_CHECKED,) * count
    return tuple(Neighbours.HEARD if there else Neighbours.NOT_HEARD for there in others.heard)


def _levels(peak: float, matches: Matches) -> FloatArray:
    """Level of each tick: peak of the mean tick over full scale, times each event's amplitude [dB]."""
    return 20 * np.log10(np.maximum(peak * np.maximum(matches.amplitude, 1e-3), 1e-9))


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
    # In batch mode every second tick has a place of its own, a little off half a cycle: it is one more sound.
    turn = np.arange(len(cycles)) % per_cycle
    first, *more = ((made.heard_at_s[turn == k], cycles[turn == k]) for k in range(per_cycle))
    beside = [*more, *((at_s, cycles + p) for at_s, p in zip(at, phase, strict=True))]
    own = scatter.own_scatter(
        *first,
        np.concatenate([np.zeros(0), *(at_s for at_s, _ in beside)]),
        np.concatenate([np.zeros(0), *(place for _, place in beside)]),
        np.concatenate([np.zeros(0, dtype=int), *(np.full(len(at_s), k) for k, (at_s, _) in enumerate(beside))]),
    )
    return replace(
        figures,
        own_scatter_us=own.sigma_us,
        own_scatter_low_us=own.low_us,
        own_scatter_high_us=own.high_us,
        engine_unevenness_us=own.unevenness_us,
    )
