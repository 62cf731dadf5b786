"""The match of events with the truth, on which every accuracy figure rests, beside mir_eval's."""

from dataclasses import replace

import numpy as np
import pytest
from matching import f1_by_mir_eval, score
from readings import reading

from injsound.codes import Neighbours, State
from injsound.simulate import Scene, Truth

mir_eval = pytest.importorskip("mir_eval", reason="mir_eval is not installed: pip install 'injsound[test]'")


def _truth(due, skipped):
    nothing = np.zeros(len(due), dtype=bool)
    heard = np.where(skipped, np.nan, due)
    return Truth(scene=Scene(), due_s=due, skipped=skipped, weak=nothing, hidden=nothing, heard_s=heard,
                 open_time_ms=heard, cycle_start_s=due, rpm=750.0, spans=())  # fmt: skip


def _reading(times, called):
    made = reading()
    n = len(times)
    nothing = np.full(n, np.nan)
    events = replace(
        made.events, time_s=times, state=tuple(State.SKIPPED if c else State.HEARD for c in called),
        skip_probability=np.where(called, 1.0, 0.0), heard_at_s=nothing, level_db=nothing, open_time_ms=nothing,
        neighbours=(Neighbours.HEARD,) * n,
    )  # fmt: skip
    return replace(made, events=events)


@pytest.mark.parametrize(("window_s", "f"), [(0.050, 1.0), (0.005, 0.0)])
def test_the_usual_tolerance_is_too_wide_for_ticks(window_s, f):
    # A train of 20 ms shifted by half of that: F = 1 within 50 ms (mir_eval's default for onsets), 0 within 5.
    train = 0.02 * np.arange(100)
    assert mir_eval.onset.f_measure(train, train + 0.01, window=window_s)[0] == pytest.approx(f)


@pytest.mark.parametrize("seed", range(20))
def test_the_score_agrees_with_mir_eval(seed):
    rng = np.random.default_rng(seed)
    n = int(rng.integers(50, 400))
    due = 0.1 + 0.16 * np.arange(n) + 0.001 * rng.standard_normal(n)
    skipped = rng.random(n) < 0.1
    # Some events are lost, some stray by more than the tolerance, some calls are wrong; all lie 2.8 ms late.
    stray = np.where(rng.random(n) < 0.05, 0.02, 0.0)
    kept = rng.random(n) > 0.05
    called = skipped ^ (rng.random(n) < 0.05)
    times = due + 0.0028 + 0.0005 * rng.uniform(-1, 1, n) + stray
    made, truth = _reading(times[kept], called[kept]), _truth(due, skipped)
    counts = score(made, truth)
    offset = np.median(times[kept] - due[kept])
    pairs = mir_eval.util.match_events(due, times[kept] - offset, 0.004)
    called_kept = called[kept]
    assert counts.lost == n - len(pairs)
    assert counts.right == sum(skipped[k] and called_kept[j] for k, j in pairs)
    assert counts.false == sum(called_kept[j] and not skipped[k] for k, j in pairs)
    assert counts.missed == sum(skipped[k] and not called_kept[j] for k, j in pairs)


def test_a_whole_reading_scores_alike(twelve, twelve_read):
    assert score(twelve_read, twelve[1]).f1 == f1_by_mir_eval(twelve_read, twelve[1]) == 1.0
    # By hand: 11 of the 12 called, and one more: precision and recall 11/12.
    states = list(twelve_read.events.state)
    first = states.index(State.SKIPPED)
    states[first], states[first + 5] = State.HEARD, State.SKIPPED
    wrong = replace(twelve_read, events=replace(twelve_read.events, state=tuple(states)))
    assert score(wrong, twelve[1]).f1 == pytest.approx(11 / 12)
    assert f1_by_mir_eval(wrong, twelve[1]) == pytest.approx(11 / 12)
