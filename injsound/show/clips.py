"""Short sounds for the report: around one event, at normal and at quarter speed, as MP3."""

import io
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from injsound.sound.decoding.audio import chapters
from injsound.values import FloatArray

# Both sides together are no longer than what two chapters share, so that one of them holds every moment whole.
SIDE_S = 1.0
_SR = 24_000


def clips(path: str | Path, places: Sequence[tuple[float, int]], *, channel: int | None = None) -> list[bytes]:
    """Cut out the sound around some moments, in one pass over the file.

    Parameters
    ----------
    path : path
        Sound file.
    places : sequence of (float, int)
        The middle of each [s], and how many times slower it plays [unitless].
    channel : int or None
        Channel, counted from 1; None picks the clearer one.

    Returns
    -------
    list of bytes
        MP3 for each, shorter where the file begins or ends; empty where the moment lies outside it.
    """
    made = [b""] * len(places)
    for chapter in chapters(path, channel=channel):
        for k, (at_s, slow) in enumerate(places):
            first, last = (round((at_s + side * SIDE_S / slow - chapter.start_s) * chapter.sr) for side in (-1, 1))
            if made[k] or (last > len(chapter.y) and not chapter.final):
                continue  # the next chapter, which begins with this one's end, holds it whole
            part = chapter.y[max(0, first) : max(0, last)]
            if len(part) > chapter.sr // 10:
                made[k] = _encoded(part, chapter.sr, slow)
        if all(made):
            break
    return made


def _encoded(y: FloatArray, sr: int, slow: int) -> bytes:
    """Stretched by resampling, so that it sounds lower too; peak at 0.9.

    By the whole clip's spectrum: a filter library's import would take longer than all clips.
    """
    import soundfile
    from scipy import fft

    made = fft.irfft(fft.rfft(y), round(len(y) * _SR * slow / sr))
    made = 0.9 * made / max(float(np.abs(made).max()), 1e-9)
    file = io.BytesIO()
    soundfile.write(file, made, _SR, format="MP3")
    return file.getvalue()
