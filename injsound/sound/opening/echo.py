"""The echo in a listening tube: all that is heard comes again some milliseconds later, fainter, mostly upside down.

It keeps its distance as exactly as a close click does and can be the louder of the two. It gives itself away where no
injector ticks: there the spectrum of the sound, whatever made it, rises and falls with the frequency.
"""

from dataclasses import dataclass

import numpy as np
from scipy import fft, ndimage

from injsound.sound.second_click import CORE_AFTER_S, CORE_BEFORE_S
from injsound.sound.signals import robust_spread
from injsound.sound.waveforms import cut
from injsound.values import FloatArray

# There and back in 0.25 to 1.4 m of tube at 343 m/s; a close click may lie in the same range.
_LEAST_S, _MOST_S = 0.0015, 0.0085
# Long enough for the ripple of the longest delay, as short as the pause between ticks may ask for.
_FRAME_S, _LEAST_FRAME_S = 0.0427, 0.020
_BEFORE_TICK_S, _AFTER_TICK_S = 0.002, 0.012
_MOST_FRAMES, _FEWEST_FRAMES = 1_000, 60
# Below, combustion and whine have ripples of their own; above, codecs fill the valleys.
_LOW_HZ, _HIGH_HZ, _WIDE_HZ = 1_500.0, 9_000.0, 800.0
# Ripple of an echo over that of other delays: tubes gave 14 to 90, their absence up to 8 (docs/methods.md). From the
# lower figure on it is one where what differs from tick to tick comes again after the same delay as well.
_CLEAR, _HINTED = 12.0, 6.0
_AGAIN = 8.0
# So much larger than by the ripple may the share be on the tick: codecs fill the ripple's valleys.
_SHARE_LOW, _SHARE_HIGH = 1.2, 2.4
_LEAST_SHARE = 0.08


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Echo:
    """What comes again.

    Parameters
    ----------
    delay_s : float
        How much later [s].
    share : float
        Its height over that of the first sound, negative where it is upside down [unitless].
    """

    delay_s: float
    share: float


def find_echo(y: FloatArray, white: FloatArray, sr: int, start_s: float, heard_s: FloatArray) -> Echo | None:
    """Find an echo in the sound between the ticks and measure it on the mean tick.

    Parameters
    ----------
    y : ndarray, shape (n,)
        Samples [unitless].
    white : ndarray, shape (n,)
        Whitened samples; whitening hides a part of the ripple [standard deviations].
    sr : int
        Sampling rate [Hz].
    start_s : float
        Time of ``y[0]`` [s].
    heard_s : ndarray, shape (k,)
        When ticks were heard [s].

    Returns
    -------
    Echo or None
        None where no delay stands out.

    References
    ----------
    Cepstrum: Bogert, Healy and Tukey, 1963 (from memory). A ripple ``2 r cos(2 pi f d)`` in the logarithm of a spectrum
    is an echo of share ``r`` after ``d`` seconds, for small ``r``.
    """
    spectra = _between_ticks(y, sr, (heard_s - start_s) * sr)
    if spectra is None:
        return None
    f = np.linspace(0, sr / 2, spectra.shape[1])
    inside = (f > _LOW_HZ) & (f < min(_HIGH_HZ, 0.4 * sr))
    level = np.log(np.median(spectra, axis=0)[inside] + np.finfo(np.float32).tiny)
    taper = np.hanning(inside.sum())
    level = (level - ndimage.gaussian_filter1d(level, _WIDE_HZ / f[1])) * taper / taper.sum()
    delay = np.arange(_LEAST_S, _MOST_S, 0.5 / sr)
    ripple = np.cos(2 * np.pi * delay[:, None] * f[inside]) @ level
    top = int(np.abs(ripple).argmax())
    clear = abs(ripple[top]) / max(robust_spread(ripple), 1e-12)
    if clear < _HINTED or abs(ripple[top]) < _LEAST_SHARE:
        return None
    again, share = _on_the_tick(white, sr, start_s, heard_s, float(delay[top]))
    sign = float(np.sign(ripple[top]))
    if clear < _CLEAR and again * sign < _AGAIN:
        return None
    share = float(np.clip(share * sign, _SHARE_LOW * abs(ripple[top]), _SHARE_HIGH * abs(ripple[top])))
    return Echo(delay_s=float(delay[top]), share=share * sign)


def _between_ticks(y: FloatArray, sr: int, at: FloatArray) -> FloatArray | None:
    """Power spectra of frames that hold no tick; None where the ticks leave too little room."""
    pause_s = float(np.median(np.diff(at))) / sr - _BEFORE_TICK_S - _AFTER_TICK_S
    frame_s = min(_FRAME_S, 0.8 * pause_s)
    if frame_s < _LEAST_FRAME_S:
        return None
    n = 2 * round(frame_s * sr / 2)
    starts = np.arange(0, len(y) - n, n // 2)
    after = np.append(at, np.inf)[np.searchsorted(at, starts - _AFTER_TICK_S * sr)]
    starts = starts[after > starts + n + _BEFORE_TICK_S * sr]
    if len(starts) < _FEWEST_FRAMES:
        return None
    some = starts[:: -(-len(starts) // _MOST_FRAMES)]
    frames = y[some[:, None] + np.arange(n)] * np.hanning(n).astype(np.float32)
    power: FloatArray = np.abs(fft.rfft(frames, axis=1)) ** 2
    return power


def _on_the_tick(
    white: FloatArray, sr: int, start_s: float, heard_s: FloatArray, delay_s: float
) -> tuple[float, float]:
    """Whether what differs from tick to tick comes again [standard errors], and the share of the mean that does."""
    first, later = (cut(white, sr, start_s, heard_s + d, CORE_BEFORE_S, CORE_AFTER_S) for d in (0.0, delay_s))
    mean, then = first.mean(axis=0), later.mean(axis=0)
    # Louder ticks have louder close clicks as well: each tick's height is taken out of both.
    height = first @ mean / max(float(mean @ mean), 1e-12)
    odd, later_odd = first - height[:, None] * mean, later - height[:, None] * then
    alike = np.sum(odd * later_odd, axis=1) / np.maximum(np.sum(odd**2, axis=1), 1e-12)
    error = float(alike.std()) / np.sqrt(len(alike))
    return float(alike.mean()) / max(error, 1e-12), float(mean @ then) / max(float(mean @ mean), 1e-12)


def cut_without(
    echo: Echo | None, y: FloatArray, sr: int, start_s: float, times_s: FloatArray, before_s: float, after_s: float
) -> FloatArray:
    """Equal stretches around given times with the echo taken out.

    Parameters
    ----------
    echo : Echo or None
        What to take out.
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
    ndarray, shape (k, m)
        As ``cut`` gives them, less the echo of what lies before each moment. That echo holds its own echo, so that all
        later ones go with it.
    """
    rows = cut(y, sr, start_s, times_s, before_s, after_s)
    if echo is None:
        return rows
    return rows - np.float32(echo.share) * cut(y, sr, start_s, times_s - echo.delay_s, before_s, after_s)
