"""The stretches that knocks mark, and what keeps them from being sure.

Still and moved change in turn, so one change that is missed, or heard twice, turns all that follow round. Every doubt
of a change is told, and nothing is guessed.
"""

from dataclasses import replace
from itertools import pairwise
from statistics import median

from injsound.diagnoses import Reason, Stretch
from injsound.job_codes import Why
from injsound.results import Reading
from injsound.values import KNOCKS_THAT_MARK, Figure, KnockGroup

# Halfway from once to twice the usual length: what is longer may hold a change that was not heard.
_LONG_RATIO = 1.5
# Two stretches last about twice the usual length, one that is cut in two by a change too many about once: the middle of
# the two, by their ratio.
_SHORT_RATIO = 1.4
# A missed change is due half a usual stretch or more from the changes on either side.
_DUE_SHARE = 0.5
# Of two stretches neither is the usual one.
_FEWEST_FOR_USUAL = 3


def marks_of(reading: Reading) -> list[KnockGroup]:
    """Groups that mark a change.

    Parameters
    ----------
    reading : Reading
        Any.

    Returns
    -------
    list of KnockGroup
        Those of three alike.
    """
    return [group for group in reading.knocks if group.alike and group.count == KNOCKS_THAT_MARK]


def stretches_between(reading: Reading) -> list[Stretch]:
    """What lies between the marks, the first still; the knocks' own time is in no stretch.

    Parameters
    ----------
    reading : Reading
        A recording with marks.

    Returns
    -------
    list of Stretch
        In order of time.
    """
    marks = marks_of(reading)
    starts = [0.0, *(group.to_s for group in marks)]
    ends = [*(group.from_s for group in marks), reading.seconds]
    return [
        Stretch(from_s=a, to_s=b, moved=k % 2 == 1) for k, (a, b) in enumerate(zip(starts, ends, strict=True)) if b > a
    ]


def doubts_of_marks(reading: Reading) -> list[Reason]:
    """What keeps the marks from being sure.

    Parameters
    ----------
    reading : Reading
        A recording with knocks.

    Returns
    -------
    list of Reason
        Groups of two or of four and more; lone knocks and bumps unlike the rest where a change is due; stretches too
        long or too short; in order of time, and what to do last. Empty where nothing stands against the marks.
    """
    told = [_not_three(group) for group in reading.knocks if group.alike and group.count not in (1, KNOCKS_THAT_MARK)]
    stretches = stretches_between(reading)
    if len(stretches) >= _FEWEST_FOR_USUAL:
        usual = median([s.to_s - s.from_s for s in stretches])
        told += [doubt for s in stretches for doubt in _missing_in(s, usual, reading)]
        # The recording may end at any time.
        pairs = [replace(one, to_s=other.to_s) for one, other in pairwise(stretches[:-1])]
        told += [_uneven(Why.STRETCHES_SHORT, pair, usual) for pair in pairs if _ratio(pair, usual) <= _SHORT_RATIO]
    ordered = [reason for _, reason in sorted(told, key=lambda one: one[0])]
    if ordered:
        return [*ordered, Reason(why=Why.MARK_AGAIN)]
    return [] if marks_of(reading) else [Reason(why=Why.NO_KNOCKS)]


Told = tuple[float, Reason]


def _missing_in(stretch: Stretch, usual: float, reading: Reading) -> list[Told]:
    """A change that may be missing in a stretch: by what was struck there, or else by the stretch's length."""
    if _ratio(stretch, usual) < _LONG_RATIO:
        return []
    first, last = stretch.from_s + _DUE_SHARE * usual, stretch.to_s - _DUE_SHARE * usual
    due = [group for group in reading.knocks if first <= group.from_s <= last]
    lone = [_not_three(group) for group in due if group.alike and group.count == 1]
    unlike = [_not_three(group) for group in due if not group.alike and group.count > 1]
    long = [] if any(group.alike for group in due) else [_uneven(Why.STRETCH_LONG, stretch, usual)]
    return [*lone, *unlike, *long]


def _ratio(stretch: Stretch, usual: float) -> float:
    return (stretch.to_s - stretch.from_s) / usual


def _not_three(group: KnockGroup) -> Told:
    why = Why.KNOCKS_UNCLEAR if group.alike else Why.KNOCKS_UNLIKE
    return group.from_s, Reason(why=why, figures={"at_s": round(group.from_s, 1), "count": group.count})


def _uneven(why: Why, stretch: Stretch, usual: float) -> Told:
    times = (stretch.from_s, stretch.to_s, stretch.to_s - stretch.from_s, usual)
    names = ("from_s", "to_s", "seconds", "usual")
    figures: dict[str, Figure] = {name: round(value, 1) for name, value in zip(names, times, strict=True)}
    return stretch.from_s, Reason(why=why, figures=figures)
