"""A sound file before it is decoded: opened or refused in one line, told by its content, and what decoders make of it.

Arrays of pieces have shape (channels, n).
"""

import contextlib
import stat
from collections.abc import Iterator
from dataclasses import dataclass, field
from io import BufferedReader
from pathlib import Path

from injsound.errors import RecordingError
from injsound.values import FloatArray, Note

MAX_SECONDS = 7200.0
# What may be missing at the end before the file counts as cut off: more than any codec's padding.
CUT_OFF_S = 0.5
# Samples of all channels in one block: 4 MB.
MAX_BLOCK = 2**20
_KNOWN_CONTENT = (
    (b"\xff\xd8\xff", "a JPEG picture"),
    (b"\x89PNG", "a PNG picture"),
    (b"GIF8", "a GIF picture"),
    (b"%PDF", "a PDF document"),
    (b"PK\x03\x04", "a ZIP archive or office document"),
)
EXPECTED = "expected a sound recording (m4a, wav, flac, mp3, ogg, 3gp, amr, webm or a video with sound)"
# First boxes of an MP4 family file.
_BOXES = frozenset({b"ftyp", b"wide", b"mdat", b"free", b"skip", b"moov"})


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


def without_first(pieces: Iterator[Piece], count: int) -> Iterator[Piece]:
    """Leave out the first samples of a stream."""
    for piece in pieces:
        n = piece.y.shape[1]
        if count < n:
            yield Piece(piece.y[:, count:], piece.missing)
        count = max(0, count - n)


def refuse_too_long(path: Path, seconds: float) -> None:
    """Refuse a recording over the limit.

    Parameters
    ----------
    path : Path
        The file.
    seconds : float
        Its length, or how much of it there is so far [s].

    Raises
    ------
    RecordingError
        If that is over two hours.
    """
    if seconds > MAX_SECONDS:
        raise RecordingError(
            f"{name_of(path)}: the recording is over {seconds / 60:.0f} min; expected {MAX_SECONDS / 60:.0f} min at "
            "most: cut it into parts",
            code="too long",
        )


def open_file(path: Path) -> BufferedReader:
    """Open for reading, or say in one line why not."""
    try:
        mode = path.stat().st_mode
        if stat.S_ISDIR(mode):
            raise RecordingError(f"{name_of(path)}: this is a folder; {EXPECTED}: name the file in it", code="folder")
        if not stat.S_ISREG(mode):  # reading a pipe or a device could wait for ever
            raise RecordingError(f"{name_of(path)}: this is not a file; {EXPECTED}: name a file", code="not a file")
        return path.open("rb")
    except FileNotFoundError:
        raise RecordingError(
            f"{name_of(path)}: there is no such file; {EXPECTED}: check the name", code="missing"
        ) from None
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) else str(error)
        raise RecordingError(
            f"{name_of(path)}: the file cannot be opened ({reason}); {EXPECTED}: check its name and permissions",
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
            f"{name_of(path)}: the file cannot be read to its end ({error.strerror or error}); {EXPECTED}: check the "
            "disk or the connection to it, or copy the file elsewhere",
            code="unreadable",
        ) from error


def read_through(path: Path) -> None:
    """Read a file to its end, which fails where the disk does."""
    with readable(path), path.open("rb") as file:
        while file.read(2**20):
            pass


def name_of(path: Path) -> str:
    """Write the file's name on one line."""
    text = str(path)
    return text if text.isprintable() else ascii(text)


def not_audio(path: Path, head: bytes) -> RecordingError:
    """Say what a file that holds no sound seems to be."""
    if head[4:8] in _BOXES and not _has_index(path):
        return RecordingError(
            f"{name_of(path)}: the recording was not finished: its index is missing or damaged; expected a whole file: "
            "stop the recording before closing the app, copy the file again, or record again",
            code="not finished",
        )
    return RecordingError(f"{name_of(path)}: found {_content(head)}; {EXPECTED}: choose another file", code="not audio")


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
