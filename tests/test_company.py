"""What the rest of the engine did in a row of missing ticks, on presences set by hand."""

import numpy as np
import pytest

from injsound.codes import Neighbours, ReasonCode, State, StepCode, Verdict
from injsound.concluding import one_stretch
from injsound.findings.verdict import Evidence, count_skips, reach_verdict
from injsound.results import Events
from injsound.sound.matching.company import NeighbourTicks, silent_run


def _neighbour(presence, separation):
    presence = np.asarray(presence, dtype=float)
    return NeighbourTicks(
        at_s=np.arange(len(presence)) * 0.1, heard=presence > 0.5, presence=presence, separation=separation
    )


@pytest.mark.parametrize(
    ("separations", "silent"),
    # Five events at 3 standard deviations: the mean is known to 1 / (3 sqrt 5) = 0.15, four of which leave 0.40.
    [((3.0,), True), ((3.0, 2.0), True), ((0.6,), False), ((), False), ((-0.2,), False), ((-0.2, 0.0), False)],
)
def test_a_silent_row_counts_only_beside_neighbours_that_can_be_heard(separations, silent):
    neighbours = [_neighbour([1.0] * 5 + [0.0] * 5 + [1.0] * 5, s) for s in separations]
    assert silent_run(neighbours, 5, 10) is silent
    assert not silent_run(neighbours, 0, 5)


def test_a_neighbour_that_matches_worse_than_chance_silences_nothing():
    # Its presence is a share of a difference that is no difference: any figure, here hugely negative.
    assert not silent_run([_neighbour([-1e9] * 10, -0.22)], 2, 8)


def _events(count, skipped_at=()):
    return Events(
        time_s=0.16 * np.arange(count),
        state=tuple(State.SKIPPED if k in skipped_at else State.HEARD for k in range(count)),
        skip_probability=np.array([0.999 if k in skipped_at else 0.001 for k in range(count)]),
        heard_at_s=0.16 * np.arange(count),
        level_db=np.zeros(count),
        open_time_ms=np.full(count, np.nan),
        neighbours=(Neighbours.NOT_CHECKED,) * count,
    )


def _counted(skipped_at, *, stretch_s):
    """A verdict on 300 events of which a row lacks its tick."""
    events = _events(300, skipped_at)
    evidence = Evidence(
        skips=count_skips(events), separation=9.0, miss_probability=0.001, interval_s=0.16, stretch_s=stretch_s
    )
    return one_stretch(events), reach_verdict(evidence)


@pytest.mark.parametrize(
    ("judged", "code"),
    [(290, StepCode.RECORD_FOR_GOAL), (297, StepCode.RECORD_FOR_GOAL), (299, StepCode.RECORD_IN_FAULT)],
)
def test_what_is_shown_already_is_not_asked_for(judged, code):
    # 1 - 0.05^(1/n) is 1 % at n = 298.07: ln 0.05 / ln 0.99.
    events = _events(judged)
    evidence = Evidence(skips=count_skips(events), separation=9.0, miss_probability=0.0, interval_s=0.16)
    finding = reach_verdict(evidence)
    assert finding.verdict is Verdict.STEADY
    assert finding.next_step.code is code
    assert finding.next_step.figures.get("seconds") == (None if code is StepCode.RECORD_IN_FAULT else 48)


@pytest.mark.parametrize(("soft", "verdict"), [(0, Verdict.STEADY), (2, Verdict.CANNOT_TELL)])
def test_soft_ticks_that_may_be_missing_keep_it_from_being_called_steady(soft, verdict):
    evidence = Evidence(
        skips=count_skips(_events(400)), separation=9.0, miss_probability=0.0, interval_s=0.16, soft=soft
    )
    finding = reach_verdict(evidence)
    assert finding.verdict is verdict
    if soft:
        assert finding.reasons[0].code is ReasonCode.WEAK_OR_MISSING
        assert finding.reasons[0].figures == {"weak": 2, "judged": 400}
        assert finding.next_step.code is StepCode.RECORD_AGAIN_CLOSER


def test_one_long_stretch_may_be_fuel_cut_off():
    # Twelve in a row span eleven intervals of 0.16 s.
    stretch_s, finding = _counted(range(100, 112), stretch_s=1.76)
    assert stretch_s == pytest.approx(11 * 0.16)
    assert finding.verdict is Verdict.CANNOT_TELL
    assert finding.reasons[0].code is ReasonCode.ONE_STRETCH
    assert finding.reasons[0].figures == {"skipped": 12, "seconds": 1.8}
    assert finding.next_step.code is StepCode.RECORD_AT_ONE_SPEED


def test_rows_apart_or_short_are_the_injectors():
    apart, finding = _counted([*range(100, 112), 200, 240], stretch_s=0.0)
    assert apart == 0.0  # 12 of 14 are under nine in ten
    assert finding.verdict is Verdict.SKIPPING
    assert _counted(range(100, 111), stretch_s=0.0)[0] == 0.0  # eleven are a burst


def test_an_injector_that_hardly_ever_ticks_is_not_told_from_another_sound():
    # 211 of 300 are over seven in ten, 209 are not.
    assert _counted(range(0, 211), stretch_s=0.0)[1].reasons[0].code is ReasonCode.MOSTLY_MISSING
    assert _counted(range(0, 209), stretch_s=0.0)[1].verdict is Verdict.SKIPPING


@pytest.mark.parametrize(
    ("separation", "batch", "verdict"),
    [
        (4.4, False, Verdict.SKIPPING),
        (4.2, False, Verdict.CANNOT_TELL),
        (5.6, True, Verdict.SKIPPING),
        (5.4, True, Verdict.CANNOT_TELL),
    ],
)
def test_beside_a_partners_tick_heard_and_missing_must_lie_further_apart(separation, batch, verdict):
    skips = count_skips(_events(300, range(0, 300, 20)))
    evidence = Evidence(skips=skips, separation=separation, miss_probability=0.001, interval_s=0.16, batch=batch)
    finding = reach_verdict(evidence)
    assert finding.verdict is verdict
    if verdict is Verdict.CANNOT_TELL:
        assert finding.reasons[0].code is ReasonCode.WEAK_SEPARATION
        assert finding.reasons[0].figures["needed"] == (5.5 if batch else 4.3)
