"""Gap between the open and the close tick, for the mean tick and for each event.

The gap is the electrical pulse width plus closing time minus opening time. It does not change with engine speed at
constant pulse width, so it tells a solenoid from a valve, and a slow or starved injector from its fellows.
"""

from dataclasses import dataclass, replace

import numpy as np

from injsound.sound.filters import COMBUSTION_HZ, high_passed
from injsound.sound.opening.doublet import find_doublet, quiet_weights
from injsound.sound.opening.echo import Echo, cut_without, find_echo
from injsound.sound.opening.parted import Parted, part_clicks
from injsound.sound.opening.trimmed import WANDER_S, Trim, find_trim
from injsound.sound.second_click import CORE_AFTER_S, CORE_BEFORE_S, GAP_MAX_S, GAP_MIN_S, SIDE_S
from injsound.sound.waveforms import aic_pick, correlate_rows, moved, peak_place, unit, without_ring
from injsound.values import FloatArray

# A click is measured event by event from this match value on: its time is then good to some 20 us.
_LEAST_VALUE = 3.0
# The high pass has come to rest after so long.
_SETTLE_S = 0.004
# A click begins this far before its strongest part at most.
_BACK_S, _AHEAD_S = 0.0008, 0.0003
_RING_BEFORE_S, _RING_AFTER_S = 0.0005, 0.0025
# A strike begins where it reaches this share of its highest sample: with the tick's ring taken out, with its own, and
# with none.
_STRUCK, _STRUCK_BARE = (0.25, 0.15), 0.10
# With the tick's ring out and with none out the onset is the same to this, or it is not known to the tenth of a
# millisecond that is promised: so known were 43 of the 44 readings of another simulator that agree, docs/methods.md.
_AGREE_S, _ALIKE_S = 0.00015, 0.00010
# Where they do not agree, the sound's rise over so long must tell them apart by so much.
_RISE_S, _FAR_MORE = 0.0002, 4.0
# Given only where so many of the heard ticks could be measured.
_LEAST_SHARE = 0.2
_FEWEST = 5


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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Onset:
    """Onset of one click from the given times [s], each event's distance from it, and whether it is well known."""

    at_s: float
    late_s: FloatArray
    agreed: bool


def measure_gaps(
    y: FloatArray, white: FloatArray, sr: int, start_s: float, heard_s: FloatArray, *, gap_s: float = float("nan")
) -> Gaps:
    """Find both clicks in the mean tick, then measure each event by aligning its clicks with the mean ones.

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
    gap_s : float
        Rough gap from what was heard to the other click, to follow it where it wanders; nan where unknown [s].

    Returns
    -------
    Gaps
        Without a gap where fewer than five ticks were heard, one click alone is clear or a third could be the other.

    References
    ----------
    Onset by Akaike's criterion: Maeda, 1985, as restated in ObsPy ``aic_simple``.
    """
    heard = np.isfinite(heard_s)
    if heard.sum() < _FEWEST:
        return Gaps(gap_s=float("nan"), event_gap_s=np.full(len(heard_s), np.nan), open_offset_s=0.0)
    at = heard_s[heard]
    echo = find_echo(y, white, sr, start_s, at)
    rows = cut_without(echo, white, sr, start_s, at, SIDE_S, SIDE_S)
    raw = cut_without(echo, y, sr, start_s, at, SIDE_S + _SETTLE_S, SIDE_S)
    clear = high_passed(raw, sr, above_hz=COMBUSTION_HZ, order=2)[:, -rows.shape[1] :]
    zero = round(SIDE_S * sr)
    trim = find_trim(rows, sr, zero=zero, gap_s=gap_s)
    held = _held_gaps(trim.straighten(rows, sr), trim.straighten(clear, sr), trim, sr, zero, echo=echo)
    # What wanders slowly was set straight; what moves from tick to tick is parted better than it is averaged.
    parted = part_clicks(rows, sr, zero=zero, known_gap_s=held.gap_s if trim.late_s.any() else float("nan"))
    if parted is not None:
        held = _parted_gaps(parted, clear, sr, zero) or held
    gaps = np.full(len(heard_s), np.nan)
    gaps[heard] = held.event_gap_s
    return replace(held, event_gap_s=gaps)


def _held_gaps(rows: FloatArray, clear: FloatArray, trim: Trim, sr: int, zero: int, *, echo: Echo | None) -> Gaps:
    """Gaps to a second click that keeps its distance, or was set straight, a row per heard tick."""
    nothing = np.full(len(rows), np.nan)
    weight = quiet_weights(rows, sr)
    doublet = find_doublet(rows, weight, sr, zero=zero, echo=echo)
    if doublet is None:
        return Gaps(gap_s=float("nan"), event_gap_s=nothing, open_offset_s=0.0)
    first, second = (_onset(rows, clear, weight, sr, place, zero) for place in doublet)
    gap = second.at_s - first.at_s
    if not (first.agreed and second.agreed and GAP_MIN_S <= gap <= GAP_MAX_S):
        return Gaps(gap_s=float("nan"), event_gap_s=nothing, open_offset_s=first.at_s)
    gaps: FloatArray = gap + second.late_s - first.late_s + trim.longer_s
    if np.isfinite(gaps).sum() < _LEAST_SHARE * len(gaps):
        gaps = nothing  # the few loudest would speak for all
    return Gaps(gap_s=gap, event_gap_s=gaps, open_offset_s=first.at_s)


def _parted_gaps(parted: Parted, clear: FloatArray, sr: int, zero: int) -> Gaps | None:
    """Gaps to a second click that was told apart from the first one's ring; None where an onset is not known."""
    places = (parted.held_place, parted.place)
    (held_s, held_agreed), (second_s, second_agreed) = (
        _begins(mean[_about(sr, place)], mean, _about(sr, place), sr, place, zero)
        for mean, place in zip(parted.means(clear, sr), places, strict=True)
    )
    gap = abs(second_s - held_s)
    if not (held_agreed and second_agreed and GAP_MIN_S <= gap <= GAP_MAX_S):
        return None
    longer = parted.late_s if second_s > held_s else -parted.late_s
    gaps: FloatArray = np.where(parted.clear, gap + longer, np.nan)
    return Gaps(gap_s=gap, event_gap_s=gaps, open_offset_s=min(held_s, second_s))


def _about(sr: int, place: int) -> slice:
    """What is looked at for the onset of the click near a place."""
    first = max(0, place - round((_BACK_S + WANDER_S + _RING_BEFORE_S) * sr))
    return slice(first, place + round((_RING_AFTER_S + WANDER_S) * sr))


def _begins(mean: FloatArray, tick: FloatArray, about: slice, sr: int, place: int, zero: int) -> tuple[float, bool]:
    """Onset of the click near a place, from its mean about it [s], and whether it is well known."""
    near = place - about.start
    picked, agreed = _agreed(*_picks(mean, tick, sr, near), sr)
    # At the edge of what was looked at lies no onset.
    return float(about.start + picked - zero) / sr, agreed and picked > near - (_BACK_S - _ALIKE_S) * sr


def _onset(rows: FloatArray, clear: FloatArray, weight: FloatArray, sr: int, place: int, zero: int) -> _Onset:
    """Onset of the click near a place, on the mean of all events aligned by this click alone."""
    late, value = _late((rows * weight).sum(axis=0), rows, sr, place)
    usual = float(np.median(late))
    late = np.where(value >= 0.5 * np.median(value), late, usual)
    about = _about(sr, place)
    aligned = (moved(clear[:, about], late * sr) * weight[:, about]).sum(axis=0)
    tick = (clear * weight).sum(axis=0)
    begins_s, agreed = _begins(aligned, tick, about, sr, place, zero)
    return _Onset(
        at_s=begins_s + usual,
        late_s=np.where(value >= _LEAST_VALUE, late - usual, np.nan),
        agreed=agreed,
    )


def _late(mean: FloatArray, rows: FloatArray, sr: int, place: int) -> tuple[FloatArray, FloatArray]:
    """How much later than in the mean each row's click comes [s], and how well it matches."""
    first = max(0, place - round(CORE_BEFORE_S * sr))
    click = unit(mean[first : place + round(CORE_AFTER_S * sr)])
    reach = min(round(WANDER_S * sr), first)
    at, value = peak_place(correlate_rows(rows[:, first - reach : first + len(click) + reach], click))
    return (at - reach) / sr, value


def _picks(mean: FloatArray, tick: FloatArray, sr: int, place: int) -> tuple[FloatArray, list[int]]:
    """The mean with the tick's ring out, and the onset by Akaike's criterion in it, with the own ring out, and bare."""
    own = mean[max(0, place - round(_RING_BEFORE_S * sr)) : place + round(_RING_AFTER_S * sr)]
    left = [without_ring(mean, like=x) for x in (tick, own)]
    picks = [_picked(x, sr, place, s) for x, s in zip((*left, mean), (*_STRUCK, _STRUCK_BARE), strict=True)]
    return left[0], picks


def _agreed(left: FloatArray, picks: list[int], sr: int) -> tuple[float, bool]:
    """Median of picks that are alike, middle of those that agree, else the one where the sound rises far more."""
    apart = abs(picks[0] - picks[-1])
    if apart <= _AGREE_S * sr:
        return float(np.median(picks)) if apart <= _ALIKE_S * sr else 0.5 * (picks[0] + picks[-1]), True
    n = round(_RISE_S * sr)
    total = np.concatenate([[0.0], np.cumsum(left**2)])
    quiet = float(np.median(left**2)) * n
    rises = []
    for k in picks:
        before, after = total[k] - total[max(0, k - n)], total[min(len(left), k + n)] - total[k]
        rises.append((after + quiet) / (before + quiet))
    best = int(np.argmax(rises))
    others = [r for k, r in zip(picks, rises, strict=True) if abs(k - picks[best]) > _AGREE_S * sr]
    return float(picks[best]), all(rises[best] > _FAR_MORE * r for r in others)


def _picked(strike: FloatArray, sr: int, place: int, struck: float) -> int:
    """Where a strike begins that is strongest near a place."""
    first = max(0, place - round(_BACK_S * sr))
    peak = first + int(np.abs(strike[first : place + round(_AHEAD_S * sr)]).argmax())
    if peak + 3 - first < 5:
        return peak
    picked = first + aic_pick(strike[first : peak + 3])
    # The criterion also answers to what the mean's smear lets through before the strike.
    rest = np.abs(strike[picked : peak + 3])
    return picked + int(np.argmax(rest >= struck * rest.max()))
