"""Level of the mean tick and of the noise above 1.5 kHz, where ticks are and combustion is not."""

import numpy as np

from injsound.sound.filters import high_passed
from injsound.sound.waveforms import cut
from injsound.values import FloatArray

ABOVE_HZ = 1_500.0
# Cut so far around a tick. From the cut's start: the noise, once the filter has settled and until 3 ms before the tick,
# and from where on the tick is looked for, 1.5 ms before it.
_BEFORE_S, _AFTER_S = 0.020, 0.010
_NOISE_FROM_S, _NOISE_TO_S, _TICK_FROM_S = 0.006, 0.017, 0.0185


def mean_peak(y: FloatArray, sr: int, start_s: float, heard_s: FloatArray) -> tuple[float, float]:
    """Usual peak of a tick and rms of the noise before it, both above 1.5 kHz.

    Parameters
    ----------
    y : ndarray, shape (n,)
        Samples [unitless].
    sr : int
        Sampling rate [Hz].
    start_s : float
        Time of ``y[0]`` [s].
    heard_s : ndarray, shape (k,)
        When ticks were heard [s].

    Returns
    -------
    peak : float
        Median over the events of the tick's highest absolute value [unitless].
    noise : float
        Root mean square of the median event's noise [unitless].
    """
    rows = cut(y, sr, start_s, heard_s, _BEFORE_S, _AFTER_S)
    high = high_passed(rows, sr, above_hz=ABOVE_HZ, order=4)
    quiet = high[:, round(_NOISE_FROM_S * sr) : round(_NOISE_TO_S * sr)]
    tick = np.abs(high[:, round(_TICK_FROM_S * sr) :]).max(axis=1)
    return float(np.median(tick)), float(np.sqrt(np.median(np.mean(quiet**2, axis=1))))
