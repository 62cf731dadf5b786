"""What the chapters of one recording come to: evidence for its verdict, or the verdict where nothing was counted."""

from dataclasses import replace

import numpy as np
from scipy import ndimage

from injsound.codes import ReasonCode, StepCode, Verdict, WarningCode
from injsound.engine import EVENTS_PER_CYCLE, Engine, has_partner
from injsound.findings.trains import heard_every
from injsound.findings.verdict import Evidence, Finding, doubtful, reach_verdict
from injsound.heard import Heard
from injsound.results import Events, Firing, Skips
from injsound.sound.clock import apart, cycle_length
from injsound.sound.own import ticks
from injsound.sound.signals import robust_spread, true_runs
from injsound.states import judged_of, may_be_missing, skipped_of, soft_of
from injsound.values import Note

# So many in a row are as likely a second of fuel cut-off on overrun as an injector's own (common practice, no source);
# nearly all skips must lie there.
_STRETCH, _STRETCH_SHARE = 12, 0.9
# Where nothing was counted the chapter speaks for all that heard most of this injector: a tick that may be its own in
# one part of a recording forbids to call its place silent by another.
_SPEAKS_FIRST = (
    ticks.Found.OWN,
    ticks.Found.TWO,
    ticks.Found.OWN_SILENT,
    ticks.Found.ENGINE_ONLY,
    ticks.Found.NOTHING,
)
# So much and so many spreads under the median of those around it a tick in batch injection may be a partner's alone;
# so many of them are no chance.
_FAINT_DB, _FAINT_SPREADS, _FEWEST_FAINT, _AROUND = 3.0, 5.0, 3, 41
# The same tick comes twice per cycle where another this near to half a cycle on is as loud, to this share.
_NEAR_HALF, _AS_LOUD = 0.01, 0.8
# What is to be done where there is no other injector to record or to exchange.
_ALONE: dict[object, StepCode] = {
    StepCode.COMPARE_OTHERS: StepCode.MOVE_WIRING,
    StepCode.RECORD_OWN_INJECTOR: StepCode.RECORD_AGAIN_CLOSER,
}


def conclude(
    heard: list[Heard],
    events: Events,
    skips: Skips,
    engine: Engine,
    firing: Firing | None,
    warnings: tuple[Note, ...],
    *,
    typed: bool,
) -> Finding:
    """Reach the verdict of one recording.

    Parameters
    ----------
    heard : list of Heard
        Its chapters in order.
    events : Events
        The due events of all.
    skips : Skips
        How they were counted.
    engine : Engine
        What is known of it.
    firing : Firing or None
        Its interval, None where too few cycles were followed.
    warnings : tuple of Note
        Those of the reading.
    typed : bool
        Whether somebody typed the engine's speed.

    Returns
    -------
    Finding
        Verdict, reasons and next step.
    """
    finding = _concluded(heard, events, skips, engine, firing, warnings, typed=typed)
    if engine.cylinders == 1:
        step = finding.next_step
        code = _ALONE.get(step.code)
        return finding if code is None else replace(finding, next_step=replace(step, code=code))
    return finding


def _concluded(
    heard: list[Heard],
    events: Events,
    skips: Skips,
    engine: Engine,
    firing: Firing | None,
    warnings: tuple[Note, ...],
    *,
    typed: bool,
) -> Finding:
    counted = [chapter for chapter in heard if chapter.events is not None]
    if not counted and not all(chapter.settled for chapter in heard):
        return doubtful((Note(code=ReasonCode.NO_LOCK),))
    if not counted:
        return _without_count(heard, warnings, typed=typed, batch=has_partner(engine))
    sure, batch = all(c.choice.sure for c in counted if c.choice), has_partner(engine)
    worst = min(counted, key=lambda c: c.matches.separation if c.matches else np.inf)
    assert worst.matches is not None
    assert worst.lock is not None
    interval_s = cycle_length(worst.lock.clock) / EVENTS_PER_CYCLE[engine.injection]
    evidence = Evidence(
        skips=skips,
        separation=worst.matches.separation,
        miss_probability=max(c.matches.miss_probability for c in counted if c.matches),
        interval_s=interval_s if firing is None else firing.interval_s,
        doubts=_doubts(warnings),
        batch=batch,
        stretch_s=0.0 if all(c.injectors_audible for c in counted) else one_stretch(events),
        sure=sure and not (batch and _faint_ones(events)),
        # The only injector has no neighbour: what may not be its own is a valve's.
        only_by_skips=any(c.choice.only_by_skips for c in counted if c.choice) or (engine.cylinders == 1 and not sure),
        soft=int(soft_of(events).sum()) if may_be_missing(events) else 0,
        once_in_cycles=heard_every(skipped_of(events), judged_of(events)) * EVENTS_PER_CYCLE[engine.injection] > 2,
    )
    finding = reach_verdict(evidence)
    if firing is not None or finding.verdict is not Verdict.SKIPPING:
        return finding
    # So few cycles tell not even the speed: what seems missing is no claim yet, and the step is the one without it.
    more = reach_verdict(replace(evidence, skips=replace(skips, skipped=0)))
    return replace(more, reasons=(Note(code=ReasonCode.UNCERTAIN_CALLS, figures=finding.reasons[0].figures),))


def speaker(heard: list[Heard]) -> Heard | None:
    """The chapter that speaks for all where no tick could be named as this injector's.

    Parameters
    ----------
    heard : list of Heard
        The chapters in order.

    Returns
    -------
    Heard or None
        The first of those that heard most of the injector; None where no tick was looked for.
    """
    asked = [(_SPEAKS_FIRST.index(c.choice.found), c) for c in heard if c.choice is not None]
    return min(asked, key=lambda one: one[0])[1] if asked else None


def one_stretch(events: Events) -> float:
    """Length of the unbroken row that holds nearly all skips.

    Parameters
    ----------
    events : Events
        The due events.

    Returns
    -------
    float
        From the first to the last event of the row; 0 where no row is long enough or holds enough [s].
    """
    skipped = skipped_of(events)
    runs = true_runs(skipped)
    if not len(runs):
        return 0.0
    first, after = max(runs, key=lambda run: run[1] - run[0])
    if after - first < max(_STRETCH, _STRETCH_SHARE * skipped.sum()):
        return 0.0
    return float(events.time_s[after - 1] - events.time_s[first])


def _faint_ones(events: Events) -> bool:
    """Whether some ticks are so much fainter than those around them that a partner may have ticked alone."""
    level = events.level_db[np.isfinite(events.level_db)]
    if len(level) < _AROUND:
        return False
    under = ndimage.median_filter(level, size=_AROUND, mode="reflect") - level
    return int((under > max(_FAINT_DB, _FAINT_SPREADS * robust_spread(under))).sum()) >= _FEWEST_FAINT


def _doubts(warnings: tuple[Note, ...]) -> tuple[Note, ...]:
    """Warnings that forbid a claim whatever was counted."""
    found = []
    for note in warnings:
        if note.code is WarningCode.NOISE_SUPPRESSION:
            found.append(Note(code=ReasonCode.TICKS_FADE, figures=note.figures))
        if note.code is WarningCode.RPM_CONTRADICTED:
            found.append(Note(code=ReasonCode.RPM_CONTRADICTED, figures=note.figures))
    return tuple(found)


def _without_count(heard: list[Heard], warnings: tuple[Note, ...], *, typed: bool, batch: bool = False) -> Finding:
    """Verdict where no tick could be named as this injector's."""
    doubts = _doubts(warnings)
    chapter = speaker(heard)
    if chapter is None or chapter.choice is None:
        if doubts:
            return doubtful(doubts)
        note = Note(code=ReasonCode.NOT_A_RECORDING_OF_AN_ENGINE)
        return Finding(verdict=Verdict.NO_TICK, reasons=(note,), next_step=Note(code=StepCode.RECORD_AGAIN_CLOSER))
    found = chapter.choice.found
    # At half the engine's speed every place but one may tick as well.
    if found is ticks.Found.OWN_SILENT and typed:
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
    finding = doubtful((*_why_not_counted(chapter.choice, warnings), *doubts))
    twice = found is ticks.Found.TWO and not batch and _comes_twice(chapter.choice)
    return replace(finding, next_step=Note(code=StepCode.CHECK_MODE)) if twice else finding


def _comes_twice(choice: ticks.Choice) -> bool:
    """Whether the two ticks in doubt may be one injector's, once per revolution."""
    assert choice.own is not None
    assert choice.rival is not None
    off_half = abs(apart(choice.own.phase, choice.rival.phase) - 0.5)
    faint, loud = sorted([choice.own.level, choice.rival.level])
    return bool(off_half <= _NEAR_HALF and faint >= _AS_LOUD * loud)


def _why_not_counted(choice: ticks.Choice, warnings: tuple[Note, ...]) -> tuple[Note, ...]:
    """Reasons why what was heard of the injector could not be counted."""
    if choice.found is ticks.Found.OWN_SILENT:
        return (Note(code=ReasonCode.SPEED_UNKNOWN),)
    if choice.found is ticks.Found.TWO:
        assert choice.own is not None
        assert choice.rival is not None
        figures = {"ratio": round(choice.rival.level / choice.own.level, 2)}
        return (Note(code=ReasonCode.TWO_CANDIDATES, figures=figures),)
    squeezed = [
        Note(code=ReasonCode.SPEECH_CODEC, figures=n.figures) for n in warnings if n.code is WarningCode.SPEECH_CODEC
    ]
    # A click stands out, as steady as a solenoid's, and may be a valve's: what it leaves out was counted and not clear.
    stands_out = choice.found is ticks.Found.NOTHING and choice.only_by_skips
    return (*squeezed, Note(code=ReasonCode.TICK_UNLIKE_INJECTOR if stands_out else ReasonCode.FAINT))
