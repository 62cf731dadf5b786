"""Counting statistics against published figures and independent libraries."""

import numpy as np
import pytest

from injsound.errors import ParameterError
from injsound.findings.proportions import (
    events_needed,
    exact_limits,
    fisher_exact,
    tail_probability,
    wilson_limits,
    zero_bound,
)

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
    ],
)
def test_impossible_counts_and_shares_are_refused(call):
    with pytest.raises(ParameterError, match="expected"):
        call()
