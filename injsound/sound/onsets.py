"""Band energies and onset strength at a sub-millisecond hop.

One convention: frame ``k`` of every array is centred ``start_s + k * hop_s`` seconds after the first decoded sample.
"""

from itertools import pairwise

import numpy as np
import numpy.typing as npt

from injsound.errors import ParameterError
from injsound.sound.filters import COMBUSTION_HZ
from injsound.values import FloatArray, OnsetStrength, Recording

HOP_S = 0.0005
# A tick lasts a millisecond or two: a longer window blurs its start, a shorter one blurs the bands.
WINDOW_S = 0.0014
# Above 13 kHz phones and lossy codecs carry little: docs/methods.md.
EDGES_HZ = (COMBUSTION_HZ, 1_900.0, 2_700.0, 3_800.0, 5_300.0, 7_300.0, 10_000.0, 13_500.0)
_BLOCK_FRAMES = 16_384
# librosa's settings for clicks: docs/choices.md.
_OPINION_HOP_S, _OPINION_WINDOW_S, _OPINION_FROM_HZ, _OPINION_BANDS = 0.001, 0.0053, 1_500.0, 24
# An onset this near to where a tick was due is the tick's.
_OPINION_WITHIN_S = 0.004
_MEDIAN_S = 4.0
# 120 dB under the loudest, less than a 16-bit file can hold beside it: digital silence between sounds counts as this.
_SILENT = 1e-12


def onset_strength(recording: Recording, *, bandwidth_hz: float | None = None) -> OnsetStrength:
    """Compressed energy per band, every half millisecond.

    Parameters
    ----------
    recording : Recording
        One chapter.
    bandwidth_hz : float or None
        Highest frequency that carries sound; bands above it are left out [Hz].

    Returns
    -------
    OnsetStrength
        ``log(1 + energy / running median)`` per band [unitless].

    Raises
    ------
    ParameterError
        If the chapter is shorter than one window.

    References
    ----------
    Band-wise compressed energy as a detection function: Bello et al., IEEE TSAP 13(5), 1035-1047, 2005 (from memory).
    """
    y, sr = recording.y, recording.sr
    hop = max(1, round(HOP_S * sr))
    n_fft = max(16, 2 * round(WINDOW_S * sr / 2))
    if len(y) < n_fft:
        raise ParameterError(f"chapter has {len(y)} samples; onset strength needs {n_fft}: record longer")
    # Two bands in any case: where the sound ends below, there is nothing in them.
    weights = _band_weights(sr, n_fft, min(max(bandwidth_hz or sr / 2, EDGES_HZ[2]), sr / 2))
    energy = _band_energies(y, n_fft, hop, weights)
    bands = np.log1p(energy / _running_median(energy, round(_MEDIAN_S / HOP_S)))
    return OnsetStrength(bands=bands, hop_s=hop / sr, start_s=recording.start_s + (n_fft - 1) / 2 / sr)


def _band_weights(sr: int, n_fft: int, top_hz: float) -> FloatArray:
    """Which FFT bins make up each band, shape (n_bins, n_bands); bands without a bin of their own are joined."""
    bins = np.fft.rfftfreq(n_fft, 1 / sr)
    bins = np.where(bins <= top_hz, bins, np.nan)
    low, columns = EDGES_HZ[0], []
    for high in EDGES_HZ[1:]:
        inside = (bins >= low) & (bins < high)
        if inside.any():
            columns.append(inside)
            low = high
    return np.array(columns, dtype=np.float32).T


def _band_energies(y: FloatArray, n_fft: int, hop: int, weights: FloatArray) -> FloatArray:
    import scipy.fft
    from numpy.lib.stride_tricks import sliding_window_view

    window = np.hanning(n_fft + 2)[1:-1].astype(np.float32)
    frames = sliding_window_view(y, n_fft)[::hop]
    energy = np.empty((weights.shape[1], len(frames)), dtype=np.float32)
    for first in range(0, len(frames), _BLOCK_FRAMES):
        spectrum = scipy.fft.rfft(frames[first : first + _BLOCK_FRAMES] * window, axis=1)
        power = spectrum.real**2 + spectrum.imag**2
        energy[:, first : first + _BLOCK_FRAMES] = (power @ weights).T
    return energy


def _running_median(energy: FloatArray, block: int) -> FloatArray:
    """Median per block of frames, linear in between; silence cannot make it zero."""
    n = energy.shape[1]
    blocks = max(1, n // block)
    edges = np.linspace(0, n, blocks + 1).astype(int)
    medians = np.stack([np.median(energy[:, a:b:4], axis=1) for a, b in pairwise(edges)], axis=1)
    lowest = np.maximum(energy.max(axis=1, keepdims=True) * _SILENT, np.finfo(np.float32).tiny)
    medians = np.maximum(medians, np.maximum(np.median(medians, axis=1, keepdims=True) * 1e-3, lowest))
    centres = (edges[:-1] + edges[1:]) / 2
    return np.stack([np.interp(np.arange(n), centres, row) for row in medians]).astype(np.float32)


def second_opinion(y: FloatArray, sr: int, due_s: FloatArray) -> npt.NDArray[np.bool_]:
    """Whether librosa's onset detection finds an onset within 4 ms of each due event.

    Parameters
    ----------
    y : ndarray, shape (n,)
        Samples [unitless].
    sr : int
        Sampling rate [Hz].
    due_s : ndarray, shape (k,)
        When ticks were due, from ``y[0]`` on [s].

    Returns
    -------
    ndarray of bool, shape (k,)
        True where an onset was found.

    References
    ----------
    ``librosa.onset.onset_strength`` and ``onset_detect`` with settings for clicks: docs/choices.md.
    """
    import librosa

    hop, n_fft = round(_OPINION_HOP_S * sr), 2 ** round(np.log2(_OPINION_WINDOW_S * sr))
    # Narrow bands take two bins of the spectrum each at least: at low rates there are fewer.
    bands = min(_OPINION_BANDS, round((sr / 2 - _OPINION_FROM_HZ) * n_fft / sr / 2))
    strength = librosa.onset.onset_strength(
        y=y, sr=sr, hop_length=hop, n_fft=n_fft, n_mels=bands, fmin=_OPINION_FROM_HZ
    )
    found = librosa.onset.onset_detect(onset_envelope=strength, sr=sr, hop_length=hop, units="time")
    if not len(found):
        return np.zeros(len(due_s), dtype=bool)
    nearest = found[np.clip(np.searchsorted(found, due_s), 1, len(found) - 1)]
    before = found[np.clip(np.searchsorted(found, due_s) - 1, 0, len(found) - 1)]
    near: npt.NDArray[np.bool_] = np.minimum(np.abs(nearest - due_s), np.abs(before - due_s)) <= _OPINION_WITHIN_S
    return near
