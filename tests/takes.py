"""Readings made event by event, without sound: for the findings over several recordings."""

from dataclasses import replace

import numpy as np
from readings import reading

from injsound.codes import Neighbours, ReasonCode, State, Verdict
from injsound.diagnoses import Take
from injsound.findings.verdict import count_skips
from injsound.job_codes import Shaking, Stage
from injsound.results import Events, Jitter, OpenTime
from injsound.values import Note

# 60 s at 0.17 s.
EVENTS = 353
NONE = np.zeros(EVENTS, dtype=bool)
WRONG_TICK = (ReasonCode.MAY_BE_NEIGHBOUR, ReasonCode.MOSTLY_MISSING, ReasonCode.TICKS_FADE, ReasonCode.SPEECH_CODEC)
_LIKE = reading(Verdict.STEADY, skipped=())


def skips_at(*places, events=EVENTS):
    """Skips at these places."""
    train = np.zeros(events, dtype=bool)
    train[list(places)] = True
    return train


EIGHT = skips_at(*range(20, 340, 40))


def skip_train(rng, events, rate, *, burst=1):
    """Scattered skips, or bursts of a length that start at random; ``rate`` of all events."""
    starts = rng.random(events) < rate / burst
    skipped = np.zeros(events, dtype=bool)
    for start in np.flatnonzero(starts):
        skipped[start : start + burst] = True
    return skipped


def made_reading(
    skipped,
    *,
    interval_s=0.17,
    false=0.0,
    missed=0.0,
    steadiness_us=300.0,
    open_time_ms=2.8,
    sha256="",
    rpm=None,
    summed=True,
):
    """A counted reading with skips at given events; shares of wrong calls are what its probabilities say.

    Without its sums it is made faster: findings count the events themselves.
    """
    n = len(skipped)
    time = 0.1 + interval_s * np.arange(n)
    state = tuple(State.SKIPPED if s else State.HEARD for s in skipped)
    events = Events(
        time_s=time,
        state=state,
        skip_probability=np.where(skipped, 1 - false, missed),
        heard_at_s=np.where(skipped, np.nan, time),
        level_db=np.where(skipped, np.nan, -20.0),
        open_time_ms=np.where(skipped, np.nan, open_time_ms),
        neighbours=(Neighbours.HEARD,) * n,
    )
    verdict = Verdict.SKIPPING if skipped.sum() > 1 else Verdict.STEADY
    return replace(
        _LIKE,
        file=f"{sha256 or 'made'}.wav",
        sha256=sha256,
        seconds=n * interval_s,
        verdict=verdict,
        events=events,
        skips=count_skips(events) if summed else _LIKE.skips,
        firing=replace(_LIKE.firing, rpm=rpm or 120 / interval_s),
        jitter=Jitter(cycle_to_cycle_us=steadiness_us, count=n),
        open_time=OpenTime(median_ms=open_time_ms, spread_ms=0.02, drift_ms=0.0, count=n),
        knocks=(),
    )


def silent_reading(**settings):
    """A reading in which the engine ticks and this injector does not."""
    made = made_reading(np.zeros(300, dtype=bool), **settings)
    return replace(made, verdict=Verdict.NO_TICK, reasons=(Note(code=ReasonCode.OWN_PLACE_SILENT),))


def take(made, cylinder, *, injector="", connector="", stage=Stage.BEFORE, condition="warm", shaking=Shaking.YES):
    labels = {"injector": injector, "connector": connector}
    return Take(reading=made, cylinder=cylinder, **labels, stage=stage, condition=condition, shaking=shaking)


def whys_of(finding):
    """Reasons of a finding without their figures."""
    return [reason.why for reason in finding.reasons]


def uncounted_reading(**settings):
    """A reading in which no tick stood out, so that no event was due."""
    made = made_reading(NONE, **settings)
    columns = ("time_s", "skip_probability", "heard_at_s", "level_db", "open_time_ms")
    events = Events(**dict.fromkeys(columns, np.zeros(0)), state=(), neighbours=())
    return replace(made, verdict=Verdict.CANNOT_TELL, reasons=(Note(code=ReasonCode.FAINT),), events=events)
