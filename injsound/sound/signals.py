"""What several stages share: the clock's two directions, block filters, whitening and alignment to a mean waveform."""

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from numpy.lib.stride_tricks import sliding_window_view

from injsound.results import CycleClock, FloatArray, OnsetStrength, Span

Complex = npt.NDArray[np.complexfloating[Any, Any]]


_END_KNOTS = 6


def time_at(clock: CycleClock, cycles: FloatArray) -> FloatArray:
    """Time at which the engine reaches given cycles; beyond the knots the speed over the first or last six goes on.

    Parameters
    ----------
    clock : CycleClock
        Time against engine cycle.
    cycles : ndarray, shape (n,)
        Engine cycles [cycles].

    Returns
    -------
    ndarray, shape (n,)
        Times [s].
    """
    return _interpolate(np.asarray(cycles, dtype=float), clock.cycles, clock.times_s)


def cycle_at(clock: CycleClock, times_s: FloatArray) -> FloatArray:
    """Engine cycle reached at given times; beyond the knots the speed over the first or last six goes on.

    Parameters
    ----------
    clock : CycleClock
        Time against engine cycle.
    times_s : ndarray, shape (n,)
        Times [s].

    Returns
    -------
    ndarray, shape (n,)
        Engine cycles [cycles].
    """
    return _interpolate(np.asarray(times_s, dtype=float), clock.times_s, clock.cycles)


def _interpolate(x: FloatArray, known: FloatArray, values: FloatArray) -> FloatArray:
    y = np.interp(x, known, values)
    low, high = x < known[0], x > known[-1]
    # The last two knots alone would give a rough speed.
    k = min(_END_KNOTS, len(known) - 1)
    y[low] = values[0] + (x[low] - known[0]) * (values[k] - values[0]) / (known[k] - known[0])
    y[high] = values[-1] + (x[high] - known[-1]) * (values[-1] - values[-1 - k]) / (known[-1] - known[-1 - k])
    return y


def cycle_length(clock: CycleClock) -> float:
    """Usual length of a cycle.

    Parameters
    ----------
    clock : CycleClock
        The engine's cycle.

    Returns
    -------
    float
        Median over the knots [s].
    """
    return float(np.median(np.diff(clock.times_s) / np.diff(clock.cycles)))


def true_runs(where: npt.NDArray[np.bool_]) -> npt.NDArray[np.intp]:
    """Rows of true entries.

    Parameters
    ----------
    where : ndarray of bool, shape (n,)
        Any.

    Returns
    -------
    ndarray of int, shape (m, 2)
        First entry of each row and the one after its last [unitless].
    """
    return np.flatnonzero(np.diff(where, prepend=False, append=False)).reshape(-1, 2)


def covered(spans: tuple[Span, ...], from_s: FloatArray, to_s: FloatArray) -> npt.NDArray[np.bool_]:
    """Whether each stretch of time touches one of the spans.

    Parameters
    ----------
    spans : tuple of Span
        Spans [s].
    from_s, to_s : ndarray, shape (n,)
        Starts and ends of the stretches [s].

    Returns
    -------
    ndarray of bool, shape (n,)
        True where a stretch overlaps a span.
    """
    touched = np.zeros(len(from_s), dtype=bool)
    for span in spans:
        touched |= (from_s < span.to_s) & (to_s > span.from_s)
    return touched


def muted(y: FloatArray, sr: int, start_s: float, spans: Iterable[Span]) -> FloatArray:
    """A signal with some spans taken down to nothing, so that no mean is made of what is not the engine.

    Parameters
    ----------
    y : ndarray, shape (n,)
        Samples [unitless].
    sr : int
        Sampling rate [Hz].
    start_s : float
        Time of the first sample [s].
    spans : iterable of Span
        Spans [s].

    Returns
    -------
    ndarray, shape (n,)
        The same samples where there is no span; edges of 3 ms inside each span, for a sharp one would click.
    """
    gain = np.ones(len(y), dtype=np.float32)
    for span in spans:
        first, after = (min(max(round((t - start_s) * sr), 0), len(y)) for t in (span.from_s, span.to_s))
        edge = min(round(_MUTE_EDGE_S * sr), (after - first) // 2)
        fall = 0.5 + 0.5 * np.cos(np.pi * (np.arange(edge) + 1) / (edge + 1))
        gain[first:after] *= np.concatenate([fall, np.zeros(after - first - 2 * edge), fall[::-1]])
    return y * gain


_MUTE_EDGE_S = 0.003


def whitened(y: FloatArray, sr: int, *, low_hz: float = 1_200.0, high_hz: float | None = None) -> FloatArray:
    """Filter a signal so that its usual background is white with unit variance between two frequencies.

    Parameters
    ----------
    y : ndarray, shape (n,)
        Samples [unitless].
    sr : int
        Sampling rate [Hz].
    low_hz, high_hz : float
        Band to keep; None is the whole band up to ``sr / 2`` [Hz].

    Returns
    -------
    ndarray of float32, shape (n,)
        The filtered signal; zero delay [standard deviations of the background].

    References
    ----------
    Whitened matched filter: Kay, *Detection Theory*, 1998, chapter 4 (from memory). The median periodogram keeps rare
    ticks out of the background's spectrum: docs/methods.md.
    """
    from scipy import fft, ndimage

    n = 2 * round(0.004 * sr / 2)
    top = min(high_hz or sr / 2, sr / 2)
    window = np.hanning(n).astype(np.float32)
    frames = sliding_window_view(y, n)[:: max(n // 2, len(y) // _PSD_FRAMES)]
    power = np.median(np.abs(fft.rfft(frames * window, axis=1)) ** 2, axis=0) / (np.log(2) * np.sum(window**2))
    power = ndimage.gaussian_filter1d(power, 1.0)
    f = fft.rfftfreq(n, 1 / sr)
    # What a codec cut off must stay off; at half the rate there is nothing beyond.
    end = top if top < sr / 2 else 1.02 * top
    inside = (f > low_hz) & (f < end - 0.07 * top)
    gain = 1 / np.sqrt(np.maximum(power, power[inside].max() * 1e-6 + np.finfo(np.float32).tiny))
    gain *= np.clip((f - 0.8 * low_hz) / (0.4 * low_hz), 0, 1) * np.clip((end - f) / (0.06 * top), 0, 1)
    return weighted(y, gain)


_PSD_FRAMES = 4_000


def weighted(y: FloatArray, gain: FloatArray) -> FloatArray:
    """Weight the frequencies of a signal, without delay.

    Parameters
    ----------
    y : ndarray of float32, shape (n,)
        Samples.
    gain : ndarray, shape (m // 2 + 1,), m even
        Weight of each frequency from 0 to half the rate, evenly spaced [unitless].

    Returns
    -------
    ndarray of float32, shape (n,)
        The signal, convolved with the ``m`` taps that the weights give under a Hann window.
    """
    from scipy import fft

    m = 2 * (len(gain) - 1)
    kernel = np.roll(fft.irfft(gain, m), m // 2) * np.hanning(m)
    return convolved(y, kernel.astype(np.float32))[m // 2 : m // 2 + len(y)]


def convolved(y: FloatArray, kernel: FloatArray) -> FloatArray:
    """Convolve with a short kernel in blocks, the tail of each added to the next (overlap-add).

    As scipy.signal does it, whose import takes 1.0 s (scipy 1.17: it imports scipy.stats), as much as a reading.

    Parameters
    ----------
    y : ndarray, shape (n,)
        Samples [unitless].
    kernel : ndarray, shape (m,), of the same precision
        What each sample becomes [unitless].

    Returns
    -------
    ndarray, shape (at least n + m - 1,)
        Zeros after the last tail [unitless].
    """
    from scipy import fft, special

    tail = len(kernel) - 1
    # The block at which a sample costs least, n log n over n - tail.
    n = fft.next_fast_len(math.ceil(-tail * special.lambertw(-1 / (2 * math.e * tail), k=-1).real))
    step = n - tail
    blocks = np.zeros((-(-(len(y) + tail) // step), step), dtype=y.dtype)
    blocks.ravel()[: len(y)] = y
    made = fft.irfft(fft.rfft(blocks, n, axis=1) * fft.rfft(kernel, n), n, axis=1)
    made[1:, :tail] += made[:-1, step:]
    whole: FloatArray = made[:, :step].ravel()
    return whole


def high_passed(rows: FloatArray, sr: int, *, above_hz: float, order: int) -> FloatArray:
    """Butterworth high-pass that looks back only, from rest at the start of each row.

    Applied by its frequency response to padded rows: the same as sample by sample, without a filter library, for whose
    import `convolved` tells the cost.

    Parameters
    ----------
    rows : ndarray, shape (..., m)
        Signals [unitless].
    sr : int
        Sampling rate [Hz].
    above_hz : float
        Where it passes half of the power [Hz].
    order : int
        Its poles [unitless].

    Returns
    -------
    ndarray, shape (..., m)
        Filtered rows in the same precision [unitless].

    References
    ----------
    Bilinear transform of the Butterworth prototype: Oppenheim and Schafer, *Discrete-Time Signal Processing*, chapter 7
    (from memory).
    """
    from scipy import fft

    m = rows.shape[-1]
    n = fft.next_fast_len(m + round(_RINGS_FOR / above_hz * sr), real=True)
    poles = np.exp(1j * np.pi * (2 * np.arange(order) + order + 1) / (2 * order))
    s = 1j * np.tan(np.pi * np.arange(n // 2 + 1) / n) / np.tan(np.pi * above_hz / sr)
    spectra = fft.rfft(rows, n, axis=-1)
    response = np.prod(s[:, None] / (1 - poles * s[:, None]), axis=1).astype(spectra.dtype)
    passed: FloatArray = fft.irfft(spectra * response, n, axis=-1)[..., :m]
    return passed


# Rung down to exp(-2 pi 0.38 x) < 1e-16, 0.38 the damping of the slowest pole of order 4, the highest in use.
_RINGS_FOR = 16.0


def cut(y: FloatArray, sr: int, start_s: float, times_s: FloatArray, before_s: float, after_s: float) -> FloatArray:
    """Equal stretches around given times, each moved by the fraction of a sample that its time asks for.

    Parameters
    ----------
    y : ndarray, shape (n,)
        Samples [unitless].
    sr : int
        Sampling rate [Hz].
    start_s : float
        Time of ``y[0]`` [s].
    times_s : ndarray, shape (k,)
        Times [s].
    before_s, after_s : float
        How much before and after each time [s].

    Returns
    -------
    ndarray of float32, shape (k, m)
        Stretches; zero where they reach beyond the signal. Sample ``round(before_s * sr)`` of each is its time.
    """
    from scipy import fft

    place = (np.asarray(times_s) - start_s) * sr
    whole = np.round(place).astype(int)
    width = round(before_s * sr) + round(after_s * sr)
    first = whole - round(before_s * sr)
    if np.any((first < 0) | (first > len(y) - width)):
        y, first = np.pad(y, width), np.clip(first, -width, len(y)) + width
    rows: FloatArray = sliding_window_view(y, width)[first]
    if np.all(np.abs(place - whole) < 1e-3):
        return rows
    n = fft.next_fast_len(rows.shape[1] + 16, real=True)
    angle = ((place - whole)[:, None] * (2 * np.pi * fft.rfftfreq(n))).astype(np.float32)
    turn = np.empty(angle.shape, dtype=np.complex64)
    # Eight times faster than the complex exponential.
    turn.real, turn.imag = np.cos(angle), np.sin(angle)
    moved: FloatArray = fft.irfft(fft.rfft(rows, n, axis=1) * turn, n, axis=1)[:, : rows.shape[1]]
    return moved


def frames_at(strength: OnsetStrength, clock: CycleClock, cycles: FloatArray) -> npt.NDArray[np.intp]:
    """Frames of the onset strength nearest to given engine cycles.

    Parameters
    ----------
    strength : OnsetStrength
        Onset strength in bands [unitless].
    clock : CycleClock
        The engine's cycle.
    cycles : ndarray
        Engine cycles [cycles].

    Returns
    -------
    ndarray of int, of the same shape
        Frames; the first or the last where a cycle lies beyond the ends [unitless].
    """
    return nearest_frames(
        time_at(clock, cycles.ravel()), strength.start_s, strength.hop_s, strength.bands.shape[1]
    ).reshape(cycles.shape)


def nearest_frames(times_s: FloatArray, start_s: float, hop_s: float, count: int) -> npt.NDArray[np.intp]:
    """Frames nearest to given times.

    Parameters
    ----------
    times_s : ndarray, shape (k,)
        Times [s].
    start_s, hop_s : float
        Time of frame 0, and from one to the next [s].
    count : int
        Number of frames [unitless].

    Returns
    -------
    ndarray of int, shape (k,)
        Frames; the first or the last where a time lies beyond the ends [unitless].
    """
    inside: npt.NDArray[np.intp] = np.clip(np.round((times_s - start_s) / hop_s).astype(int), 0, count - 1)
    return inside


def passing_times(clock: CycleClock, phase: float) -> FloatArray:
    """When the engine passes one place of its cycle.

    Parameters
    ----------
    clock : CycleClock
        The engine's cycle.
    phase : float
        The place [cycles].

    Returns
    -------
    ndarray, shape (k,)
        Times within the clock's reach, one per cycle [s].
    """
    return time_at(clock, phase + np.arange(np.ceil(clock.cycles[0] - phase), np.floor(clock.cycles[-1] - phase) + 1))


def unit(waveform: FloatArray) -> FloatArray:
    """A waveform scaled to unit norm.

    Parameters
    ----------
    waveform : ndarray, shape (m,)
        Samples [unitless].

    Returns
    -------
    ndarray, shape (m,)
        The same shape; silence stays silence [unitless].
    """
    scaled: FloatArray = waveform / max(float(np.linalg.norm(waveform)), 1e-9)
    return scaled


def on_samples(times_s: FloatArray, sr: int, start_s: float) -> FloatArray:
    """Times moved to the nearest sample, for which `cut` need not interpolate.

    Parameters
    ----------
    times_s : ndarray, shape (k,)
        Times [s].
    sr : int
        Sampling rate [Hz].
    start_s : float
        Time of sample 0 [s].

    Returns
    -------
    ndarray, shape (k,)
        Times [s].
    """
    moved: FloatArray = np.round((np.asarray(times_s) - start_s) * sr) / sr + start_s
    return moved


def correlate_rows(rows: FloatArray, template: FloatArray) -> FloatArray:
    """Slide a template along each row.

    Parameters
    ----------
    rows : ndarray, shape (k, m)
        Signals [unitless].
    template : ndarray, shape (p,)
        Template, p <= m [unitless].

    Returns
    -------
    ndarray, shape (k, m - p + 1)
        Inner products [unitless].
    """
    return _Slider(rows)(template)


class _Slider:
    """Slides templates along rows whose spectra are computed once."""

    def __init__(self, rows: FloatArray) -> None:
        from scipy import fft

        self.width, self.dtype = rows.shape[1], rows.dtype
        self.n = fft.next_fast_len(self.width, real=True)
        self.spectra = fft.rfft(rows, self.n, axis=1)

    def __call__(self, template: FloatArray) -> FloatArray:
        from scipy import fft

        # In the rows' own precision: a template in double precision would make everything so.
        product = self.spectra * np.conj(fft.rfft(template.astype(self.dtype, copy=False), self.n))
        slid: FloatArray = fft.irfft(product, self.n, axis=1)[:, : self.width - len(template) + 1]
        return slid


def peak_place(rows: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Highest value of each row and its place to a fraction of a sample, by a parabola through three samples.

    Parameters
    ----------
    rows : ndarray, shape (k, m)
        Values [unitless].

    Returns
    -------
    place : ndarray, shape (k,)
        Place from the row's first sample [samples].
    value : ndarray, shape (k,)
        Highest sample [unitless].
    """
    k = np.arange(len(rows))
    top = rows.argmax(axis=1)
    if rows.shape[1] < 3:
        return top.astype(float), rows[k, top]
    inner = np.clip(top, 1, rows.shape[1] - 2)
    left, mid, right = rows[k, inner - 1], rows[k, inner], rows[k, inner + 1]
    bend = np.maximum(2 * mid - left - right, 1e-12)
    step = np.where(top == inner, np.clip((right - left) / (2 * bend), -0.5, 0.5), 0.0)
    return top + step, rows[k, top]


def best_path(score: FloatArray, cost: FloatArray, *, circular: bool) -> npt.NDArray[np.intp]:
    """Path through the rows of a table that gathers most, less what its steps cost (Viterbi).

    Parameters
    ----------
    score : ndarray, shape (n, states)
        What each state is worth in each row [unitless].
    cost : ndarray, shape (2 k + 1,)
        Of steps from -k to k states; longer ones are not taken [unitless].
    circular : bool
        Whether the last state lies beside the first.

    Returns
    -------
    ndarray of int, shape (n,)
        State in each row [unitless].
    """
    n, states = score.shape
    side = len(cost) // 2
    # What the best way to each state is worth; beyond the ends the other end, or nothing.
    worth = np.full((n, states + 2 * side), -np.inf)
    worth[:, side:-side] = score
    # Of each row, for every step to a state of the next, what the states are worth from which it comes.
    coming = sliding_window_view(worth, states, axis=1)[:, ::-1]
    left = np.empty((len(cost), states))
    for i in range(n):
        if i:
            np.subtract(coming[i - 1], cost[:, None], out=left)
            worth[i, side:-side] += np.maximum.reduce(left)
        if circular:
            worth[i, :side], worth[i, -side:] = worth[i, states:-side], worth[i, side : 2 * side]
    path = np.empty(n, dtype=np.intp)
    path[-1] = worth[-1, side:-side].argmax()
    for i in range(n - 1, 0, -1):
        step = int((coming[i - 1, :, path[i]] - cost).argmax()) - side
        path[i - 1] = (path[i] - step) % states
    return path


def aic_pick(y: FloatArray) -> int:
    """Sample at which a signal's variance changes, by Akaike's criterion.

    Parameters
    ----------
    y : ndarray, shape (n,), n >= 4
        Signal with one onset [unitless].

    Returns
    -------
    int
        First sample after the change [samples].

    References
    ----------
    AIC(k) = k log var(y[:k]) + (n - k - 1) log var(y[k:]): Maeda, 1985, as restated in ObsPy ``aic_simple``.
    """
    n = len(y)
    k = np.arange(2, n - 1)
    total, square = np.cumsum(y), np.cumsum(np.square(y, dtype=float))
    before = square[k - 1] / k - (total[k - 1] / k) ** 2
    rest = n - k
    after = (square[-1] - square[k - 1]) / rest - ((total[-1] - total[k - 1]) / rest) ** 2
    tiny = max(float(square[-1]) * 1e-12, np.finfo(float).tiny)
    aic = k * np.log(np.maximum(before, tiny)) + (rest - 1) * np.log(np.maximum(after, tiny))
    return int(k[aic.argmin()])


# Below this combustion covers a tick.
_ABOVE_HZ = 1_200.0
# Poles of the ring-down that the prediction takes out: four modes and some for the filter.
_ORDER = 12


def mean_strikes(
    y: FloatArray, sr: int, start_s: float, at_s: FloatArray, before_s: float, after_s: float
) -> FloatArray:
    """Mean of clicks with their own ring-down predicted and taken out, so that only what struck is left.

    Parameters
    ----------
    y : ndarray, shape (n,)
        Samples [unitless].
    sr : int
        Sampling rate [Hz].
    start_s : float
        Time of ``y[0]`` [s].
    at_s : ndarray, shape (k,)
        When the clicks were heard [s].
    before_s, after_s : float
        How much before and after [s].

    Returns
    -------
    ndarray, shape (m,)
        Prediction residual of the mean above 1.2 kHz; all filters look back only [unitless].
    """
    settle_s = 0.004
    rows = cut(y, sr, start_s, at_s, before_s + settle_s, after_s)
    mean = high_passed(rows.mean(axis=0, dtype=float), sr, above_hz=_ABOVE_HZ, order=2)[round(settle_s * sr) :]
    return without_ring(mean, like=mean)


def without_ring(mean: FloatArray, *, like: FloatArray) -> FloatArray:
    """What linear prediction leaves of a signal: what struck, without what rings on.

    Parameters
    ----------
    mean : ndarray, shape (m,)
        Signal [unitless].
    like : ndarray, shape (n,), n > 12
        Stretch whose ring is predicted [unitless].

    Returns
    -------
    ndarray, shape (m,)
        Prediction residual; it looks back only [unitless].

    References
    ----------
    Autocorrelation method: Makhoul, Proc. IEEE 63, 561-580, 1975 (from memory).
    """
    from scipy import linalg

    energy = np.array([like[: len(like) - lag] @ like[lag:] for lag in range(_ORDER + 1)])
    energy[0] = energy[0] * (1 + 1e-4) + np.finfo(float).tiny
    predict = linalg.solve_toeplitz(energy[:_ORDER], energy[1:])
    left: FloatArray = np.convolve(mean, np.concatenate([[1.0], -predict]))[: len(mean)]
    return left


_SEEDS, _ROUNDS = 5, 3
_KEPT = 0.5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Clicks:
    """Clicks aligned with their mean waveform.

    Parameters
    ----------
    template : ndarray, shape (p,)
        Mean waveform, unit norm [unitless].
    amplitude : float
        Norm of the mean waveform before it was scaled [standard deviations].
    noise : float
        Root mean square of what is left of the typical click without the template [standard deviations].
    place : ndarray, shape (k,)
        Where the template fits best in each row [samples].
    value : ndarray, shape (k,)
        Match value there [standard deviations].
    """

    template: FloatArray
    amplitude: float
    noise: float
    place: FloatArray
    value: FloatArray


def align_clicks(rows: FloatArray, sr: int, *, reach_s: float) -> Clicks:
    """Align clicks with their own mean waveform, from several seeds.

    Parameters
    ----------
    rows : ndarray, shape (k, m)
        Stretches that each may hold a click, with ``reach_s`` to spare on both sides [standard deviations].
    sr : int
        Sampling rate [Hz].
    reach_s : float
        How far a click may lie from the middle [s].

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
    slide = _Slider(rows)
    windows = sliding_window_view(rows, length, axis=1)
    seeds = pool[np.linspace(0, len(pool) - 1, _SEEDS).astype(int)]
    trials = [_align_from(windows, slide, rows[seed, first : first + length]) for seed in seeds]
    template, amplitude = max(trials, key=lambda trial: trial[1])
    template = template / max(amplitude, 1e-9)
    place, value = peak_place(slide(template))
    energy = (windows[np.arange(len(rows)), np.round(place).astype(int)] ** 2).sum(axis=1)
    noise = np.sqrt(max(float(np.median(energy - value**2)), 1e-12) / length)
    return Clicks(template=template, amplitude=amplitude, noise=float(noise), place=place, value=value)


def _align_from(windows: FloatArray, slide: _Slider, template: FloatArray) -> tuple[FloatArray, float]:
    """Mean waveform of the clearer half, aligned round by round from a first template, and its norm."""
    k = np.arange(len(windows))
    kept = min(len(k) - 1, round((1 - _KEPT) * len(k)))
    amplitude = 0.0
    for _ in range(_ROUNDS):
        template = unit(template)
        fit = slide(template)
        lag = fit.argmax(axis=1)
        use = np.argpartition(fit[k, lag], kept)[kept:]
        template = windows[use, lag[use]].mean(axis=0)
        amplitude = float(np.linalg.norm(template))
    return template, amplitude
