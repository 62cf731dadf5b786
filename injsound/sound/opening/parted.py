"""A second click that lies in the ring of the first, found by what does not keep its distance.

A click on a metal body rings and comes back from the walls for milliseconds, and all of that keeps its distance from
the click to the microsecond. The other end of the stroke does not: the needle opens and closes a little early or late
each time. So the mean tick, taken out of every tick, leaves the second click, which stands up where it is struck; and
since it moves, the sound of both can be told apart.
"""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy import fft, ndimage

from injsound.sound.second_click import (
    ANCHOR_S,
    BEGINS,
    CORE_AFTER_S,
    CORE_BEFORE_S,
    GAP_MAX_S,
    GAP_MIN_S,
    POST_S,
    PRE_S,
)
from injsound.sound.signals import robust_spread
from injsound.sound.waveforms import align_clicks, correlate_rows, moved, peak_place, unit
from injsound.values import FloatArray

# What is left is looked at in steps of this length, and stands up from what lay so far before.
_SMOOTH_S, _BEFORE_S = 0.0004, 0.0003
# Natural logarithm of that rise. What stands up again later, by less than this over the first rise, is its own ring.
_LEAST_RISE, _AS_HIGH = 0.3, 0.8
# A little less than the shortest gap, for the rise comes before the blow.
_NEAREST_S = GAP_MIN_S - 0.0002
# What stands up so near to a click that is known is that click.
_KNOWN_CLICK_S = 0.0005
# Half width of the search for each tick's second click, and for the first, which was matched already.
_REACH_S, _HELD_REACH_S = 0.0005, 0.0002
# Nearer than this to a fixed distance the two cannot be told apart; farther off than an injector's, a valve's click may
# be the second (from memory: 0.1 to 0.3 ms).
_LEAST_SPREAD_S, _MOST_SPREAD_S = 12e-6, 0.13e-3
_CLEAR_CLICK = 8.0
# So much of the least squares is held back where the shifts are short against a period.
_HELD_BACK = 0.1
_ROUNDS = 3
_FEWEST, _MOST = 30, 400


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Parted:
    """How the second click of each tick lies.

    Parameters
    ----------
    held_place, place : int
        About where the first click and the second strike in each row [samples].
    held_late_s : ndarray, shape (k,)
        How much later than usual the first click comes [s].
    late_s : ndarray, shape (k,)
        How much later than usual after that the second one comes [s].
    height, held_height : ndarray, shape (k,)
        Height of the second click and of the first over their means [unitless].
    clear : ndarray of bool, shape (k,)
        Where it was heard well enough to be measured by itself.
    """

    held_place: int
    place: int
    held_late_s: FloatArray
    late_s: FloatArray
    height: FloatArray
    held_height: FloatArray
    clear: npt.NDArray[np.bool_]

    def means(self, rows: FloatArray, sr: int) -> tuple[FloatArray, FloatArray]:
        """Mean of the first click and all that keeps its distance, and of the second, each without the other.

        Parameters
        ----------
        rows : ndarray, shape (k, m)
            Stretches about each tick [unitless].
        sr : int
            Sampling rate [Hz].

        Returns
        -------
        held, second : ndarray, shape (m,)
            The second where it usually comes [unitless].

        References
        ----------
        Least squares, frequency by frequency, for two waveforms of which one is shifted by known times.
        """
        n = fft.next_fast_len(rows.shape[1] + round(_REACH_S * sr), real=True)
        angle = 2j * np.pi * fft.rfftfreq(n, 1 / sr)
        spectra = fft.rfft(rows, n, axis=1) * np.exp(angle * self.held_late_s[:, None])
        turn = np.exp(-angle * self.late_s[:, None]) * self.height[:, None]
        first = self.held_height @ spectra
        then = np.sum(np.conj(turn) * spectra, axis=0)
        both = self.held_height @ turn
        own, other = float(self.held_height @ self.held_height), float(self.height @ self.height)
        left = np.maximum(own * other - np.abs(both) ** 2, 0.0) + _HELD_BACK * max(own * other, 1e-12)
        held = fft.irfft((other * first - both * then) / left, n)[: rows.shape[1]]
        second = fft.irfft((own * then - np.conj(both) * first) / left, n)[: rows.shape[1]]
        return held, second


def part_clicks(rows: FloatArray, sr: int, *, zero: int, known_gap_s: float = float("nan")) -> Parted | None:
    """Find a second click that moves against the first.

    Parameters
    ----------
    rows : ndarray, shape (k, m)
        Whitened stretches about each tick [standard deviations].
    sr : int
        Sampling rate [Hz].
    zero : int
        Where the click that was matched strikes in each row [samples].
    known_gap_s : float
        Gap to a second click that was found already, nan without one [s].

    Returns
    -------
    Parted or None
        None where nothing else stands up that moves as a solenoid's click does, or fewer than thirty ticks were heard.
    """
    if len(rows) < _FEWEST:
        return None
    near = round(ANCHOR_S * sr)
    struck = ndimage.uniform_filter1d(rows.mean(axis=0) ** 2, max(3, round(_SMOOTH_S / 2 * sr)))
    struck = struck[zero - near : zero + near + 1]
    zero += int(np.argmax(struck >= BEGINS * struck.max())) - near
    place = _stands_up(rows[:: -(-len(rows) // _MOST)], sr, zero)
    if place is None or abs(abs(place - zero) / sr - known_gap_s) < _KNOWN_CLICK_S:
        return None
    first, last = place - round(PRE_S * sr), place + round(POST_S * sr)
    reach = round(_REACH_S * sr)
    if first < reach or last + reach > rows.shape[1]:
        return None
    held_late, rows = _aligned(rows, sr, zero)
    held_height = _heights(rows, rows.mean(axis=0), zero, sr)
    mean = (held_height @ rows) / max(float(held_height @ held_height), 1e-12)
    clicks = align_clicks(_about(rows - held_height[:, None] * mean, first, last, reach), sr, reach_s=_REACH_S)
    if clicks.amplitude < _CLEAR_CLICK * clicks.noise:
        return None
    heights = clicks.value / max(clicks.amplitude, 1e-12)
    parted = _parted((clicks.place - reach) / sr, heights, (zero, place), sr, held_height)
    for _ in range(_ROUNDS):
        held, second = parted.means(rows, sr)
        left = rows - parted.held_height[:, None] * held
        click = second[first:last]
        at, value = peak_place(correlate_rows(_about(left, first, last, reach), unit(click)))
        heights = value / max(float(np.linalg.norm(click)), 1e-12)
        parted = _parted((at - reach) / sr, heights, (zero, place), sr, _heights(rows, held, zero, sr))
    spread = robust_spread(parted.late_s[parted.clear])
    if not _LEAST_SPREAD_S <= spread <= _MOST_SPREAD_S:
        return None
    return replace(parted, held_late_s=held_late)


def _aligned(rows: FloatArray, sr: int, zero: int) -> tuple[FloatArray, FloatArray]:
    """How much later than usual each first click comes [s], and the rows moved by it."""
    first, last = zero - round(CORE_BEFORE_S * sr), zero + round(CORE_AFTER_S * sr)
    reach = round(_HELD_REACH_S * sr)
    click = unit(rows[:, first:last].mean(axis=0))
    at, value = peak_place(correlate_rows(_about(rows, first, last, reach), click))
    late = np.where(value >= 0.5 * np.median(value), at - reach, 0.0)
    late = late - np.median(late)
    return late / sr, moved(rows, late)


def _about(rows: FloatArray, first: int, last: int, reach: int) -> FloatArray:
    return rows[:, first - reach : last + reach]


def _heights(rows: FloatArray, mean: FloatArray, zero: int, sr: int) -> FloatArray:
    """Height of the first click in each row over the mean."""
    core = slice(max(0, zero - round(CORE_BEFORE_S * sr)), zero + round(CORE_AFTER_S * sr))
    heights: FloatArray = rows[:, core] @ mean[core] / max(float(mean[core] @ mean[core]), 1e-12)
    return np.clip(heights, 0.0, 3.0)


def _parted(
    late_s: FloatArray, height: FloatArray, places: tuple[int, int], sr: int, held_height: FloatArray
) -> Parted:
    """What is known of both clicks, from how late each second one came and its height over the mean."""
    clear = height >= 0.5 * np.median(height)
    usual = float(np.median(late_s[clear]))
    return Parted(
        held_place=places[0],
        place=places[1] + round(usual * sr),
        held_late_s=np.zeros(len(late_s)),
        late_s=np.where(clear, late_s - usual, 0.0),
        height=np.where(clear, np.clip(height, 0.0, 3.0), 0.0),
        held_height=held_height,
        clear=clear,
    )


def _stands_up(rows: FloatArray, sr: int, zero: int) -> int | None:
    """Where what the mean does not explain rises most; None where it hardly does."""
    mean = rows.mean(axis=0)
    left = rows - _heights(rows, mean, zero, sr)[:, None] * mean
    # The median over the ticks: what lies over single ones does not count.
    power = np.median(ndimage.uniform_filter1d(left**2, max(3, round(_SMOOTH_S * sr)), axis=1), axis=0)
    n, apart = round(_SMOOTH_S * sr), round(_BEFORE_S * sr)
    total = np.concatenate([[0.0], np.cumsum(power)])
    k = np.arange(n + apart, len(power) - n)
    rise = np.zeros(len(power))
    rise[k] = np.log((total[k + n] - total[k]) / np.maximum(total[k - apart] - total[k - apart - n], 1e-12))
    off_s = np.abs(np.arange(len(power)) - zero) / sr
    rise[(off_s < _NEAREST_S) | (off_s > GAP_MAX_S)] = 0.0
    top = float(rise.max())
    if top < _LEAST_RISE:
        return None
    near = round(2 * _SMOOTH_S * sr)
    first = int(np.argmax(rise >= _AS_HIGH * top))
    return first + int(rise[first : first + near].argmax())
