"""Bad moments of a recording, and whether one side has more of them than another."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.multitest import multipletests
from takes import EIGHT, EVENTS, NONE, made_reading, silent_reading, skips_at, take

from injsound.codes import ReasonCode, State
from injsound.diagnoses import Arm
from injsound.findings.episodes import (
    arm_of,
    episode_starts,
    holm,
    is_counted,
    more_episodes_p,
    pooled,
    seconds_for,
    seems_faulty,
    shows_fault,
    uncounted,
)
from injsound.states import may_be_missing, soft_of


def test_a_burst_is_one_episode():
    # By hand: reach 2 s. 0.0, 0.5 and 1.9 are one; 2.0 starts the next, which reaches to 4.0.
    np.testing.assert_array_equal(episode_starts(np.array([0.0, 0.5, 1.9, 2.0, 3.9, 4.1])), [0.0, 2.0, 4.1])
    assert not episode_starts(np.zeros(0)).size
    assert arm_of(made_reading(skips_at(100, 101, 102, 103, 104))).episodes == 1


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
    # What may be wrong to so large a part shows nothing, and is not clean either. By chance alone 14 where 2.4 are
    # expected wrong are under one in a million; but then a sixth of them are.
    assert not shows_fault(Arm(episodes=14, blocks=39, expected_false=2.5, skipped=14, judged=623))
    assert seems_faulty(Arm(episodes=14, blocks=39, expected_false=2.5, skipped=14, judged=623))
    assert shows_fault(Arm(episodes=14, blocks=39, expected_false=1.4, skipped=14, judged=623))


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


def _softened(made, soft):
    """The same, with some of its ticks heard by their low notes alone: weak, without a level."""
    state = tuple(State.WEAK if k in soft else s for k, s in enumerate(made.events.state))
    level = made.events.level_db.copy()
    level[list(soft)] = np.nan
    return replace(made, events=replace(made.events, state=state, level_db=level))


@pytest.mark.parametrize(
    ("skipped", "soft", "counted"),
    [((), (5,), True), ((), (5, 50), False), ((20, 60, 100), (5, 50), True), ((20, 60), (5, 50, 90), False)],
)
def test_where_soft_ticks_may_be_missing_ones_nothing_is_counted(skipped, soft, counted):
    # Another sound at the tick's place passes for a soft tick whenever the injector skips: such a side is not clean.
    made = _softened(made_reading(skips_at(*skipped)), soft)
    assert may_be_missing(made.events) is not counted
    assert is_counted(made) is counted
    assert soft_of(made.events).sum() == len(soft)
    if not counted:
        (told, *_) = uncounted([take(made, 1)])
        assert told.figures["reason"] is ReasonCode.WEAK_OR_MISSING


def test_weak_ticks_with_a_level_of_their_own_are_heard():
    made = made_reading(NONE)
    weak = replace(made.events, state=(State.WEAK,) * 9 + made.events.state[9:])
    assert not soft_of(weak).any()
    assert is_counted(replace(made, events=weak))
