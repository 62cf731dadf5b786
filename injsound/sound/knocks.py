"""Groups of knocks: three on bare metal mark where a wiggle test changes between still and moved.

`quality.py` finds every bump; here those that are knocks are told from handling, and counted by groups. Nothing is
guessed: a group of two or four is handed on as what it is.

How sure the marks are (docs/methods.md, 'Three knocks'): a knock is timed to the millisecond of its bump. Between 0.15
and 0.7 s lie the gaps of a hand's knocks (common practice, no source); what follows sooner is the tool's bounce, what
comes later another group. Handling that bumps at random f times a second makes a group of three of its own
(0.55 f)^2 f times a second: at one bump in 10 s once in 55 minutes of sound, at one in 5 s once in 7. Two by chance are
commoner, 0.55 f^2. So bumps unlike most of the recording's groups of three are no knocks; they are handed on as such,
and so is a lone bump: where a change is due it may be one of three (`findings/marks.py`).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from injsound.codes import SpanKind
from injsound.values import KNOCKS_THAT_MARK, FloatArray, KnockGroup, Span

CLOSEST_S, FARTHEST_S = 0.15, 0.7
# A knock and its ringing; a rub or a hand sliding along the lead lasts longer (common practice, no source).
_LONGEST_S = 0.25
# All three are struck about alike, but clipped ones come out of AAC up to 12.9 dB over their median (1,008 simulated
# knocks through FFmpeg's encoder; with 15 dB of gain pumping down to 7.3 dB under it; docs/methods.md): 2 dB more.
_MOST_LEVEL_DB = 15.0
# The balance of low and high does not change with the gain; the same metal struck anew keeps it within this (twice what
# the simulator's knocks vary by).
_MOST_BALANCE_DB = 6.0
_SPLIT_HZ = 1_500.0
_LISTEN_S = 0.04


@dataclass(frozen=True, slots=True, kw_only=True)
class Knock:
    """One bump short enough to be a knock.

    Parameters
    ----------
    at_s, to_s : float
        From where to where it covers the ticks [s].
    low_db, high_db : float
        Its level below and above 1.5 kHz, relative to full scale [dB].
    """

    at_s: float
    to_s: float
    low_db: float
    high_db: float


def find_knocks(y: FloatArray, sr: int, start_s: float, spans: Sequence[Span]) -> tuple[Knock, ...]:
    """Measure the bumps of a chapter that are as short as a knock.

    Parameters
    ----------
    y : ndarray, shape (n,)
        Samples [unitless].
    sr : int
        Sampling rate [Hz].
    start_s : float
        Time of the first sample [s].
    spans : sequence of Span
        What `quality.py` found; only bumps count [s].

    Returns
    -------
    tuple of Knock
        In order of time.
    """
    bumps = [s for s in spans if s.kind is SpanKind.BUMP and s.to_s - s.from_s <= _LONGEST_S]
    width = max(3, round(sr / (2 * _SPLIT_HZ)))
    found = []
    for bump in sorted(bumps, key=lambda s: s.from_s):
        first = max(0, round((bump.from_s - start_s) * sr))
        part = y[first : first + max(round((bump.to_s - bump.from_s) * sr), round(_LISTEN_S * sr))]
        if len(part) > width:
            low = ndimage.uniform_filter1d(part, width)
            found.append(Knock(at_s=bump.from_s, to_s=bump.to_s, low_db=_level_db(low), high_db=_level_db(part - low)))
    return tuple(found)


def group_knocks(knocks: Sequence[Knock]) -> tuple[KnockGroup, ...]:
    """Count knocks by groups.

    Parameters
    ----------
    knocks : sequence of Knock
        Of a whole recording.

    Returns
    -------
    tuple of KnockGroup
        In order, lone bumps too. Where there are groups of three, bumps unlike their knocks are grouped by themselves.
    """
    ordered = sorted(knocks, key=lambda knock: knock.at_s)
    marking = [knock for group in _groups(ordered) if len(group) == KNOCKS_THAT_MARK for knock in group]
    alike = [not marking or _alike(knock, marking) for knock in ordered]
    found = [
        KnockGroup(from_s=group[0].at_s, to_s=group[-1].to_s, count=len(group), alike=side)
        for side in (True, False)
        for group in _groups([knock for knock, same in zip(ordered, alike, strict=True) if same is side])
    ]
    return tuple(sorted(found, key=lambda group: group.from_s))


def _groups(ordered: Sequence[Knock]) -> list[list[Knock]]:
    groups: list[list[Knock]] = []
    for knock in ordered:
        since = knock.at_s - groups[-1][-1].at_s if groups else np.inf
        if since > FARTHEST_S:
            groups.append([knock])
        elif since >= CLOSEST_S:
            groups[-1].append(knock)
    return groups


def _alike(knock: Knock, marking: Sequence[Knock]) -> bool:
    low, high = (float(np.median([getattr(m, name) for m in marking])) for name in ("low_db", "high_db"))
    balance = (knock.low_db - knock.high_db) - (low - high)
    level = max(knock.low_db - low, knock.high_db - high, key=abs)
    return abs(balance) <= _MOST_BALANCE_DB and abs(level) <= _MOST_LEVEL_DB


def _level_db(x: FloatArray) -> float:
    return float(20 * np.log10(max(float(np.abs(x).max()), 1e-9)))
