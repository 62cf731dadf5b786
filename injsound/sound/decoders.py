"""The two decoders: a file to a stream of pieces of all channels, holes in its time stamps filled and marked.

libsndfile (by soundfile) reads uncompressed files and FLAC, FFmpeg (by PyAV) everything else, and FLAC from the place
where it is damaged: libsndfile drops damaged Ogg pages and MP3 frames without a word, FFmpeg's time stamps tell of
them.
Arrays in here have shape (channels, n); a recording's content decides how it is read, its name never does.
"""

import contextlib
import errno
import re
import stat
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from io import BufferedReader
from itertools import chain
from pathlib import Path
from typing import Any

import numpy as np

from injsound.errors import RecordingError
from injsound.results import FloatArray, Note, WarningCode

MAX_SECONDS = 7200.0
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
# What may be missing at the end before the file counts as cut off: more than any codec's padding.
CUT_OFF_S = 0.5
# libsndfile's SF_ERR_MALFORMED_FILE: a known kind of file that does not go on as it says, such as a cut CAF.
MALFORMED = 3
# PyAV 18 looks for the end of a frame's list of planes, which has none when all 8 places of FFmpeg's list are taken:
# it then reads past the list and the process dies.
MAX_PLANES = 7
# Samples of all channels in one block, and while channels are compared: 4 and 64 MB.
MAX_BLOCK, MAX_COMPARED = 2**20, 2**24
# How uncompressed files and FLAC begin. Strict: libsndfile goes by the ending where it does not know the content.
_SOUNDFILE_HEAD = re.compile(
    rb"(RIFF|RIFX|RF64)....WAVE|riff\x2e\x91\xcf\x11|FORM....AIF[FC]|caff|\.snd|fLaC", re.DOTALL
)
_SOUNDFILE_CODECS = {
    "PCM_S8": "pcm_s8",
    "PCM_U8": "pcm_u8",
    "PCM_16": "pcm_s16le",
    "PCM_24": "pcm_s24le",
    "PCM_32": "pcm_s32le",
    "FLOAT": "pcm_f32le",
    "DOUBLE": "pcm_f64le",
    "ULAW": "pcm_mulaw",
    "ALAW": "pcm_alaw",
    "IMA_ADPCM": "adpcm_ima_wav",
    "MS_ADPCM": "adpcm_ms",
    "ALAC_16": "alac",
    "ALAC_24": "alac",
}
# Sound containers only: text, pictures and playlists (which could name other files) are never opened as media.
_CONTAINERS = "aac,ac3,aiff,amr,asf,au,avi,caf,eac3,flac,matroska,mov,mp3,mpeg,mpegts,ogg,w64,wav,wv"
# Containers whose header tells the true length; in the others FFmpeg guesses it from the bit rate.
_LENGTH_KNOWN = frozenset({"mov,mp4,m4a,3gp,3g2,mj2", "matroska,webm", "flac", "mp3"})
_KNOWN_CONTENT = (
    (b"\xff\xd8\xff", "a JPEG picture"),
    (b"\x89PNG", "a PNG picture"),
    (b"GIF8", "a GIF picture"),
    (b"%PDF", "a PDF document"),
    (b"PK\x03\x04", "a ZIP archive or office document"),
)
_EXPECTED = "expected a sound recording (m4a, wav, flac, mp3, ogg, 3gp, amr, webm or a video with sound)"
# First boxes of an MP4 family file.
_BOXES = frozenset({b"ftyp", b"wide", b"mdat", b"free", b"skip", b"moov"})
# Live writers put this or more where a length belongs.
_UNKNOWN_LENGTH = 0x7FFFF000


@dataclass(frozen=True, slots=True)
class Piece:
    """Decoded samples in order, shape (channels, n) or (n,); ``missing`` where zeros stand in for lost ones."""

    y: FloatArray
    missing: bool = False


@dataclass(slots=True)
class Stream:
    """An opened file; whether it is cut off is known when ``pieces`` has ended."""

    path: Path
    sr: int
    channels: int
    codec: str
    pieces: Iterator[Piece]
    channel: int = 1
    notes: list[Note] = field(default_factory=list)
    cut_off: bool = False


def too_long(path: Path, seconds: float) -> RecordingError:
    """Error for a recording over the limit.

    Parameters
    ----------
    path : Path
        The file.
    seconds : float
        Its length so far [s].

    Returns
    -------
    RecordingError
        To be raised.
    """
    return RecordingError(
        f"{name_of(path)}: the recording is over {seconds / 60:.0f} min; expected {MAX_SECONDS / 60:.0f} min at most: "
        "cut it into parts",
        code="too long",
    )


def open_stream(path: Path, stack: contextlib.ExitStack) -> Stream:
    """Open a file by its content.

    Parameters
    ----------
    path : Path
        The file.
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
    with readable(path), open_file(path) as file:
        head = file.read(4096)
    if not head:
        raise RecordingError(f"{name_of(path)}: the file is empty (0 bytes); {_EXPECTED}: copy it again", code="empty")
    if not _SOUNDFILE_HEAD.match(head):
        return _open_ffmpeg(path, head, stack)
    return _open_soundfile(path, head, stack)


def open_file(path: Path) -> BufferedReader:
    """Open for reading, or say in one line why not."""
    try:
        mode = path.stat().st_mode
        if stat.S_ISDIR(mode):
            raise RecordingError(f"{name_of(path)}: this is a folder; {_EXPECTED}: name the file in it", code="folder")
        if not stat.S_ISREG(mode):  # reading a pipe or a device could wait for ever
            raise RecordingError(f"{name_of(path)}: this is not a file; {_EXPECTED}: name a file", code="not a file")
        return path.open("rb")
    except FileNotFoundError:
        raise RecordingError(
            f"{name_of(path)}: there is no such file; {_EXPECTED}: check the name", code="missing"
        ) from None
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) else str(error)
        raise RecordingError(
            f"{name_of(path)}: the file cannot be opened ({reason}); {_EXPECTED}: check its name and permissions",
            code="unreadable",
        ) from None


@contextlib.contextmanager
def readable(path: Path) -> Iterator[None]:
    """Make one line of what the system refuses while an opened file is read.

    Parameters
    ----------
    path : Path
        The file.

    Yields
    ------
    None
        Once.

    Raises
    ------
    RecordingError
        In place of ``OSError``.
    """
    try:
        yield
    except OSError as error:
        raise RecordingError(
            f"{name_of(path)}: the file cannot be read to its end ({error.strerror or error}); {_EXPECTED}: check the "
            "disk or the connection to it, or copy the file elsewhere",
            code="unreadable",
        ) from error


def _read_through(path: Path) -> None:
    with readable(path), path.open("rb") as file:
        while file.read(2**20):
            pass


def name_of(path: Path) -> str:
    """Write the file's name on one line."""
    text = str(path)
    return text if text.isprintable() else ascii(text)


def _not_audio(path: Path, head: bytes) -> RecordingError:
    if head[4:8] in _BOXES and not _has_index(path):
        return RecordingError(
            f"{name_of(path)}: the recording was not finished: its index is missing or damaged; expected a whole file: "
            "stop the recording before closing the app, copy the file again, or record again",
            code="not finished",
        )
    return RecordingError(
        f"{name_of(path)}: found {_content(head)}; {_EXPECTED}: choose another file", code="not audio"
    )


def _content(head: bytes) -> str:
    """Say what a file seems to be."""
    for magic, words in _KNOWN_CONTENT:
        if head.startswith(magic):
            return words
    try:
        text = head.decode()
    except UnicodeDecodeError as error:
        text = head[: error.start].decode() if error.start > len(head) - 4 else ""  # a letter cut in two is text
    if text and all(letter.isprintable() or letter.isspace() for letter in text):
        return "text"
    return "no sound that can be decoded"


def _has_index(path: Path) -> bool:
    """Whether an MP4 family file has its ``moov`` box (ISO/IEC 14496-12: size, type, then for size 1 a long size)."""
    with readable(path), path.open("rb") as file:
        size, at = path.stat().st_size, 0
        while at + 8 <= size:
            file.seek(at)
            header = file.read(16)
            if header[4:8] == b"moov":
                return at + int.from_bytes(header[:4]) <= size
            length = int.from_bytes(header[:4])
            length = int.from_bytes(header[8:16]) if length == 1 else length
            if length < 8:  # 0: to the end of the file; 2 to 7: damaged
                return False
            at += length
    return False


def _open_soundfile(path: Path, head: bytes, stack: contextlib.ExitStack) -> Stream:
    import soundfile

    try:
        sound = stack.enter_context(soundfile.SoundFile(str(path.absolute())))
    except soundfile.LibsndfileError as error:
        stream = _open_ffmpeg(path, head, stack)
        stream.cut_off |= error.code == MALFORMED
        return stream
    except (TypeError, UnicodeEncodeError):  # it takes a name that ends in .raw for headerless; FFmpeg takes any name
        return _open_ffmpeg(path, head, stack)
    codec = "flac" if sound.format == "FLAC" else _SOUNDFILE_CODECS.get(sound.subtype)
    if codec is None or sound.frames == 0:  # FFmpeg also reads files whose length was never written
        return _open_ffmpeg(path, head, stack)
    stream = Stream(path, sound.samplerate, sound.channels, codec, iter(()))
    if sound.frames > MAX_SECONDS * stream.sr:
        raise too_long(path, sound.frames / stream.sr)
    stream.pieces = _soundfile_pieces(sound, stream, stack)
    return stream


def _soundfile_pieces(sound: Any, stream: Stream, stack: contextlib.ExitStack) -> Iterator[Piece]:
    import soundfile

    done, block = 0, max(1, min(stream.sr, MAX_BLOCK // stream.channels))
    while True:
        try:
            y = sound.read(block, dtype="float32", always_2d=True).T
        except soundfile.LibsndfileError:
            yield from _after_damage(stream, done, stack)
            return
        if y.shape[1] == 0:
            break
        done += y.shape[1]
        yield Piece(y)
    stream.cut_off = max(sound.frames, _frames_announced(sound, done)) - done > CUT_OFF_S * stream.sr


def _frames_announced(sound: Any, found: int) -> float:
    """Length by the header of a WAV or AIFF file that is shorter than it says [frames]."""
    match = re.search(r"^ ?(?:data|SSND) : (\d+) \(should be (\d+)\)", sound.extra_info, re.MULTILINE)
    if match is None:
        return found
    announced, there = int(match[1]), int(match[2])
    return found * announced / there if there and announced < _UNKNOWN_LENGTH else found


def _after_damage(stream: Stream, done: int, stack: contextlib.ExitStack) -> Iterator[Piece]:
    """Go on with FFmpeg after the first ``done`` samples; libsndfile cannot pass the damage."""
    try:
        rest = _open_ffmpeg(stream.path, b"", stack)
    except RecordingError:
        rest = None
    if rest is None or (rest.sr, rest.channels) != (stream.sr, stream.channels):
        stream.cut_off = True
        return
    yield from _without_first(rest.pieces, done)
    stream.cut_off = rest.cut_off


def _open_ffmpeg(path: Path, head: bytes, stack: contextlib.ExitStack) -> Stream:
    import av

    options = {"format_whitelist": _CONTAINERS, "protocol_whitelist": "file"}
    try:  # an absolute path is never taken for an option, a protocol or a stream
        container = stack.enter_context(av.open(str(path.absolute()), options=options, metadata_errors="ignore"))
    except av.FFmpegError as error:
        if error.errno == errno.EIO:  # FFmpeg says so of damaged files too: the disk itself is asked
            _read_through(path)
        raise _not_audio(path, head) from None
    tracks = container.streams.audio
    if not tracks:
        raise RecordingError(f"{name_of(path)}: there is no sound track in it; {_EXPECTED}", code="no sound")
    track, name = tracks[0], container.format.name
    length_s = _length(container, track)
    if length_s is not None and length_s > MAX_SECONDS:
        raise too_long(path, length_s)
    stream = Stream(path, 0, 0, "", iter(()))
    if name == "flac":  # its frames carry a checksum: without this a damaged one is decoded to noise
        track.codec_context.options = {"err_detect": "crccheck+explode"}
    frames = _frames(container, track, stream)
    first = next(frames, None)
    if first is None or track.codec_context is None:
        raise _not_audio(path, head)
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
    stream.pieces = _without_first(pieces, _priming(name, stream, first))
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


def _without_first(pieces: Iterator[Piece], count: int) -> Iterator[Piece]:
    for piece in pieces:
        n = piece.y.shape[1]
        if count < n:
            yield Piece(piece.y[:, count:], piece.missing)
        count = max(0, count - n)
