"""Match a reading's events with the truth one to one."""

from dataclasses import dataclass

import numpy as np

from injsound.codes import State
from injsound.results import Reading
from injsound.simulate import Truth


@dataclass(frozen=True)
class Score:
    """Counts over the truth's events outside its damaged stretches."""

    right: int
    false: int
    missed: int
    lost: int
    unjudged: int

    @property
    def f1(self) -> float:
        calls = 2 * self.right + self.false + self.missed
        return 2 * self.right / calls if calls else 1.0


def score(reading: Reading, truth: Truth, *, within_s: float = 0.004) -> Score:
    """Count right, false and missed skip calls; a constant offset of the open tick is not counted as an error."""
    due, skipped = truth.due_s[~truth.hidden], truth.skipped[~truth.hidden]
    times = reading.events.time_s
    if not len(times) or not len(due):
        return Score(0, 0, int(skipped.sum()), len(due), 0)
    nearest = np.abs(times[:, None] - due).argmin(axis=0)
    offset = np.median(times[nearest] - due)
    found = np.abs(times[nearest] - due - offset) <= within_s
    states = [reading.events.state[k] for k in nearest]
    called = np.array([s is State.SKIPPED for s in states])
    judged = found & np.array([s is not State.UNJUDGED for s in states])
    return Score(
        right=int((judged & called & skipped).sum()),
        false=int((judged & called & ~skipped).sum()),
        missed=int((judged & ~called & skipped).sum()),
        lost=int((~found).sum()),
        unjudged=int((found & ~judged).sum()),
    )


def f1_by_mir_eval(reading: Reading, truth: Truth, *, within_s: float = 0.004) -> float:
    """F1 of the skip calls by mir_eval's own matching of their times; events that could not be judged are left out.

    References
    ----------
    C. Raffel et al., mir_eval: a transparent implementation of common MIR metrics, ISMIR 2014.
    """
    import mir_eval

    times = reading.events.time_s
    if not len(times) or not len(truth.due_s):
        return 1.0
    nearest = np.abs(times[:, None] - truth.due_s).argmin(axis=0)
    offset = float(np.median(times[nearest] - truth.due_s))
    judged = np.array([s is not State.UNJUDGED for s in reading.events.state])[nearest] & ~truth.hidden
    judged &= np.abs(times[nearest] - truth.due_s - offset) <= within_s
    called = np.array([s is State.SKIPPED for s in reading.events.state])
    mine = times[np.intersect1d(np.flatnonzero(called), nearest[judged])] - offset
    theirs = truth.due_s[truth.skipped & judged]
    if not len(mine) and not len(theirs):
        return 1.0
    return float(mir_eval.onset.f_measure(theirs, mine, window=within_s)[0])
