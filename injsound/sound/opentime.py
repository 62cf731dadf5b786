"""Gap between the open and the close tick, for the mean tick and for each event.

The gap is the electrical pulse width plus closing time minus opening time. It does not change with engine speed at
constant pulse width, so it tells a solenoid from a valve, and a slow or starved injector from its fellows.
"""

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from injsound.results import FloatArray
from injsound.sound.signals import aic_pick, correlate_rows, cut, mean_strikes, peak_place

# Half width of the search for each event's close tick about the usual gap: voltage and sticking move it by less.
_WANDER_S = 0.0004
_CLICK_BEFORE_S, _CLICK_AFTER_S = 0.0003, 0.0012
_SIDE_S = 0.0020
# A close click is measured event by event from this match value on: its time is then good to some 20 us.
_LEAST_VALUE = 4.0
# The rough gap is right to a fraction of a millisecond; a mean tick whose onsets disagree with it was misread.
_MOST_OFF_S = 0.0004
# A strike begins where it reaches this share of its highest sample.
_STRUCK = 0.25
# Given only where so many of the heard ticks could be measured.
_LEAST_SHARE = 0.2


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Gaps:
    """Open-to-close gaps.

    Parameters
    ----------
    gap_s : float
        Gap of the mean tick, onset to onset; nan where no doublet shows [s].
    event_gap_s : ndarray, shape (n,)
        Gap of each event; nan where not measured [s].
    open_offset_s : float
        From each given time to the onset of the open tick [s].
    """

    gap_s: float
    event_gap_s: FloatArray
    open_offset_s: float


def measure_gaps(
    y: FloatArray, white: FloatArray, sr: int, start_s: float, heard_s: FloatArray, *, hint_s: float
) -> Gaps:
    """Measure the gap on the mean tick, then on each event by aligning its two clicks with the mean ones.

    Parameters
    ----------
    y : ndarray, shape (n,)
        Samples [unitless].
    white : ndarray, shape (n,)
        Whitened samples [standard deviations].
    sr : int
        Sampling rate [Hz].
    start_s : float
        Time of the first sample [s].
    heard_s : ndarray, shape (n,)
        When each tick was heard; nan where it was not [s].
    hint_s : float
        Rough gap from the click at ``heard_s`` to its partner, negative where the partner goes before [s].

    Returns
    -------
    Gaps
        Without a gap where the hint is nan or fewer than five ticks were heard.

    References
    ----------
    Onset by Akaike's criterion: Maeda, 1985, as restated in ObsPy ``aic_simple``.
    """
    heard = np.isfinite(heard_s)
    nothing = np.full(len(heard_s), np.nan)
    if not np.isfinite(hint_s) or heard.sum() < 5:
        return Gaps(gap_s=float("nan"), event_gap_s=nothing, open_offset_s=0.0)
    first, second = min(0.0, hint_s), max(0.0, hint_s)
    zero = round((_SIDE_S - first) * sr)
    strikes = mean_strikes(y, sr, start_s, heard_s[heard], _SIDE_S - first, second + 0.004)
    open_onset = _onset(strikes, sr, zero + round(first * sr), after=0)
    close_onset = _onset(strikes, sr, zero + round(second * sr), after=open_onset + round(0.0008 * sr))
    gap = (close_onset - open_onset) / sr
    if abs(gap - abs(hint_s)) > _MOST_OFF_S:
        # One onset was sought in vain: no gap, but the partner's place is known.
        return Gaps(gap_s=float("nan"), event_gap_s=nothing, open_offset_s=first)
    rows = cut(white, sr, start_s, heard_s[heard], _SIDE_S - first, second + 0.004)
    mean = rows.mean(axis=0)
    gaps = nothing.copy()
    gaps[heard] = gap + _late(rows, mean, sr, close_onset) - _late(rows, mean, sr, open_onset)
    if np.isfinite(gaps).sum() < _LEAST_SHARE * heard.sum():
        gaps = nothing  # the few loudest would speak for all
    return Gaps(gap_s=gap, event_gap_s=gaps, open_offset_s=(open_onset - zero) / sr)


def _onset(strikes: FloatArray, sr: int, near: int, *, after: int) -> int:
    """First sample of the strike whose strongest part lies near a sample."""
    power = ndimage.uniform_filter1d(strikes**2, max(3, round(0.0001 * sr)))
    low = max(after, near - round(0.0011 * sr), 0)
    high = min(len(strikes), near + round(0.0014 * sr))
    if high - low < 8:
        return near
    peak = low + int(power[low:high].argmax())
    start = max(after, peak - round(0.0008 * sr), 0)
    if peak + 3 - start < 5:
        return peak
    picked = start + aic_pick(strikes[start : peak + 3])
    # The criterion also answers to what the mean's smear lets through before the strike.
    rest = np.abs(strikes[picked : peak + 3])
    return picked + int(np.argmax(rest >= _STRUCK * rest.max()))


def _late(rows: FloatArray, mean: FloatArray, sr: int, onset: int) -> FloatArray:
    """How much later than in the mean each row's click comes; nan where it does not match [s]."""
    first = max(0, onset - round(_CLICK_BEFORE_S * sr))
    click = mean[first : onset + round(_CLICK_AFTER_S * sr)]
    click = click / max(float(np.linalg.norm(click)), 1e-12)
    reach = min(round(_WANDER_S * sr), first)
    part = rows[:, first - reach : first + len(click) + reach]
    place, value = peak_place(correlate_rows(part, click))
    return np.where(value >= _LEAST_VALUE, (place - reach) / sr, np.nan)
