"""Comparing the injectors of one engine, on readings made event by event."""

from dataclasses import replace

import pytest
from scipy import stats
from takes import (
    EIGHT,
    EVENTS,
    NONE,
    WRONG_TICK,
    made_reading,
    silent_reading,
    skips_at,
    take,
    uncounted_reading,
    whys_of,
)

from injsound.codes import ReasonCode, Verdict
from injsound.engine import Engine
from injsound.findings.compare import compare_injectors
from injsound.findings.episodes import (
    arm_of,
)
from injsound.findings.opening import latency_ms, volts_lost
from injsound.job_codes import (
    CompareVerdict,
    Measure,
    Shaking,
    Why,
)
from injsound.results import OpenTime
from injsound.show.findings_text import tell_comparison
from injsound.show.text import Words
from injsound.show.words.keys import Brief
from injsound.values import Note


def _doubted(code, **settings):
    made = made_reading(NONE, **settings)
    return replace(made, verdict=Verdict.CANNOT_TELL, reasons=(Note(code=code),))


def test_the_skipping_one_is_named():
    found = compare_injectors([take(made_reading(EIGHT if c == 3 else NONE), c) for c in (1, 2, 3, 4)])
    assert found.verdict is CompareVerdict.ODD_ONE
    assert found.odd == (3,)
    assert whys_of(found) == [Why.MORE_EPISODES, Why.TICK_BY_TICK]
    # Beside it, as a description, Fisher's test of single ticks.
    n, skips = len(EIGHT), int(EIGHT.sum())
    figures = found.reasons[1].figures
    assert [figures[key] for key in ("skipped", "judged", "others_skipped", "others_judged")] == [skips, n, 0, 3 * n]
    expected = stats.fisher_exact([[skips, n - skips], [0, 3 * n]], alternative="greater").pvalue
    assert figures["p"] == pytest.approx(expected, rel=0.05)  # two digits are kept


def test_a_sound_set_that_shook_has_none():
    found = compare_injectors([take(made_reading(NONE), c) for c in (1, 2, 3, 4)])
    assert found.verdict is CompareVerdict.NONE


def test_running_well_clears_nothing():
    found = compare_injectors([take(made_reading(NONE), c, shaking=Shaking.NO) for c in (1, 2, 3, 4)])
    assert found.verdict is CompareVerdict.NOT_SHOWN
    assert Why.RAN_WELL in whys_of(found)
    assert found.record_s > 0


def test_one_burst_names_nobody():
    # Five skips in one burst against none: Fisher's test on events gives 0.03, on episodes nothing.
    found = compare_injectors([take(made_reading(skips_at(*range(50, 55)) if c == 1 else NONE), c) for c in (1, 2, 3)])
    assert (found.verdict, found.odd) == (CompareVerdict.NOT_SHOWN, ())


def test_a_silent_one_is_named():
    found = compare_injectors([take(silent_reading() if c == 2 else made_reading(NONE), c) for c in (1, 2, 3, 4)])
    assert found.odd == (2,)
    assert whys_of(found) == [Why.SILENT]


def test_where_several_are_silent_by_themselves_nobody_is_named():
    # Each may be hearing the same silent place.
    found = compare_injectors([take(silent_reading() if c in (2, 3) else made_reading(NONE), c) for c in (1, 2, 3, 4)])
    assert (found.verdict, found.odd) == (CompareVerdict.NOT_SHOWN, ())
    assert whys_of(found).count(Why.NOT_COUNTED) == 2


@pytest.mark.parametrize(("counted", "odd"), [(1, ()), (2, (2,)), (3, (2,))])
def test_one_is_silent_by_itself_only_where_half_of_its_fellows_tick(counted, odd):
    # "While its fellows tick": where most of them cannot be counted what it hears may be the engine's own clicks.
    fellows = [take(made_reading(NONE) if k < counted else uncounted_reading(), c) for k, c in enumerate((1, 3, 4))]
    assert compare_injectors([*fellows, take(silent_reading(), 2)]).odd == odd


def test_valves_alone_are_no_evidence():
    only_valves = replace(silent_reading(), reasons=(Note(code=ReasonCode.ENGINE_TICKS_ONLY),))
    found = compare_injectors([take(only_valves if c == 2 else made_reading(NONE), c) for c in (1, 2, 3, 4)])
    assert (found.verdict, found.odd) == (CompareVerdict.NOT_SHOWN, ())
    assert Why.NOT_COUNTED in whys_of(found)
    assert arm_of(only_valves) is None


def test_two_skipping_injectors_do_not_hide_each_other():
    # Against the two sound ones the weaker has all bad moments of its own: C(29, 6) / C(87, 6) = 0.1 %.
    second = made_reading(skips_at(*range(10, 340, 56)))
    readings = {2: made_reading(EIGHT), 3: second}
    found = compare_injectors([take(readings.get(c, made_reading(NONE)), c) for c in (1, 2, 3, 4)])
    assert (found.verdict, found.odd) == (CompareVerdict.SEVERAL, (2, 3))
    more = [reason.figures for reason in found.reasons if reason.why is Why.MORE_EPISODES]
    assert [(figures["cylinder"], figures["others"]) for figures in more] == [(2, 0), (3, 0)]


def test_one_that_skips_by_itself_is_told_though_it_does_not_stand_out():
    # Two bad moments beside eight: no group, but by its own recording it skips.
    readings = {2: made_reading(EIGHT), 3: made_reading(skips_at(40, 200))}
    found = compare_injectors([take(readings.get(c, made_reading(NONE)), c) for c in (1, 2, 3, 4)])
    assert found.odd == (2,)
    (told,) = (reason.figures for reason in found.reasons if reason.why is Why.SKIPS_BY_ITSELF)
    assert (told["cylinder"], told["skipped"], told["judged"]) == (3, 2, EVENTS)


def test_engines_that_fire_at_other_angles_are_no_one_engine():
    takes = [
        take(replace(made_reading(NONE), engine=Engine(cylinders=2, firing_order=(1, 2), firing_angles=angles)), c)
        for c, angles in ((1, (0.0, 270.0)), (2, (0.0, 450.0)))
    ]
    assert Why.ENGINES_DIFFER in whys_of(compare_injectors(takes))


def test_a_recording_that_is_not_counted_says_why_and_what_helps():
    made = replace(made_reading(NONE), engine=Engine(), reasons=(Note(code=ReasonCode.TWO_CANDIDATES),))
    lost = replace(made, verdict=Verdict.CANNOT_TELL, quality=replace(made.quality, separation=None))
    found = compare_injectors([take(lost if c == 3 else made_reading(NONE), c) for c in (1, 2, 3)])
    (told,) = (reason.figures for reason in found.reasons if reason.why is Why.NOT_COUNTED)
    assert told["reason"] is ReasonCode.TWO_CANDIDATES
    assert Why.ORDER_HELPS in whys_of(found)
    assert found.record_s is None  # longer recordings of the others do not answer it


def test_a_speed_that_does_not_fit_is_told_with_the_one_heard():
    figures = {"rpm_given": 800, "rpm_heard": 651}
    lost = replace(uncounted_reading(), reasons=(Note(code=ReasonCode.RPM_CONTRADICTED, figures=figures),))
    found = compare_injectors([take(lost if c > 1 else made_reading(NONE), c) for c in (1, 2, 3)])
    assert [reason.figures for reason in found.reasons if reason.why is Why.SPEED_TYPED] == [figures]


def test_where_open_times_are_missing_it_is_told():
    unmeasured = replace(made_reading(NONE, sha256="3"), open_time=OpenTime())
    found = compare_injectors([*(take(made_reading(NONE, sha256=f"{c}"), c) for c in (1, 2)), take(unmeasured, 3)])
    assert [reason.figures for reason in found.reasons if reason.why is Why.OPEN_TIME_LACKING] == [{"cylinders": "3"}]


def test_a_dead_injector_does_not_hide_a_skipping_one():
    readings = {1: silent_reading(), 2: made_reading(EIGHT)}
    found = compare_injectors([take(readings.get(c, made_reading(NONE)), c) for c in (1, 2, 3, 4)])
    assert (found.verdict, found.odd) == (CompareVerdict.SEVERAL, (1, 2))
    assert whys_of(found)[:2] == [Why.SILENT, Why.MORE_EPISODES]


@pytest.mark.parametrize("events", [45, 300])
def test_a_silent_place_is_named_however_short_the_recordings(events):
    # 45 ticks of 0.17 s are three blocks: against six without a bad moment 1 in C(9, 3) = 84, twelve looks corrected.
    silent = replace(silent_reading(sha256="2"), seconds=0.17 * events)
    takes = [take(silent if c == 2 else made_reading(NONE[:events], sha256=f"{c}"), c) for c in (1, 2, 3)]
    found = compare_injectors(takes)
    assert (found.verdict, found.odd) == (CompareVerdict.ODD_ONE, (2,))
    assert whys_of(found) == [Why.SILENT]


@pytest.mark.parametrize(
    ("fellow", "lost", "lead"),
    [
        (made_reading(NONE), uncounted_reading(), True),
        (made_reading(EIGHT), uncounted_reading(), True),
        (uncounted_reading(), uncounted_reading(), False),
        (made_reading(NONE), _doubted(ReasonCode.TWO_CANDIDATES), False),
    ],
)  # fmt: skip
def test_the_one_at_which_nothing_stands_out_is_a_lead(fellow, lost, lead):
    takes = [take(replace(made, sha256=f"{c}"), c) for c, made in ((1, made_reading(NONE)), (2, fellow), (3, lost))]
    found = compare_injectors(takes)
    assert (Why.ALONE_UNHEARD in whys_of(found)) is lead
    assert found.verdict is not CompareVerdict.SEVERAL
    assert 3 not in found.odd


def test_a_first_try_that_told_nothing_does_not_hide_a_silent_place():
    takes = [
        take(uncounted_reading(sha256="first"), 2),
        *(take(silent_reading() if c == 2 else made_reading(NONE), c) for c in (1, 2, 3)),
    ]
    found = compare_injectors(takes)
    assert found.odd == (2,)
    assert next(side for side in found.sides if side.cylinder == 2).silent
    assert Why.NOT_COUNTED not in whys_of(found)


@pytest.mark.parametrize("code", [*WRONG_TICK, ReasonCode.TOO_FEW_EVENTS, ReasonCode.UNCERTAIN_CALLS])
def test_what_may_be_another_sound_is_neither_steady_nor_open_for_so_long(code):
    # Unsteady tenfold and open 1 ms longer: it stands out of its fellows, or spoils what they foretell of another.
    doubted = _doubted(code, sha256="doubt", steadiness_us=3_000.0, open_time_ms=3.8)
    takes = [take(doubted if c == 6 else made_reading(NONE, sha256=f"{c}"), c) for c in range(1, 7)]
    found = compare_injectors(takes)
    kept = code not in WRONG_TICK
    side = found.sides[5]
    assert (side.steadiness_us is not None, side.open_time_ms is not None) == (kept, kept)
    assert found.odd == ((6,) if kept else ())
    assert (Why.OPENS_LONG in whys_of(found)) is kept
    assert (Why.NOT_MEASURED in whys_of(found)) is not kept
    assert side.arm.judged == len(NONE)  # its skips are counted all the same
    if not kept:
        told = " ".join(" ".join(tell_comparison(found, Words())).split())
        assert "Steadiness and open time of doubt.wav are not compared: " + Words().say(Brief(code.value)) in told
    # Recorded again, the other one counts and nothing is told of the first.
    again = compare_injectors([*takes, take(made_reading(NONE, sha256="again"), 6)])
    assert Why.NOT_MEASURED not in whys_of(again)
    if not kept:
        assert again.sides[5].open_time_ms == 2.8


def test_conditions_are_never_mixed():
    takes = [take(made_reading(EIGHT), 1, condition="cold"), take(made_reading(NONE), 2, condition="warm")]
    found = compare_injectors(takes)
    assert found.verdict is CompareVerdict.NOT_SHOWN
    assert Why.CONDITIONS_DIFFER in whys_of(found)


def test_one_cylinder_has_no_fellows():
    assert compare_injectors([take(made_reading(EIGHT), 1)]).verdict is CompareVerdict.NOT_SHOWN


def test_an_open_time_that_stands_apart_is_a_lead_and_no_verdict():
    gaps = (2.80, 2.82, 2.79, 2.81, 2.80, 3.60)
    found = compare_injectors([take(made_reading(NONE, open_time_ms=g), c) for c, g in enumerate(gaps, 1)])
    assert found.sides[5].p[Measure.OPEN_TIME] < 0.01
    assert 6 not in found.odd
    assert found.verdict is CompareVerdict.NONE
    assert whys_of(found) == [Why.NONE_STANDS_OUT, Why.OPENS_LONG]


def test_latency_is_interpolated_as_published():
    # rusEFI default table between its points (trade fact check 4).
    assert latency_ms(13.5) == pytest.approx(0.8555, abs=1e-4)
    assert latency_ms(12.6) == pytest.approx(0.9644, abs=1e-4)
    # By hand: 1.040 at 12 V less 0.797 at 14 V is 0.243 ms for 2 V.
    assert volts_lost(0.243) == pytest.approx(2.0)
    assert volts_lost(0.0) == pytest.approx(0.0)
    assert volts_lost(9.0) == pytest.approx(8.0)


def _opened(*gaps, **entered):
    """Sound injectors with given open times; ``pulse`` and ``coolant`` per cylinder."""
    takes = [take(made_reading(NONE, open_time_ms=gap, sha256=f"{c}"), c) for c, gap in enumerate(gaps, 1)]
    names = {"pulse": "pulse_width_ms", "coolant": "coolant_c"}
    for key, values in entered.items():
        takes = [replace(t, **{names[key]: value}) for t, value in zip(takes, values, strict=True)]
    return compare_injectors(takes)


def test_a_short_open_time_is_told_in_volts():
    found = _opened(2.80, 2.82, 2.79, 2.81, 2.80, 2.314)
    (lead,) = [reason for reason in found.reasons if reason.why is Why.OPENS_SHORT]
    # By hand: 0.49 ms short; the table rises by 0.243 to 12 V, by 0.154 to 11 V, by 0.189 to 10 V: 3.49 V.
    assert lead.figures["volts"] == 3.5
    assert (lead.figures["cylinder"], lead.figures["low"], lead.figures["high"]) == (6, 2.79, 2.82)
    told = " ".join(" ".join(tell_comparison(found, Words())).split())
    assert "Lead, no verdict: cylinder 6's open time is short, 2.31 ms" in told
    assert "(about 3.5 V)" in told


@pytest.mark.parametrize(
    ("own_us", "why"),
    [(15, Why.OPENS_SHORT), (11, Why.OPENS_SHORT), (9, Why.OPEN_TIME_DOUBTED), (55, Why.OPENS_SHORT),
     (61, Why.OPEN_TIME_DOUBTED)],
)  # fmt: skip
def test_a_gap_that_strays_unlike_its_fellows_may_be_an_echos(own_us, why):
    # An echo follows its click at a fixed distance; theirs stray by 20 us.
    gaps = (2.80, 2.82, 2.79, 2.81, 2.80, 2.314)
    takes = [take(made_reading(NONE, open_time_ms=gap, sha256=f"{c}"), c) for c, gap in enumerate(gaps, 1)]
    gap = replace(takes[5].reading.open_time, spread_ms=own_us / 1e3)
    takes[5] = replace(takes[5], reading=replace(takes[5].reading, open_time=gap))
    told = [reason for reason in compare_injectors(takes).reasons if reason.why is not Why.NONE_STANDS_OUT]
    assert [reason.why for reason in told] == [why]
    if why is Why.OPEN_TIME_DOUBTED:
        assert (told[0].figures["spread_us"], told[0].figures["usual_us"]) == (own_us, 20)


@pytest.mark.parametrize(
    ("gap_ms", "why"),
    [
        (2.80 + 1.16, Why.OPENS_LONG),
        (2.80 + 1.20, Why.OPEN_TIME_FAR),
        (1.60, Why.OPEN_TIME_FAR),
        (1.64, Why.OPENS_SHORT),
    ],
)
def test_an_open_time_further_off_than_8_volts_would_make_it_is_another_sounds(gap_ms, why):
    # By the table: 1.974 ms at 8 V less 0.797 at 14 V.
    assert whys_of(_opened(2.80, 2.80, 2.80, 2.80, gap_ms)) == [Why.NONE_STANDS_OUT, why]


def test_straying_less_than_is_measured_is_no_difference():
    gaps = (2.80, 2.82, 2.79, 2.81, 2.80, 2.314)
    made = [made_reading(NONE, open_time_ms=gap, sha256=f"{c}") for c, gap in enumerate(gaps, 1)]
    still = [replace(one, open_time=replace(one.open_time, spread_ms=0.001 + 0.008 * (k < 5))) for k, one in
             enumerate(made)]  # fmt: skip
    assert Why.OPENS_SHORT in whys_of(compare_injectors([take(one, c) for c, one in enumerate(still, 1)]))


def test_open_times_of_other_pulses_or_temperatures_are_not_compared():
    gaps = (2.80, 2.82, 2.79, 2.81, 2.80, 3.60)
    alike = _opened(*gaps, pulse=(3.0,) * 6, coolant=(88.0,) * 6)
    assert Why.OPENS_LONG in whys_of(alike)
    for entered in ({"pulse": (3.0,) * 5 + (3.8,)}, {"coolant": (88.0,) * 5 + (60.0,)}):
        found = _opened(*gaps, **entered)
        assert Measure.OPEN_TIME not in found.sides[5].p
        assert whys_of(found) == [Why.NONE_STANDS_OUT, Why.OPEN_TIMES_UNLIKE]
    # What only one of two recordings has entered is no difference.
    assert Why.OPENS_LONG in whys_of(_opened(*gaps, pulse=(None,) * 5 + (3.8,)))


def test_an_unsteady_one_is_named_and_a_steadier_one_is_not():
    for us, odd in ((3_000.0, (1,)), (30.0, ())):
        steady = (us, 300.0, 310.0, 290.0, 305.0, 295.0, 300.0, 302.0)
        found = compare_injectors([take(made_reading(NONE, steadiness_us=s), c) for c, s in enumerate(steady, 1)])
        assert found.odd == odd
