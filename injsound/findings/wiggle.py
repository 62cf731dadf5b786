"""Whether skips gather while the wiring is moved: whole stretches are exchanged, not events."""

from collections.abc import Sequence
from dataclasses import replace
from itertools import combinations, pairwise
from math import comb

import numpy as np

from injsound.codes import WHOSE_TICK, ReasonCode
from injsound.diagnoses import Arm, Reason, Stretch, WiggleFinding
from injsound.errors import ParameterError
from injsound.findings.episodes import arm_of_events, episode_starts, is_counted, pooled
from injsound.findings.marks import doubts_of_marks, marks_of, stretches_between
from injsound.findings.verdict import MOST_UNJUDGED
from injsound.job_codes import MarkedBy, Why, WiggleVerdict
from injsound.results import Reading
from injsound.states import judged_of, may_be_missing, skipped_of
from injsound.values import Figure, FloatArray

# An exchange test errs as often as its level says, and 1 % is the most that may be wrong: half of it leaves room.
GATHERING_LEVEL = 0.005
# Five of each can be told apart at that level: one order in 252 puts all moved ones on top.
FEWEST_STRETCHES = 5
FEWEST_EPISODES = 3
# With so many nine in ten faults of the wiring gather at that level; with fewer, or where they lean towards it, nothing
# is denied (simulated: docs/methods.md).
FEWEST_TO_DENY, LEANING = 10, 0.05
# Up to so many exchanges all are tried; beyond, as many at random.
_MOST_EXCHANGES = 20_000
# The recording's length is told to a hundredth of a second.
_ROUNDING_S = 0.005


# A tick with one of these doubts may be another's: that its skips do not gather says nothing of this injector's wiring.
_ANOTHERS = WHOSE_TICK | {ReasonCode.MOSTLY_MISSING, ReasonCode.TICK_UNLIKE_INJECTOR}
# Reasons of a count that was made.
_OF_COUNTS = frozenset({ReasonCode.SKIPS_FOUND, ReasonCode.NO_SKIPS, ReasonCode.FEW_CALLS})


def find_gathering(
    reading: Reading, stretches: Sequence[Stretch], *, marked_by: MarkedBy = MarkedBy.TIMES
) -> WiggleFinding:
    """Compare the moved stretches of a recording with the still ones.

    Parameters
    ----------
    reading : Reading
        The recording.
    stretches : sequence of Stretch
        In turn still and moved, at least five of each in which a tick was judged; the others are left out.
    marked_by : MarkedBy
        Where they come from, carried in the finding.

    Returns
    -------
    WiggleFinding
        Decided by exchanging whole stretches; one-sided at 0.005. That they do not gather is said with ten episodes and
        more, a probability of 0.05 and more, and a tick that is surely this injector's. What its arms show is what was
        tested. Nothing is shown where the recording could not be counted.

    Raises
    ------
    ParameterError
        If stretches are empty, overlap or end after the recording.

    References
    ----------
    Permutation test of a difference of rates (Fisher, The Design of Experiments, 1935, from memory).
    """
    ordered = _in_order(stretches, reading.seconds)
    if uncounted := _uncounted(reading):
        return _not_shown(reading, tuple(uncounted), marked_by)
    within = _within(reading, ordered)
    named = np.array([s.moved for s in ordered], dtype=bool)
    # One in which no tick was judged has no rate: it can neither gather nor be exchanged.
    judged = [(s, arm) for s, arm in zip(ordered, _arms(reading, ordered, within), strict=True) if arm.judged]
    compared, arms = [s for s, _ in judged], [arm for _, arm in judged]
    moved = np.array([s.moved for s in compared], dtype=bool)
    counts = {"moved": int(moved.sum()), "still": int((~moved).sum())}
    sides = [_pool(arms, moved == side) for side in (True, False)]

    def found(verdict: WiggleVerdict, why: Why, p: float | None, figures: dict[str, Figure]) -> WiggleFinding:
        doubt = [] if verdict is WiggleVerdict.GATHERS else _tick_in_doubt(reading)
        said = WiggleVerdict.TOO_FEW if doubt else verdict
        reasons = (Reason(why=why, figures=figures), *doubt)
        return _finding(said, reading, sides, [named, ~named], within, p, reasons, marked_by, compared)

    if min(counts.values()) < FEWEST_STRETCHES:
        return found(WiggleVerdict.TOO_FEW, Why.TOO_FEW_STRETCHES, None, {**counts, "needed": FEWEST_STRETCHES})
    if sides[0].episodes + sides[1].episodes < FEWEST_EPISODES:
        return found(WiggleVerdict.TOO_FEW, Why.NOTHING_SKIPS, None, {"seconds": round(reading.seconds)})
    p = _exchange_p(_true_episodes(arms), np.array([arm.judged for arm in arms], dtype=float), moved)
    figures: dict[str, Figure] = {"moved": sides[0].episodes, "still": sides[1].episodes, "p": float(f"{p:.2g}")}
    if p < GATHERING_LEVEL:
        return found(WiggleVerdict.GATHERS, Why.MORE_WHILE_MOVED, p, figures)
    hidden = _unjudged(~judged_of(reading.events), within, named)
    if sides[0].episodes + sides[1].episodes < FEWEST_TO_DENY or p < LEANING:
        denied = found(WiggleVerdict.TOO_FEW, Why.MOVING_UNCLEAR, p, {**figures, "needed": FEWEST_TO_DENY})
    elif hidden > MOST_UNJUDGED:
        denied = found(WiggleVerdict.TOO_FEW, Why.MOVED_UNJUDGED, p, {"percent": round(100 * hidden)})
    else:
        denied = found(WiggleVerdict.DOES_NOT, Why.NOT_MORE_WHILE_MOVED, p, figures)
    return denied


def gathering_by_knocks(reading: Reading) -> WiggleFinding:
    """Compare the stretches that knocks mark: each group of three changes between still and moved, the first is still.

    Parameters
    ----------
    reading : Reading
        A recording with knocks.

    Returns
    -------
    WiggleFinding
        "Not shown" where a change may be missing or marked twice, with its time: nothing is guessed.
    """
    doubts = doubts_of_marks(reading)
    if doubts:
        return _not_shown(reading, (*_uncounted(reading), *doubts), MarkedBy.KNOCKS)
    return find_gathering(reading, stretches_between(reading), marked_by=MarkedBy.KNOCKS)


def still_between(moved: Sequence[tuple[float, float]], seconds: float) -> list[Stretch]:
    """Moved stretches, and the time around them as still ones.

    Parameters
    ----------
    moved : sequence of (float, float)
        When the wiring was moved [s].
    seconds : float
        Length of the recording; infinite where it is not known yet [s].

    Returns
    -------
    list of Stretch
        In order of time.

    Raises
    ------
    ParameterError
        If stretches are empty, overlap or end after the recording.
    """
    ordered = _in_order([Stretch(from_s=start, to_s=end, moved=True) for start, end in moved], seconds)
    edges = [0.0, *(time for s in ordered for time in (s.from_s, s.to_s)), seconds]
    still = [Stretch(from_s=a, to_s=b, moved=False) for a, b in zip(edges[::2], edges[1::2], strict=True) if b > a]
    return sorted([*still, *ordered], key=lambda s: s.from_s)


def _uncounted(reading: Reading) -> list[Reason]:
    """Why a recording says nothing, whatever its marks; empty where it is counted."""
    if is_counted(reading):
        return []
    codes = [ReasonCode(note.code) for note in reading.reasons if note.code not in _OF_COUNTS]
    # With nothing else against it, it is not counted for its soft ticks or for want of separation.
    soft = may_be_missing(reading.events)
    code = codes[0] if codes else ReasonCode.WEAK_OR_MISSING if soft else ReasonCode.WEAK_SEPARATION
    figures: dict[str, Figure] = {"file": reading.file, "reason": code}
    return [Reason(why=Why.MOVED_NOT_COUNTED, figures=figures), *_by_places(reading, code)]


def _tick_in_doubt(reading: Reading) -> list[Reason]:
    """Why what was counted may be another's tick; empty where it is this injector's."""
    code = next((ReasonCode(note.code) for note in reading.reasons if note.code in _ANOTHERS), None)
    if code is None:
        return []
    return [Reason(why=Why.WHOSE_TICK, figures={"reason": code}), *_by_places(reading, code)]


def _by_places(reading: Reading, code: ReasonCode) -> list[Reason]:
    unknown = reading.engine.cylinders is None and reading.engine.firing_order is None
    return [Reason(why=Why.ORDER_UNKNOWN)] if unknown and code in WHOSE_TICK else []


def _not_shown(reading: Reading, reasons: tuple[Reason, ...], marked_by: MarkedBy) -> WiggleFinding:
    none = Arm(episodes=0, blocks=0)
    return _finding(WiggleVerdict.NOT_SHOWN, reading, [none, none], [], [], None, reasons, marked_by, ())


def _finding(
    verdict: WiggleVerdict,
    reading: Reading,
    sides: list[Arm],
    named: list[np.ndarray],
    within: list[np.ndarray],
    p: float | None,
    reasons: tuple[Reason, ...],
    marked_by: MarkedBy,
    stretches: Sequence[Stretch],
) -> WiggleFinding:
    unjudged = ~judged_of(reading.events)
    shares = [_unjudged(unjudged, within, names) for names in named] or [0.0, 0.0]
    return WiggleFinding(
        verdict=verdict,
        moved=sides[0],
        still=sides[1],
        moved_unjudged=shares[0],
        still_unjudged=shares[1],
        p=p,
        reasons=reasons,
        marked_by=marked_by,
        marks=len(marks_of(reading)) if marked_by is MarkedBy.KNOCKS else 0,
        stretches=tuple(stretches),
    )


def _refuse_beyond(stretch: Stretch, seconds: float) -> None:
    if stretch.to_s > seconds + _ROUNDING_S:
        kind = "moved" if stretch.moved else "still"
        raise ParameterError(
            f"a {kind} stretch ends at {stretch.to_s:g} s; the recording has {seconds:.2f} s: correct the times"
        )


def _in_order(stretches: Sequence[Stretch], seconds: float) -> list[Stretch]:
    ordered = sorted(stretches, key=lambda s: s.from_s)
    for stretch in ordered:
        if not 0 <= stretch.from_s < stretch.to_s:
            span = f"{stretch.from_s:g} to {stretch.to_s:g} s"
            raise ParameterError(f"stretch is {span}; expected a start before its end: correct the times")
        _refuse_beyond(stretch, seconds)
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


def _within(reading: Reading, stretches: list[Stretch]) -> list[np.ndarray]:
    return [(reading.events.time_s >= s.from_s) & (reading.events.time_s < s.to_s) for s in stretches]


def _arms(reading: Reading, stretches: list[Stretch], within: list[np.ndarray]) -> list[Arm]:
    """Each stretch with the episodes that started in it; one that reaches over an edge counts once, there."""
    skipped = skipped_of(reading.events)
    starts = episode_starts(reading.events.time_s[skipped])
    return [
        replace(arm_of_events(reading.events, keep), episodes=int(np.sum((starts >= s.from_s) & (starts < s.to_s))))
        for s, keep in zip(stretches, within, strict=True)
    ]


def _true_episodes(arms: list[Arm]) -> FloatArray:
    """Episodes less those that wrong calls alone give, over the share that is seen: handling makes noise."""
    return np.array([(arm.episodes - arm.expected_false) / (1 - arm.missed_share) for arm in arms])


def _exchange_p(true: FloatArray, judged: FloatArray, moved: np.ndarray) -> float:
    """Share of the ways to name as many stretches moved that show at least the difference of rates seen."""
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
