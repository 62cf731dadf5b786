"""The second click of a tick, where the first one is too faint for it to show cycle by cycle.

Once the due events are matched with one click, their mean over the whole recording tells whether another click keeps
its distance from it to a fraction of a period: the other end of the same solenoid's stroke does, and an echo, which
counts no worse. Which of both it is, ``doublet.py`` asks for the open time.
"""

from dataclasses import replace

import numpy as np
from scipy import ndimage

from injsound.sound.own.candidates import Candidate
from injsound.sound.second_click import GAP_MAX_S, GAP_MIN_S, POST_S, PRE_S, SIDE_S
from injsound.sound.waveforms import cut, unit
from injsound.values import FloatArray

# A click is a millisecond or less; its power is looked at in steps of this length.
_WINDOW_S = 0.0005
# Power of the mean over that of averaged noise. Noise reaches 2 in 17 ms; a click that matches at 4 deviations gives 30
# after 250 events.
_LEAST_POWER = 8.0
# Between two clicks the mean falls under this share of the second one's power; within one click's ring it does not.
_FALL = 0.5
_FEWEST_EVENTS = 20


def with_partner(
    own: Candidate, white: FloatArray, sr: int, start_s: float, heard_s: FloatArray, *, interval_s: float
) -> Candidate | None:
    """Find a second click at a constant gap from one that was matched event by event.

    Parameters
    ----------
    own : Candidate
        The click that was matched.
    white : ndarray, shape (n,)
        Whitened samples [standard deviations].
    sr : int
        Sampling rate [Hz].
    start_s : float
        Time of ``white[0]`` [s].
    heard_s : ndarray, shape (k,)
        When each click was heard [s].
    interval_s : float
        Length of an engine cycle [s].

    Returns
    -------
    Candidate or None
        The tick from its first click on, with the gap and the mean waveform of both; None where no other click shows.
    """
    if len(heard_s) < _FEWEST_EVENTS:
        return None
    rows = cut(white, sr, start_s, heard_s, SIDE_S, SIDE_S)
    mean = rows.mean(axis=0)
    power = ndimage.uniform_filter1d(mean**2 * len(rows) / rows.var(axis=0).mean(), max(3, round(_WINDOW_S * sr)))
    offset_s = (np.arange(len(power)) - round(SIDE_S * sr)) / sr
    gap_s = _gap_in(power, offset_s)
    if not np.isfinite(gap_s):
        return None
    first = round((SIDE_S + min(gap_s, 0.0) - PRE_S) * sr)
    both = mean[first : first + round((PRE_S + abs(gap_s) + POST_S) * sr)]
    return replace(
        own,
        phase=(own.phase + min(gap_s, 0.0) / interval_s) % 1.0,
        gap_s=abs(gap_s),
        template=unit(both),
        lead_s=PRE_S,
    )


def _gap_in(power: FloatArray, offset_s: FloatArray) -> float:
    """Where a second click rises; nan where none does [s]."""
    apart = np.abs(offset_s)
    inside = (apart >= GAP_MIN_S) & (apart <= GAP_MAX_S)
    top = int(np.where(inside, power, 0.0).argmax())
    own = int(np.where(apart <= _WINDOW_S, power, 0.0).argmax())
    low, high = sorted((own, top))
    falls = power[low:high].min(initial=np.inf) < _FALL * power[top]
    if power[top] < _LEAST_POWER or not falls:
        return float("nan")
    # Onsets to the same rule, a quarter of the peak, so that windows and rings cancel.
    gap_s = float(offset_s[_rise(power, top)] - offset_s[_rise(power, own)])
    return gap_s if GAP_MIN_S <= abs(gap_s) <= GAP_MAX_S else float("nan")


def _rise(power: FloatArray, top: int) -> int:
    """Where the power rises through a quarter of its peak."""
    before = np.flatnonzero(power[:top] < 0.25 * power[top])
    return int(before[-1]) if len(before) else top
