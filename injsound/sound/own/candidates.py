"""Clicks that recur in the engine's cycle, and what each is like.

Each is measured on the whitened signal: the mean waveform of its aligned clicks, how far they stand out of the sound
around them, how narrowly they keep their place, and whether a second click follows or goes before at a constant gap in
milliseconds.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from injsound.sound.clock import cycle_length, passing_times
from injsound.sound.second_click import POST_S, PRE_S, REACH_S, Strikes, find_strikes, lateness
from injsound.sound.signals import covered, spread_by_steps
from injsound.sound.waveforms import align_clicks, correlate_rows, cut, on_samples
from injsound.values import CycleClock, FloatArray, Span

# So many cycles, drawn so that no regular pattern of skips meets them, show what recurs; more only cost time.
_MOST_CYCLES = 160
# The mean of aligned noise reaches 3.5 to 4.3; measured on noise and on a real engine: docs/methods.md.
LEAST_AMPLITUDE = 4.8
# The sound around a click is that so long before and after it.
_BESIDE_S = (-0.0080, 0.0115)
# Where fewer of the cycles are free of speech and the like, all of them are heard.
_LEAST_CLEAR = 0.3


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
    centre_hz : float
        Spectral centroid of the whitened mean waveform [Hz].
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
    length_s: float
    gap_s: float
    template: FloatArray
    lead_s: float
    rise: float = 0.0

    @property
    def partner_s(self) -> float:
        """From the click to its partner, 0 where it has none [s]."""
        return self.gap_s if np.isfinite(self.gap_s) else 0.0


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
    struck = Strikes(late_s=lateness(clicks, sr), strike_s=0.0, gap_s=float("nan"))
    if clicks.amplitude >= LEAST_AMPLITUDE * clicks.noise:
        struck = find_strikes(y, white, sr, start_s, due, clicks, heard)
    around = _around(white, sr, start_s, due, clicks.template)
    energy = np.cumsum(clicks.template**2)
    middle = float(np.median(struck.late_s[heard])) + struck.strike_s
    return Candidate(
        phase=(phase + middle / cycle_length(clock)) % 1.0,
        amplitude=clicks.amplitude / clicks.noise,
        level=clicks.amplitude,
        separation=float((np.median(clicks.value[heard]) - around.mean()) / around.std()),
        scatter_s=spread_by_steps(np.diff(struck.late_s[heard])),
        centre_hz=_centre_hz(clicks.template, sr),
        length_s=float(np.searchsorted(energy, 0.9) - np.searchsorted(energy, 0.05)) / sr,
        gap_s=struck.gap_s,
        template=clicks.template,
        lead_s=PRE_S + struck.strike_s,
        rise=rise,
    )


def _around(white: FloatArray, sr: int, start_s: float, due: FloatArray, template: FloatArray) -> FloatArray:
    """Match values of the sound around each click [standard deviations]."""
    rows = [
        cut(white, sr, start_s, on_samples(due + off, sr, start_s), REACH_S, PRE_S + POST_S + REACH_S)
        for off in _BESIDE_S
    ]
    values: FloatArray = np.concatenate([correlate_rows(part, template) for part in rows]).max(axis=1)
    return values


def _centre_hz(template: FloatArray, sr: int) -> float:
    """Spectral centroid [Hz]."""
    spectrum = np.abs(np.fft.rfft(template, 1024)) ** 2
    f = np.fft.rfftfreq(1024, 1 / sr)
    return float(np.sum(f * spectrum) / np.sum(spectrum))


def _clear_of(without: Sequence[Span], passed: FloatArray) -> FloatArray:
    """Passing times with no such stretch about them; all where too few are left."""
    clear = passed[~covered(tuple(without), passed + _BESIDE_S[0] - REACH_S, passed + _BESIDE_S[1] + POST_S + REACH_S)]
    return clear if len(clear) >= _LEAST_CLEAR * len(passed) else passed
