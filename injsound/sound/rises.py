"""Where the sound rises for a moment in cycle after cycle: the places at which something may tick."""

from itertools import zip_longest

import numpy as np
from scipy import ndimage

from injsound.sound.clock import cycle_length, frames_at
from injsound.values import CycleClock, FloatArray, OnsetStrength

# Two rises are this far apart, or one.
_APART_S = 0.0022
# So many places are looked at of the rise over all bands and of the three that rise most; so many of what the upper
# half of the cycles shows and of each band by itself.
_MOST_OF_ALL, _MOST_OF_EACH = 12, 4


def steady_rises(strength: OnsetStrength, clock: CycleClock, *, count: int = 20) -> tuple[FloatArray, FloatArray]:
    """Phases at which the sound rises for a moment in cycle after cycle.

    Parameters
    ----------
    strength : OnsetStrength
        Onset strength in bands [unitless].
    clock : CycleClock
        The engine's cycle.
    count : int
        How many at most [unitless].

    Returns
    -------
    phases : ndarray, shape (m,), m <= count
        Phases [cycles].
    rises : ndarray, shape (m,)
        Mean rise in the upper half of the cycles, above the cycle's usual one, in the three bands that rise most
        [natural log of energy].
    """
    bins = round(cycle_length(clock) / strength.hop_s)
    first, last = np.ceil(clock.cycles[0]), np.floor(clock.cycles[-1])
    phases = np.arange(first, last)[:, None] + np.arange(bins) / bins
    frame = frames_at(strength, clock, phases)
    rise, brief = _rises(strength)
    near = ndimage.maximum_filter1d(rise, 2 * round(0.001 / strength.hop_s) + 1, axis=1)
    together = _most(np.stack([_upper_half(band[frame]) for band in near]))
    steady = np.stack([_steadiness(band[frame]) for band in brief])
    guard = max(1, round(_APART_S / strength.hop_s))
    ranked = [highest(score, guard, _MOST_OF_ALL) for score in (steady.sum(axis=0), _most(steady))]
    ranked += [highest(score, guard, _MOST_OF_EACH) for score in (together, *steady)]
    found: list[int] = []
    for place in (p for ranks in zip_longest(*ranked) for p in ranks if p is not None):
        if all(min((place - other) % bins, (other - place) % bins) > guard for other in found):
            found.append(place)
    found = found[:count]
    return np.array(found) / bins, together[found]


def _most(bands: FloatArray) -> FloatArray:
    """Mean of the three bands that rise most."""
    most: FloatArray = np.sort(bands, axis=0)[-3:].mean(axis=0)
    return most


def _upper_half(folded: FloatArray) -> FloatArray:
    """Mean over the upper half of the cycles, above the usual one of all phases."""
    middle = len(folded) // 2
    upper: FloatArray = np.partition(folded, middle, axis=0)[middle:].mean(axis=0)
    return upper - np.median(upper)


def _steadiness(folded: FloatArray) -> FloatArray:
    """Mean over the cycles, above the usual one of all phases, in standard errors."""
    mean = folded.mean(axis=0)
    steadiness: FloatArray = (mean - np.median(mean)) / (folded.std(axis=0) + 0.1) * np.sqrt(len(folded))
    return steadiness


def highest(score: FloatArray, guard: int, count: int) -> list[int]:
    """Highest places of a circular score, a guard apart.

    Parameters
    ----------
    score : ndarray, shape (n,)
        Any unit.
    guard : int
        Places this near to a higher one do not count [unitless].
    count : int
        How many [unitless].

    Returns
    -------
    list of int
        Places, the highest first [unitless].
    """
    left = score.copy()
    found: list[int] = []
    for _ in range(count):
        top = int(left.argmax())
        found.append(top)
        left[np.arange(top - guard, top + guard + 1) % len(left)] = -np.inf
    return found


def _rises(strength: OnsetStrength) -> tuple[FloatArray, FloatArray]:
    """Mean log energy in the millisecond after a frame minus that in the two before, and minus that of a while after.

    The while after is the median of 5 ms, which a close tick in it does not lift.
    """
    per_ms = max(1, round(0.001 / strength.hop_s))
    level = strength.bands
    n = level.shape[1]
    past, while_after = 2 * per_ms, round(4.5 * per_ms)
    # Sum of the frames before a frame, which stands `past` columns further on.
    total = np.pad(np.cumsum(level, axis=1).astype(float), ((0, 0), (past + 1, per_ms)))
    total[:, past + 1 + n :] = total[:, past + n, None]
    now = (total[:, past + 1 + per_ms :] - total[:, past + 1 : past + 1 + n]) / per_ms
    before = (total[:, past : past + n] - total[:, :n]) / past
    # Band by band: in one dimension it is ten times faster.
    later = np.stack([ndimage.median_filter(band, size=5 * per_ms, mode="nearest") for band in level])
    later = np.pad(later[:, while_after:], ((0, 0), (0, while_after)), mode="edge")
    return now - before, now - np.maximum(before, later)
