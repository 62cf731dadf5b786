"""How skips lie in time, against published figures, simulation and every possible order."""

from itertools import combinations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from injsound.codes import Pattern
from injsound.errors import ParameterError
from injsound.findings.proportions import events_needed, exact_limits
from injsound.findings.trains import detectable, heard_every, rate_limits, runs_test, skip_pattern


def train(events, *skipped):
    out = np.zeros(events, dtype=bool)
    out[list(skipped)] = True
    return out


# --- order ------------------------------------------------------------------------------------------------------------


def test_runs_of_the_published_example():
    # Twenty-point example in the documentation of a Perl runs-test module: 11 runs, 10.900 expected.
    test = runs_test(np.array([1, 0, 0, 0, 1, 1, 0, 1, 1, 0, 0, 1, 0, 0, 1, 1, 1, 1, 0, 1], dtype=bool))
    assert test.runs == 11
    assert test.expected == pytest.approx(10.9)
    assert test.z == pytest.approx(0.0464, abs=1e-4)
    assert test.p > 0.9


def test_runs_of_one_burst_and_of_an_even_spread():
    burst = runs_test(train(100, *range(40, 50)))
    spread = runs_test(train(100, *range(5, 100, 10)))
    assert (burst.runs, spread.runs) == (3, 21)
    assert burst.z == pytest.approx(-9.1007, abs=1e-4)
    assert spread.z == pytest.approx(1.1376, abs=1e-4)
    assert burst.p < 1e-10


@pytest.mark.parametrize(("ones", "zeros"), [(1, 1), (1, 6), (3, 5), (4, 4), (5, 6)])
def test_runs_test_agrees_with_counting_every_order(ones, zeros):
    trains = [train(ones + zeros, *where) for where in combinations(range(ones + zeros), ones)]
    runs = np.array([1 + np.count_nonzero(np.diff(t)) for t in trains])
    share = np.bincount(runs) / runs.size
    for one, count in zip(trains, runs, strict=True):
        assert runs_test(one).p == pytest.approx(share[share <= share[count] * (1 + 1e-9)].sum())
    assert runs.mean() == pytest.approx(runs_test(trains[0]).expected)


@given(st.lists(st.booleans(), min_size=1, max_size=300))
def test_runs_test_is_blind_to_direction_and_to_which_kind_is_called_a_skip(events):
    forward, backward = runs_test(np.array(events)), runs_test(np.array(events[::-1]))
    swapped = runs_test(~np.array(events))
    assert forward.runs == backward.runs == swapped.runs
    assert forward.p == pytest.approx(backward.p)
    assert forward.p == pytest.approx(swapped.p)
    assert 0 <= forward.p <= 1


def test_runs_test_keeps_its_level_on_scattered_skips():
    rng = np.random.default_rng(5)
    p = np.array([runs_test(rng.permutation(train(120, *range(30)))).p for _ in range(2000)])
    for level in (0.05, 0.2, 0.5):
        assert np.mean(p <= level) < level + 3 * np.sqrt(level * (1 - level) / p.size)


@pytest.mark.parametrize(
    ("skipped", "pattern"),
    [
        (train(300), Pattern.NONE),
        (train(300, 10), Pattern.TOO_FEW),
        (train(300, 10, 11, 12, 13), Pattern.TOO_FEW),
        (train(300, *range(10, 18), *range(200, 206)), Pattern.BURSTS),
        (train(300, *range(0, 300, 4)), Pattern.REGULAR),  # every fourth event: the most runs there can be
        (train(300, *range(1, 300, 2)), Pattern.REGULAR),
        (train(300, *range(7, 300, 20)), Pattern.REGULAR),  # too rare for the runs test, told by the spacing
        (train(300, 12, 40, 46, 99, 101, 170, 171, 233, 290), Pattern.SCATTERED),
        (np.ones(300, dtype=bool), Pattern.TOO_FEW),  # one order only: nothing to tell
        (train(7, 0, 1, 2, 3, 4), Pattern.TOO_FEW),
    ],
)
def test_pattern(skipped, pattern):
    assert skip_pattern(skipped)[0] is pattern


def test_scattered_skips_are_seldom_called_anything_else():
    rng = np.random.default_rng(11)
    patterns = [skip_pattern(rng.random(300) < 0.06)[0] for _ in range(600)]
    other = sum(pattern in (Pattern.BURSTS, Pattern.REGULAR) for pattern in patterns)
    assert other / len(patterns) < 0.07  # 5 % by the runs test, at most 1 % by the spacing, and three standard errors


# --- limits that heed the order ---------------------------------------------------------------------------------------


def test_rate_limits_of_scattered_skips_are_the_exact_ones():
    # 12 of 375 with two of them in a row is no sign of bursts: 1.664 to 5.523 %.
    skipped = train(375, 9, 33, 61, 62, 120, 155, 190, 221, 260, 290, 333, 361)
    assert rate_limits(skipped) == pytest.approx((0.016642, 0.055230), abs=1e-6)


def test_rate_limits_without_a_skip_are_one_sided():
    assert rate_limits(train(375)) == (0.0, pytest.approx(0.007957, abs=1e-6))


def test_rate_limits_of_equal_bursts_count_bursts():
    # Six bursts of five say no more than six skips among a fifth of the events.
    skipped = train(400, *(start + k for start in (10, 70, 150, 222, 300, 371) for k in range(5)))
    assert rate_limits(skipped) == pytest.approx(exact_limits(6, 80), abs=1e-12)


@given(st.lists(st.booleans(), min_size=1, max_size=400), st.sampled_from([0.8, 0.95, 0.99]))
def test_rate_limits_are_never_narrower_than_the_exact_ones(events, confidence):
    skipped = np.array(events)
    low, high = rate_limits(skipped, confidence=confidence)
    if skipped.any():
        exact = exact_limits(int(skipped.sum()), skipped.size, confidence=confidence)
        assert low <= exact[0]
        assert high >= exact[1]
    assert 0 <= low <= skipped.mean() <= high <= 1


def test_rate_limits_hold_the_truth_of_bursty_trains_where_exact_ones_do_not():
    rng = np.random.default_rng(3)
    held = np.zeros(2)
    for _ in range(500):  # bursts of 3 to 8, 6 % of 400 events
        skipped = np.zeros(1400, dtype=bool)
        at = 0
        while at < 1400:
            at += int(rng.geometric(1 / 86.2))
            length = int(rng.integers(3, 9))
            skipped[at : at + length] = True
            at += length
        seen = skipped[-400:]
        for k, (low, high) in enumerate((rate_limits(seen), exact_limits(int(seen.sum()), 400))):
            held[k] += low <= 0.06 <= high
    assert held[0] / 500 > 0.93
    assert held[1] / 500 < 0.80


# --- would a fault have shown -----------------------------------------------------------------------------------------


def test_detectable_without_bursts_is_the_binomial_answer():
    for judged in (0, 1, 59, 300):
        assert detectable(judged, rate=0.05, burst=1).probability == pytest.approx(1 - 0.95**judged)
        assert detectable(judged, rate=0.05, burst=1, miss_probability=0.4).probability == pytest.approx(
            1 - 0.97**judged
        )
    assert detectable(0, rate=0.05, burst=1).events_needed == events_needed(0.05)


@pytest.mark.parametrize(("burst", "miss"), [(5, 0.0), (5, 0.6), (3, 0.9)])
def test_detectable_agrees_with_simulated_bursts(burst, miss):
    rng = np.random.default_rng(8)
    rate, judged, trials = 0.05, 150, 4000
    begin = rate / (rate + burst * (1 - rate))
    seen = 0
    for _ in range(trials):
        gaps = rng.geometric(begin, size=200) - 1
        starts = np.cumsum(gaps + burst) - burst
        skipped = np.zeros(starts[-1] + burst, dtype=bool)
        skipped[(starts[:, None] + np.arange(burst)).ravel()] = True
        window = skipped[1000 : 1000 + judged]
        seen += bool(np.any(window & (rng.random(judged) >= miss)))
    expected = detectable(judged, rate=rate, burst=burst, miss_probability=miss).probability
    assert seen / trials == pytest.approx(expected, abs=4 * np.sqrt(expected * (1 - expected) / trials))


def test_events_for_a_detectable_fault():
    answer = detectable(0)
    assert answer.probability == 0
    needed = answer.events_needed
    assert detectable(needed).probability >= 0.95 > detectable(needed - 1).probability
    # Single skips show after 59 events; bursts of five need nearly five times as many.
    assert 4.5 * 59 < needed < 5 * 59
    assert detectable(100, miss_probability=1.0).events_needed is None
    assert detectable(100, miss_probability=1.0).probability == pytest.approx(0, abs=1e-9)


@pytest.mark.parametrize(
    "call",
    [
        lambda: runs_test(np.zeros(0, dtype=bool)),
        lambda: rate_limits(np.zeros((2, 2), dtype=bool)),
        lambda: detectable(-1),
        lambda: detectable(10, burst=0),
        lambda: detectable(10, miss_probability=1.1),
    ],
)
def test_impossible_trains_and_faults_are_refused(call):
    with pytest.raises(ParameterError, match="expected"):
        call()


@pytest.mark.parametrize("every", [2, 3, 4, 6])
def test_only_every_nth_heard_is_an_order(every):
    skipped = np.arange(60) % every != 1
    judged = np.ones(60, dtype=bool)
    assert heard_every(skipped, judged) == every
    judged[7:19] = False
    assert heard_every(skipped, judged) == every


def test_an_order_stays_one_where_some_of_its_own_turn_are_missing():
    # A sound of another cycle that is itself missing at times: 3 of 15 and 3 of 30.
    for every in (2, 4):
        skipped = np.arange(60) % every != 1
        skipped[[1, 13, 45]] = True
        assert heard_every(skipped, np.ones(60, dtype=bool)) == every


def test_skips_of_any_other_order_are_none():
    judged = np.ones(60, dtype=bool)
    every = np.arange(60)
    assert heard_every(every % 3 == 0, judged) == 1  # every third missing, two of three heard
    assert heard_every(np.random.default_rng(3).random(60) < 0.6, judged) == 1
    assert heard_every(np.zeros(60, dtype=bool), judged) == 1
    assert heard_every(np.ones(60, dtype=bool), judged) == 1
    assert heard_every(every[:8] % 2 == 0, judged[:8]) == 1  # four of each are too few
