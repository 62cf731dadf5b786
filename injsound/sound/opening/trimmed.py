"""A gap that wanders: the second click of a tick set straight, event by event, before a mean is taken.

A control unit trims the pulse by a few per cent (common practice, no source), slowly against the engine's cycle. The
close then moves against the open by a tenth of a millisecond and more, and its mean at one gap is smeared away.
"""

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from injsound.sound.second_click import POST_S, PRE_S
from injsound.sound.signals import robust_spread, spread_by_steps
from injsound.sound.waveforms import align_clicks, moved
from injsound.values import FloatArray

# Half width of the search for each event's click about its usual place: voltage, trim and sticking move it by less.
WANDER_S = 0.0004
# One event strays by more than this from those about it: its click was not found.
_EVENTS, _STRAYS_S = 5, 0.00015
# A gap that wanders moves less from event to event than over all of them, and its mean at one gap loses level.
_LEAST_S, _SLOWLY, _SMEARED = 0.03e-3, 0.75, 0.9
_FEWEST = 20


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Trim:
    """How a tick's second click wanders.

    Parameters
    ----------
    late_s : ndarray, shape (k,)
        How much later than usual each event's second click comes, where ``gap_s`` is negative its first; zero where
        the gap holds [s].
    parts_at : int
        Column from which, or up to which, a row belongs to that click [samples].
    follows : bool
        Whether that click is the later one.
    """

    late_s: FloatArray
    parts_at: int
    follows: bool

    @property
    def longer_s(self) -> FloatArray:
        """How much longer than usual each event's gap is, shape (k,) [s]."""
        return self.late_s if self.follows else -self.late_s

    def straighten(self, rows: FloatArray, sr: int) -> FloatArray:
        """Rows with the wandering click at its usual gap.

        Parameters
        ----------
        rows : ndarray, shape (k, m)
            Stretches about each tick [unitless].
        sr : int
            Sampling rate [Hz].

        Returns
        -------
        ndarray, shape (k, m)
            The same rows where the gap holds [unitless].
        """
        if not self.late_s.any():
            return rows
        later, earlier = moved(rows, self.late_s * sr), rows
        if not self.follows:
            later, earlier = earlier, later
        return np.concatenate([earlier[:, : self.parts_at], later[:, self.parts_at :]], axis=1)


def find_trim(rows: FloatArray, sr: int, *, zero: int, gap_s: float) -> Trim:
    """How a tick's second click wanders against the first.

    Parameters
    ----------
    rows : ndarray, shape (k, m)
        Whitened stretches about each tick, in the order of time [standard deviations].
    sr : int
        Sampling rate [Hz].
    zero : int
        Where the click that was matched strikes in each row [samples].
    gap_s : float
        Rough gap from it to the other, nan where none is known [s].

    Returns
    -------
    Trim
        Zero where the gap holds, no second click is known, or fewer than twenty ticks were heard.
    """
    held = Trim(late_s=np.zeros(len(rows)), parts_at=0, follows=True)
    if not np.isfinite(gap_s) or len(rows) < _FEWEST:
        return held
    reach = round(WANDER_S * sr)
    first, last = zero + round((gap_s - PRE_S) * sr), zero + round((gap_s + POST_S) * sr)
    if first < reach or last + reach > rows.shape[1]:
        return held
    clicks = align_clicks(rows[:, first - reach : last + reach], sr, reach_s=WANDER_S)
    late = (clicks.place - reach) / sr
    near: FloatArray = ndimage.median_filter(late, _EVENTS, mode="nearest")
    late = np.where(np.abs(late - near) > _STRAYS_S, near, late)
    spread = robust_spread(late - np.median(late))
    slowly = spread_by_steps(np.diff(late)) < _SLOWLY * spread
    smeared = float(np.linalg.norm(rows[:, first:last].mean(axis=0))) < _SMEARED * clicks.amplitude
    if not (spread > _LEAST_S and slowly and smeared):
        return held
    return Trim(late_s=late - np.median(late), parts_at=zero + round(0.5 * gap_s * sr), follows=gap_s > 0)
