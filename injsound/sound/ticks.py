"""Which tick in the engine's cycle is this injector's.

Candidates are phases at which the sound rises steadily from cycle to cycle. Each is measured on the whitened signal:
the mean waveform of its aligned clicks, how far they stand out of the sound around them, how narrowly they keep their
place, and whether a second click follows or goes before at a constant gap in milliseconds. An injector's tick is such
a doublet (open, close); a valve's is longer, lower and scatters more.
"""

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from injsound.results import CycleClock, FloatArray, OnsetStrength
from injsound.sound.signals import correlate_rows, cut, peak_place, time_at

# One click of a tick: from just before its rise until most of its ring-down is over.
PRE_S, POST_S = 0.0005, 0.0025
# The clock is right to about half a millisecond; a click is looked for this far to both sides.
REACH_S = 0.0015
# Open time of a port injector, with margin: warm-idle pulse width 1.8 to 4 ms (a maker's service text), up to 8 ms.
GAP_MIN_S, GAP_MAX_S = 0.0012, 0.0085
_APART_S = 0.0022
_SEEDS, _ROUNDS = 5, 3
_KEPT = 0.5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Candidate:
    """A click that recurs at one phase of the cycle.

    Parameters
    ----------
    phase : float
        Its place in the cycle [cycles].
    amplitude : float
        Norm of the mean aligned waveform, over the noise [standard deviations].
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
    """

    phase: float
    amplitude: float
    separation: float
    scatter_s: float
    centre_hz: float
    spread_hz: float
    length_s: float
    gap_s: float


def steady_rises(strength: OnsetStrength, clock: CycleClock, *, count: int = 8) -> FloatArray:
    """Phases at which the sound rises most, in the upper half of the cycles.

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
    ndarray, shape (m,), m <= count
        Phases, strongest first [cycles].
    """
    rise = _rise(strength)
    interval = _interval(clock)
    bins = round(interval / strength.hop_s)
    first, last = np.ceil(clock.cycles[0]), np.floor(clock.cycles[-1])
    phases = np.arange(first, last)[:, None] + np.arange(bins) / bins
    frame = np.round((time_at(clock, phases.ravel()) - strength.start_s) / strength.hop_s).astype(int)
    folded = rise[np.clip(frame, 0, len(rise) - 1)].reshape(phases.shape)
    score = np.sort(folded, axis=0)[len(folded) // 2 :].mean(axis=0)
    guard = max(1, round(_APART_S / strength.hop_s))
    found = []
    while len(found) < count and np.isfinite(score).any():
        top = int(score.argmax())
        found.append(top / bins)
        score[np.arange(top - guard, top + guard + 1) % bins] = -np.inf
    return np.array(found)


def _rise(strength: OnsetStrength) -> FloatArray:
    """Mean log energy in the millisecond after a frame minus that in the two before, largest within 1 ms."""
    per_ms = max(1, round(0.001 / strength.hop_s))
    level = strength.bands.mean(axis=0)
    total = np.concatenate([[0.0], np.cumsum(level)])
    n = len(level)
    at = np.arange(n)
    after = (total[np.minimum(at + 1 + per_ms, n)] - total[np.minimum(at + 1, n)]) / per_ms
    before = (total[at] - total[np.maximum(at - 2 * per_ms, 0)]) / (2 * per_ms)
    peak: FloatArray = ndimage.maximum_filter1d(after - before, 2 * per_ms + 1)
    return peak


def _interval(clock: CycleClock) -> float:
    return float(np.median(np.diff(clock.times_s) / np.diff(clock.cycles)))


def measure_candidate(white: FloatArray, sr: int, start_s: float, clock: CycleClock, *, phase: float) -> Candidate:
    """Measure the click near a phase on the whitened signal.

    Parameters
    ----------
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

    Returns
    -------
    Candidate
        Its place is moved onto the click found.
    """
    cycles = np.arange(np.ceil(clock.cycles[0] - phase), np.floor(clock.cycles[-1] - phase) + 1)
    due = time_at(clock, cycles + phase)
    clicks = align_clicks(cut(white, sr, start_s, due, PRE_S + REACH_S, POST_S + REACH_S), sr)
    heard = clicks.value >= np.median(clicks.value)
    shift_s = (clicks.place - round(REACH_S * sr)) / sr
    around = np.concatenate(
        [
            correlate_rows(cut(white, sr, start_s, due + off, REACH_S, PRE_S + POST_S + REACH_S), clicks.template)
            for off in (-0.0125, -0.0080, 0.0115, 0.0160)
        ]
    ).max(axis=1)
    spectrum = np.abs(np.fft.rfft(clicks.template, 1024)) ** 2
    f = np.fft.rfftfreq(1024, 1 / sr)
    centre = float(np.sum(f * spectrum) / np.sum(spectrum))
    energy = np.cumsum(clicks.template**2)
    at = due + shift_s
    middle = float(np.median(shift_s[heard]))
    return Candidate(
        phase=(phase + middle / _interval(clock)) % 1.0,
        amplitude=clicks.amplitude,
        separation=float((np.median(clicks.value[heard]) - around.mean()) / around.std()),
        scatter_s=float(1.4826 * np.median(np.abs(np.diff(shift_s[heard]))) / np.sqrt(2)),
        centre_hz=centre,
        spread_hz=float(np.sqrt(np.sum((f - centre) ** 2 * spectrum) / np.sum(spectrum))),
        length_s=float(np.searchsorted(energy, 0.9) - np.searchsorted(energy, 0.05)) / sr,
        gap_s=_partner_gap(white, sr, start_s, at[heard]),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Clicks:
    """Clicks aligned with their mean waveform.

    Parameters
    ----------
    template : ndarray, shape (p,)
        Mean waveform, unit norm [unitless].
    amplitude : float
        Norm of the mean waveform before it was scaled [standard deviations].
    place : ndarray, shape (k,)
        Where the template fits best in each row [samples].
    value : ndarray, shape (k,)
        Match value there [standard deviations].
    """

    template: FloatArray
    amplitude: float
    place: FloatArray
    value: FloatArray


def align_clicks(rows: FloatArray, sr: int, *, reach_s: float = REACH_S) -> Clicks:
    """Align clicks with their own mean waveform, from several seeds.

    Parameters
    ----------
    rows : ndarray, shape (k, m)
        Stretches that each may hold a click, ``PRE_S + POST_S + 2 * REACH_S`` long [standard deviations].
    sr : int
        Sampling rate [Hz].

    Returns
    -------
    Clicks
        The alignment whose mean waveform is strongest.

    References
    ----------
    Woody, *Med. Biol. Eng.* 5, 539-554, 1967 (from memory): adaptive filter by aligned averages.
    """
    length = rows.shape[1] - 2 * round(reach_s * sr)
    order = np.argsort((rows**2).sum(axis=1))[::-1]
    pool = order[len(order) // 20 : max(len(order) // 2, len(order) // 20 + 1)]
    first = rows.shape[1] // 2 - length // 2
    best: Clicks | None = None
    for seed in pool[np.linspace(0, len(pool) - 1, _SEEDS).astype(int)]:
        trial = _align_from(rows, rows[seed, first : first + length])
        if best is None or trial.amplitude > best.amplitude:
            best = trial
    assert best is not None
    return best


def _align_from(rows: FloatArray, template: FloatArray) -> Clicks:
    length = len(template)
    k = np.arange(len(rows))
    amplitude = 0.0
    for _ in range(_ROUNDS):
        template = template / max(float(np.linalg.norm(template)), 1e-9)
        fit = correlate_rows(rows, template)
        lag = fit.argmax(axis=1)
        use = fit[k, lag] >= np.quantile(fit[k, lag], 1 - _KEPT)
        windows = np.lib.stride_tricks.sliding_window_view(rows, length, axis=1)
        template = windows[k[use], lag[use]].mean(axis=0)
        amplitude = float(np.linalg.norm(template))
    template = template / max(amplitude, 1e-9)
    place, value = peak_place(correlate_rows(rows, template))
    return Clicks(template=template, amplitude=amplitude, place=place, value=value)


def _partner_gap(white: FloatArray, sr: int, start_s: float, at: FloatArray) -> float:
    """Gap to a second click that keeps its distance in time, nan where there is none."""
    side = GAP_MAX_S + 0.002
    rows = cut(white, sr, start_s, at, side, side)
    mean = rows.mean(axis=0)
    width = max(3, round(0.0004 * sr))
    power = ndimage.uniform_filter1d(mean**2, width) * len(rows)
    reach = round(0.0006 * sr)
    # Power after an instant over the most that went shortly before: a new click, not the ring-down of the first.
    after = np.roll(power, -width)
    before = np.roll(ndimage.maximum_filter1d(power, reach), reach // 2)
    rise = after / np.maximum(before, 1.0)
    offset = (np.arange(len(mean)) - round(side * sr)) / sr
    open_to_close = (np.abs(offset) >= GAP_MIN_S) & (np.abs(offset) <= GAP_MAX_S)
    # Mean power of noise is 1; a rise of 3 and a power of 12 lie beyond what averages of noise reach: docs/methods.md.
    good = open_to_close & (rise > 3.0) & (after > 12.0)
    if not good.any():
        return float("nan")
    top = int(np.where(good, after, 0).argmax())
    return float(offset[top])
