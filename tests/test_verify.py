"""Whether a repair is shown to be good, on readings made event by event."""

from dataclasses import replace

import numpy as np
import pytest
from statsmodels.api import OLS
from statsmodels.stats.proportion import confint_proportions_2indep
from takes import EIGHT, EVENTS, NONE, WRONG_TICK, made_reading, take, whys_of

from injsound.codes import ReasonCode, Verdict
from injsound.engine import Engine
from injsound.errors import ParameterError
from injsound.findings.fellows import prediction_limits, prediction_p
from injsound.findings.verify import clean_restarts_needed, newcombe_difference, verify_repair
from injsound.job_codes import (
    Stage,
    VerifyVerdict,
    Why,
)
from injsound.languages import Language
from injsound.show.findings_text import tell_verify
from injsound.show.text import Words
from injsound.show.words.keys import Brief
from injsound.values import Note


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
    assert (found.row, found.rate_high_in_rows) == (0.0, None)
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
    assert (found.verdict, whys_of(found)) == (VerifyVerdict.NOT_ENOUGH, [Why.SAME_RECORDING])


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
    # No row began in 353 ticks: at most 0.85 % of them begin one, of four ticks each.
    assert (found.row, found.rate_high_in_rows) == (4.0, pytest.approx(0.0339, rel=0.01))
    said = " ".join(" ".join(tell_verify(found, Words(Language.ENGLISH))).split())
    assert "at most 0.85 % may still be if they drop out singly, 3.4 % if 4 at a time as before" in said


@pytest.mark.parametrize("ticks", [5, 11, 12, 23, 100])
def test_a_short_recording_is_asked_for_the_ticks_that_are_missing(ticks):
    # By hand: 0.99 to the power of 299 is under 5 %, so 299 ticks without a skip show 1 %; each takes 0.17 s.
    found = _before_and_after(None, made_reading(NONE[:ticks], sha256="a"), *FELLOWS)
    assert found.record_s == 10 * np.ceil((299 - ticks) * 0.17 / 10)


@pytest.mark.parametrize(("before_s", "asked_s"), [(100.3, 110), (60.01, 70)])
def test_the_fault_of_before_is_given_as_long_to_show_as_it_was_recorded(before_s, asked_s):
    ticks = np.arange(round(before_s / 0.17))
    old = made_reading(np.isin(ticks, (50, 200)), sha256="b")
    found = _before_and_after(old, GOOD, *FELLOWS)
    assert Why.DIFFERENCE_UNCLEAR in whys_of(found)
    assert found.record_s == asked_s


def test_what_keeps_a_repair_from_being_called_good():
    assert _repair(EIGHT).verdict is VerifyVerdict.STILL_SKIPPING
    assert Why.LEAKS_NOT_CHECKED in whys_of(_repair(NONE, leaks_checked=False))
    few = _repair(NONE, faulty_restarts=(3, 5), clean_restarts=4)
    assert few.verdict is VerifyVerdict.NOT_ENOUGH
    assert few.restarts_needed == 5
    assert _repair(NONE, faulty_restarts=(3, 5), clean_restarts=5).verdict is VerifyVerdict.GOOD
    short = _repair(NONE[:100])
    assert short.verdict is VerifyVerdict.NOT_ENOUGH
    assert [r.figures for r in short.reasons if r.why is Why.TICKS_SHORT] == [{"judged": 100, "needed": 299}]
    # By hand: 299 events show 1 %; 199 more at 0.17 s are 34 s, in tens 40; the fault of before asks for more.
    assert short.record_s >= 40


def test_a_skipping_sibling_keeps_the_repair_open():
    takes = [
        take(made_reading(NONE, sha256="a"), 2, stage=Stage.AFTER),
        take(made_reading(EIGHT, sha256="s"), 1, stage=Stage.AFTER),
    ]
    found = verify_repair(takes, cylinder=2, leaks_checked=True)
    assert found.verdict is VerifyVerdict.NOT_ENOUGH
    assert Why.SIBLING_SKIPS in whys_of(found)


def test_a_sibling_of_doubtful_calls_neither_skips_nor_ticks_steadily():
    # Eight calls of 0.83 each: 1.4 expected wrong would give so many by chance in 1 of 10,000 cases, were that all.
    doubted = made_reading(EIGHT, sha256="s", false=0.17)
    doubted = replace(doubted, verdict=Verdict.CANNOT_TELL, reasons=(Note(code=ReasonCode.UNCERTAIN_CALLS),))
    takes = [take(made_reading(NONE, sha256="a"), 2, stage=Stage.AFTER), take(doubted, 1, stage=Stage.AFTER)]
    found = verify_repair(takes, cylinder=2, leaks_checked=True)
    assert found.verdict is VerifyVerdict.NOT_ENOUGH
    assert Why.SIBLING_SKIPS not in whys_of(found)
    (lost,) = (reason for reason in found.reasons if reason.why is Why.NOT_COUNTED)
    assert lost.figures == {"file": "s.wav", "reason": "uncertain calls"}


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


@pytest.mark.parametrize("fellows", [[1.0, 2.0, 3.0], [2.6, 2.9, 2.75, 3.1, 2.7], [2.8, 2.8, 2.8]])
def test_what_lies_at_the_limits_of_its_fellows_does_so_by_chance_in_one_per_cent(fellows):
    # A table of Student's t gives 9.9248 for 2 degrees of freedom at 0.005 each side, 2.5758 where the spread is known.
    for limit in prediction_limits(fellows, floor=0.08):
        assert prediction_p(limit, fellows, floor=0.08) == pytest.approx(0.01)
    assert prediction_p(np.mean(fellows), fellows, floor=0.08) == pytest.approx(1.0)
    assert prediction_p(2.0, fellows[:1], floor=0.08) is None


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
    assert (Why.OUTSIDE_FELLOWS in whys_of(found)) is not good
    assert len([why for why in whys_of(found) if why in (Why.INSIDE_FELLOWS, Why.OUTSIDE_FELLOWS)]) == 2


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
    assert why in whys_of(found)


SINCE = [
    # Cold before, with the fault; since then cold with two fellows, warm idle with three, warm restart alone.
    take(OLD, 2, condition="cold"),
    *(
        take(made_reading(NONE, sha256=f"{condition} {c}"), c, stage=Stage.AFTER, condition=condition)
        for condition, cylinders in (("cold", (2, 1, 3)), ("warm idle", (2, 1, 3, 4)), ("warm restart", (2,)))
        for c in cylinders
    ),
]
SKIPS_WARM = take(made_reading(EIGHT, sha256="skips"), 2, stage=Stage.AFTER, condition="warm restart")


@pytest.mark.parametrize(
    ("takes", "verdict", "whys"),
    [
        (SINCE, VerifyVerdict.GOOD, [Why.BOUND]),
        ([*SINCE, SKIPS_WARM], VerifyVerdict.STILL_SKIPPING, [Why.SKIPS_LEFT]),
        # Without a recording of before the condition with the most fellows is judged.
        (SINCE[1:], VerifyVerdict.NOT_ENOUGH, [Why.CELL_MISSING]),
    ],
)
def test_the_order_in_which_recordings_were_made_decides_nothing(takes, verdict, whys):
    for ordered in (takes, takes[::-1], takes[3:] + takes[:3], takes[7:] + takes[:7]):
        found = verify_repair(ordered, cylinder=2, leaks_checked=True)
        assert (found.verdict, whys_of(found)[:1]) == (verdict, whys)


@pytest.mark.parametrize("code", WRONG_TICK)
@pytest.mark.parametrize("skips", [NONE, EIGHT], ids=["steady", "skipping"])
def test_a_tick_that_may_be_anothers_vouches_for_nothing(code, skips):
    doubted = replace(made_reading(skips, sha256="a"), verdict=Verdict.CANNOT_TELL, reasons=(Note(code=code),))
    found = _before_and_after(OLD, doubted)
    assert (found.verdict, whys_of(found)) == (VerifyVerdict.NOT_ENOUGH, [Why.TICK_IN_DOUBT])
    assert found.record_s is None  # longer it would be as much in doubt
    told = " ".join(" ".join(tell_verify(found, Words())).split())
    assert f"a.wav does not vouch for cylinder 2: {Words().say(Brief(code.value))}." in told
    again = _before_and_after(OLD, doubted, take(replace(GOOD, sha256="c"), 2, stage=Stage.AFTER))
    assert Why.TICK_IN_DOUBT not in whys_of(again)


def test_ticks_in_which_a_skip_could_be_missed_bound_nothing():
    # Each heard tick may with 10 % have been missing: of all skips, nearly all would have passed as heard.
    deaf = made_reading(NONE, sha256="a", missed=0.1)
    clear, found = _before_and_after(OLD, GOOD, *FELLOWS), _before_and_after(OLD, deaf, *FELLOWS)
    share = found.after.missed_share
    assert share == pytest.approx(35.3 / 36.3)
    assert found.rate_high == pytest.approx(1 - 0.05 ** (1 / int(EVENTS * (1 - share))))
    assert (clear.verdict, found.verdict) == (VerifyVerdict.GOOD, VerifyVerdict.NOT_ENOUGH)


def test_restarts_that_cannot_be_are_refused():
    with pytest.raises(ParameterError, match="-3 clean restarts; expected 0 or more"):
        _repair(NONE, clean_restarts=-3)


def test_no_recording_after_the_repair_is_refused():
    with pytest.raises(ParameterError, match="record it"):
        verify_repair([take(made_reading(EIGHT), 2)], cylinder=2)
