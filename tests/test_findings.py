"""Compare, swap, wiggle and verify on readings made event by event."""

from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
from scipy import stats
from statsmodels.api import OLS
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.proportion import confint_proportions_2indep
from takes import made_reading, silent_reading, skip_train, take

from injsound.codes import ReasonCode, State, Verdict
from injsound.diagnoses import Arm, FreezeFrame, Misfires, Stretch
from injsound.engine import Engine
from injsound.errors import ParameterError
from injsound.findings import swap
from injsound.findings.compare import compare_injectors
from injsound.findings.episodes import (
    arm_of,
    episode_starts,
    holm,
    is_counted,
    more_episodes_p,
    pooled,
    seconds_for,
    shows_fault,
)
from injsound.findings.fellows import prediction_limits
from injsound.findings.freeze import unlike_freeze_frame
from injsound.findings.misfires import misfiring_cylinder
from injsound.findings.opening import latency_ms, volts_lost
from injsound.findings.swap import find_fault
from injsound.findings.verify import clean_restarts_needed, newcombe_difference, verify_repair
from injsound.findings.wiggle import find_gathering, gathering_by_knocks, still_between
from injsound.job_codes import (
    CompareVerdict,
    Exchange,
    MarkedBy,
    Measure,
    Shaking,
    Stage,
    SwapVerdict,
    VerifyVerdict,
    Why,
    WiggleVerdict,
)
from injsound.reading import read
from injsound.show.findings_text import tell_comparison, tell_verify, tell_wiggle
from injsound.show.text import Words
from injsound.show.words.keys import Brief
from injsound.simulate import Scene, Skipping, simulate
from injsound.values import KnockGroup, Note

EVENTS = 353  # 60 s at 0.17 s
NONE = np.zeros(EVENTS, dtype=bool)


def _skips(*places, events=EVENTS):
    train = np.zeros(events, dtype=bool)
    train[list(places)] = True
    return train


EIGHT = _skips(*range(20, 340, 40))


def _whys(finding):
    return [reason.why for reason in finding.reasons]


# --- episodes -------------------------------------------------------------------------------------------------------


def test_a_burst_is_one_episode():
    # By hand: reach 2 s. 0.0, 0.5 and 1.9 are one; 2.0 starts the next, which reaches to 4.0.
    np.testing.assert_array_equal(episode_starts(np.array([0.0, 0.5, 1.9, 2.0, 3.9, 4.1])), [0.0, 2.0, 4.1])
    assert not episode_starts(np.zeros(0)).size
    assert arm_of(made_reading(_skips(100, 101, 102, 103, 104))).episodes == 1


def test_blocks_are_judged_time_over_the_reach():
    assert arm_of(made_reading(NONE)).blocks == int(EVENTS * 0.17 / 2)


def test_equal_sides_are_compared_by_fishers_test():
    # Fisher's tea tasting: 4 of 4 against 0 of 4 is 1/70 (one-sided), 3 against 1 is 17/70.
    assert more_episodes_p(Arm(episodes=4, blocks=4), Arm(episodes=0, blocks=4)) == pytest.approx(1 / 70, rel=1e-4)
    assert more_episodes_p(Arm(episodes=3, blocks=4), Arm(episodes=1, blocks=4)) == pytest.approx(17 / 70, rel=1e-4)


@pytest.mark.parametrize(("a", "b", "n", "m"), [(7, 0, 30, 30), (9, 2, 40, 25), (3, 3, 20, 50)])
def test_fishers_test_agrees_with_scipy(a, b, n, m):
    expected = stats.fisher_exact([[a, n - a], [b, m - b]], alternative="greater").pvalue
    assert more_episodes_p(Arm(episodes=a, blocks=n), Arm(episodes=b, blocks=m)) == pytest.approx(expected, rel=1e-3)


@pytest.mark.parametrize(("a", "b", "n", "m"), [(7, 0, 30, 30), (9, 2, 40, 25), (3, 3, 20, 50), (30, 30, 30, 40)])
def test_unequal_wrong_calls_agree_with_scipys_noncentral_test(a, b, n, m):
    first, second = Arm(episodes=a, blocks=n, expected_false=2.0), Arm(episodes=b, blocks=m, missed_share=0.3)
    # By hand: the true share t solves a + b = 2 + t (n + 0.7 m); each side then sees 1 - (1 - t s)(1 - f).
    true = min((a + b - 2) / (n + 0.7 * m), 1)
    one, other = 1 - (1 - true) * (1 - 2 / n), min(0.7 * true, 1 - 1e-6)
    one = min(one, 1 - 1e-6)
    odds = one * (1 - other) / (other * (1 - one))
    expected = stats.nchypergeom_fisher.sf(a - 1, n + m, n, a + b, odds)
    assert more_episodes_p(first, second) == pytest.approx(expected, rel=1e-5)


def test_wrong_calls_do_not_make_an_injector_look_worse():
    clean = Arm(episodes=1, blocks=30)
    loud, quiet = (Arm(episodes=6, blocks=30, expected_false=f) for f in (5.0, 0.0))
    assert more_episodes_p(loud, clean) > 5 * more_episodes_p(quiet, clean)
    assert not shows_fault(loud)
    assert shows_fault(quiet)
    deaf = replace(clean, missed_share=0.8)
    assert more_episodes_p(quiet, deaf) > more_episodes_p(quiet, clean)


def test_no_episode_shows_nothing():
    assert more_episodes_p(Arm(episodes=0, blocks=30), Arm(episodes=0, blocks=30)) == 1.0
    assert not shows_fault(Arm(episodes=1, blocks=30))


def test_holm_agrees_with_statsmodels():
    p = [0.01, 0.04, 0.03, 0.005, 0.6]
    np.testing.assert_allclose(holm(p), multipletests(p, method="holm")[1])


def test_sums_weigh_missed_shares_by_events():
    both = pooled([Arm(episodes=1, blocks=10, missed_share=0.3, judged=100), Arm(episodes=2, blocks=20, judged=200)])
    assert (both.episodes, both.blocks, both.judged) == (3, 30, 300)
    assert both.missed_share == pytest.approx(0.1)


def test_seconds_for_more_episodes():
    # By hand: 2 episodes in 30 blocks of 2 s; 5 more take 60 s * 5 / 2 = 150 s. None seen: twice the 60 s.
    assert seconds_for(7, Arm(episodes=2, blocks=30)) == 150
    assert seconds_for(7, Arm(episodes=0, blocks=30)) == 120


def test_faint_recordings_are_not_counted():
    made = made_reading(EIGHT)
    faint = replace(made, quality=replace(made.quality, separation=3.0))
    assert is_counted(made)
    assert arm_of(faint) is None
    silent = arm_of(silent_reading())
    assert silent.episodes == silent.blocks > 20


# --- compare --------------------------------------------------------------------------------------------------------


def test_the_skipping_one_is_named():
    found = compare_injectors([take(made_reading(EIGHT if c == 3 else NONE), c) for c in (1, 2, 3, 4)])
    assert found.verdict is CompareVerdict.ODD_ONE
    assert found.odd == (3,)
    assert _whys(found) == [Why.MORE_EPISODES, Why.TICK_BY_TICK]
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
    assert Why.RAN_WELL in _whys(found)
    assert found.record_s > 0


def test_one_burst_names_nobody():
    # Five skips in one burst against none: Fisher's test on events gives 0.03, on episodes nothing.
    found = compare_injectors([take(made_reading(_skips(*range(50, 55)) if c == 1 else NONE), c) for c in (1, 2, 3)])
    assert (found.verdict, found.odd) == (CompareVerdict.NOT_SHOWN, ())


def test_a_silent_one_is_named():
    found = compare_injectors([take(silent_reading() if c == 2 else made_reading(NONE), c) for c in (1, 2, 3, 4)])
    assert found.odd == (2,)
    assert _whys(found) == [Why.SILENT]


def test_where_several_are_silent_by_themselves_nobody_is_named():
    # Each may be hearing the same silent place.
    found = compare_injectors([take(silent_reading() if c in (2, 3) else made_reading(NONE), c) for c in (1, 2, 3, 4)])
    assert (found.verdict, found.odd) == (CompareVerdict.NOT_SHOWN, ())
    assert _whys(found).count(Why.NOT_COUNTED) == 2


def test_valves_alone_are_no_evidence():
    only_valves = replace(silent_reading(), reasons=(Note(code=ReasonCode.ENGINE_TICKS_ONLY),))
    found = compare_injectors([take(only_valves if c == 2 else made_reading(NONE), c) for c in (1, 2, 3, 4)])
    assert (found.verdict, found.odd) == (CompareVerdict.NOT_SHOWN, ())
    assert Why.NOT_COUNTED in _whys(found)
    assert arm_of(only_valves) is None


def test_two_skipping_injectors_do_not_hide_each_other():
    # Against the two sound ones the weaker has all bad moments of its own: C(29, 6) / C(87, 6) = 0.1 %.
    second = made_reading(_skips(*range(10, 340, 56)))
    readings = {2: made_reading(EIGHT), 3: second}
    found = compare_injectors([take(readings.get(c, made_reading(NONE)), c) for c in (1, 2, 3, 4)])
    assert (found.verdict, found.odd) == (CompareVerdict.SEVERAL, (2, 3))
    more = [reason.figures for reason in found.reasons if reason.why is Why.MORE_EPISODES]
    assert [(figures["cylinder"], figures["others"]) for figures in more] == [(2, 0), (3, 0)]


def test_one_that_skips_by_itself_is_told_though_it_does_not_stand_out():
    # Two bad moments beside eight: no group, but by its own recording it skips.
    readings = {2: made_reading(EIGHT), 3: made_reading(_skips(40, 200))}
    found = compare_injectors([take(readings.get(c, made_reading(NONE)), c) for c in (1, 2, 3, 4)])
    assert found.odd == (2,)
    (told,) = (reason.figures for reason in found.reasons if reason.why is Why.SKIPS_BY_ITSELF)
    assert (told["cylinder"], told["skipped"], told["judged"]) == (3, 2, EVENTS)


def test_engines_that_fire_at_other_angles_are_no_one_engine():
    takes = [
        take(replace(made_reading(NONE), engine=Engine(cylinders=2, firing_order=(1, 2), firing_angles=angles)), c)
        for c, angles in ((1, (0.0, 270.0)), (2, (0.0, 450.0)))
    ]
    assert Why.ENGINES_DIFFER in _whys(compare_injectors(takes))


def test_a_recording_that_is_not_counted_says_why_and_what_helps():
    made = replace(made_reading(NONE), engine=Engine(), reasons=(Note(code=ReasonCode.TWO_CANDIDATES),))
    lost = replace(made, verdict=Verdict.CANNOT_TELL, quality=replace(made.quality, separation=None))
    found = compare_injectors([take(lost if c == 3 else made_reading(NONE), c) for c in (1, 2, 3)])
    (told,) = (reason.figures for reason in found.reasons if reason.why is Why.NOT_COUNTED)
    assert told["reason"] is ReasonCode.TWO_CANDIDATES
    assert Why.ORDER_HELPS in _whys(found)
    assert found.record_s is None  # longer recordings of the others do not answer it


def test_a_dead_injector_does_not_hide_a_skipping_one():
    readings = {1: silent_reading(), 2: made_reading(EIGHT)}
    found = compare_injectors([take(readings.get(c, made_reading(NONE)), c) for c in (1, 2, 3, 4)])
    assert (found.verdict, found.odd) == (CompareVerdict.SEVERAL, (1, 2))
    assert _whys(found)[:2] == [Why.SILENT, Why.MORE_EPISODES]


@pytest.mark.parametrize("events", [45, 300])
def test_a_silent_place_is_named_however_short_the_recordings(events):
    # 45 ticks of 0.17 s are three blocks: against six without a bad moment 1 in C(9, 3) = 84, twelve looks corrected.
    silent = replace(silent_reading(sha256="2"), seconds=0.17 * events)
    takes = [take(silent if c == 2 else made_reading(NONE[:events], sha256=f"{c}"), c) for c in (1, 2, 3)]
    found = compare_injectors(takes)
    assert (found.verdict, found.odd) == (CompareVerdict.ODD_ONE, (2,))
    assert _whys(found) == [Why.SILENT]


def test_a_first_try_that_told_nothing_does_not_hide_a_silent_place():
    lost = replace(_doubted(ReasonCode.FAINT, sha256="first"), events=_no_events())
    takes = [take(lost, 2), *(take(silent_reading() if c == 2 else made_reading(NONE), c) for c in (1, 2, 3))]
    found = compare_injectors(takes)
    assert found.odd == (2,)
    assert next(side for side in found.sides if side.cylinder == 2).silent
    assert Why.NOT_COUNTED not in _whys(found)


def _no_events():
    return replace(made_reading(NONE[:1]).events, state=(), time_s=np.zeros(0), skip_probability=np.zeros(0))


def _doubted(code, **settings):
    made = made_reading(NONE, **settings)
    return replace(made, verdict=Verdict.CANNOT_TELL, reasons=(Note(code=code),))


WRONG_TICK = (ReasonCode.MAY_BE_NEIGHBOUR, ReasonCode.MOSTLY_MISSING, ReasonCode.TICKS_FADE, ReasonCode.SPEECH_CODEC)


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
    assert (Why.OPENS_LONG in _whys(found)) is kept
    assert (Why.NOT_MEASURED in _whys(found)) is not kept
    assert side.arm.judged == len(NONE)  # its skips are counted all the same
    if not kept:
        told = " ".join(" ".join(tell_comparison(found, Words())).split())
        assert "Steadiness and open time of doubt.wav are not compared: " + Words().say(Brief(code.value)) in told
    # Recorded again, the other one counts and nothing is told of the first.
    again = compare_injectors([*takes, take(made_reading(NONE, sha256="again"), 6)])
    assert Why.NOT_MEASURED not in _whys(again)
    if not kept:
        assert again.sides[5].open_time_ms == 2.8


def test_conditions_are_never_mixed():
    takes = [take(made_reading(EIGHT), 1, condition="cold"), take(made_reading(NONE), 2, condition="warm")]
    found = compare_injectors(takes)
    assert found.verdict is CompareVerdict.NOT_SHOWN
    assert Why.CONDITIONS_DIFFER in _whys(found)


def test_one_cylinder_has_no_fellows():
    assert compare_injectors([take(made_reading(EIGHT), 1)]).verdict is CompareVerdict.NOT_SHOWN


def test_an_open_time_that_stands_apart_is_a_lead_and_no_verdict():
    gaps = (2.80, 2.82, 2.79, 2.81, 2.80, 3.60)
    found = compare_injectors([take(made_reading(NONE, open_time_ms=g), c) for c, g in enumerate(gaps, 1)])
    assert found.sides[5].p[Measure.OPEN_TIME] < 0.01
    assert 6 not in found.odd
    assert found.verdict is CompareVerdict.NONE
    assert _whys(found) == [Why.NONE_STANDS_OUT, Why.OPENS_LONG]


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


def test_open_times_of_other_pulses_or_temperatures_are_not_compared():
    gaps = (2.80, 2.82, 2.79, 2.81, 2.80, 3.60)
    alike = _opened(*gaps, pulse=(3.0,) * 6, coolant=(88.0,) * 6)
    assert Why.OPENS_LONG in _whys(alike)
    for entered in ({"pulse": (3.0,) * 5 + (3.8,)}, {"coolant": (88.0,) * 5 + (60.0,)}):
        found = _opened(*gaps, **entered)
        assert Measure.OPEN_TIME not in found.sides[5].p
        assert _whys(found) == [Why.NONE_STANDS_OUT, Why.OPEN_TIMES_UNLIKE]
    # What only one of two recordings has entered is no difference.
    assert Why.OPENS_LONG in _whys(_opened(*gaps, pulse=(None,) * 5 + (3.8,)))


def test_an_unsteady_one_is_named_and_a_steadier_one_is_not():
    for us, odd in ((3_000.0, (1,)), (30.0, ())):
        steady = (us, 300.0, 310.0, 290.0, 305.0, 295.0, 300.0, 302.0)
        found = compare_injectors([take(made_reading(NONE, steadiness_us=s), c) for c, s in enumerate(steady, 1)])
        assert found.odd == odd


# --- swap -----------------------------------------------------------------------------------------------------------


def _swap(first, second, stayed, followed, **settings):
    trains = {(1, Stage.BEFORE, "A"): first, (2, Stage.BEFORE, "B"): second, (1, Stage.SWAPPED, "B"): stayed,
              (2, Stage.SWAPPED, "A"): followed}  # fmt: skip
    return [
        take(made_reading(train, sha256=str(k), **settings), cylinder, injector=injector, stage=stage)
        for k, ((cylinder, stage, injector), train) in enumerate(trains.items())
    ]


@pytest.mark.parametrize(
    ("cells", "verdict"),
    [
        ((EIGHT, NONE, NONE, EIGHT), SwapVerdict.FOLLOWS_INJECTOR),
        ((NONE, EIGHT, EIGHT, NONE), SwapVerdict.FOLLOWS_INJECTOR),
        ((EIGHT, NONE, EIGHT, NONE), SwapVerdict.STAYS_WITH_CYLINDER),
        ((EIGHT, NONE, EIGHT, EIGHT), SwapVerdict.BOTH),
        ((EIGHT, NONE, NONE, NONE), SwapVerdict.NEITHER),
        ((EIGHT, NONE, _skips(90), NONE), SwapVerdict.NEITHER),
        ((EIGHT, NONE, _skips(50, 200), EIGHT), SwapVerdict.NOT_SHOWN),
        ((NONE, NONE, NONE, NONE), SwapVerdict.NOT_SHOWN),
        ((_skips(50, 200), NONE, NONE, _skips(50, 200)), SwapVerdict.NOT_SHOWN),
        ((_skips(*range(50, 58)), NONE, NONE, _skips(*range(90, 98))), SwapVerdict.NOT_SHOWN),
    ],
    ids=[
        "follows",
        "follows from 2",
        "stays",
        "both",
        "neither",
        "neither, a lone skip",
        "both, too few",
        "sound",
        "too few",
        "one burst each",
    ],
)
def test_swap(cells, verdict):
    assert find_fault(_swap(*cells)).verdict is verdict


@pytest.mark.parametrize(("n", "m"), [(17, 17), (17, 29), (20, 40), (40, 20), (60, 30), (60, 60), (60, 120), (120, 60)])
def test_a_fault_that_is_still_there_is_called_gone_in_under_one_per_cent(n, m):
    # Every table of two binomials with the same share, whatever it is; after the swap no fault may show.
    before, after = np.arange(n + 1)[:, None], np.arange(m + 1)
    is_gone = np.zeros((n + 1, m + 1), dtype=bool)
    for k in range(n + 1):
        is_gone[k, :2] = [swap._is_gone(Arm(episodes=k, blocks=n), Arm(episodes=j, blocks=m)) for j in (0, 1)]
    for share in np.linspace(0.005, 0.6, 120):
        assert np.sum(stats.binom.pmf(before, n, share) * stats.binom.pmf(after, m, share) * is_gone) < 0.01
    assert is_gone.any()


def test_a_silent_injector_that_moves_is_followed():
    takes = _swap(NONE, NONE, NONE, NONE)
    takes[0] = replace(takes[0], reading=silent_reading(sha256="a"))
    takes[3] = replace(takes[3], reading=silent_reading(sha256="b"))
    assert find_fault(takes).verdict is SwapVerdict.FOLLOWS_INJECTOR


@pytest.mark.parametrize(
    ("change", "why"),
    [
        (lambda t: t[:3], Why.CELL_MISSING),
        (lambda t: [*t[:3], replace(t[3], condition="cold")], Why.CONDITIONS_DIFFER),
        (lambda t: [*t[:3], replace(t[3], injector="B")], Why.LABELS_UNCLEAR),
        (lambda t: [*t[:2], replace(t[2], injector="A"), replace(t[3], injector="B")], Why.NOTHING_MOVED),
        (lambda t: [replace(x, connector=c) for x, c in zip(t, "mnnm", strict=True)], Why.BOTH_MOVED),
        (
            lambda t: [*t[:3], replace(t[3], reading=replace(t[3].reading, engine=Engine(cylinders=4)))],
            Why.ENGINES_DIFFER,
        ),
        (lambda t: [*t[:3], replace(t[3], reading=t[0].reading)], Why.SAME_RECORDING),
        (lambda t: [*t[:3], replace(t[3], reading=made_reading(EIGHT, rpm=2_000, sha256="x"))], Why.SPEEDS_DIFFER),
        (lambda t: [*t[:3], replace(t[3], reading=made_reading(EIGHT[:150], sha256="x"))], Why.LENGTHS_DIFFER),
        (lambda t: [*t, replace(t[3], cylinder=3)], Why.TOO_FEW_RECORDINGS),
    ],
    ids=["cell", "condition", "labels", "moved", "both moved", "engine", "same", "speed", "length", "three cylinders"],
)
def test_unlike_cells_show_nothing(change, why):
    found = find_fault(change(_swap(EIGHT, NONE, NONE, EIGHT)))
    assert found.verdict is SwapVerdict.NOT_SHOWN
    assert why in _whys(found)


def _crossed(*cells):
    """The same four cells with connectors m and n crossed and injectors left in place."""
    takes = _swap(*cells)
    return [replace(t, injector="AB"[t.cylinder - 1], connector=c) for t, c in zip(takes, "mnnm", strict=True)]


@pytest.mark.parametrize(
    ("cells", "verdict"),
    [
        # The fault goes to the cylinder that is now driven by the faulty one's connector: the circuit.
        ((EIGHT, NONE, NONE, EIGHT), SwapVerdict.STAYS_WITH_CYLINDER),
        ((EIGHT, NONE, EIGHT, NONE), SwapVerdict.FOLLOWS_INJECTOR),
        ((EIGHT, NONE, EIGHT, EIGHT), SwapVerdict.BOTH),
        ((EIGHT, NONE, NONE, NONE), SwapVerdict.NEITHER),
    ],
)
def test_crossed_connectors_mean_the_opposite(cells, verdict):
    found = find_fault(_crossed(*cells))
    assert found.verdict is verdict
    assert found.exchange is Exchange.CONNECTORS
    exchanged = find_fault(_swap(*cells))
    assert (found.p_injector, found.p_cylinder) == (exchanged.p_cylinder, exchanged.p_injector)


def test_labels_after_the_swap_alone_tell_what_changed_places():
    # Before it a part was its own cylinder's.
    takes = [
        replace(take(made_reading(EIGHT if bad else NONE, sha256=f"{c}{stage}"), c, stage=stage), connector=label)
        for c, stage, bad, label in (
            (2, Stage.BEFORE, True, ""),
            (3, Stage.BEFORE, False, ""),
            (2, Stage.SWAPPED, False, "3"),
            (3, Stage.SWAPPED, True, "2"),
        )
    ]
    found = find_fault(takes)
    assert (found.exchange, found.verdict) == (Exchange.CONNECTORS, SwapVerdict.STAYS_WITH_CYLINDER)


def test_labels_tell_what_changed_places():
    cells = (EIGHT, NONE, NONE, EIGHT)
    assert find_fault(_swap(*cells)).exchange is Exchange.INJECTORS
    assert find_fault([replace(t, injector="") for t in _swap(*cells)]).exchange is Exchange.ASSUMED
    assert find_fault([replace(t, injector="") for t in _crossed(*cells)]).exchange is Exchange.CONNECTORS
    kept = [replace(t, connector=c) for t, c in zip(_swap(*cells), "mnmn", strict=True)]
    assert find_fault(kept).exchange is Exchange.INJECTORS
    two = [*_swap(*cells), replace(_swap(*cells)[0], injector="C", reading=made_reading(EIGHT, sha256="z"))]
    assert _whys(find_fault(two)) == [Why.LABELS_UNCLEAR]


def _codes(*codes, **counts):
    return Misfires(codes=codes, counts={int(key[1:]): count for key, count in counts.items()})


@pytest.mark.parametrize(
    ("read", "cylinder"),
    [
        (_codes("P0301", "P0300"), 1),
        (_codes("P0301", "P0302"), None),
        (_codes("P0303", "P0201"), None),
        (_codes(), None),
        # By hand: 8 against 0 is 2^-8 = 0.0039, 6 against 0 is 2^-6 = 0.0156.
        (_codes(c2=8), 2),
        (_codes(c2=6), None),
        (_codes(c1=154, c2=3), 1),
        (_codes(c1=30, c2=25), None),
        (_codes("P0302", c1=154), 2),
    ],
)
def test_which_of_two_cylinders_misfires(read, cylinder):
    assert misfiring_cylinder(read, (1, 2)) == cylinder


@pytest.mark.parametrize(
    ("cells", "now", "whys"),
    [
        ((EIGHT, NONE, NONE, EIGHT), "P0302", [Why.MISFIRE_MOVED, Why.SECOND_AGREES]),
        ((EIGHT, NONE, NONE, EIGHT), "P0301", [Why.MISFIRE_STAYED, Why.SECOND_CONTRADICTS]),
        ((EIGHT, NONE, EIGHT, NONE), "P0301", [Why.MISFIRE_STAYED, Why.SECOND_AGREES]),
        ((EIGHT, NONE, EIGHT, NONE), "P0302", [Why.MISFIRE_MOVED, Why.SECOND_CONTRADICTS]),
        ((EIGHT, NONE, NONE, NONE), "P0301", [Why.MISFIRE_STAYED, Why.SECOND_CONTRADICTS]),
        ((EIGHT, NONE, EIGHT, EIGHT), "P0301", [Why.MISFIRE_STAYED]),
        ((NONE, EIGHT, EIGHT, NONE), "P0302", [Why.MISFIRE_MOVED, Why.SECOND_CONTRADICTS]),
        ((EIGHT, NONE, NONE, EIGHT), "P0300", []),
    ],
)
def test_a_misfire_code_is_second_evidence(cells, now, whys):
    found = find_fault(_swap(*cells), before=_codes("P0301"), swapped=_codes(now))
    assert [reason.why for reason in found.second] == whys
    # Misfire means combustion, which goes with the injector's place whichever way the leads lie.
    crossed = find_fault(_crossed(*cells), before=_codes("P0301"), swapped=_codes(now))
    assert [reason.why for reason in crossed.second] == whys


# --- freeze frame ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("frame", "settings", "unlike"),
    [
        ({}, {}, False),
        ({"rpm": 700.0}, {}, False),
        ({"rpm": 1_850.0}, {}, True),
        ({"coolant_c": 12.0}, {}, False),
        ({"coolant_c": 12.0}, {"coolant_c": 30.0}, False),
        ({"coolant_c": 12.0}, {"coolant_c": 88.0}, True),
        ({"load_percent": 75.0}, {"load_percent": 20.0}, True),
        ({"rpm": 1_850.0}, {"stage": Stage.AFTER}, False),
    ],
)
def test_a_recording_unlike_the_freeze_frame_is_told(frame, settings, unlike):
    made = replace(take(made_reading(NONE), 1), **settings)
    assert (unlike_freeze_frame(FreezeFrame(**frame), [made]) is not None) is unlike


def test_one_recording_like_the_freeze_frame_is_enough():
    frame = FreezeFrame(rpm=1_850.0, coolant_c=12.0)
    takes = [take(made_reading(NONE), 1), replace(take(made_reading(NONE, rpm=1_800.0), 1), coolant_c=15.0)]
    assert unlike_freeze_frame(frame, takes) is None
    figures = unlike_freeze_frame(frame, takes[:1]).figures
    assert figures == {"rpm": 1850, "coolant_c": 12, "load_percent": None}


# --- wiggle ---------------------------------------------------------------------------------------------------------


def _stretches(each, length=6.0):
    return [Stretch(from_s=length * k, to_s=length * (k + 1), moved=k % 2 == 1) for k in range(2 * each)]


def _moved_skips(stretches, moved, still, events=EVENTS):
    time = 0.1 + 0.17 * np.arange(events)
    train = np.zeros(events, dtype=bool)
    for s in stretches:
        inside = np.flatnonzero((time >= s.from_s) & (time < s.to_s))
        train[inside[5 : 5 + 13 * (moved if s.moved else still) : 13]] = True
    return train


def test_skips_that_gather_while_moved():
    stretches = _stretches(5)
    found = find_gathering(made_reading(_moved_skips(stretches, 2, 0)), stretches)
    assert found.verdict is WiggleVerdict.GATHERS
    # By hand: of the 252 ways to name five of ten, only the true one is as extreme.
    assert found.p == pytest.approx(1 / 252)


def test_exchange_p_agrees_with_counting_every_way():
    rng = np.random.default_rng(3)
    stretches = _stretches(5)
    reading = made_reading(skip_train(rng, EVENTS, 0.05))
    found = find_gathering(reading, stretches)
    time = reading.events.time_s[skipped_places(reading)]
    starts = episode_starts(time)
    counts = np.array([np.sum((starts >= s.from_s) & (starts < s.to_s)) for s in stretches], dtype=float)
    judged = np.array(
        [np.sum((reading.events.time_s >= s.from_s) & (reading.events.time_s < s.to_s)) for s in stretches]
    )
    counts -= 2e-4 * judged
    ways = [list(w) for w in combinations(range(10), 5)]
    rest = [[k for k in range(10) if k not in w] for w in ways]
    gain = [
        counts[w].sum() / judged[w].sum() - counts[r].sum() / judged[r].sum() for w, r in zip(ways, rest, strict=True)
    ]
    seen = gain[ways.index([1, 3, 5, 7, 9])]
    assert found.p == pytest.approx(np.mean(np.array(gain) >= seen - 1e-12))


def test_a_burst_over_an_edge_counts_in_one_arm_shown_and_tested_alike():
    stretches = _stretches(5)
    # Skips at 11.83 to 12.34 s reach over the edge at 12 s, from a moved stretch into a still one.
    train = _skips(*range(69, 73), 40, 110)
    found = find_gathering(made_reading(train), stretches)
    assert (found.moved.episodes, found.still.episodes) == (3, 0)
    assert (found.moved.skipped, found.still.skipped) == (3, 3)
    assert found.reasons[0].figures["moved"] == found.moved.episodes


def test_missed_calls_of_a_noisy_arm_enter_the_wiggle_test():
    stretches = _stretches(5)
    train = _moved_skips(stretches, 1, 1)
    time = 0.1 + 0.17 * np.arange(EVENTS)
    handled = (time // 6).astype(int) % 2 == 1
    clean, deaf = made_reading(train), made_reading(train, missed=np.where(handled, 0.2, 0.0))
    assert find_gathering(deaf, stretches).p < find_gathering(clean, stretches).p


def _with_knocks(reading, counts, every=6.0):
    groups = [KnockGroup(from_s=every * (k + 1) - 0.5, to_s=every * (k + 1), count=c) for k, c in enumerate(counts)]
    return replace(reading, knocks=tuple(groups))


def test_three_knocks_change_between_still_and_moved():
    reading = made_reading(_moved_skips(_stretches(5), 2, 0))
    found = gathering_by_knocks(_with_knocks(reading, [3] * 9))
    assert found.verdict is WiggleVerdict.GATHERS
    assert found.marked_by is MarkedBy.KNOCKS
    assert found.p == pytest.approx(1 / 252)
    # What lies within the knocks' own half second is in no arm: 9 times, three events each at 0.17 s.
    assert EVENTS - 3 * 9 - 3 <= found.moved.judged + found.still.judged <= EVENTS - 2 * 9


def test_knocks_that_are_not_three_are_told_and_nothing_is_guessed():
    reading = made_reading(_moved_skips(_stretches(5), 2, 0))
    found = gathering_by_knocks(_with_knocks(reading, [3, 3, 4, 3, 3, 2, 3, 3, 3]))
    assert found.verdict is WiggleVerdict.NOT_SHOWN
    assert _whys(found) == [Why.KNOCKS_UNCLEAR, Why.KNOCKS_UNCLEAR, Why.MARK_AGAIN]
    assert [dict(r.figures) for r in found.reasons[:2]] == [{"at_s": 17.5, "count": 4}, {"at_s": 35.5, "count": 2}]
    assert _whys(gathering_by_knocks(reading)) == [Why.NO_KNOCKS]


def _struck(times, seconds=96.0):
    """Twelve stretches of 8 s, skips in the moved ones only; groups as (start, count, alike)."""
    reading = made_reading(_moved_skips(_stretches(6, 8.0), 2, 0, events=565))
    return replace(
        reading,
        seconds=seconds,
        knocks=tuple(KnockGroup(from_s=t, to_s=t + 0.6, count=c, alike=alike) for t, c, alike in sorted(times)),
    )


CHANGES = tuple((8.0 * k, 3, True) for k in range(1, 12))


def _instead(at_s, *groups):
    return [*(change for change in CHANGES if change[0] != at_s), *groups]


def test_the_stretches_compared_are_told():
    found = gathering_by_knocks(_struck(CHANGES))
    assert found.verdict is WiggleVerdict.GATHERS
    assert [s.moved for s in found.stretches] == [False, True] * 6
    told = " ".join(" ".join(tell_wiggle(found, Words())).split())
    assert "groups of three knocks (11)" in told
    assert "Still: 0–8, 17–24, 33–40, 49–56, 65–72, 81–88 s. Moved: 9–16, 25–32, 41–48, 57–64, 73–80, 89–96 s." in told


# A lone knock, none at all, or three unlike the rest where a change is due: all that follows would be turned round.
@pytest.mark.parametrize("at_s", [8.0, 40.0, 88.0])
@pytest.mark.parametrize(
    ("count", "alike", "whys"),
    [
        (0, True, [Why.STRETCH_LONG]),
        (1, True, [Why.KNOCKS_UNCLEAR]),
        (3, False, [Why.STRETCH_LONG, Why.KNOCKS_UNLIKE]),
    ],
)
def test_a_change_that_was_not_heard_as_three_is_not_passed_over(at_s, count, alike, whys):
    found = gathering_by_knocks(_struck(_instead(at_s, *([(at_s, count, alike)] if count else []))))
    assert found.verdict is WiggleVerdict.NOT_SHOWN
    assert _whys(found) == [*whys, Why.MARK_AGAIN]
    if count:
        assert dict(found.reasons[-2].figures) == {"at_s": at_s, "count": count}
    else:
        # By hand: from the end of the knocks before to the first of those after; the usual one is 8 s less 0.6 s.
        start = at_s - 8.0 + (0.6 if at_s > 8.0 else 0.0)
        figures = {"from_s": start, "to_s": at_s + 8.0, "seconds": at_s + 8.0 - start, "usual": 7.4}
        assert dict(found.reasons[0].figures) == pytest.approx(figures)


def test_a_change_marked_twice_is_told():
    found = gathering_by_knocks(_struck([*CHANGES, (43.0, 3, True)]))
    assert found.verdict is WiggleVerdict.NOT_SHOWN
    # The cut stretch lasts 7.4 s in all; its parts with those beside them 10.4 and 12.4 s, over 1.4 times 7.4 s.
    figures = {"from_s": 40.6, "to_s": 48.0, "seconds": 7.4, "usual": 7.4}
    assert dict(found.reasons[0].figures) == pytest.approx(figures)
    assert _whys(found) == [Why.STRETCHES_SHORT, Why.MARK_AGAIN]


def test_bumps_where_no_change_is_due_keep_no_test_from_its_answer():
    # Alone or unlike the knocks, in stretches of the usual length; the last stretch may end early.
    bumps = [(3.0, 1, True), (20.0, 1, True), (28.0, 2, False), (44.0, 3, False), (89.5, 1, True)]
    for seconds in (96.0, 92.0):
        found = gathering_by_knocks(_struck([*CHANGES, *bumps], seconds))
        assert found.verdict is WiggleVerdict.GATHERS
        assert found.marks == 11


def test_stretches_kept_by_hand_are_even_enough():
    # In turn 9.3 and 6.7 s apart, less 0.6 s of knocks: the usual is 7.4 s, half as much again 11.1 s.
    starts = [8.0 * k + (1.3 if k % 2 else 0.0) for k in range(1, 12)]
    assert gathering_by_knocks(_struck([(t, 3, True) for t in starts])).verdict is not WiggleVerdict.NOT_SHOWN


UNCOUNTED = (
    (ReasonCode.TWO_CANDIDATES, [Why.MOVED_NOT_COUNTED, Why.ORDER_UNKNOWN]),
    (ReasonCode.FAINT, [Why.MOVED_NOT_COUNTED]),
)


@pytest.mark.parametrize(("code", "whys"), UNCOUNTED)
def test_a_wiggle_over_a_recording_that_was_not_counted_says_so(code, whys):
    made = _struck(CHANGES)
    silent = replace(made, verdict=Verdict.CANNOT_TELL, reasons=(Note(code=code),), engine=Engine(),
                     quality=replace(made.quality, separation=None))  # fmt: skip
    for found in (find_gathering(silent, _stretches(6, 8.0)), gathering_by_knocks(silent)):
        assert (found.verdict, _whys(found)) == (WiggleVerdict.NOT_SHOWN, whys)
        told = " ".join(" ".join(tell_wiggle(found, Words())).split())
        assert f"made.wav could not be counted: {Words().say(Brief(code.value))}." in told
        assert not any(words in told for words in ("0 of 0", "Nothing skipped", "Too few"))
        assert ("--firing-order" in told) is (Why.ORDER_UNKNOWN in whys)
    known = replace(silent, engine=Engine(cylinders=4))
    assert _whys(gathering_by_knocks(known)) == [Why.MOVED_NOT_COUNTED]


def test_uncounted_and_unclear_are_told_together():
    made = _struck(_instead(40.0))
    silent = replace(made, reasons=(Note(code=ReasonCode.FAINT),), quality=replace(made.quality, separation=1.0))
    assert _whys(gathering_by_knocks(silent)) == [Why.MOVED_NOT_COUNTED, Why.STRETCH_LONG, Why.MARK_AGAIN]
    # Too low a separation is a reason by itself.
    told = replace(silent, reasons=(Note(code=ReasonCode.SKIPS_FOUND),))
    assert gathering_by_knocks(told).reasons[0].figures["reason"] is ReasonCode.WEAK_SEPARATION


def test_what_may_be_another_tick_denies_nothing():
    stretches = _stretches(5)
    even, gathered = (made_reading(_moved_skips(stretches, *skips)) for skips in ((1, 1), (2, 0)))
    assert find_gathering(even, stretches).verdict is WiggleVerdict.DOES_NOT
    doubt = {"verdict": Verdict.CANNOT_TELL, "reasons": (Note(code=ReasonCode.MAY_BE_NEIGHBOUR),)}
    found = find_gathering(replace(even, engine=Engine(), **doubt), stretches)
    assert found.verdict is WiggleVerdict.TOO_FEW
    assert _whys(found) == [Why.NOT_MORE_WHILE_MOVED, Why.WHOSE_TICK, Why.ORDER_UNKNOWN]
    assert find_gathering(replace(gathered, **doubt), stretches).verdict is WiggleVerdict.GATHERS


def test_what_is_not_moved_is_still():
    spans = [(s.from_s, s.to_s, s.moved) for s in still_between([(20, 30), (5, 10)], 40.0)]
    assert spans == [(0, 5, False), (5, 10, True), (10, 20, False), (20, 30, True), (30, 40, False)]
    assert [s.moved for s in still_between([(0, 5), (5, 40)], 40.0)] == [True, True]
    with pytest.raises(ParameterError, match="ends at 41 s"):
        still_between([(20, 41)], 40.0)


def _wiggled(knocks):
    """Twelve stretches of 6 s; while the odd ones last, one tick in each second is left out."""
    engine = Engine(cylinders=3, cylinder=1, firing_order=(1, 2, 3))
    due = 0.133 * np.arange(540)
    listed = tuple(int(n) for n in np.flatnonzero((due // 6 % 2 == 1) & (due % 6 > 1.5)) if n % 12 == 0)
    scene = Scene(
        seconds=72.0, sr=24_000, seed=4, rpm=900.0, engine=engine, tick_db=22.0, skipping=Skipping.LISTED,
        skip_events=listed, knocks=knocks, wander=0.003,
    )  # fmt: skip
    recording, _ = simulate(scene)
    return read([recording], engine=engine, rpm=900.0)


def test_knocks_in_sound_mark_the_wiggle_test():
    reading = _wiggled(tuple((6.0 * k, 3) for k in range(1, 12)))
    assert [group.count for group in reading.knocks] == [3] * 11
    found = gathering_by_knocks(reading)
    assert found.verdict is WiggleVerdict.GATHERS
    assert found.still.episodes == 0


@pytest.mark.parametrize("count", [0, 1])
def test_a_change_not_knocked_three_times_turns_nothing_round(count):
    # Before, the changes at 30 and 60 s were passed over: moved and still changed sides in between, and the finding was
    # that nothing gathers.
    changes = {6.0 * k: 3 for k in range(1, 12)} | {30.0: count, 60.0: count}
    found = gathering_by_knocks(_wiggled(tuple((at, n) for at, n in changes.items() if n)))
    assert found.verdict is WiggleVerdict.NOT_SHOWN
    whys = [Why.KNOCKS_UNCLEAR if count else Why.STRETCH_LONG] * 2
    assert _whys(found) == [*whys, Why.MARK_AGAIN]
    # A knock is timed to its bump's margin of 15 ms, and told to a tenth of a second.
    starts = [reason.figures["at_s" if count else "to_s"] for reason in found.reasons[:2]]
    assert starts == pytest.approx([30.0, 60.0] if count else [36.0, 66.0], abs=0.051)


def skipped_places(reading):
    return np.array([state.value == "skipped" for state in reading.events.state])


def test_even_skips_do_not_gather():
    stretches = _stretches(5)
    found = find_gathering(made_reading(_moved_skips(stretches, 1, 1)), stretches)
    assert found.verdict is WiggleVerdict.DOES_NOT


def test_what_handling_hides_denies_nothing():
    stretches = [Stretch(from_s=8.0 * k, to_s=8.0 * (k + 1), moved=k % 2 == 1) for k in range(12)]
    made = made_reading(np.isin(np.arange(560) % 40, (5,)))
    assert find_gathering(made, stretches).verdict is WiggleVerdict.DOES_NOT
    # Six in ten ticks while moved are lost, by whole rows with their skip.
    moved = (made.events.time_s // 8).astype(int) % 2 == 1
    lost = moved & (np.arange(560) // 40 % 5 < 3)
    states = tuple(State.UNJUDGED if hide else state for hide, state in zip(lost, made.events.state, strict=True))
    found = find_gathering(replace(made, events=replace(made.events, state=states)), stretches)
    assert found.moved_unjudged > 0.5
    assert (found.verdict, _whys(found)) == (WiggleVerdict.TOO_FEW, [Why.MOVED_UNJUDGED])


def test_a_lean_to_the_moved_stretches_denies_nothing():
    # 2 in each of four moved stretches, 1 in each still one: of 252 ways to name five, p lies between 0.005 and 0.05.
    stretches = _stretches(5)
    even, twice = (_moved_skips(stretches, n, 1) for n in (1, 2))
    last = [k for k, s in enumerate(stretches) if s.moved][-1]
    time = 0.1 + 0.17 * np.arange(EVENTS)
    train = np.where(time >= stretches[last].from_s, even, twice)
    found = find_gathering(made_reading(train), stretches)
    assert 0.005 <= found.p < 0.05
    assert (found.verdict, found.reasons[0].why) == (WiggleVerdict.TOO_FEW, Why.MOVING_UNCLEAR)


def test_a_few_moments_deny_nothing():
    # Nine of them, spread evenly: a fault of the wiring would as often as not look the same.
    stretches = _stretches(5)
    train = _moved_skips(stretches, 1, 1)
    train[np.flatnonzero(train)[-1]] = False
    found = find_gathering(made_reading(train), stretches)
    assert found.moved.episodes + found.still.episodes == 9
    assert (found.verdict, found.reasons[0].figures["needed"]) == (WiggleVerdict.TOO_FEW, 10)


@pytest.mark.parametrize(("each", "moved"), [(4, 2), (5, 0)])
def test_too_few_stretches_or_skips(each, moved):
    stretches = _stretches(each)
    assert find_gathering(made_reading(_moved_skips(stretches, moved, 0)), stretches).verdict is WiggleVerdict.TOO_FEW


@pytest.mark.parametrize(
    "stretches",
    [
        [Stretch(from_s=5, to_s=5, moved=True)],
        [Stretch(from_s=-1, to_s=5, moved=True)],
        [Stretch(from_s=0, to_s=5, moved=True), Stretch(from_s=4, to_s=8, moved=False)],
    ],
)
def test_impossible_stretches_are_refused(stretches):
    with pytest.raises(ParameterError, match="expected"):
        find_gathering(made_reading(NONE), stretches)


# --- verify ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("first", "second", "low", "high"),
    [
        # Newcombe, Statistics in Medicine 17, 873-890, 1998, table II, method 10: 56/70 - 48/80.
        ((56, 70), (48, 80), 0.0524, 0.3339),
    ],
)
def test_newcombe_limits_are_the_published_ones(first, second, low, high):
    assert newcombe_difference(first, second) == pytest.approx((low, high), abs=1e-4)


@pytest.mark.parametrize(("a", "n", "b", "m"), [(0, 350, 20, 350), (3, 200, 9, 100), (5, 10, 5, 10)])
def test_newcombe_limits_agree_with_statsmodels(a, n, b, m):
    expected = confint_proportions_2indep(a, n, b, m, method="newcomb", compare="diff")
    assert newcombe_difference((a, n), (b, m)) == pytest.approx(expected, abs=1e-9)


def test_restarts_needed_after_three_of_five():
    # 0.4^4 = 0.026 <= 0.05 < 0.4^3 = 0.064; with the share uncertain 3/7 4/8 5/9 6/10 7/11 = 0.045 after 0.071.
    assert clean_restarts_needed(3, 5, certain=True) == 4
    assert clean_restarts_needed(3, 5) == 5
    assert clean_restarts_needed(5, 5, certain=True) == 1
    assert clean_restarts_needed(1, 5) > clean_restarts_needed(3, 5)
    with pytest.raises(ParameterError):
        clean_restarts_needed(0, 5)


def _repair(after, **settings):
    takes = [
        take(made_reading(EIGHT, sha256="b"), 2),
        take(made_reading(after, sha256="a"), 2, stage=Stage.AFTER),
        *(take(made_reading(NONE, sha256=f"s{c}"), c, stage=Stage.AFTER) for c in (1, 3, 4)),
    ]
    return verify_repair(takes, cylinder=2, **{"leaks_checked": True, **settings})


def test_a_good_repair_has_its_bound_and_its_change():
    found = _repair(NONE)
    assert found.verdict is VerifyVerdict.GOOD
    assert found.rate_high == pytest.approx(1 - 0.05 ** (1 / EVENTS))
    assert found.change == pytest.approx(-8 / EVENTS)
    assert found.change_low < found.change < found.change_high < 0


@pytest.mark.parametrize(
    ("ticks", "skips", "high", "good"),
    [
        # By hand, Poisson: one seen, 4.74 at most (one-sided 95 %), so 1.2 % of 400 and 0.95 % of 500.
        (400, (200,), 0.0118, False),
        (500, (200,), 0.0095, True),
        # Five in a row are one bad moment of five ticks: 23.7 at most.
        (500, range(200, 205), 0.0474, False),
        (2500, range(200, 205), 0.0095, True),
    ],
)
def test_what_may_be_left_after_a_repair_is_one_per_cent_at_most(ticks, skips, high, good):
    old = np.isin(np.arange(800), range(0, 800, 50))
    takes = [
        take(made_reading(old, sha256="b"), 2),
        take(made_reading(np.isin(np.arange(ticks), skips), sha256="a"), 2, stage=Stage.AFTER),
        *(take(made_reading(NONE, sha256=f"s{c}"), c, stage=Stage.AFTER) for c in (1, 3, 4)),
    ]
    found = verify_repair(takes, cylinder=2, leaks_checked=True)
    assert found.verdict is (VerifyVerdict.GOOD if good else VerifyVerdict.NOT_ENOUGH)
    assert found.rate_high == pytest.approx(high, rel=0.02)
    # 474 ticks in all for a lone skip; in tens of seconds at 0.17 s.
    assert found.record_s == (None if good else pytest.approx(0.17 * (474 * len(skips) - ticks), abs=10))


def test_one_recording_given_as_before_and_after_shows_nothing():
    takes = [
        take(made_reading(EIGHT, sha256="same"), 2),
        take(made_reading(EIGHT, sha256="same"), 2, stage=Stage.AFTER),
    ]
    found = verify_repair(takes, cylinder=2, leaks_checked=True)
    assert (found.verdict, _whys(found)) == (VerifyVerdict.NOT_ENOUGH, [Why.SAME_RECORDING])


def test_a_part_replaced_where_the_swap_had_brought_it_is_verified_there():
    takes = [
        take(made_reading(NONE, sha256="b3"), 3),
        take(made_reading(EIGHT, sha256="s3"), 3, stage=Stage.SWAPPED),
        *(take(made_reading(NONE, sha256=f"a{c}"), c, stage=Stage.AFTER) for c in (1, 2, 3, 4)),
    ]
    found = verify_repair(takes, cylinder=3, leaks_checked=True)
    assert found.verdict is VerifyVerdict.GOOD
    assert found.before.episodes == 8


def test_bursts_widen_the_change_since_the_repair():
    # Eight bursts of four: 32 of 300 ticks are known as well as 8 of 75.
    bursts = np.isin(np.arange(EVENTS) % 36, range(4)) & (np.arange(EVENTS) < 288)
    takes = [
        take(made_reading(bursts, sha256="b"), 2),
        *(take(made_reading(NONE, sha256=f"a{c}"), c, stage=Stage.AFTER) for c in (1, 2, 3, 4)),
    ]
    found = verify_repair(takes, cylinder=2, leaks_checked=True)
    assert found.before.episodes == 8
    assert found.change == pytest.approx(-32 / EVENTS)
    assert (found.change_low, found.change_high) == newcombe_difference((0, EVENTS // 4), (8, EVENTS // 4))


def test_what_keeps_a_repair_from_being_called_good():
    assert _repair(EIGHT).verdict is VerifyVerdict.STILL_SKIPPING
    assert Why.LEAKS_NOT_CHECKED in _whys(_repair(NONE, leaks_checked=False))
    few = _repair(NONE, faulty_restarts=(3, 5), clean_restarts=4)
    assert few.verdict is VerifyVerdict.NOT_ENOUGH
    assert few.restarts_needed == 5
    assert _repair(NONE, faulty_restarts=(3, 5), clean_restarts=5).verdict is VerifyVerdict.GOOD
    short = _repair(NONE[:100])
    assert short.verdict is VerifyVerdict.NOT_ENOUGH
    # By hand: 299 events show 1 %; 199 more at 0.17 s are 34 s, in tens 40; the fault of before asks for more.
    assert short.record_s >= 40


def test_a_skipping_sibling_keeps_the_repair_open():
    takes = [
        take(made_reading(NONE, sha256="a"), 2, stage=Stage.AFTER),
        take(made_reading(EIGHT, sha256="s"), 1, stage=Stage.AFTER),
    ]
    found = verify_repair(takes, cylinder=2, leaks_checked=True)
    assert found.verdict is VerifyVerdict.NOT_ENOUGH
    assert Why.SIBLING_SKIPS in _whys(found)


def test_prediction_limits_by_hand_and_by_statsmodels():
    # By hand: mean 2, s 1, n 3: t(0.995, 2) = 9.9248 (Student's table), 9.9248 * sqrt(4/3) = 11.460.
    assert prediction_limits([1, 2, 3], floor=0.0) == pytest.approx((2 - 11.460, 2 + 11.460), abs=1e-3)
    # Closer together than the floor: it is the spread, and known; 2.5758 * 0.08 * sqrt(4/3) = 0.23794.
    assert prediction_limits([2.8, 2.8, 2.8], floor=0.08) == pytest.approx((2.8 - 0.23794, 2.8 + 0.23794), abs=1e-4)
    assert prediction_limits([2.8], floor=0.08) is None
    values = np.array([2.6, 2.9, 2.75, 3.1, 2.7])
    frame = OLS(values, np.ones(5)).fit().get_prediction([1.0]).summary_frame(alpha=0.01)
    expected = frame.loc[0, ["obs_ci_lower", "obs_ci_upper"]].to_numpy()
    assert prediction_limits(values, floor=0.0) == pytest.approx(expected)


def _timed(steadiness_us=300.0, open_time_ms=2.8):
    takes = [
        take(made_reading(EIGHT, sha256="b"), 2),
        take(
            made_reading(NONE, sha256="a", steadiness_us=steadiness_us, open_time_ms=open_time_ms), 2, stage=Stage.AFTER
        ),
        *(take(made_reading(NONE, sha256=f"s{c}"), c, stage=Stage.AFTER) for c in (1, 3, 4)),
    ]
    return verify_repair(takes, cylinder=2, leaks_checked=True)


@pytest.mark.parametrize(
    ("settings", "good"),
    [
        ({}, True),
        # By hand: 300 us times exp(2.5758 * 0.25 * sqrt(4/3)) = 631 us; 2.8 ms +- 0.238 ms.
        ({"steadiness_us": 620.0}, True),
        ({"steadiness_us": 640.0}, False),
        ({"steadiness_us": 30.0}, True),
        ({"open_time_ms": 3.03}, True),
        ({"open_time_ms": 3.05}, False),
        ({"open_time_ms": 2.55}, False),
    ],
)
def test_a_new_injector_must_be_like_its_fellows(settings, good):
    found = _timed(**settings)
    assert found.verdict is (VerifyVerdict.GOOD if good else VerifyVerdict.NOT_ENOUGH)
    assert (Why.OUTSIDE_FELLOWS in _whys(found)) is not good
    assert len([why for why in _whys(found) if why in (Why.INSIDE_FELLOWS, Why.OUTSIDE_FELLOWS)]) == 2


def _before_and_after(before, after, *fellows, **settings):
    takes = [] if before is None else [take(before, 2, **settings)]
    takes.append(take(after, 2, stage=Stage.AFTER))
    return verify_repair([*takes, *fellows], cylinder=2, leaks_checked=True)


GOOD = made_reading(NONE, sha256="a")
OLD = made_reading(EIGHT, sha256="b")
FELLOWS = [take(made_reading(NONE, sha256=f"f{c}"), c, stage=Stage.AFTER) for c in (1, 3)]


@pytest.mark.parametrize(
    ("fellows", "cylinders", "good", "count"),
    [
        (FELLOWS, None, True, None),
        (FELLOWS[:1], None, False, 1),
        ([], 3, False, 0),
        (FELLOWS[:1], 2, True, None),
        ([], 1, True, None),
    ],
)
def test_a_good_repair_has_two_fellows_to_compare_with(fellows, cylinders, good, count):
    engine = Engine(cylinders=cylinders)
    before, after = (replace(reading, engine=engine) for reading in (OLD, GOOD))
    found = _before_and_after(before, after, *fellows)
    assert (found.verdict is VerifyVerdict.GOOD) is good
    assert found.record_s is None
    needed = [reason.figures for reason in found.reasons if reason.why is Why.FELLOWS_NEEDED]
    assert needed == ([] if good else [{"count": count, "needed": 2}])


@pytest.mark.parametrize(
    ("found", "why"),
    [
        (_before_and_after(None, GOOD), Why.CELL_MISSING),
        (_before_and_after(OLD, GOOD, condition="cold"), Why.CONDITIONS_DIFFER),
        (_before_and_after(made_reading(NONE, sha256="b"), GOOD), Why.NO_FAULT_BEFORE),
        (_before_and_after(made_reading(EIGHT, sha256="b", rpm=2_000), GOOD), Why.SPEEDS_DIFFER),
        (_before_and_after(replace(OLD, sha256="a"), GOOD), Why.SAME_RECORDING),
        (_before_and_after(OLD, GOOD, take(made_reading(NONE, sha256="c"), 3)), Why.SIBLINGS_NOT_RECORDED),
        (
            _before_and_after(
                OLD, GOOD, take(replace(GOOD, sha256="c", verdict=Verdict.NO_TICK), 3, stage=Stage.AFTER)
            ),
            Why.NOT_COUNTED,
        ),
    ],
    ids=["no before", "condition", "no fault", "speed", "same", "sibling missing", "sibling not counted"],
)
def test_a_repair_is_verified_in_the_faults_own_condition_beside_its_fellows(found, why):
    assert found.verdict is VerifyVerdict.NOT_ENOUGH
    assert why in _whys(found)


@pytest.mark.parametrize("code", WRONG_TICK)
@pytest.mark.parametrize("skips", [NONE, EIGHT], ids=["steady", "skipping"])
def test_a_tick_that_may_be_anothers_vouches_for_nothing(code, skips):
    doubted = replace(made_reading(skips, sha256="a"), verdict=Verdict.CANNOT_TELL, reasons=(Note(code=code),))
    found = _before_and_after(OLD, doubted)
    assert (found.verdict, _whys(found)) == (VerifyVerdict.NOT_ENOUGH, [Why.TICK_IN_DOUBT])
    assert found.record_s == 60
    told = " ".join(" ".join(tell_verify(found, Words())).split())
    assert f"a.wav does not vouch for cylinder 2: {Words().say(Brief(code.value))}." in told
    again = _before_and_after(OLD, doubted, take(replace(GOOD, sha256="c"), 2, stage=Stage.AFTER))
    assert Why.TICK_IN_DOUBT not in _whys(again)


def test_ticks_in_which_a_skip_could_be_missed_bound_nothing():
    # Each heard tick may with 10 % have been missing: of all skips, nearly all would have passed as heard.
    deaf = made_reading(NONE, sha256="a", missed=0.1)
    clear, found = _before_and_after(OLD, GOOD, *FELLOWS), _before_and_after(OLD, deaf, *FELLOWS)
    share = found.after.missed_share
    assert share == pytest.approx(35.3 / 36.3)
    assert found.rate_high == pytest.approx(1 - 0.05 ** (1 / int(EVENTS * (1 - share))))
    assert (clear.verdict, found.verdict) == (VerifyVerdict.GOOD, VerifyVerdict.NOT_ENOUGH)


def test_no_recording_after_the_repair_is_refused():
    with pytest.raises(ParameterError, match="record it"):
        verify_repair([take(made_reading(EIGHT), 2)], cylinder=2)
