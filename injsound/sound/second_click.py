"""The other click of a tick: where a click's strike lies, and whether a second one keeps its distance from it.

A solenoid opens and closes at a gap that is constant in milliseconds, or that a trimmed pulse moves slowly; two valves
move against each other from one cycle to the next.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from injsound.sound.rises import highest
from injsound.sound.signals import robust_spread, spread_by_steps
from injsound.sound.waveforms import Clicks, align_clicks, cut, mean_strikes, on_samples
from injsound.values import FloatArray

# One click of a tick: from just before its rise until most of its ring-down is over.
PRE_S, POST_S = 0.0005, 0.0025
# The clock is right to about half a millisecond; a click is looked for this far to both sides.
REACH_S = 0.0015
# Open time of a port injector, with margin: warm-idle pulse width 1.8 to 4 ms (a maker's service text), up to 8 ms.
# Nearer than the least lies what else the same blow shakes; where only a rough gap is asked for it may seem nearer.
GAP_MIN_S, GAP_MAX_S, _ROUGHLY_MIN_S = 0.0015, 0.0085, 0.0012
# So far about a tick its other click lies, and rings.
SIDE_S = GAP_MAX_S + POST_S
# What stands for a click: little of its ring, so that a second one may follow.
CORE_BEFORE_S, CORE_AFTER_S = 0.0003, 0.0012
# The first blow so near to what was matched, and within 7 dB of the strongest there, is where a click begins.
ANCHOR_S, BEGINS = 0.0012, 10 ** (-7 / 10)
# Open and close strike each other's force within 13 dB, and far over what else struck meanwhile: docs/methods.md.
_PARTNER_SHARE, _PARTNER_OVER = 0.05, 15.0
# An injector's gap varies by some 10 us; two valves, each by 0.1 to 0.3 ms (from memory).
_LOOSE_S, _LOOSE_SCATTER_S, _CLEAR_CLICK = 0.0008, 0.13e-3, 6.0
# A second click 0.1 ms off its fixed gap keeps this share of its level in the mean at 2 kHz: exp(-(2 pi f s)^2 / 2).
_COHERENT = 0.5
# A pulse trimmed by a few per cent (common practice, no source) moves the close slowly against the open: from cycle to
# cycle it moves less than over all of them. Two valves move as much from one cycle to the next; a held gap, as a ring
# has it, keeps most of its level.
_TRIMMED, _SLOWLY, _SMEARED, _DRIFT_LOOKS = 0.06, 0.6, 0.6, 3
_SOON, _LEAST_STEPS = 2.5, 12


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Strikes:
    """Where clicks that recur were struck.

    Parameters
    ----------
    late_s : ndarray, shape (k,)
        How much later than due each click came [s].
    strike_s : float
        From there to the strike [s].
    gap_s : float
        From the strike to that of a partner click; nan without one [s].
    """

    late_s: FloatArray
    strike_s: float
    gap_s: float


def find_strikes(
    y: FloatArray,
    white: FloatArray,
    sr: int,
    start_s: float,
    due: FloatArray,
    clicks: Clicks,
    heard: npt.NDArray[np.bool_],
) -> Strikes:
    """Find the strike of clear clicks and their partner, aligned by the click itself, else by both.

    Parameters
    ----------
    y : ndarray, shape (n,)
        Samples [unitless].
    white : ndarray, shape (n,)
        Whitened samples [standard deviations].
    sr : int
        Sampling rate [Hz].
    start_s : float
        Time of ``white[0]`` [s].
    due : ndarray, shape (k,)
        When each click was due [s].
    clicks : Clicks
        The same clicks, clear ones, aligned within `REACH_S` of that.
    heard : ndarray of bool, shape (k,)
        Which of them to go by.

    Returns
    -------
    Strikes
        The partner may follow or go before.
    """
    late_s = lateness(clicks, sr)
    strike_s, gap_s = _strikes_of(y, white, sr, start_s, on_samples((due + late_s)[heard], sr, start_s))
    # A faint click is not worth a second look: with 9 ms to align, noise finds it a partner.
    if clicks.amplitude > _CLEAR_CLICK * clicks.noise and not np.isfinite(gap_s):
        whole_s = _align_whole(white, sr, start_s, due)
        at = on_samples((due + whole_s)[heard], sr, start_s)
        strike, gap = _strikes_of(y, white, sr, start_s, at)
        # Aligned by the second, the first may be the loose one.
        if np.isfinite(gap) and not _moves(white, sr, start_s, at, strike).by_angle(gap):
            return Strikes(late_s=whole_s, strike_s=strike, gap_s=gap)
    return Strikes(late_s=late_s, strike_s=strike_s, gap_s=gap_s)


def lateness(clicks: Clicks, sr: int) -> FloatArray:
    """How much later than due each click came that was aligned within `REACH_S`.

    Parameters
    ----------
    clicks : Clicks
        As aligned.
    sr : int
        Sampling rate [Hz].

    Returns
    -------
    ndarray, shape (k,)
        Negative where it came before [s].
    """
    late_s: FloatArray = (clicks.place - round(REACH_S * sr)) / sr
    return late_s


def _align_whole(white: FloatArray, sr: int, start_s: float, due: FloatArray) -> FloatArray:
    """How late each tick came, open and close aligned together: one faint click slips by a period of its ring [s]."""
    rows = cut(white, sr, start_s, due, PRE_S + REACH_S, GAP_MAX_S + REACH_S)
    return lateness(align_clicks(rows, sr, reach_s=REACH_S), sr)


def _strikes_of(y: FloatArray, white: FloatArray, sr: int, start_s: float, at: FloatArray) -> tuple[float, float]:
    """Where the strike of aligned clicks lies, and the gap from it to a second one; nan where there is none."""
    side = GAP_MAX_S + 0.004
    strikes = mean_strikes(y, sr, start_s, at, side, side)
    power = ndimage.uniform_filter1d(strikes**2, max(3, round(0.00012 * sr)))
    offset = (np.arange(len(power)) - round(side * sr)) / sr
    own = (offset >= -PRE_S) & (offset <= POST_S)
    first = int(np.where(own, power, 0).argmax())
    if not own[first]:  # digital silence: no strike
        return 0.0, float("nan")
    strike = float(offset[first])
    apart = np.abs(offset - strike)
    inside = (apart >= _ROUGHLY_MIN_S) & (apart <= GAP_MAX_S)
    second = int(np.where(inside, power, 0).argmax())
    clear = max(_PARTNER_SHARE * power[first], _PARTNER_OVER * float(np.median(power[inside])))
    gap = float(offset[second]) - strike
    if power[second] >= clear and not _moves(white, sr, start_s, at, strike + gap).by_angle(gap):
        return strike, gap
    return strike, _drifting_gap(white, sr, start_s, at, strike)


def _drifting_gap(white: FloatArray, sr: int, start_s: float, at: FloatArray, strike: float) -> float:
    """Gap to a click that a trimmed pulse moves slowly, which its mean at one gap smears away; nan without one."""
    side = GAP_MAX_S + 0.002
    rows = cut(white, sr, start_s, at, side, side)
    energy = ndimage.uniform_filter1d(np.mean(rows**2, axis=0), max(3, round(0.0003 * sr)))
    apart = (np.arange(len(energy)) - round(side * sr)) / sr - strike
    inside = (np.abs(apart) >= _ROUGHLY_MIN_S) & (np.abs(apart) <= GAP_MAX_S)
    usual = float(np.median(energy[inside]))
    least = usual + _PARTNER_SHARE * (float(energy[np.abs(apart) <= PRE_S].max()) - usual)
    energy = np.where(inside, energy, 0.0)
    tops = np.where((energy >= least) & (energy == ndimage.maximum_filter1d(energy, 3)), energy, 0.0)
    for peak in highest(tops, round(0.0008 * sr), _DRIFT_LOOKS):
        if not tops[peak]:
            break
        gap = float(apart[peak])
        moves = _moves(white, sr, start_s, at, strike + gap)
        if moves.clear and moves.kept < _SMEARED and moves.drifts(gap):
            return gap
    return float("nan")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Moves:
    """How a second click moves against the first: spread, usual step [s], share kept at a fixed gap, clear or not."""

    spread_s: float
    step_s: float
    kept: float
    clear: bool

    def drifts(self, gap_s: float) -> bool:
        """Whether the gap wanders slowly and by little, as one solenoid's does when the pulse is trimmed."""
        little = self.spread_s <= _TRIMMED * abs(gap_s) and self.step_s <= _LOOSE_SCATTER_S
        return little and self.step_s < _SLOWLY * self.spread_s

    def by_angle(self, gap_s: float) -> bool:
        """Whether a clear second click moves as two valves at two angles do."""
        # A narrow-banded click slips by a whole period of its ring where it is faint: its mean at the fixed gap tells.
        loose = self.spread_s > _LOOSE_SCATTER_S and self.kept < _COHERENT
        return self.clear and loose and not self.drifts(gap_s)


def _moves(white: FloatArray, sr: int, start_s: float, at: FloatArray, second_s: float) -> _Moves:
    """How the click so long after the first moves against it."""
    due = on_samples(at + second_s, sr, start_s)
    clicks = align_clicks(cut(white, sr, start_s, due, PRE_S + _LOOSE_S, POST_S + _LOOSE_S), sr, reach_s=_LOOSE_S)
    kept = _level(cut(white, sr, start_s, due, PRE_S, POST_S)) / max(clicks.amplitude, 1e-9)
    between = np.diff(at)
    soon = between < _SOON * between.min() if len(between) else np.zeros(0, dtype=bool)
    steps = np.diff(clicks.place)[soon]
    return _Moves(
        spread_s=robust_spread(clicks.place - np.median(clicks.place)) / sr,
        step_s=spread_by_steps(steps) / sr if len(steps) >= _LEAST_STEPS else float("inf"),
        kept=kept,
        clear=bool(clicks.amplitude > _CLEAR_CLICK * clicks.noise),
    )


def _level(rows: FloatArray) -> float:
    """Norm of the mean row, without what noise adds to it."""
    mean = rows.mean(axis=0)
    return float(np.sqrt(max(float(mean @ mean) - float(rows.var(axis=0).sum()) / len(rows), 0.0)))
