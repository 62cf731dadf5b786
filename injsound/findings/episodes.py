"""Skips counted by episodes: a burst is one bad moment, and moments, not events, are what two recordings differ in.

An episode starts at a skip and reaches ``REACH_S`` from there; skips within its reach belong to it. A recording is as
many blocks as its judged time holds reaches. Two recordings are compared by their episodes among their blocks.
"""

from collections.abc import Iterable, Sequence

import numpy as np

from injsound.codes import WHOSE_TICK, ReasonCode, Verdict
from injsound.diagnoses import Arm, Reason, Take
from injsound.engine import has_partner
from injsound.findings.proportions import fisher_exact, log_ways
from injsound.findings.verdict import UNFORESEEN_RATE, WRONG_SHARE, needed_separation
from injsound.job_codes import Why
from injsound.results import Events, Reading
from injsound.states import judged_of, may_be_missing, skipped_of
from injsound.values import Figure, FloatArray

# Longer than the bursts of four to eight skips that warm idle gives (0.7 to 1.4 s at 700 rpm): common practice, no
# source. How the tests keep their level with it: docs/methods.md, 'Episodes'.
REACH_S = 2.0
LEVEL = 0.01
# A fault shows where so many episodes are seen and wrong calls alone would give them less often than LEVEL.
FEWEST_EPISODES = 2


def episode_starts(skip_times_s: FloatArray) -> FloatArray:
    """When each episode starts.

    Parameters
    ----------
    skip_times_s : ndarray, shape (n,)
        Times of the skips, rising [s].

    Returns
    -------
    ndarray, shape (m,), m <= n
        Times of the first skip of each episode [s].
    """
    starts: list[float] = []
    for time in skip_times_s:
        if not starts or time >= starts[-1] + REACH_S:
            starts.append(float(time))
    return np.array(starts)


def arm_of_events(events: Events, keep: np.ndarray | None = None) -> Arm:
    """Count the episodes of some events.

    Parameters
    ----------
    events : Events
        Due events of one recording.
    keep : ndarray of bool, shape (n,), or None
        Which of them; all by default.

    Returns
    -------
    Arm
        Blocks from the judged events' number and usual interval.
    """
    keep = np.ones(len(events.state), dtype=bool) if keep is None else keep
    judged = keep & judged_of(events)
    skipped = keep & skipped_of(events)
    interval = float(np.median(np.diff(events.time_s))) if len(events.time_s) > 1 else 0.0
    probability = events.skip_probability
    missed = float(probability[judged & ~skipped].sum())
    episodes = len(episode_starts(events.time_s[skipped]))
    judged_s = int(judged.sum()) * interval
    true = float(probability[skipped].sum())
    return Arm(
        episodes=episodes,
        blocks=max(episodes, int(judged_s / REACH_S)),
        expected_false=float((1 - probability[skipped]).sum()) + UNFORESEEN_RATE * int(judged.sum()),
        # One more, so that a recording without a skip is not taken to miss all of them.
        missed_share=missed / (missed + true + 1),
        skipped=int(skipped.sum()),
        judged=int(judged.sum()),
        judged_s=judged_s,
    )


def arm_of(reading: Reading) -> Arm | None:
    """Count the episodes of a reading.

    Parameters
    ----------
    reading : Reading
        One recording.

    Returns
    -------
    Arm or None
        None where nothing could be counted. A silent place has an episode in every block.
    """
    if is_silent(reading):
        blocks = max(1, int(reading.seconds / REACH_S))
        return Arm(episodes=blocks, blocks=blocks, judged_s=reading.seconds)
    return arm_of_events(reading.events) if is_counted(reading) else None


def arm_of_takes(takes: Iterable[Take]) -> Arm | None:
    """Count the episodes of several recordings together.

    Parameters
    ----------
    takes : iterable of Take
        Any.

    Returns
    -------
    Arm or None
        None where none of them could be counted.
    """
    arms = [arm for take in takes if (arm := arm_of(take.reading)) is not None]
    return pooled(arms) if arms else None


def is_silent(reading: Reading) -> bool:
    """Whether by itself the recording hears the other injectors at their places and nothing at this one's.

    Where only valves are heard the probe may have been elsewhere: that is no evidence.

    Parameters
    ----------
    reading : Reading
        One recording.

    Returns
    -------
    bool
        True only where that is its verdict.
    """
    codes = {note.code for note in reading.reasons}
    return reading.verdict is Verdict.NO_TICK and ReasonCode.OWN_PLACE_SILENT in codes


def is_counted(reading: Reading) -> bool:
    """Whether a reading's events may be used: counted, and heard well enough, whatever its own verdict.

    Parameters
    ----------
    reading : Reading
        One recording.

    Returns
    -------
    bool
        False for no tick, and for those too faint or too doubtful to be counted.
    """
    separation = reading.quality.separation
    return (
        reading.verdict is not Verdict.NO_TICK
        and len(reading.events.state) > 0
        and separation is not None
        and separation >= needed_separation(partner=has_partner(reading.engine))
        and not may_be_missing(reading.events)
    )


# Whose tick it is is open, or what came through is not its time: no measure of this injector.
_NO_MEASURE = frozenset(
    {
        *WHOSE_TICK,
        ReasonCode.MOSTLY_MISSING,
        ReasonCode.RPM_CONTRADICTED,
        ReasonCode.TICKS_FADE,
        ReasonCode.SPEECH_CODEC,
        ReasonCode.TICK_UNLIKE_INJECTOR,
    }
)


def no_measure(reading: Reading) -> ReasonCode | None:
    """What keeps a reading's steadiness and open time from being this injector's.

    Parameters
    ----------
    reading : Reading
        One recording that is counted.

    Returns
    -------
    ReasonCode or None
        None where they may be compared: also where too few ticks, or too many disturbed ones, left the count open.
    """
    return next((ReasonCode(note.code) for note in reading.reasons if note.code in _NO_MEASURE), None)


def uncounted(takes: Sequence[Take]) -> list[Reason]:
    """Recordings that could not be counted, each with its reason, and what would help.

    Parameters
    ----------
    takes : sequence of Take
        Recordings that are not counted.

    Returns
    -------
    list of Reason
        One each; one more where the speed typed for one does not fit its sound, or where a firing order that was not
        given may tell whose tick it is.
    """
    found, order_helps, typed = [], False, None
    for take in takes:
        soft = may_be_missing(take.reading.events)
        code = ReasonCode.WEAK_OR_MISSING if soft else take.reading.reasons[0].code
        found.append(Reason(why=Why.NOT_COUNTED, figures={"file": take.reading.file, "reason": code}))
        order_helps |= code in WHOSE_TICK and take.reading.engine.firing_order is None
        if code is ReasonCode.RPM_CONTRADICTED and typed is None:
            typed = Reason(why=Why.SPEED_TYPED, figures=take.reading.reasons[0].figures)
    helps = [typed, Reason(why=Why.ORDER_HELPS) if order_helps else None]
    return [*found, *(reason for reason in helps if reason is not None)]


def pooled(arms: list[Arm]) -> Arm:
    """Several arms as one.

    Parameters
    ----------
    arms : list of Arm
        At least one.

    Returns
    -------
    Arm
        Sums; the missed share weighted by judged events.
    """
    judged = sum(arm.judged for arm in arms)
    missed = sum(arm.missed_share * arm.judged for arm in arms) / judged if judged else 0.0
    return Arm(
        episodes=sum(arm.episodes for arm in arms),
        blocks=sum(arm.blocks for arm in arms),
        expected_false=sum(arm.expected_false for arm in arms),
        missed_share=missed,
        skipped=sum(arm.skipped for arm in arms),
        judged=judged,
        judged_s=sum(arm.judged_s for arm in arms),
    )


def seems_faulty(arm: Arm, *, level: float = LEVEL) -> bool:
    """Whether an arm has more episodes than wrong calls alone would give: what does is not clean.

    Parameters
    ----------
    arm : Arm
        One side.
    level : float
        Probability of so many by wrong calls [unitless].

    Returns
    -------
    bool
        False for fewer than two episodes.
    """
    from scipy.special import pdtrc

    return arm.episodes >= FEWEST_EPISODES and bool(pdtrc(arm.episodes - 1, arm.expected_false) < level)


def shows_fault(arm: Arm, *, level: float = LEVEL) -> bool:
    """Whether an arm has a fault: it seems so, and no more of its skips may be wrong than one reading may claim.

    Parameters
    ----------
    arm : Arm
        One side.
    level : float
        Probability of so many by wrong calls [unitless].

    Returns
    -------
    bool
        False does not make it clean.
    """
    sure = arm.expected_false <= WRONG_SHARE * arm.skipped + UNFORESEEN_RATE * arm.judged
    return sure and seems_faulty(arm, level=level)


def more_episodes_p(first: Arm, second: Arm) -> float:
    """Probability of at least as many episodes in the first arm, were both faulty alike.

    Parameters
    ----------
    first, second : Arm
        Sides; the first is asked about.

    Returns
    -------
    float
        One-sided; each side's wrong and missed calls are part of "alike" [unitless].

    References
    ----------
    Fisher's exact test; with unequal wrong calls its noncentral form (Fisher, J. R. Stat. Soc. 98, 39-54, 1935, from
    memory). Level measured: docs/methods.md, 'Episodes'.
    """
    total = first.episodes + second.episodes
    if total == 0:
        return 1.0
    shares = _alike(first, second)
    odds = shares[0] * (1 - shares[1]) / (shares[1] * (1 - shares[0]))
    share = np.arange(max(0, total - second.blocks), min(first.blocks, total) + 1)
    ways = log_ways(first.blocks, share) + log_ways(second.blocks, total - share) + share * np.log(odds)
    weight = np.exp(ways - ways.max())
    return float(weight[share >= first.episodes].sum() / weight.sum())


def _alike(first: Arm, second: Arm) -> tuple[float, float]:
    """Share of blocks with an episode on each side, were the true share the same."""
    arms = (first, second)
    false = [min(arm.expected_false / max(arm.blocks, 1), 0.9) for arm in arms]
    seen = [1 - arm.missed_share for arm in arms]
    expected = sum(f * arm.blocks for f, arm in zip(false, arms, strict=True))
    reach = sum(s * arm.blocks for s, arm in zip(seen, arms, strict=True))
    true = min(max((first.episodes + second.episodes - expected) / max(reach, 1e-9), 0.0), 1.0)
    shares = [1 - (1 - true * s) * (1 - f) for s, f in zip(seen, false, strict=True)]
    low, high = (min(max(share, 1e-6), 1 - 1e-6) for share in shares)
    return low, high


def tick_by_tick(first: Arm, second: Arm) -> Reason:
    """Two sides by their single ticks, to stand beside the episodes as a description.

    A burst counts as many skips here: with bursts of four to five this test at 0.01 errs in a quarter to a third of
    unchanged injectors (docs/methods.md).

    Parameters
    ----------
    first, second : Arm
        The side that is thought to skip more, and the other; both with judged events.

    Returns
    -------
    Reason
        Counts of both, and how often chance brings so many or more by Fisher's exact test.
    """
    p = fisher_exact((first.skipped, first.judged), (second.skipped, second.judged), alternative="greater")
    figures: dict[str, Figure] = {
        "skipped": first.skipped,
        "judged": first.judged,
        "others_skipped": second.skipped,
        "others_judged": second.judged,
        "p": float(f"{p:.2g}"),
    }
    return Reason(why=Why.TICK_BY_TICK, figures=figures)


def holm(p: list[float]) -> list[float]:
    """Probabilities corrected for having looked several times.

    Parameters
    ----------
    p : list of float
        Of each look [unitless].

    Returns
    -------
    list of float
        In the same order [unitless].

    References
    ----------
    Holm, Scand. J. Statist. 6, 65-70, 1979 (from memory); statsmodels ``multipletests(method="holm")`` in the tests.
    """
    order = np.argsort(p)
    corrected = np.empty(len(p))
    worst = 0.0
    for rank, index in enumerate(order):
        worst = max(worst, min(1.0, (len(p) - rank) * p[index]))
        corrected[index] = worst
    return [float(value) for value in corrected]


def seconds_for(episodes_needed: int, arm: Arm) -> float:
    """How long to record until a fault as frequent as seen has given some episodes.

    Parameters
    ----------
    episodes_needed : int
        Episodes wanted in all [unitless].
    arm : Arm
        What was seen so far.

    Returns
    -------
    float
        Further seconds, in tens; twice the time recorded where none was seen yet [s].
    """
    recorded = arm.blocks * REACH_S
    share = max(episodes_needed - arm.episodes, 1) / arm.episodes if arm.episodes else 2.0
    more = recorded * share
    return float(max(10, 10 * np.ceil(more / 10)))
