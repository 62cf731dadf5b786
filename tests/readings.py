"""Invented readings for tests of words, pictures and records."""

from dataclasses import replace

import numpy as np

from injsound.codes import Neighbours, Pattern, ReasonCode, SpanKind, State, StepCode, Verdict, WarningCode
from injsound.engine import Engine, Injection
from injsound.results import Events, Firing, Jitter, OpenTime, Picture, QualityFigures, Reading, Skips
from injsound.values import KnockGroup, Note, Span

ENGINE = Engine(cylinders=6, cylinder=2, firing_order=(1, 5, 3, 6, 2, 4))


def picture(cycles: int = 250, *, own: tuple[float, ...] = (0.25,), missing: tuple[int, ...] = ()) -> Picture:
    rng = np.random.default_rng(0)
    rows = rng.gamma(2.0, 0.2, (cycles, 360)).astype(np.float32)
    for phase in own:
        rows[:, round(360 * phase) : round(360 * phase) + 3] += 3
    rows[list(missing), 85:100] = 0.3
    t = np.arange(-40, 300) / 48_000
    tick = np.where(t > 0, np.exp(-t / 0.0004) * np.sin(2 * np.pi * 5_000 * t), 0.0)
    return Picture(
        rows=rows, row_times_s=0.16 * np.arange(cycles), profile=rows.mean(axis=0), own_phases=own, mean_tick=tick,
        mean_tick_s=t,
    )  # fmt: skip


def reading(
    verdict: Verdict = Verdict.SKIPPING, *, cycles: int = 250, skipped: tuple[int, ...] = (40, 41, 150)
) -> Reading:
    state = [State.SKIPPED if k in skipped else State.HEARD for k in range(cycles)]
    state[10], state[20] = State.WEAK, State.UNJUDGED
    heard = np.array([s in (State.HEARD, State.WEAK) for s in state])
    time = 0.04 + 0.16 * np.arange(cycles)
    events = Events(
        time_s=time,
        state=tuple(state),
        skip_probability=np.where(np.arange(cycles) == 20, np.nan, np.where(heard, 0.001, 0.999)),
        heard_at_s=np.where(heard, time + 1e-4, np.nan),
        level_db=np.where(heard, -20.0, np.nan),
        open_time_ms=np.where(heard, 2.8, np.nan),
        neighbours=(Neighbours.HEARD,) * cycles,
    )
    n, k = cycles - 1, len(skipped)
    reasons = {
        Verdict.SKIPPING: Note(
            code=ReasonCode.SKIPS_FOUND, figures={"skipped": k, "judged": n, "expected_false": 0.02}
        ),
        Verdict.STEADY: Note(code=ReasonCode.NO_SKIPS, figures={"judged": n, "rate_high": 0.008}),
        Verdict.NO_TICK: Note(code=ReasonCode.OWN_PLACE_SILENT),
        Verdict.CANNOT_TELL: Note(code=ReasonCode.TOO_FEW_EVENTS, figures={"judged": n, "needed": 283}),
    }
    steps = {
        Verdict.SKIPPING: Note(code=StepCode.COMPARE_OTHERS),
        Verdict.STEADY: Note(code=StepCode.RECORD_IN_FAULT),
        Verdict.NO_TICK: Note(code=StepCode.CHECK_DRIVE),
        Verdict.CANNOT_TELL: Note(code=StepCode.RECORD_LONGER, figures={"seconds": 10}),
    }
    return Reading(
        file="cylinder_2.m4a",
        sha256="0" * 64,
        seconds=0.16 * cycles,
        sample_rate_hz=48_000,
        codec="aac",
        channel=1,
        engine=ENGINE,
        verdict=verdict,
        reasons=(reasons[verdict],),
        next_step=steps[verdict],
        firing=Firing(interval_s=0.16, rpm=750.1, rpm_low=742.0, rpm_high=759.0, events_per_revolution=0.5,
                      wander_percent=0.8, cycle_variation_percent=0.4),
        alternatives=(),
        events=events,
        spans=(Span(from_s=3.0, to_s=3.4, kind=SpanKind.BUMP),),
        skips=Skips(due=cycles, judged=n, skipped=k, rate=k / n, rate_low=0.0025 if k else 0.0,
                    rate_high=0.035 if k else 0.008, confidence=0.95,
                    pattern=Pattern.TOO_FEW if k else Pattern.NONE, pattern_p=None, expected_false=0.02,
                    expected_missed=0.1),
        jitter=Jitter(time_interval_error_us=300.0, period_us=700.0, cycle_to_cycle_us=620.0, own_scatter_us=40.0,
                      own_scatter_low_us=30.0, own_scatter_high_us=52.0, engine_unevenness_us=10.0, ratio=0.88,
                      lag1=0.1,
                      alternation_us=2.0, count=240),
        open_time=OpenTime(median_ms=2.8, spread_ms=0.03, drift_ms=0.01, count=240),
        neighbours=Neighbours.HEARD,
        quality=QualityFigures(tick_over_noise_db=18.0, separation=9.1, unjudged_seconds=0.4, bandwidth_hz=20_000.0,
                               warnings=(Note(code=WarningCode.BUMPS, figures={"count": 1, "seconds": 0.4}),)),
        picture=picture(cycles, missing=skipped),
        knocks=(KnockGroup(from_s=3.0, to_s=3.8, count=3),),
    )  # fmt: skip


def empty() -> Reading:
    """Nothing found: no events, no speed, no picture."""
    none = np.zeros(0)
    events = Events(
        time_s=none, state=(), skip_probability=none, heard_at_s=none, level_db=none, open_time_ms=none, neighbours=()
    )
    return replace(
        reading(Verdict.NO_TICK),
        firing=None,
        events=events,
        skips=Skips(due=0, judged=0, skipped=0, rate=None, rate_low=None, rate_high=None, confidence=0.95,
                    pattern=Pattern.NONE, pattern_p=None, expected_false=0.0, expected_missed=0.0),
        jitter=Jitter(),
        open_time=OpenTime(),
        neighbours=Neighbours.NOT_CHECKED,
        quality=QualityFigures(tick_over_noise_db=None, separation=None, unjudged_seconds=0.0, bandwidth_hz=None,
                               warnings=()),
        picture=None,
    )  # fmt: skip


def batch() -> Reading:
    """Two ticks a cycle."""
    made = reading()
    return replace(
        made,
        engine=replace(ENGINE, injection=Injection.BATCH),
        firing=replace(made.firing, events_per_revolution=1.0),
        picture=picture(own=(0.25, 0.75)),
    )
