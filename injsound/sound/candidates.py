"""Clicks that recur in the engine's cycle: where the sound rises steadily, and what each such click is like.

Each is measured on the whitened signal: the mean waveform of its aligned clicks, how far they stand out of the sound
around them, how narrowly they keep their place, and whether a second click follows or goes before at a constant gap in
milliseconds.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import zip_longest

import numpy as np
from scipy import ndimage

from injsound.results import CycleClock, FloatArray, OnsetStrength, Span
from injsound.sound.clock import cycle_length, frames_at, passing_times
from injsound.sound.signals import covered, robust_spread, spread_by_steps
from injsound.sound.waveforms import align_clicks, correlate_rows, cut, mean_strikes, on_samples

# One click of a tick: from just before its rise until most of its ring-down is over.
PRE_S, POST_S = 0.0005, 0.0025
# The clock is right to about half a millisecond; a click is looked for this far to both sides.
REACH_S = 0.0015
# Open time of a port injector, with margin: warm-idle pulse width 1.8 to 4 ms (a maker's service text), up to 8 ms.
GAP_MIN_S, GAP_MAX_S = 0.0012, 0.0085
_APART_S = 0.0022
# So many cycles, drawn so that no regular pattern of skips meets them, show what recurs; more only cost time.
_MOST_CYCLES = 160
# Open and close strike each other's force within 13 dB, and far over what else struck meanwhile: docs/methods.md.
_PARTNER_SHARE, _PARTNER_OVER = 0.05, 15.0
# An injector's gap varies by some 10 us; two valves, each by 0.1 to 0.3 ms (from memory).
_LOOSE_S, _LOOSE_SCATTER_S, _CLEAR_CLICK = 0.0008, 0.13e-3, 6.0
# A second click 0.1 ms off its fixed gap keeps this share of its level in the mean at 2 kHz: exp(-(2 pi f s)^2 / 2).
_COHERENT = 0.5
# The sound around a click is that so long before and after it.
_BESIDE_S = (-0.0080, 0.0115)
_LEAST_CLEAR = 0.3
# A pulse trimmed by a few per cent (common practice, no source) moves the close slowly against the open: from cycle to
# cycle it moves less than over all of them. Two valves move as much from one cycle to the next; a held gap, as a ring
# has it, keeps most of its level.
_TRIMMED, _SLOWLY, _SMEARED, _DRIFT_LOOKS = 0.06, 0.6, 0.6, 3
_SOON, _LEAST_STEPS = 2.5, 12


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Candidate:
    """A click that recurs at one phase of the cycle.

    Parameters
    ----------
    phase : float
        Its place in the cycle [cycles].
    amplitude : float
        Norm of the mean aligned waveform, over what is left of each click without it [standard deviations].
    level : float
        Norm of the mean aligned waveform [standard deviations of the usual background].
    separation : float
        Median of the upper half of its match values over matches in the sound around [standard deviations].
    scatter_s : float
        How far it moves from one cycle to the next [s].
    centre_hz, spread_hz : float
        Spectral centroid and spread of the whitened mean waveform [Hz].
    length_s : float
        Time that holds the middle 85 % of the mean waveform's energy [s].
    gap_s : float
        Gap to a partner click, positive where the partner follows; nan without one [s].
    template : ndarray, shape (p,)
        Mean whitened click, unit norm [unitless].
    lead_s : float
        From the start of the template to the strike, which is the click's place [s].
    rise : float
        How much the sound rises there, in the upper half of the cycles [natural log of energy].
    """

    phase: float
    amplitude: float
    level: float
    separation: float
    scatter_s: float
    centre_hz: float
    spread_hz: float
    length_s: float
    gap_s: float
    template: FloatArray
    lead_s: float
    rise: float = 0.0

    @property
    def partner_s(self) -> float:
        """From the click to its partner, 0 where it has none [s]."""
        return self.gap_s if np.isfinite(self.gap_s) else 0.0


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
    ranked = [_peaks(score, guard, 12) for score in (steady.sum(axis=0), _most(steady))]
    ranked += [_peaks(score, guard, 4) for score in (together, *steady)]
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


def _peaks(score: FloatArray, guard: int, count: int) -> list[int]:
    """Highest places of a circular score, a guard apart."""
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


def measure_candidate(
    y: FloatArray,
    white: FloatArray,
    sr: int,
    start_s: float,
    clock: CycleClock,
    *,
    phase: float,
    rise: float = 0.0,
    without: Sequence[Span] = (),
) -> Candidate:
    """Measure the click near a phase on the whitened signal.

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
    clock : CycleClock
        The engine's cycle.
    phase : float
        Where to look [cycles].
    rise : float
        How much the sound rises there [natural log of energy].
    without : sequence of Span
        Stretches whose sound says nothing, as under speech; where hardly a cycle is free of them they are heard.

    Returns
    -------
    Candidate
        Its place is moved onto the click found.
    """
    passed = _clear_of(without, passing_times(clock, phase))
    some = np.sort(np.random.default_rng(0).permutation(len(passed))[:_MOST_CYCLES])
    due = on_samples(passed[some], sr, start_s)
    clicks = align_clicks(cut(white, sr, start_s, due, PRE_S + REACH_S, POST_S + REACH_S), sr, reach_s=REACH_S)
    heard = clicks.value >= np.median(clicks.value)
    shift_s: FloatArray = (clicks.place - round(REACH_S * sr)) / sr
    around = np.concatenate(
        [
            correlate_rows(
                cut(white, sr, start_s, on_samples(due + off, sr, start_s), REACH_S, PRE_S + POST_S + REACH_S),
                clicks.template,
            )
            for off in _BESIDE_S
        ]
    ).max(axis=1)
    spectrum = np.abs(np.fft.rfft(clicks.template, 1024)) ** 2
    f = np.fft.rfftfreq(1024, 1 / sr)
    centre = float(np.sum(f * spectrum) / np.sum(spectrum))
    energy = np.cumsum(clicks.template**2)
    at = on_samples((due + shift_s)[heard], sr, start_s)
    clear = clicks.amplitude >= LEAST_AMPLITUDE * clicks.noise
    strike_s, gap_s = _strikes_of(y, white, sr, start_s, at) if clear else (0.0, float("nan"))
    # A faint click is not worth a second look: with 9 ms to align, noise finds it a partner.
    if clicks.amplitude > _CLEAR_CLICK * clicks.noise and not np.isfinite(gap_s):
        whole_s = _align_whole(white, sr, start_s, due)
        at = on_samples((due + whole_s)[heard], sr, start_s)
        strike, gap = _strikes_of(y, white, sr, start_s, at)
        # Aligned by the second, the first may be the loose one.
        if np.isfinite(gap) and not _moves(white, sr, start_s, at, strike).by_angle(gap):
            shift_s, strike_s, gap_s = whole_s, strike, gap
    middle = float(np.median(shift_s[heard])) + strike_s
    return Candidate(
        phase=(phase + middle / cycle_length(clock)) % 1.0,
        amplitude=clicks.amplitude / clicks.noise,
        level=clicks.amplitude,
        separation=float((np.median(clicks.value[heard]) - around.mean()) / around.std()),
        scatter_s=spread_by_steps(np.diff(shift_s[heard])),
        centre_hz=centre,
        spread_hz=float(np.sqrt(np.sum((f - centre) ** 2 * spectrum) / np.sum(spectrum))),
        length_s=float(np.searchsorted(energy, 0.9) - np.searchsorted(energy, 0.05)) / sr,
        gap_s=gap_s,
        template=clicks.template,
        lead_s=PRE_S + strike_s,
        rise=rise,
    )


def _clear_of(without: Sequence[Span], passed: FloatArray) -> FloatArray:
    """Passing times with no such stretch about them; all where too few are left."""
    clear = passed[~covered(tuple(without), passed + _BESIDE_S[0] - REACH_S, passed + _BESIDE_S[1] + POST_S + REACH_S)]
    return clear if len(clear) >= _LEAST_CLEAR * len(passed) else passed


def _align_whole(white: FloatArray, sr: int, start_s: float, due: FloatArray) -> FloatArray:
    """How late each tick came, open and close aligned together: one faint click slips by a period of its ring [s]."""
    rows = cut(white, sr, start_s, due, PRE_S + REACH_S, GAP_MAX_S + REACH_S)
    shift: FloatArray = (align_clicks(rows, sr, reach_s=REACH_S).place - round(REACH_S * sr)) / sr
    return shift


def _strikes_of(y: FloatArray, white: FloatArray, sr: int, start_s: float, at: FloatArray) -> tuple[float, float]:
    """Where the strike of aligned clicks lies, and the gap from it to a second one; nan where there is none."""
    side = GAP_MAX_S + 0.004
    strikes = mean_strikes(y, sr, start_s, at, side, side)
    power = ndimage.uniform_filter1d(strikes**2, max(3, round(0.00012 * sr)))
    offset = (np.arange(len(power)) - round(side * sr)) / sr
    own = (offset >= -PRE_S) & (offset <= POST_S)
    first = int(np.where(own, power, 0).argmax())
    strike = float(offset[first])
    apart = np.abs(offset - strike)
    inside = (apart >= GAP_MIN_S) & (apart <= GAP_MAX_S)
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
    inside = (np.abs(apart) >= GAP_MIN_S) & (np.abs(apart) <= GAP_MAX_S)
    usual = float(np.median(energy[inside]))
    least = usual + _PARTNER_SHARE * (float(energy[np.abs(apart) <= PRE_S].max()) - usual)
    energy = np.where(inside, energy, 0.0)
    tops = np.where((energy >= least) & (energy == ndimage.maximum_filter1d(energy, 3)), energy, 0.0)
    for peak in _peaks(tops, round(0.0008 * sr), _DRIFT_LOOKS):
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


# The mean of aligned noise reaches 3.5 to 4.3; measured on noise and on a real engine: docs/methods.md.
LEAST_AMPLITUDE = 4.8
