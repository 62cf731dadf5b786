"""Decode a recording into overlapping chapters of one channel; the only place that opens sound files.

Time is counted in samples from the first decoded one, never taken from time stamps; time stamps only tell where
samples are missing. Two decoders give the same stream of pieces, and one builder makes chapters of it. libsndfile
(by soundfile) reads uncompressed files and FLAC, FFmpeg (by PyAV) everything else, and FLAC from the place where it is
damaged: libsndfile drops damaged Ogg pages and MP3 frames without a word, FFmpeg's time stamps tell of them.
Arrays in here have shape (channels, n); a recording's content decides how it is read, its name never does.
"""

import contextlib
import hashlib
import os
import re
import stat
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from io import BufferedReader
from itertools import chain
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from injsound.errors import ParameterError, RecordingError
from injsound.results import Figure, FloatArray, Note, Recording, Span, SpanKind, WarningCode

MAX_SECONDS = 7200.0
MIN_SECONDS = 5.0
MIN_RATE = 8000
# The fastest converters in common use (common practice, no source); more is a damaged header.
MAX_RATE = 384_000
# A step of 16 bits: below it there is nothing but digital silence and its codec's rounding.
SILENCE_STEP = 2.0**-15
# 100 dB over full scale: no microphone's sample, so a damaged one.
MAX_SAMPLE = 1e5
# A chapter's new part at least this long, else it is joined to the chapter before.
REST_FRACTION = 1 / 6
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
# Channels are compared over this long: long enough for an engine that is started in the recording, short enough to
# keep all channels in memory.
CHOOSE_FROM_S = 60.0
# Ticks are 2 to 5 ms long and lie above most of an engine's rumble (common practice, no source).
CLICK_FRAME_S = 0.002
CLICK_BAND_HZ = 1500.0
# A channel is taken instead of the first when its ticks stand out by this much more; 6 dB is twice the amplitude.
CLEAR_LEAD_DB = 3.0
# Channels whose click energy rises and falls together less than this carry different sounds.
SAME_SOUND_CORRELATION = 0.5
# At one sample in a hundred at full scale a channel counts as spoilt.
CLIPPED_SHARE, CLIPPED_LEVEL = 0.01, 0.99

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
class _Piece:
    """Decoded samples in order, shape (channels, n) or (n,); ``missing`` where zeros stand in for lost ones."""

    y: FloatArray
    missing: bool = False


@dataclass(slots=True)
class _Stream:
    """An opened file; whether it is cut off is known when ``pieces`` has ended."""

    path: Path
    sr: int
    channels: int
    codec: str
    pieces: Iterator[_Piece]
    channel: int = 1
    notes: list[Note] = field(default_factory=list)
    cut_off: bool = False


def chapters(
    path: str | os.PathLike[str], *, channel: int | None = None, chapter_s: float = 180.0, overlap_s: float = 2.0
) -> Iterator[Recording]:
    """Decode a file chapter by chapter, in memory bounded by one chapter.

    Channels are never added together: opposite phases would cancel. Holes in the stream and samples that are not
    numbers become zeros inside a span of kind ``GAP``. Sound after a lasting change of rate or channels is left out
    with the warning ``CUT_OFF``, as is all that follows damage that cannot be passed.

    Parameters
    ----------
    path : path-like
        Any file a phone makes; read by its content, not by its name.
    channel : int or None
        Channel counted from 1; None takes the one in which clicks stand out most, over the first 60 s [unitless].
    chapter_s : float
        Length of a chapter; a rest shorter than a sixth of it is joined to the last one [s].
    overlap_s : float
        How much of a chapter's end the next one starts with [s].

    Yields
    ------
    Recording
        Chapters in order, the last one ``final``.

    Raises
    ------
    ParameterError
        If a setting cannot be used.
    RecordingError
        If the file cannot be used. Too long, too short or silent throughout may only show after chapters were given.
    """
    if channel is not None and channel < 1:
        raise ParameterError(f"channel is {channel}; expected 1 or more: channels are counted from 1")
    if not 0 < chapter_s <= MAX_SECONDS or not 0 <= overlap_s <= chapter_s / 2:
        raise ParameterError(
            f"chapter of {chapter_s:g} s with overlap {overlap_s:g} s; expected a chapter of up to {MAX_SECONDS:g} s "
            "and an overlap of at most half of it: change one"
        )
    return _chapters(Path(path), channel, chapter_s, overlap_s)


def sha256(path: str | os.PathLike[str]) -> str:
    """Hash of a file's bytes, by which a recording is known whatever its name.

    Parameters
    ----------
    path : path-like
        The file.

    Returns
    -------
    str
        SHA-256 in hexadecimal.

    Raises
    ------
    RecordingError
        If the file cannot be read.
    """
    with _open_file(Path(path)) as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _chapters(path: Path, channel: int | None, chapter_s: float, overlap_s: float) -> Iterator[Recording]:
    with contextlib.ExitStack() as stack:
        stream = _open_stream(path, stack)
        if stream.sr > MAX_RATE:
            raise RecordingError(
                f"{_name(path)}: the sample rate is {stream.sr} Hz; expected {MAX_RATE} Hz or less: "
                "the file is damaged, copy it again",
                code="not audio",
            )
        if stream.sr < MIN_RATE:
            raise RecordingError(
                f"{_name(path)}: the sample rate is {stream.sr} Hz; expected {MIN_RATE} Hz or more, as ticks lie "
                "above 1.5 kHz: record with a better setting",
                code="sample rate too low",
            )
        pieces = _one_channel(stream, channel)
        yield from _build(stream, pieces, size=round(chapter_s * stream.sr), overlap=round(overlap_s * stream.sr))


def _build(stream: _Stream, pieces: Iterable[_Piece], *, size: int, overlap: int) -> Iterator[Recording]:
    """Fill chapters of ``size`` samples; each is given once enough of the next one is there."""
    room = size + max(1, round(size * REST_FRACTION))
    held, filled, start, total = np.empty(room, dtype=np.float32), 0, 0, 0
    gaps: list[tuple[int, int]] = []
    low, high = np.inf, -np.inf
    for piece in pieces:
        y, bad = _without_bad_samples(piece)
        _add_ranges(gaps, bad + total)
        total += len(y)
        if total > MAX_SECONDS * stream.sr:
            raise _too_long(stream.path, total / stream.sr)
        if not piece.missing and len(y):
            low, high = min(low, float(y.min())), max(high, float(y.max()))
        while len(y):
            part, y = np.split(y, [room - filled])
            held[filled : filled + len(part)] = part
            filled += len(part)
            if filled == room:
                yield _chapter(stream, held[:size], start, gaps)
                start += size - overlap
                filled = room - (size - overlap)
                held = np.concatenate([held[-filled:], np.empty(room - filled, dtype=np.float32)])
                gaps = [gap for gap in gaps if gap[1] > start]
    _check_end(stream.path, total / stream.sr, high - low)
    if stream.cut_off:
        stream.notes.append(Note(code=WarningCode.CUT_OFF, figures={"seconds": round(total / stream.sr, 2)}))
    yield _chapter(stream, held[:filled], start, gaps, final=True)


def _chapter(
    stream: _Stream, y: FloatArray, start: int, gaps: Iterable[tuple[int, int]], *, final: bool = False
) -> Recording:
    sr, inside = stream.sr, [(max(a, start), min(b, start + len(y))) for a, b in gaps]
    return Recording(
        y=y,
        sr=sr,
        start_s=start / sr,
        file=str(stream.path),
        codec=stream.codec,
        channel=stream.channel,
        channels=stream.channels,
        gaps=tuple(Span(from_s=a / sr, to_s=b / sr, kind=SpanKind.GAP) for a, b in inside if a < b),
        warnings=tuple(stream.notes),
        final=final,
    )


def _without_bad_samples(piece: _Piece) -> tuple[FloatArray, npt.NDArray[np.intp]]:
    """Put zeros for what is no sound; also give the ranges of the zeros, shape (n, 2)."""
    y = piece.y
    if piece.missing:
        return y, np.array([[0, len(y)]])
    bad = ~(np.abs(y) <= MAX_SAMPLE)  # also catches nan
    if not bad.any():
        return y, np.empty((0, 2), dtype=np.intp)
    edges = np.flatnonzero(np.diff(bad, prepend=False, append=False))
    return np.where(bad, np.float32(0), y), edges.reshape(-1, 2)


def _add_ranges(ranges: list[tuple[int, int]], more: npt.NDArray[np.intp]) -> None:
    """Append ranges in order, joined where they touch."""
    for a, b in more.tolist():
        if ranges and ranges[-1][1] >= a:
            ranges[-1] = (ranges[-1][0], b)
        else:
            ranges.append((a, b))


def _check_end(path: Path, seconds: float, swing: float) -> None:
    if seconds < MIN_SECONDS:
        raise RecordingError(
            f"{_name(path)}: the recording is {seconds:.1f} s; expected {MIN_SECONDS:g} s or more: "
            "record again for 60 s or more",
            code="too short",
        )
    if not swing >= SILENCE_STEP:  # nan where nothing but holes was read
        raise RecordingError(
            f"{_name(path)}: {seconds:.1f} s of digital silence; expected the sound of an engine: "
            "check that the microphone is plugged in and allowed, then record again",
            code="no sound",
        )


def _too_long(path: Path, seconds: float) -> RecordingError:
    return RecordingError(
        f"{_name(path)}: the recording is over {seconds / 60:.0f} min; expected {MAX_SECONDS / 60:.0f} min at most: "
        "cut it into parts",
        code="too long",
    )


# Which channel


def _one_channel(stream: _Stream, channel: int | None) -> Iterator[_Piece]:
    """Settle the stream's channel and give its pieces, shape (n,)."""
    if channel is not None and channel > stream.channels:
        raise RecordingError(
            f"{_name(stream.path)}: there is no channel {channel}; expected 1 to {stream.channels}: "
            "choose one of these",
            code="no such channel",
        )
    first: list[_Piece] = []
    if channel is None and stream.channels > 1:
        enough = min(CHOOSE_FROM_S * stream.sr, MAX_COMPARED / stream.channels)
        for piece in stream.pieces:
            first.append(piece)
            enough -= piece.y.shape[1]
            if enough <= 0:
                break
        channel, notes = _better_channel(first, stream.sr)
        stream.notes.extend(notes)
    stream.channel = channel or 1
    row = stream.channel - 1
    pieces = chain(_handed_over(first), stream.pieces)
    return (_Piece(np.ascontiguousarray(piece.y[row]), piece.missing) for piece in pieces)


def _handed_over(pieces: list[_Piece]) -> Iterator[_Piece]:
    """Give each piece and let go of it."""
    pieces.reverse()
    while pieces:
        yield pieces.pop()


def _better_channel(pieces: list[_Piece], sr: int) -> tuple[int, list[Note]]:
    """Find the channel whose clicks stand out most, counted from 1, and what to say about the others."""
    if not pieces:
        return 1, []
    y = np.concatenate([piece.y for piece in pieces], axis=1)
    y = np.where(np.abs(y) <= MAX_SAMPLE, y, np.float32(0))
    energy = _click_energy_db(y, sr)
    contrast = _contrast_db(y, energy)
    best = int(np.argmax(contrast))
    if contrast[best] == -np.inf:
        return 1, []
    lead = float(contrast[best] - np.delete(contrast, best).max())
    if contrast[best] - contrast[0] < CLEAR_LEAD_DB:
        best = 0
    figures: dict[str, Figure] = {"channel": best + 1, "channels": len(y)}
    if lead >= CLEAR_LEAD_DB:
        figures["lead_db"] = round(lead, 1) if np.isfinite(lead) else None
        return best + 1, [Note(code=WarningCode.CHANNEL_CHOSEN, figures=figures)]
    if min(_correlation(energy[best], other) for other in energy) < SAME_SOUND_CORRELATION:
        return best + 1, [Note(code=WarningCode.CHANNELS_DIFFER, figures=figures)]
    return best + 1, []


def _contrast_db(y: FloatArray, energy: FloatArray) -> FloatArray:
    """Compare each channel's loudest clicks with its usual level; a silent or spoilt one gets minus infinity."""
    if energy.shape[1] == 0:
        return np.full(len(y), -np.inf)
    contrast = np.percentile(energy, 99, axis=1) - np.median(energy, axis=1)
    spoilt = np.mean(np.abs(y) >= CLIPPED_LEVEL, axis=1) > CLIPPED_SHARE
    silent = np.ptp(y, axis=1) < SILENCE_STEP
    return np.where(silent | (spoilt & ~spoilt.all()), -np.inf, contrast)


def _click_energy_db(y: FloatArray, sr: int) -> FloatArray:
    """Measure the energy above 1.5 kHz in frames of 2 ms, shape (channels, frames) [dB]."""
    from scipy.signal import butter, sosfilt

    sos = butter(2, CLICK_BAND_HZ, "highpass", fs=sr, output="sos").astype(np.float32)
    size = round(CLICK_FRAME_S * sr)
    count = y.shape[1] // size
    energy = np.array([np.square(sosfilt(sos, one)[: count * size]).reshape(count, size).mean(axis=1) for one in y])
    return 10 * np.log10(energy + SILENCE_STEP**2 / 12)  # no quieter than the rounding to 16 bits


def _correlation(a: FloatArray, b: FloatArray) -> float:
    a, b = a - a.mean(), b - b.mean()
    power = float(np.dot(a, a) * np.dot(b, b))
    return float(np.dot(a, b)) / power**0.5 if power > 0 else 1.0


# Opening


def _open_stream(path: Path, stack: contextlib.ExitStack) -> _Stream:
    with _open_file(path) as file:
        head = file.read(4096)
    if not head:
        raise RecordingError(f"{_name(path)}: the file is empty (0 bytes); {_EXPECTED}: copy it again", code="empty")
    if not _SOUNDFILE_HEAD.match(head):
        return _open_ffmpeg(path, head, stack)
    return _open_soundfile(path, head, stack)


def _open_file(path: Path) -> BufferedReader:
    """Open for reading, or say in one line why not."""
    try:
        mode = path.stat().st_mode
        if stat.S_ISDIR(mode):
            raise RecordingError(f"{_name(path)}: this is a folder; {_EXPECTED}: name the file in it", code="folder")
        if not stat.S_ISREG(mode):  # reading a pipe or a device could wait for ever
            raise RecordingError(f"{_name(path)}: this is not a file; {_EXPECTED}: name a file", code="not a file")
        return path.open("rb")
    except FileNotFoundError:
        raise RecordingError(
            f"{_name(path)}: there is no such file; {_EXPECTED}: check the name", code="missing"
        ) from None
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) else str(error)
        raise RecordingError(
            f"{_name(path)}: the file cannot be opened ({reason}); {_EXPECTED}: check its name and permissions",
            code="unreadable",
        ) from None


def _name(path: Path) -> str:
    """Write the file's name on one line."""
    text = str(path)
    return text if text.isprintable() else ascii(text)


def _not_audio(path: Path, head: bytes) -> RecordingError:
    if head[4:8] in _BOXES and not _has_index(path):
        return RecordingError(
            f"{_name(path)}: the recording was not finished: its index is missing or damaged; expected a whole file: "
            "stop the recording before closing the app, copy the file again, or record again",
            code="not finished",
        )
    return RecordingError(f"{_name(path)}: found {_content(head)}; {_EXPECTED}: choose another file", code="not audio")


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
    size = path.stat().st_size
    with path.open("rb") as file:
        at = 0
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


# libsndfile


def _open_soundfile(path: Path, head: bytes, stack: contextlib.ExitStack) -> _Stream:
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
    stream = _Stream(path, sound.samplerate, sound.channels, codec, iter(()))
    if sound.frames > MAX_SECONDS * stream.sr:
        raise _too_long(path, sound.frames / stream.sr)
    stream.pieces = _soundfile_pieces(sound, stream, stack)
    return stream


def _soundfile_pieces(sound: Any, stream: _Stream, stack: contextlib.ExitStack) -> Iterator[_Piece]:
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
        yield _Piece(y)
    stream.cut_off = max(sound.frames, _frames_announced(sound, done)) - done > CUT_OFF_S * stream.sr


def _frames_announced(sound: Any, found: int) -> float:
    """Length by the header of a WAV or AIFF file that is shorter than it says [frames]."""
    match = re.search(r"^ ?(?:data|SSND) : (\d+) \(should be (\d+)\)", sound.extra_info, re.MULTILINE)
    if match is None:
        return found
    announced, there = int(match[1]), int(match[2])
    return found * announced / there if there and announced < _UNKNOWN_LENGTH else found


def _after_damage(stream: _Stream, done: int, stack: contextlib.ExitStack) -> Iterator[_Piece]:
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


# FFmpeg


def _open_ffmpeg(path: Path, head: bytes, stack: contextlib.ExitStack) -> _Stream:
    import av

    options = {"format_whitelist": _CONTAINERS, "protocol_whitelist": "file"}
    try:  # an absolute path is never taken for an option, a protocol or a stream
        container = stack.enter_context(av.open(str(path.absolute()), options=options, metadata_errors="ignore"))
    except av.FFmpegError:
        raise _not_audio(path, head) from None
    tracks = container.streams.audio
    if not tracks:
        raise RecordingError(f"{_name(path)}: there is no sound track in it; {_EXPECTED}", code="no sound")
    track, name = tracks[0], container.format.name
    length_s = _length(container, track)
    if length_s is not None and length_s > MAX_SECONDS:
        raise _too_long(path, length_s)
    stream = _Stream(path, 0, 0, "", iter(()))
    if name == "flac":  # its frames carry a checksum: without this a damaged one is decoded to noise
        track.codec_context.options = {"err_detect": "crccheck+explode"}
    frames = _frames(container, track, stream)
    first = next(frames, None)
    if first is None or track.codec_context is None:
        raise _not_audio(path, head)
    stream.sr, stream.channels = first.sample_rate, first.layout.nb_channels
    if first.format.is_planar and stream.channels > MAX_PLANES:
        raise RecordingError(
            f"{_name(path)}: there are {stream.channels} channels; expected {MAX_PLANES} at most in a compressed file: "
            "save it as wav with fewer",
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


def _priming(container: str, stream: _Stream, first: Any) -> int:
    """Count the samples before the sound that the container does not tell of."""
    if container == "aac":
        return ADTS_PRIMING
    whole = round(0.02 * stream.sr)  # AMR packets are 20 ms; the first is shorter where an edit list cut it
    return round(AMR_PRIMING_S * stream.sr) if stream.codec.startswith("amr") and first.samples == whole else 0


def _ogg_ended(path: Path) -> bool:
    """Whether the last Ogg page says that it is the last (RFC 3533: bit 4 of the sixth byte)."""
    with path.open("rb") as file:
        file.seek(max(0, path.stat().st_size - 2**17))  # a page is 64 KiB at most
        tail = file.read()
    at = tail.rfind(b"OggS")
    return at >= 0 and len(tail) > at + 5 and bool(tail[at + 5] & 4)


def _frames(container: Any, track: Any, stream: _Stream) -> Iterator[Any]:
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


def _frame_pieces(frames: Iterable[Any], stream: _Stream, length_s: float | None) -> Iterator[_Piece]:
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
            yield _Piece(_samples(held))
            held, count = [], 0
        for n in _parts(hole, MAX_BLOCK // stream.channels):
            yield _Piece(np.zeros((stream.channels, n), dtype=np.float32), missing=True)
        held.append(frame)
        count += frame.samples
        total += hole + frame.samples
    if held:
        yield _Piece(_samples(held))
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


def _without_first(pieces: Iterator[_Piece], count: int) -> Iterator[_Piece]:
    for piece in pieces:
        n = piece.y.shape[1]
        if count < n:
            yield _Piece(piece.y[:, count:], piece.missing)
        count = max(0, count - n)
