"""Whether skips gather while the wiring is moved: whole stretches are exchanged, not events."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations, pairwise
from math import comb

import numpy as np

from injsound.diagnoses import Arm, Reason, Why, WiggleFinding, WiggleVerdict
from injsound.errors import ParameterError
from injsound.findings.episodes import arm_of_events, episode_starts, pooled
from injsound.results import Figure, FloatArray, Reading, State

# An exchange test errs as often as its level says, and 1 % is the most that may be wrong: half of it leaves room.
LEVEL = 0.005
# Five of each can be told apart at that level: one order in 252 puts all moved ones on top.
FEWEST_STRETCHES = 5
FEWEST_EPISODES = 3
# Up to so many exchanges all are tried; beyond, as many at random.
_MOST_EXCHANGES = 20_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """A stretch of the recording.

    Parameters
    ----------
    from_s, to_s : float
        Start and end [s].
    moved : bool
        Whether the wiring was moved in it.
    """

    from_s: float
    to_s: float
    moved: bool


def find_gathering(reading: Reading, stretches: Sequence[Stretch]) -> WiggleFinding:
    """Compare the moved stretches of a recording with the still ones.

    Parameters
    ----------
    reading : Reading
        The recording.
    stretches : sequence of Stretch
        In turn still and moved, at least five of each.

    Returns
    -------
    WiggleFinding
        Decided by exchanging whole stretches; one-sided at 0.005.

    Raises
    ------
    ParameterError
        If stretches are empty or overlap.

    References
    ----------
    Permutation test of a difference of rates (Fisher, The Design of Experiments, 1935, from memory).
    """
    ordered = _in_order(stretches)
    events = reading.events
    within = [(events.time_s >= s.from_s) & (events.time_s < s.to_s) for s in ordered]
    arms = [arm_of_events(events, keep) for keep in within]
    moved = np.array([s.moved for s in ordered], dtype=bool)
    unjudged = np.array([state is State.UNJUDGED for state in events.state], dtype=bool)
    sides = [_pool(arms, moved == side) for side in (True, False)]
    shares = [_unjudged(unjudged, within, moved == side) for side in (True, False)]
    counts = {"moved": int(moved.sum()), "still": int((~moved).sum())}

    def found(verdict: WiggleVerdict, why: Why, p: float | None, figures: dict[str, Figure]) -> WiggleFinding:
        return WiggleFinding(
            verdict=verdict,
            moved=sides[0],
            still=sides[1],
            moved_unjudged=shares[0],
            still_unjudged=shares[1],
            p=p,
            reasons=(Reason(why=why, figures=figures),),
        )

    if min(counts.values()) < FEWEST_STRETCHES:
        return found(WiggleVerdict.TOO_FEW, Why.TOO_FEW_STRETCHES, None, {**counts, "needed": FEWEST_STRETCHES})
    if sides[0].episodes + sides[1].episodes < FEWEST_EPISODES:
        return found(WiggleVerdict.TOO_FEW, Why.NOTHING_SKIPS, None, {"seconds": round(reading.seconds)})
    p = _exchange_p(_episodes(reading, ordered), np.array([arm.expected_false for arm in arms]), _judged(arms), moved)
    figures: dict[str, Figure] = {"moved": sides[0].episodes, "still": sides[1].episodes, "p": float(f"{p:.2g}")}
    if p < LEVEL:
        return found(WiggleVerdict.GATHERS, Why.MORE_WHILE_MOVED, p, figures)
    return found(WiggleVerdict.DOES_NOT, Why.NOT_MORE_WHILE_MOVED, p, figures)


def _in_order(stretches: Sequence[Stretch]) -> list[Stretch]:
    ordered = sorted(stretches, key=lambda s: s.from_s)
    for stretch in ordered:
        if not 0 <= stretch.from_s < stretch.to_s:
            span = f"{stretch.from_s:g} to {stretch.to_s:g} s"
            raise ParameterError(f"stretch is {span}; expected a start before its end: correct the times")
    for one, other in pairwise(ordered):
        if other.from_s < one.to_s:
            times = f"{one.to_s:g} s and {other.from_s:g} s"
            raise ParameterError(f"stretches overlap at {times}; expected one after the other: correct the times")
    return ordered


def _pool(arms: list[Arm], side: np.ndarray) -> Arm:
    own = [arm for arm, mine in zip(arms, side, strict=True) if mine]
    return pooled(own) if own else Arm(episodes=0, blocks=0)


def _unjudged(unjudged: np.ndarray, within: list[np.ndarray], side: np.ndarray) -> float:
    own = [keep for keep, mine in zip(within, side, strict=True) if mine]
    if not own or not np.any(own):
        return 0.0
    return float(unjudged[np.any(own, axis=0)].mean())


def _judged(arms: list[Arm]) -> FloatArray:
    return np.array([max(arm.judged, 1e-9) for arm in arms])


def _episodes(reading: Reading, stretches: list[Stretch]) -> FloatArray:
    """Episodes per stretch; one that reaches over an edge belongs where it started."""
    skipped = np.array([state is State.SKIPPED for state in reading.events.state], dtype=bool)
    starts = episode_starts(reading.events.time_s[skipped])
    return np.array([np.sum((starts >= s.from_s) & (starts < s.to_s)) for s in stretches], dtype=float)


def _exchange_p(episodes: FloatArray, false: FloatArray, judged: FloatArray, moved: np.ndarray) -> float:
    """Share of the ways to name as many stretches moved that show at least the difference of rates seen."""
    true = episodes - false
    count, chosen = len(moved), int(moved.sum())

    def excess(names: np.ndarray) -> FloatArray:
        other = ~names
        rates: FloatArray = names @ true / (names @ judged) - other @ true / (other @ judged)
        return rates

    if comb(count, chosen) <= _MOST_EXCHANGES:
        ways = np.zeros((comb(count, chosen), count), dtype=bool)
        for row, pick in enumerate(combinations(range(count), chosen)):
            ways[row, list(pick)] = True
    else:
        rng = np.random.default_rng(0)
        ways = np.stack([moved, *(rng.permutation(moved) for _ in range(_MOST_EXCHANGES - 1))])
    seen = excess(moved[None])[0]
    return float(np.mean(excess(ways) >= seen - 1e-12))
