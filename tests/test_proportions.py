"""Counting statistics against published figures, independent libraries and every possible order."""

from itertools import combinations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from injsound.errors import ParameterError
from injsound.findings.proportions import (
    detectable,
    events_needed,
    exact_limits,
    fisher_exact,
    rate_limits,
    runs_test,
    skip_pattern,
    tail_probability,
    wilson_limits,
    zero_bound,
)
from injsound.results import Pattern


def train(events, *skipped):
    out = np.zeros(events, dtype=bool)
    out[list(skipped)] = True
    return out


# --- one proportion ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("skipped", "judged", "confidence", "low", "high"),
    [
        # NIST/SEMATECH e-Handbook 7.2.4.2: 4 defective of 20, 90 %; published limits 0.071354 and 0.401029.
        (4, 20, 0.90, 0.071354, 0.401028),
        # Newcombe, Statistics in Medicine 17, 857-872, 1998 (values from memory to four figures; recomputed).
        (81, 263, 0.95, 0.252737, 0.367622),
        (15, 148, 0.95, 0.057844, 0.161650),
        (0, 20, 0.95, 0.0, 0.168433),
        (1, 29, 0.95, 0.000873, 0.177644),
        # Recomputed by hand from beta quantiles.
        (12, 375, 0.95, 0.016642, 0.055230),
        (12, 400, 0.95, 0.015596, 0.051817),
        (0, 375, 0.95, 0.0, 0.009789),
    ],
)
def test_exact_limits_are_the_published_ones(skipped, judged, confidence, low, high):
    assert exact_limits(skipped, judged, confidence=confidence) == pytest.approx((low, high), abs=2e-6)


@pytest.mark.parametrize(
    ("skipped", "judged", "low", "high"),
    # Newcombe, Statistics in Medicine 17, 857-872, 1998 (values from memory to four figures; recomputed).
    [(81, 263, 0.255289, 0.366210), (15, 148, 0.062386, 0.160487), (0, 20, 0, 0.161125), (1, 29, 0.006113, 0.171755)],
)
def test_wilson_limits_are_the_published_ones(skipped, judged, low, high):
    assert wilson_limits(skipped, judged) == pytest.approx((low, high), abs=1e-6)


@pytest.mark.parametrize(("skipped", "judged"), [(0, 7), (1, 29), (12, 375), (40, 40)])
def test_limits_agree_with_statsmodels(skipped, judged):
    proportion = pytest.importorskip("statsmodels.stats.proportion")
    for limits, method in ((exact_limits, "beta"), (wilson_limits, "wilson")):
        assert limits(skipped, judged) == pytest.approx(
            proportion.proportion_confint(skipped, judged, method=method), abs=1e-9
        )


@pytest.mark.parametrize(
    ("judged", "bound"),
    # Jovanovic and Levy, The American Statistician 51(2), 1997: 1 - 0.05^(1/n).
    [(20, 0.139108), (60, 0.048703), (100, 0.029513), (300, 0.009936), (375, 0.007957), (1000, 0.002991)],
)
def test_zero_bound(judged, bound):
    assert zero_bound(judged) == pytest.approx(bound, abs=1e-6)
    assert zero_bound(judged) == pytest.approx(3 / judged, rel=0.08)  # the rule of three
    assert (1 - zero_bound(judged)) ** judged == pytest.approx(0.05)


@pytest.mark.parametrize(
    ("rate", "events"), [(0.10, 29), (0.05, 59), (0.02, 149), (0.01, 299), (0.005, 598), (0.001, 2995)]
)
def test_events_needed_is_the_first_number_that_suffices(rate, events):
    assert events_needed(rate) == events
    assert zero_bound(events) <= rate < zero_bound(events - 1)


def test_tail_probability():
    # 12 of 400 against 1 %, exact; at least one of 100 at 2 % and of 300 at 1 % are 1 - (1 - p)^n.
    assert tail_probability(12, 400, rate=0.01) == pytest.approx(0.000849285, abs=1e-9)
    assert tail_probability(1, 100, rate=0.02) == pytest.approx(1 - 0.98**100)
    assert tail_probability(1, 300, rate=0.01) == pytest.approx(0.950959, abs=1e-6)
    assert tail_probability(0, 5, rate=0.5) == 1


def test_tail_probability_of_the_wafer_example_lies_by_the_normal_one():
    # NIST/SEMATECH e-Handbook 7.2.4: 26 of 200 against 0.10 gives z = 1.41421; half a count is the continuity step.
    from scipy.stats import norm

    z = (26 / 200 - 0.10) / np.sqrt(0.1 * 0.9 / 200)
    assert z == pytest.approx(1.41421, abs=1e-5)
    half_count = 0.5 / 200 / np.sqrt(0.1 * 0.9 / 200)
    assert tail_probability(26, 200, rate=0.1) == pytest.approx(norm.sf(z - half_count), abs=0.01)


# --- two proportions --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("right", "one_sided", "two_sided"), [(4, 1 / 70, 2 / 70), (3, 17 / 70, 34 / 70)])
def test_fisher_exact_on_the_lady_tasting_tea(right, one_sided, two_sided):
    # Fisher, The Design of Experiments: 8 cups, 70 choices, of them 1, 16, 36, 16, 1 with 4, 3, 2, 1, 0 right.
    assert fisher_exact((right, 4), (4 - right, 4), alternative="greater") == pytest.approx(one_sided, abs=1e-12)
    assert fisher_exact((right, 4), (4 - right, 4)) == pytest.approx(two_sided, abs=1e-12)


@pytest.mark.parametrize("events", [100, 375, 1000])
@pytest.mark.parametrize(("level", "skips"), [(0.05, 5), (0.01, 7), (0.001, 10)])
def test_fewest_skips_against_none(events, level, skips):
    # In clips of equal length k skips against none give about 2^-k.
    assert fisher_exact((skips, events), (0, events), alternative="greater") < level
    assert fisher_exact((skips - 1, events), (0, events), alternative="greater") >= level


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
        lambda: exact_limits(3, 2),
        lambda: exact_limits(0, 0),
        lambda: exact_limits(-1, 5),
        lambda: wilson_limits(1, 5, confidence=1.0),
        lambda: zero_bound(0),
        lambda: events_needed(0.0),
        lambda: events_needed(float("nan")),
        lambda: tail_probability(1, 5, rate=1.5),
        lambda: fisher_exact((1, 5), (6, 5)),
        lambda: runs_test(np.zeros(0, dtype=bool)),
        lambda: rate_limits(np.zeros((2, 2), dtype=bool)),
        lambda: detectable(-1),
        lambda: detectable(10, burst=0),
        lambda: detectable(10, miss_probability=1.1),
    ],
)
def test_impossible_counts_and_shares_are_refused(call):
    with pytest.raises(ParameterError, match="expected"):
        call()
