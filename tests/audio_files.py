"""Small recordings in every format a phone makes, written for the tests by PyAV and soundfile."""

from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import soundfile as sf

av.logging.set_level(None)  # encoders' remarks are of no use here


@dataclass(frozen=True)
class Format:
    """How a kind of file is written: by PyAV with container and codec, or by soundfile with format and subtype."""

    ending: str
    sr: int
    container: str
    codec: str
    by_soundfile: bool = False
    video: bool = False


# One of each kind, at the lowest rate at which it is usual or possible.
FORMATS = {
    "wav": Format("wav", 8000, "WAV", "PCM_16", by_soundfile=True),
    "flac": Format("flac", 8000, "FLAC", "PCM_16", by_soundfile=True),
    "aiff": Format("aiff", 8000, "AIFF", "PCM_16", by_soundfile=True),
    "caf": Format("caf", 8000, "CAF", "PCM_16", by_soundfile=True),
    "vorbis": Format("ogg", 16000, "OGG", "VORBIS", by_soundfile=True),
    "mp3": Format("mp3", 16000, "mp3", "libmp3lame"),
    "opus": Format("opus", 16000, "ogg", "libopus"),
    "m4a": Format("m4a", 16000, "ipod", "aac"),
    "alac": Format("m4a", 16000, "ipod", "alac"),
    "mp4": Format("mp4", 16000, "mp4", "aac", video=True),
    "mov": Format("mov", 16000, "mov", "aac"),
    "webm": Format("webm", 16000, "webm", "libopus"),
    "adts": Format("aac", 16000, "adts", "aac"),
    "amr": Format("amr", 8000, "amr", "libopencore_amrnb"),
    "3gp": Format("3gp", 8000, "3gp", "libopencore_amrnb"),
}


def pulse(sr: int) -> np.ndarray:
    """A click of 1.5 ms at 2 kHz, symmetric about its middle sample, inside the band of every codec."""
    half = round(0.004 * sr)
    t = np.arange(-half, half + 1) / sr
    return np.exp(-((t / 0.001) ** 2)) * np.cos(2 * np.pi * 2000 * t)


def clicks(sr: int, seconds: float, times_s: tuple[float, ...], *, noise: float = 0.002, seed: int = 1) -> np.ndarray:
    """Pulses centred at the samples next to given times, over faint noise; shape (n,)."""
    y = noise * np.random.default_rng(seed).standard_normal(round(seconds * sr))
    for middle in np.round(np.asarray(times_s) * sr).astype(int):
        one = 0.6 * pulse(sr)
        y[middle - len(one) // 2 : middle + len(one) // 2 + 1] += one
    return y.astype(np.float32)


def offset_of_click(y: np.ndarray, sr: int, time_s: float) -> int:
    """How many samples the click lies after a time, searched within 0.1 s by the matched filter."""
    middle, reach = round(time_s * sr), round(0.1 * sr)
    likeness = np.correlate(y[middle - reach : middle + reach + 1].astype(float), pulse(sr), "same")
    return int(np.argmax(likeness)) - reach


def write(path: Path, y: np.ndarray, kind: str | Format, *, sr: int | None = None) -> Path:
    """Write samples of shape (n,) or (channels, n) as one of ``FORMATS``."""
    form = FORMATS[kind] if isinstance(kind, str) else kind
    sr, y = sr or form.sr, np.atleast_2d(np.asarray(y, dtype=np.float32))
    if form.by_soundfile:
        sf.write(path, y.T, sr, format=form.container, subtype=form.codec)
    else:
        write_packets(path, y, form, sr=sr)
    return path


def write_packets(
    path: Path,
    y: np.ndarray,
    form: Format,
    *,
    sr: int,
    without: range = range(0),
    first_pts: int = 0,
    title: str = "",
) -> None:
    """Encode with PyAV; packets numbered in ``without`` are lost, time stamps start at ``first_pts`` samples."""
    layout = "mono" if len(y) == 1 else "stereo"
    with av.open(str(path), "w", format=form.container) as file:
        if title:
            file.metadata["title"] = title
        picture = _add_picture_stream(file) if form.video else None
        stream = file.add_stream(form.codec, rate=sr)
        stream.layout = layout
        if form.codec == "libopencore_amrnb":
            stream.bit_rate = 12200
        stream.codec_context.open()
        packets = [packet for frame in _frames(y, sr, layout, stream) for packet in stream.encode(frame)]
        for number, packet in enumerate(packets):
            packet.pts += first_pts
            packet.dts += first_pts
            if number not in without:
                file.mux(packet)
        if picture is not None:
            _add_pictures(file, picture, seconds=y.shape[1] / sr)


def _frames(y, sr, layout, stream):
    whole = av.AudioFrame.from_ndarray(np.ascontiguousarray(y), format="fltp", layout=layout)
    whole.sample_rate, whole.pts, whole.time_base = sr, 0, Fraction(1, sr)
    context = stream.codec_context
    cutter = av.AudioResampler(context.format.name, layout, context.sample_rate, frame_size=context.frame_size or 1024)
    return [*cutter.resample(whole), *cutter.resample(None), None]


def _add_picture_stream(file):
    stream = file.add_stream("mpeg4", rate=5)
    stream.width, stream.height, stream.pix_fmt = 64, 64, "yuv420p"
    return stream


def _add_pictures(file, stream, *, seconds):
    for number in range(round(5 * seconds)):
        frame = av.VideoFrame.from_ndarray(np.full((64, 64, 3), number * 5 % 250, dtype=np.uint8))
        frame.pts = number
        file.mux(stream.encode(frame))
    file.mux(stream.encode(None))
