"""Short waveforms cut around given times: aligned to their mean, matched, and searched for strikes and onsets."""

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from scipy import ndimage

from injsound.sound.filters import COMBUSTION_HZ, high_passed
from injsound.values import FloatArray

# Poles of the ring-down that the prediction takes out: four modes and some for the filter.
RING_ORDER = 12
_SEEDS, _ROUNDS = 5, 3
_KEPT = 0.5
# Power is averaged over a good part of a click.
_POWER_OVER_S = 0.0003


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
    place = (np.asarray(times_s) - start_s) * sr
    whole = np.round(place).astype(int)
    width = round(before_s * sr) + round(after_s * sr)
    first = whole - round(before_s * sr)
    if np.any((first < 0) | (first > len(y) - width)):
        y, first = np.pad(y, width), np.clip(first, -width, len(y)) + width
    rows: FloatArray = sliding_window_view(y, width)[first]
    if np.all(np.abs(place - whole) < 1e-3):
        return rows
    return moved(rows, place - whole, room=16)


def moved(rows: FloatArray, by: FloatArray, *, room: int = 64) -> FloatArray:
    """Rows, each earlier by so many samples, a fraction allowed.

    Parameters
    ----------
    rows : ndarray, shape (k, m)
        Stretches [unitless].
    by : ndarray, shape (k,)
        How far to move each, less than ``room`` [samples].
    room : int
        Silence behind each row, so that what leaves one end does not come back in at the other [samples].

    Returns
    -------
    ndarray, shape (k, m)
        Moved stretches [unitless].
    """
    from scipy import fft

    n = fft.next_fast_len(rows.shape[1] + room, real=True)
    angle = (by[:, None] * (2 * np.pi * fft.rfftfreq(n))).astype(np.float32)
    turn = np.empty(angle.shape, dtype=np.complex64)
    # Eight times faster than the complex exponential.
    turn.real, turn.imag = np.cos(angle), np.sin(angle)
    turned: FloatArray = fft.irfft(fft.rfft(rows, n, axis=1) * turn, n, axis=1)[:, : rows.shape[1]]
    return turned


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


def above_noise(mean: FloatArray, rows: FloatArray, sr: int) -> FloatArray:
    """A mean waveform, the parts that averages of noise could give taken out.

    Parameters
    ----------
    mean : ndarray, shape (m,)
        Mean of the rows, or of a part of what they hold [unitless].
    rows : ndarray, shape (k, m)
        What was averaged [unitless].
    sr : int
        Sampling rate [Hz].

    Returns
    -------
    ndarray, shape (m,)
        What stands over the noise of such a mean [unitless].
    """
    power = ndimage.uniform_filter1d(mean**2, max(3, round(_POWER_OVER_S * sr)))
    noise = rows.var(axis=0).mean() / len(rows)
    kept: FloatArray = mean * np.clip(1 - 2.0 * noise / np.maximum(power, 1e-12), 0, 1)
    return kept


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
    mean = high_passed(rows.mean(axis=0, dtype=float), sr, above_hz=COMBUSTION_HZ, order=2)[round(settle_s * sr) :]
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

    energy = np.array([like[: len(like) - lag] @ like[lag:] for lag in range(RING_ORDER + 1)])
    energy[0] = energy[0] * (1 + 1e-4) + np.finfo(float).tiny
    predict = linalg.solve_toeplitz(energy[:RING_ORDER], energy[1:])
    left: FloatArray = np.convolve(mean, np.concatenate([[1.0], -predict]))[: len(mean)]
    return left


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
