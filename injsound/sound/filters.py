"""Filters over a whole chapter: whitening, convolution in blocks, high pass, and silence over a span."""

import math
from collections.abc import Iterable

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from injsound.values import FloatArray, Span

# An injector's tick, a valve or a firing is much shorter than this; what is slower is taken out of onset strengths.
SLOW_S = 0.04
# Below this combustion covers a tick: docs/methods.md.
COMBUSTION_HZ = 1_200.0
_MUTE_EDGE_S = 0.003
_PSD_FRAMES = 4_000
_LEAST_BAND = 2.0
_PART_S = 5.0
# Rung down to exp(-2 pi 0.38 x) < 1e-16, 0.38 the damping of the slowest pole of order 4, the highest in use.
_RINGS_FOR = 16.0


def whitened(y: FloatArray, sr: int, *, high_hz: float | None = None) -> FloatArray:
    """Filter a signal so that its usual background is white with unit variance from 1.2 kHz on.

    Parameters
    ----------
    y : ndarray, shape (n,)
        Samples [unitless].
    sr : int
        Sampling rate [Hz].
    high_hz : float or None
        Where the band ends; None is at ``sr / 2`` [Hz].

    Returns
    -------
    ndarray of float32, shape (n,)
        The filtered signal; zero delay [standard deviations of the background].

    References
    ----------
    Whitened matched filter: Kay, *Detection Theory*, 1998, chapter 4 (from memory). The median periodogram of each few
    seconds keeps rare ticks out of the background's spectrum: docs/methods.md.
    """
    from scipy import fft, ndimage

    n = 2 * round(0.004 * sr / 2)
    # A band in any case: where the sound ends below, there is nothing in it.
    top = min(max(high_hz or sr / 2, _LEAST_BAND * COMBUSTION_HZ), sr / 2)
    window = np.hanning(n).astype(np.float32)
    frames = sliding_window_view(y, n)[:: max(n // 2, len(y) // _PSD_FRAMES)]
    power = np.abs(fft.rfft(frames * window, axis=1)) ** 2
    # A fan that starts half-way is half of the background.
    parts = np.array_split(power, max(1, round(len(y) / sr / _PART_S)))
    power = np.mean([np.median(part, axis=0) for part in parts], axis=0) / (np.log(2) * np.sum(window**2))
    power = ndimage.gaussian_filter1d(power, 1.0)
    f = fft.rfftfreq(n, 1 / sr)
    # What a codec cut off must stay off; at half the rate there is nothing beyond.
    end = top if top < sr / 2 else 1.02 * top
    inside = (f > COMBUSTION_HZ) & (f < end - 0.07 * top)
    gain = 1 / np.sqrt(np.maximum(power, power[inside].max() * 1e-6 + np.finfo(np.float32).tiny))
    gain *= np.clip((f - 0.8 * COMBUSTION_HZ) / (0.4 * COMBUSTION_HZ), 0, 1) * np.clip((end - f) / (0.06 * top), 0, 1)
    return weighted(y, gain)


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
