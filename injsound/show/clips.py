"""Short sounds for the report: around one event, at normal and at quarter speed, as MP3."""

import io
from pathlib import Path

import numpy as np

from injsound.results import FloatArray
from injsound.sound.audio import chapters

SIDE_S = 1.0
_SR = 24_000


def clip(path: str | Path, at_s: float, *, channel: int | None = None, slow: int = 1) -> bytes:
    """Cut out the sound around a moment.

    Parameters
    ----------
    path : path
        Sound file.
    at_s : float
        The middle [s].
    channel : int or None
        Channel, counted from 1; None picks the clearer one.
    slow : int
        How many times slower it plays [unitless].

    Returns
    -------
    bytes
        MP3; empty where the moment lies outside the file.
    """
    for chapter in chapters(path, channel=channel):
        first = round((at_s - SIDE_S / slow - chapter.start_s) * chapter.sr)
        last = round((at_s + SIDE_S / slow - chapter.start_s) * chapter.sr)
        part = chapter.y[max(0, first) : max(0, last)]
        if len(part) > chapter.sr // 10:
            return _encoded(part, chapter.sr, slow)
    return b""


def _encoded(y: FloatArray, sr: int, slow: int) -> bytes:
    """Stretched by resampling, so that it sounds lower too; peak at 0.9."""
    import soundfile
    from scipy.signal import resample_poly

    made = resample_poly(y, _SR * slow, sr)
    made = 0.9 * made / max(float(np.abs(made).max()), 1e-9)
    file = io.BytesIO()
    soundfile.write(file, made, _SR, format="MP3")
    return file.getvalue()
