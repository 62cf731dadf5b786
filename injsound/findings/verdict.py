"""From counts to a verdict: what may be said, why, and what to do next."""

from dataclasses import dataclass, field

import numpy as np

from injsound.codes import ReasonCode, StepCode, Verdict
from injsound.findings.proportions import CONFIDENCE
from injsound.findings.trains import detectable, rate_limits, skip_pattern
from injsound.results import Events, Skips
from injsound.states import judged_of, skipped_of
from injsound.values import Note

# A single missing tick can be a disturbance nobody noticed.
FEWEST_SKIPS = 2
# So many skips must have less than this probability under the expected wrong calls alone; 300 sound engines then
# read "skipping" 0.03 times.
WRONG_CALLS_P = 1e-4
# And at most this share of them may be wrong.
WRONG_SHARE = 0.1
# Wrong calls that the model of heard and absent cannot foresee: measured on sound engines, docs/methods.md.
UNFORESEEN_RATE = 2e-4
# Heard and missing overlap below this many standard deviations: at 4.3 a threshold between them errs in 1.6 of 100. A
# partner's tick at the same moment adds what neither kind knows: a sound engine in batch injection was called skipping
# at 5.2, no skipping one told under 5.6 (measured: docs/methods.md).
_LEAST_SEPARATION, _LEAST_BESIDE_PARTNER = 4.3, 5.5
# What nothing but skips shows to be an injector's must be told from its absence better: valves that strike unevenly
# were counted at 4.1 (measured: docs/methods.md).
_UNLIKE_SEPARATION = 5.0
# Where more than half could not be judged, skips may have hidden there (common practice, no source).
MOST_UNJUDGED = 0.5
# An injector that misses more than this share may as well be dead, and what ticks in the rest another sound: over half,
# which injectors do miss, and under the nine in ten that a wrongly chosen sound was seen to "miss" (docs/methods.md).
MOST_SKIPPED = 0.7
# What a longer recording or a repair should show at most, of ticks that drop out singly.
GOAL_RATE = 0.01


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Finding:
    """A verdict with its reasons and the next step."""

    verdict: Verdict
    reasons: tuple[Note, ...]
    next_step: Note


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Evidence:
    """What the verdict rests on.

    Parameters
    ----------
    skips : Skips
        The count.
    separation : float
        Distance of heard from missing ticks [standard deviations].
    miss_probability : float
        That a skipped event is called heard [unitless].
    interval_s : float
        Mean interval between due events [s].
    doubts : tuple of Note
        Reasons found before the count that forbid a claim of any kind.
    batch : bool
        Whether partners tick at the same instant.
    stretch_s : float
        Length of the one unbroken stretch that holds the skips, where no other injector is heard beside this one; 0
        where they lie apart [s].
    sure : bool
        Whether the tick cannot well be a neighbour's.
    only_by_skips : bool
        Whether nothing but skips tells it from a valve's or a neighbour's.
    soft : int
        Ticks so soft that another sound at their place may have passed for them, where that could hide skips
        [unitless].
    once_in_cycles : bool
        Whether what ticks keeps an order of its own over the due events: only every third one is heard, or in batch
        injection only every second. That is another cycle than was asked for, or a sound that comes once per cycle.
    """

    skips: Skips
    separation: float
    miss_probability: float
    interval_s: float
    doubts: tuple[Note, ...] = field(default=())
    batch: bool = False
    stretch_s: float = 0.0
    sure: bool = True
    only_by_skips: bool = False
    soft: int = 0
    once_in_cycles: bool = False


def count_skips(events: Events) -> Skips:
    """Count the skips of all due events.

    Parameters
    ----------
    events : Events
        The due events.

    Returns
    -------
    Skips
        Counts, limits, pattern and expected wrong calls.
    """
    judged = judged_of(events)
    skipped = skipped_of(events)
    p = events.skip_probability
    train = skipped[judged]
    low, high = rate_limits(train) if len(train) else (None, None)
    pattern, pattern_p = skip_pattern(train)
    return Skips(
        due=len(events.state),
        judged=int(judged.sum()),
        skipped=int(skipped.sum()),
        rate=float(train.mean()) if len(train) else None,
        rate_low=low,
        rate_high=high,
        confidence=CONFIDENCE,
        pattern=pattern,
        pattern_p=pattern_p,
        expected_false=float(np.sum(1 - p[skipped])),
        expected_missed=float(np.sum(p[judged & ~skipped])),
    )


def reach_verdict(evidence: Evidence) -> Finding:
    """Say what the count shows, or that it cannot tell.

    Parameters
    ----------
    evidence : Evidence
        Count and quality.

    Returns
    -------
    Finding
        The verdict with its reasons and one next step.
    """
    skips = evidence.skips
    doubts = evidence.doubts
    needed = needed_separation(partner=evidence.batch)
    if not doubts and evidence.only_by_skips and needed <= evidence.separation < _UNLIKE_SEPARATION:
        doubts = (Note(code=ReasonCode.TICK_UNLIKE_INJECTOR),)
    if doubts:
        return doubtful(doubts)
    if not skips.judged or skips.judged < MOST_UNJUDGED * skips.due:
        note = Note(code=ReasonCode.MANY_UNJUDGED, figures={"unjudged": skips.due - skips.judged, "due": skips.due})
        return Finding(verdict=Verdict.CANNOT_TELL, reasons=(note,), next_step=Note(code=StepCode.RECORD_UNDISTURBED))
    if evidence.separation < needed:
        note = Note(
            code=ReasonCode.WEAK_SEPARATION,
            figures={"separation": round(evidence.separation, 1), "needed": needed},
        )
        return Finding(verdict=Verdict.CANNOT_TELL, reasons=(note,), next_step=Note(code=StepCode.RECORD_AGAIN_CLOSER))
    if exceeds_wrong_calls(skips):
        return _skipping(evidence)
    if skips.skipped > skips.expected_false:
        return _undecided(evidence)
    return _steady_or_short(evidence)


def needed_separation(*, partner: bool) -> float:
    """How far heard and missing ticks must lie apart to be told.

    Parameters
    ----------
    partner : bool
        Whether another injector ticks at the same moment.

    Returns
    -------
    float
        Least separation [standard deviations].
    """
    return _LEAST_BESIDE_PARTNER if partner else _LEAST_SEPARATION


def doubtful(doubts: tuple[Note, ...]) -> Finding:
    """Cannot tell, for reasons other than the count.

    Parameters
    ----------
    doubts : tuple of Note
        At least one reason; the first names the next step.

    Returns
    -------
    Finding
        "Cannot tell" with what would settle it.
    """
    return Finding(verdict=Verdict.CANNOT_TELL, reasons=doubts, next_step=_mend(doubts[0]))


def exceeds_wrong_calls(skips: Skips) -> bool:
    """Whether the skips called clearly exceed the expected wrong calls.

    Parameters
    ----------
    skips : Skips
        The count.

    Returns
    -------
    bool
        True for at least two skips that chance does not explain.
    """
    from scipy.special import gammainc

    expected = skips.expected_false + UNFORESEEN_RATE * skips.judged
    # Poisson's probability of so many or more.
    unlikely = gammainc(skips.skipped, expected) < WRONG_CALLS_P
    return bool(skips.skipped >= FEWEST_SKIPS and unlikely and skips.expected_false <= WRONG_SHARE * skips.skipped)


def _skipping(evidence: Evidence) -> Finding:
    skips = evidence.skips
    if evidence.stretch_s > 0:
        note = Note(
            code=ReasonCode.ONE_STRETCH,
            figures={"skipped": skips.skipped, "seconds": round(evidence.stretch_s, 1)},
        )
        return Finding(verdict=Verdict.CANNOT_TELL, reasons=(note,), next_step=Note(code=StepCode.RECORD_AT_ONE_SPEED))
    if evidence.once_in_cycles or skips.skipped > MOST_SKIPPED * skips.judged:
        note = Note(code=ReasonCode.MOSTLY_MISSING, figures={"skipped": skips.skipped, "judged": skips.judged})
        return doubtful((note,))
    figures = {"skipped": skips.skipped, "judged": skips.judged, "expected_false": round(skips.expected_false, 2)}
    return Finding(
        verdict=Verdict.SKIPPING,
        reasons=(Note(code=ReasonCode.SKIPS_FOUND, figures=figures),),
        next_step=Note(code=StepCode.COMPARE_OTHERS),
    )


def _undecided(evidence: Evidence) -> Finding:
    skips = evidence.skips
    figures = {"skipped": skips.skipped, "judged": skips.judged, "expected_false": round(skips.expected_false, 2)}
    more = detectable(0, miss_probability=evidence.miss_probability).events_needed or skips.judged
    return Finding(
        verdict=Verdict.CANNOT_TELL,
        reasons=(Note(code=ReasonCode.UNCERTAIN_CALLS, figures=figures),),
        next_step=_longer(more, evidence),
    )


def _steady_or_short(evidence: Evidence) -> Finding:
    skips = evidence.skips
    power = detectable(skips.judged, miss_probability=evidence.miss_probability, confidence=CONFIDENCE)
    if power.probability < CONFIDENCE:
        if power.events_needed is None:
            code = ReasonCode.MISSES_POSSIBLE
            figures = {"judged": skips.judged, "expected_missed": round(skips.expected_missed, 2)}
            return Finding(
                verdict=Verdict.CANNOT_TELL,
                reasons=(Note(code=code, figures=figures),),
                next_step=Note(code=StepCode.RECORD_AGAIN_CLOSER),
            )
        note = Note(code=ReasonCode.TOO_FEW_EVENTS, figures={"judged": skips.judged, "needed": power.events_needed})
        step = _longer(power.events_needed - skips.judged, evidence)
        return Finding(verdict=Verdict.CANNOT_TELL, reasons=(note,), next_step=step)
    if (question := _open_question(evidence)) is not None:
        return doubtful((question,))
    reasons = [Note(code=ReasonCode.NO_SKIPS, figures={"judged": skips.judged, "rate_high": skips.rate_high})]
    if skips.skipped:
        figures = {"skipped": skips.skipped, "judged": skips.judged, "expected_false": round(skips.expected_false, 2)}
        reasons = [Note(code=ReasonCode.FEW_CALLS, figures=figures)]
    if evidence.batch:
        reasons.append(Note(code=ReasonCode.PARTNER_HIDES))
    return Finding(verdict=Verdict.STEADY, reasons=tuple(reasons), next_step=_in_fault(evidence))


def _open_question(evidence: Evidence) -> Note | None:
    """What is open where no tick was missing: whose they were, or whether all of them were there."""
    judged = evidence.skips.judged
    if evidence.only_by_skips:
        return Note(code=ReasonCode.TICK_UNLIKE_INJECTOR)
    if not evidence.sure and evidence.batch:
        return Note(code=ReasonCode.PARTNER_HIDES)
    if not evidence.sure:
        return Note(code=ReasonCode.MAY_BE_NEIGHBOUR, figures={"judged": judged})
    if evidence.soft:
        return Note(code=ReasonCode.WEAK_OR_MISSING, figures={"weak": evidence.soft, "judged": judged})
    return None


def _in_fault(evidence: Evidence) -> Note:
    """Record while it shakes; how long is said where the bound shown is not yet under the goal."""
    high = evidence.skips.rate_high
    goal = detectable(0, rate=GOAL_RATE, burst=1, miss_probability=evidence.miss_probability).events_needed
    if goal is None or (high is not None and high <= GOAL_RATE):
        return Note(code=StepCode.RECORD_IN_FAULT)
    return Note(code=StepCode.RECORD_FOR_GOAL, figures={"seconds": int(np.ceil(goal * evidence.interval_s))})


def _longer(events: int, evidence: Evidence) -> Note:
    # Whole tens of seconds: nobody records 43 s by a stopwatch.
    seconds = max(10, int(np.ceil(events * evidence.interval_s / 10)) * 10)
    return Note(code=StepCode.RECORD_LONGER, figures={"seconds": seconds})


def _mend(doubt: Note) -> Note:
    """What would settle a doubt."""
    steps = {
        ReasonCode.TICKS_FADE: StepCode.RECORD_UNPROCESSED,
        ReasonCode.SPEECH_CODEC: StepCode.RECORD_UNPROCESSED,
        ReasonCode.TWO_CANDIDATES: StepCode.RECORD_OWN_INJECTOR,
        ReasonCode.TICK_UNLIKE_INJECTOR: StepCode.RECORD_OWN_INJECTOR,
        ReasonCode.MOSTLY_MISSING: StepCode.RECORD_OWN_INJECTOR,
        ReasonCode.MAY_BE_NEIGHBOUR: StepCode.RECORD_OWN_INJECTOR,
        ReasonCode.PARTNER_HIDES: StepCode.RECORD_SPREAD,
        ReasonCode.SPEED_UNKNOWN: StepCode.GIVE_RPM,
        ReasonCode.RPM_CONTRADICTED: StepCode.CHECK_RPM,
        ReasonCode.MANY_UNJUDGED: StepCode.RECORD_UNDISTURBED,
    }
    code = ReasonCode(doubt.code)
    figures = doubt.figures if code is ReasonCode.RPM_CONTRADICTED else {}
    return Note(code=steps.get(code, StepCode.RECORD_AGAIN_CLOSER), figures=figures)
