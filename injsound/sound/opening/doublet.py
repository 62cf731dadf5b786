"""The two clicks of a tick in the mean of all that were heard: which sounds keep their distance and how they stand out.

A valve's click keeps a crank angle and fades from the mean; an echo is taken out before; a bounce or a ring follows its
click within a millisecond and belongs to it. What is left beside the two clicks must be well under both.
"""

from dataclasses import dataclass

import numpy as np
from scipy import fft, linalg, ndimage

from injsound.sound.opening.echo import Echo
from injsound.sound.second_click import ANCHOR_S, BEGINS, GAP_MAX_S, GAP_MIN_S
from injsound.sound.waveforms import RING_ORDER
from injsound.values import FloatArray

# A strike is over in this time; its noise is even over the other.
_STRIKE_S, _EVEN_S = 0.0002, 0.0008
_CLICK_BEFORE_S, _CLICK_AFTER_S = 0.0008, 0.0032
_SMOOTH_HZ = 300.0
# Frequencies in which the click does not stand this far over the mean's noise say little.
_OVER_NOISE = 4.0
_FFT = 4096
# Peaks of one strike lie this close; the first of those that may be where it begins is, what follows is its ring.
_ONE_STRIKE_S = 0.0010
_MOST_STRIKES = 4
# Power over that of the mean's noise, which reached 2 to 6.2 in 20 ms of white noise.
_LEAST_OVER, _CLEAR_OVER = 9.0, 12.0
# The second click is within 18 dB of the first; a third sound is 5 dB under it, else it could as well be the one.
_FAINTEST, _RIVAL = 10 ** (-18 / 10), 10 ** (-5 / 10)
# A fainter sound so soon after a strike is its ring; one far fainter is not told from a close click.
_RINGS_S, _RING, _FAINT_RING = 0.0025, 10 ** (-6 / 10), 10 ** (-12 / 10)
# Of an echo this share of its power may be left where its height is known to a third only.
_LEFT, _LEFT_S = 0.25, 0.0002
_COINCIDES_S = 0.00025
# So much of the usual power is added to each event's before its inverse is taken: a quiet one does not count for all.
_SHRUNK = 0.3


@dataclass(frozen=True, slots=True, kw_only=True)
class Strike:
    """A sound that keeps its distance from the tick.

    Parameters
    ----------
    place : int
        About where it begins in the rows [samples].
    power : float
        Mean square without noise, its ring taken out [standard deviations squared].
    over : float
        The same with noise, over the noise [unitless].
    """

    place: int
    power: float
    over: float


def quiet_weights(rows: FloatArray, sr: int) -> FloatArray:
    """Weights with which other sounds that lie over single events say less in a mean.

    Parameters
    ----------
    rows : ndarray, shape (k, m)
        Whitened stretches about each tick [standard deviations].
    sr : int
        Sampling rate [Hz].

    Returns
    -------
    ndarray, shape (k, m)
        Inverse of the power about the mean over a millisecond, plus a part of the usual one; columns add up to 1
        [unitless].
    """
    power = ndimage.uniform_filter1d((rows - rows.mean(axis=0)) ** 2, round(0.001 * sr), axis=1)
    weight: FloatArray = 1 / np.maximum(power + _SHRUNK * np.median(power, axis=0), np.finfo(np.float32).tiny)
    weight /= weight.sum(axis=0)
    return weight


def find_doublet(
    rows: FloatArray, weight: FloatArray, sr: int, *, zero: int, echo: Echo | None = None
) -> tuple[int, int] | None:
    """The open and the close click.

    Parameters
    ----------
    rows : ndarray, shape (k, m)
        Whitened stretches about each tick, without echo [standard deviations].
    weight : ndarray, shape (k, m)
        As from `quiet_weights` [unitless].
    sr : int
        Sampling rate [Hz].
    zero : int
        Where the click that was matched strikes in each row [samples].
    echo : Echo or None
        What was taken out of the rows.

    Returns
    -------
    tuple of int or None
        About where each begins [samples]; None where no second click is clear or another sound could be it.
    """
    found = find_strikes(rows, weight, sr, zero=zero, echo=echo)
    at_zero = [s for s in found if abs(s.place - zero) < ANCHOR_S * sr]
    one = next(iter(at_zero or found), None)
    if one is None:
        return None
    rest = [s for s in found if GAP_MIN_S * sr <= abs(s.place - one.place) <= GAP_MAX_S * sr]
    if not rest:
        return None
    other, *more = rest
    faint, loud = sorted((one, other), key=lambda s: s.power)
    early, late = sorted((one, other), key=lambda s: s.place)
    more = [s for s in more if not any(_follows(s, of, sr, _RING) for of in (one, other))]
    between = early.place - ANCHOR_S * sr < zero < late.place + ANCHOR_S * sr
    doubtful = (
        faint.over < _CLEAR_OVER
        or faint.power < _FAINTEST * loud.power
        or not between
        or _follows(late, early, sr, _FAINT_RING)
        or (echo is not None and _like_echo(early, late, sr, echo))
        or any(s.power > _RIVAL * faint.power for s in more)
    )
    return None if doubtful else (early.place, late.place)


def _like_echo(early: Strike, late: Strike, sr: int, echo: Echo) -> bool:
    """Whether a sound comes when the echo did, and no louder: its own beginning is not to be seen."""
    coincides = abs((late.place - early.place) / sr - echo.delay_s) < _COINCIDES_S
    return coincides and late.power < echo.share**2 * early.power


def _follows(ring: Strike, strike: Strike, sr: int, share: float) -> bool:
    """Whether a sound comes so soon after a strike, and so much fainter, that it may be its ring."""
    return 0 < ring.place - strike.place < _RINGS_S * sr and ring.power < share * strike.power


def find_strikes(rows: FloatArray, weight: FloatArray, sr: int, *, zero: int, echo: Echo | None = None) -> list[Strike]:
    """Sounds that keep their distance from the tick, the strongest first; a ring or a bounce goes with its strike.

    Parameters
    ----------
    rows, weight, sr, zero, echo
        As for `find_doublet`.

    Returns
    -------
    list of Strike
        At most four, each clear of the mean's noise.
    """
    mean, noise = _struck(rows, weight, sr, zero)
    over = mean / noise
    power = np.where(over >= _LEAST_OVER, mean - noise, 0.0)
    if echo is not None:
        late = round(echo.delay_s * sr)
        left = ndimage.maximum_filter1d(mean[:-late], 2 * round(_LEFT_S * sr) + 1)
        power[late:] = np.maximum(power[late:] - _LEFT * echo.share**2 * left, 0.0)
    near = round(_ONE_STRIKE_S * sr)
    found = []
    for _ in range(_MOST_STRIKES):
        top = int(power.argmax())
        if power[top] <= 0:
            break
        low = max(0, top - near)
        loud = power[low : top + 1] >= BEGINS * power[top]
        begins = low + int(np.argmax(loud))
        found.append(Strike(place=begins, power=float(power[top]), over=float(over[top])))
        power[max(0, begins - near) : top + round(GAP_MIN_S * sr)] = 0.0
    return found


def _struck(rows: FloatArray, weight: FloatArray, sr: int, zero: int) -> tuple[FloatArray, FloatArray]:
    """Power of the mean with its ring-down predicted and taken out, and of the noise that is left in it."""
    mean = (rows * weight).sum(axis=0)
    about = (rows - mean) * weight
    click = slice(max(0, zero - round(_CLICK_BEFORE_S * sr)), zero + round(_CLICK_AFTER_S * sr))
    smooth = max(1, round(_SMOOTH_HZ * _FFT / sr))
    spectrum = ndimage.uniform_filter1d(np.abs(fft.rfft(mean[click], _FFT)) ** 2, 2 * smooth + 1)
    noise = np.sum(np.abs(fft.rfft(about[:, click], _FFT, axis=1)) ** 2, axis=0)
    noise = ndimage.uniform_filter1d(noise, 4 * smooth + 1)
    clear = np.maximum(spectrum - noise, 0.0)
    kept = clear / np.maximum(clear + _OVER_NOISE * noise, 1e-12 * spectrum.max())
    repeats = fft.irfft(clear + 1e-3 * clear.max())[: RING_ORDER + 1]
    repeats[0] *= 1.0001
    predictor = linalg.solve_toeplitz(repeats[:-1], repeats[1:])
    n = fft.next_fast_len(rows.shape[1] + 256, real=True)
    f = np.arange(n // 2 + 1) / (n // 2) * (_FFT // 2)
    response = fft.rfft(np.append(1.0, -predictor), n) * np.interp(f, np.arange(_FFT // 2 + 1), kept)

    def left(x: FloatArray) -> FloatArray:
        filtered: FloatArray = fft.irfft(fft.rfft(x, n, axis=-1) * response, n, axis=-1)[..., : rows.shape[1]]
        return filtered

    power = ndimage.uniform_filter1d(left(mean) ** 2, max(3, round(_STRIKE_S * sr)))
    noise = ndimage.uniform_filter1d((left(about) ** 2).sum(axis=0), round(_EVEN_S * sr))
    return power, np.maximum(noise, np.finfo(np.float32).tiny)
