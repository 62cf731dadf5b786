"""A file to a stream of pieces of all channels, by one of two decoders.

libsndfile (by soundfile) reads uncompressed files and FLAC, FFmpeg (by PyAV) everything else, and FLAC from the place
where it is damaged: libsndfile drops damaged Ogg pages and MP3 frames without a word, FFmpeg's time stamps tell of
them.
Arrays in here have shape (channels, n); a recording's content decides how it is read, its name never does.
"""

import contextlib
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from injsound.errors import RecordingError
from injsound.sound.decoding.packets import open_ffmpeg
from injsound.sound.decoding.sources import (
    CUT_OFF_S,
    EXPECTED,
    MAX_BLOCK,
    Piece,
    Stream,
    name_of,
    open_file,
    readable,
    refuse_too_long,
    without_first,
)

# libsndfile's SF_ERR_MALFORMED_FILE: a known kind of file that does not go on as it says, such as a cut CAF.
MALFORMED = 3
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
# Live writers put this or more where a length belongs.
_UNKNOWN_LENGTH = 0x7FFFF000


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
        raise RecordingError(f"{name_of(path)}: the file is empty (0 bytes); {EXPECTED}: copy it again", code="empty")
    if not _SOUNDFILE_HEAD.match(head):
        return open_ffmpeg(path, head, stack)
    return _open_soundfile(path, head, stack)


def _open_soundfile(path: Path, head: bytes, stack: contextlib.ExitStack) -> Stream:
    import soundfile

    try:
        sound = stack.enter_context(soundfile.SoundFile(str(path.absolute())))
    except soundfile.LibsndfileError as error:
        stream = open_ffmpeg(path, head, stack)
        stream.cut_off |= error.code == MALFORMED
        return stream
    except (TypeError, UnicodeEncodeError):  # it takes a name that ends in .raw for headerless; FFmpeg takes any name
        return open_ffmpeg(path, head, stack)
    codec = "flac" if sound.format == "FLAC" else _SOUNDFILE_CODECS.get(sound.subtype)
    if codec is None or sound.frames == 0:  # FFmpeg also reads files whose length was never written
        return open_ffmpeg(path, head, stack)
    stream = Stream(path, sound.samplerate, sound.channels, codec, iter(()))
    refuse_too_long(path, sound.frames / stream.sr)
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
        rest = open_ffmpeg(stream.path, b"", stack)
    except RecordingError:
        rest = None
    if rest is None or (rest.sr, rest.channels) != (stream.sr, stream.channels):
        stream.cut_off = True
        return
    yield from without_first(rest.pieces, done)
    stream.cut_off = rest.cut_off
