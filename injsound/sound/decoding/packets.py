"""Sound by FFmpeg (through PyAV): frame by frame, the holes that its time stamps tell of filled and marked."""

import contextlib
import errno
from collections.abc import Iterable, Iterator
from itertools import chain
from pathlib import Path
from typing import Any

import numpy as np

from injsound.codes import WarningCode
from injsound.errors import RecordingError
from injsound.sound.decoding.sources import (
    CUT_OFF_S,
    EXPECTED,
    MAX_BLOCK,
    Piece,
    Stream,
    name_of,
    not_audio,
    read_through,
    readable,
    refuse_too_long,
    without_first,
)
from injsound.values import FloatArray, Note

# Samples that the coder puts before the sound. AAC: a packet of 1024 at least (vendor technical note TN2258), which
# raw ADTS cannot say; other containers do. AMR: 5 ms look-ahead (3GPP TS 26.090 and 26.190, from memory; NB tested).
ADTS_PRIMING = 1024
AMR_PRIMING_S = 0.005
# Shorter than any packet of phones (AMR and Opus 20 ms, AAC 21 ms); longer than WebM's rounding (1 ms) and the
# unevenness of Vorbis at its end (9 ms, measured).
MIN_HOLE_S = 0.015
# A longer jump is a damaged or restarted time stamp, not a hole: it is followed, not filled.
MAX_HOLE_S = 60.0
# Sound and time stamps may come from two clocks; a phone's is right within 100 ppm (common practice, no source).
CLOCK_DRIFT = 200e-6
# About ten seconds of packets that cannot be decoded, one after the other: nothing more will come.
MAX_BAD_PACKETS = 500
# PyAV 18 looks for the end of a frame's list of planes, which has none when all 8 places of FFmpeg's list are taken:
# it then reads past the list and the process dies.
MAX_PLANES = 7
# Sound containers only: text, pictures and playlists (which could name other files) are never opened as media.
_CONTAINERS = "aac,ac3,aiff,amr,asf,au,avi,caf,eac3,flac,matroska,mov,mp3,mpeg,mpegts,ogg,w64,wav,wv"
# Containers whose header tells the true length; in the others FFmpeg guesses it from the bit rate.
_LENGTH_KNOWN = frozenset({"mov,mp4,m4a,3gp,3g2,mj2", "matroska,webm", "flac", "mp3"})


def open_ffmpeg(path: Path, head: bytes, stack: contextlib.ExitStack) -> Stream:
    """Open a file whatever FFmpeg finds in it.

    Parameters
    ----------
    path : Path
        The file.
    head : bytes
        How it begins, for words on what holds no sound.
    stack : ExitStack
        Closes it.

    Returns
    -------
    Stream
        Rate, codec and pieces.

    Raises
    ------
    RecordingError
        If it holds no sound that can be decoded.
    """
    import av

    options = {"format_whitelist": _CONTAINERS, "protocol_whitelist": "file"}
    try:  # an absolute path is never taken for an option, a protocol or a stream
        container = stack.enter_context(av.open(str(path.absolute()), options=options, metadata_errors="ignore"))
    except av.FFmpegError as error:
        if error.errno == errno.EIO:  # FFmpeg says so of damaged files too: the disk itself is asked
            read_through(path)
        raise not_audio(path, head) from None
    tracks = container.streams.audio
    if not tracks:
        raise RecordingError(f"{name_of(path)}: there is no sound track in it; {EXPECTED}", code="no sound")
    track, name = tracks[0], container.format.name
    length_s = _length(container, track)
    refuse_too_long(path, length_s or 0.0)
    stream = Stream(path, 0, 0, "", iter(()))
    if name == "flac":  # its frames carry a checksum: without this a damaged one is decoded to noise
        track.codec_context.options = {"err_detect": "crccheck+explode"}
    frames = _frames(container, track, stream)
    first = next(frames, None)
    if first is None or track.codec_context is None:
        raise not_audio(path, head)
    stream.sr, stream.channels = first.sample_rate, first.layout.nb_channels
    if first.format.is_planar and stream.channels > MAX_PLANES:
        raise RecordingError(
            f"{name_of(path)}: there are {stream.channels} channels; expected {MAX_PLANES} at most in a compressed "
            "file: save it as wav with fewer",
            code="too many channels",
        )
    stream.codec = track.codec_context.codec.canonical_name
    stream.cut_off = name == "ogg" and not _ogg_ended(path)
    if len(tracks) > 1:
        stream.notes.append(Note(code=WarningCode.ANOTHER_STREAM, figures={"streams": len(tracks)}))
    pieces = _frame_pieces(chain([first], frames), stream, length_s)
    stream.pieces = without_first(pieces, _priming(name, stream, first))
    return stream


def _length(container: Any, track: Any) -> float | None:
    """Length by the header, None where it is a guess [s]."""
    if container.format.name not in _LENGTH_KNOWN:
        return None
    if track.duration is not None:
        return float(track.duration * track.time_base)
    if container.duration is not None and not container.streams.video:
        return float(container.duration) / 1e6  # FFmpeg counts in microseconds
    return None


def _priming(container: str, stream: Stream, first: Any) -> int:
    """Count the samples before the sound that the container does not tell of."""
    if container == "aac":
        return ADTS_PRIMING
    whole = round(0.02 * stream.sr)  # AMR packets are 20 ms; the first is shorter where an edit list cut it
    return round(AMR_PRIMING_S * stream.sr) if stream.codec.startswith("amr") and first.samples == whole else 0


def _ogg_ended(path: Path) -> bool:
    """Whether the last Ogg page says that it is the last (RFC 3533: bit 4 of the sixth byte)."""
    with readable(path), path.open("rb") as file:
        file.seek(max(0, path.stat().st_size - 2**17))  # a page is 64 KiB at most
        tail = file.read()
    at = tail.rfind(b"OggS")
    return at >= 0 and len(tail) > at + 5 and bool(tail[at + 5] & 4)


def _frames(container: Any, track: Any, stream: Stream) -> Iterator[Any]:
    """Decode frame by frame; packets that cannot be decoded are left out."""
    import av

    packets, bad = container.demux(track), 0
    while bad < MAX_BAD_PACKETS:
        try:
            packet = next(packets)
        except StopIteration:
            break
        except av.FFmpegError:
            bad = MAX_BAD_PACKETS
            continue
        try:
            frames = packet.decode()
        except av.FFmpegError:
            bad += 1
            continue
        if frames:
            bad = 0
            yield from frames
    if bad:
        stream.cut_off = True


def _frame_pieces(frames: Iterable[Any], stream: Stream, length_s: float | None) -> Iterator[Piece]:
    """Join frames to pieces of about a second, with zeros where a time stamp tells of a hole."""
    clock, count, foreign, total = _StampClock(stream.sr), 0, 0, 0
    held: list[Any] = []
    for frame in frames:
        if frame.sample_rate != stream.sr or frame.layout.nb_channels != stream.channels:
            foreign += 1
            if foreign >= MAX_BAD_PACKETS:
                break
            continue
        foreign = 0
        hole = clock.missing_before(frame)
        if held and (hole or count >= stream.sr):
            yield Piece(_samples(held))
            held, count = [], 0
        for n in _parts(hole, MAX_BLOCK // stream.channels):
            yield Piece(np.zeros((stream.channels, n), dtype=np.float32), missing=True)
        held.append(frame)
        count += frame.samples
        total += hole + frame.samples
    if held:
        yield Piece(_samples(held))
    if foreign or (length_s is not None and length_s - total / stream.sr > CUT_OFF_S):
        stream.cut_off = True


def _parts(total: int, most: int) -> list[int]:
    return [min(most, total - done) for done in range(0, total, most)]


class _StampClock:
    """Compares time stamps with counted samples."""

    def __init__(self, sr: int) -> None:
        self._sr = sr
        self._expected: float | None = None

    def missing_before(self, frame: Any) -> int:
        """Count the samples missing before a frame; 0 where its time stamp is as expected, damaged or absent."""
        n, pts, base = int(frame.samples), frame.pts, frame.time_base
        if pts is None or base is None:
            self._expected = None if self._expected is None else self._expected + n
            return 0
        at = float(pts * base.numerator * self._sr / base.denominator)
        if self._expected is None or abs(at - self._expected) > MAX_HOLE_S * self._sr:
            self._expected = at + n
            return 0
        late = at - self._expected
        if late < max(MIN_HOLE_S * self._sr, n / 2):
            self._expected += n + min(max(late, -CLOCK_DRIFT * n), CLOCK_DRIFT * n)
            return 0
        packets = round(late / n) * n  # stamps may be rounded, lost packets are whole
        tick = self._sr * base.numerator / base.denominator
        hole = packets if abs(late - packets) <= tick else round(late)
        self._expected += hole + n
        return hole


def _samples(frames: list[Any]) -> FloatArray:
    """Join frames and scale them to full scale 1, shape (channels, n)."""
    y = np.concatenate([frame.to_ndarray() for frame in frames], axis=1)
    if not frames[0].format.is_planar:
        y = y.reshape(-1, frames[0].layout.nb_channels).T
    if y.dtype.kind == "f":
        with np.errstate(over="ignore", invalid="ignore"):  # damaged samples are found later
            return y.astype(np.float32, copy=False)
    full = np.float32(2.0 ** (8 * y.dtype.itemsize - 1))
    return (y.astype(np.float32) - (full if y.dtype.kind == "u" else 0)) / full
