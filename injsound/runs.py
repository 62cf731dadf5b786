"""Files to readings or failures: one file that cannot be used never stops the rest."""

from collections.abc import Iterable, Iterator
from pathlib import Path

from injsound.engine import Engine
from injsound.errors import InjsoundError, RecordingError
from injsound.reading import read
from injsound.results import Failure, Reading
from injsound.sound.audio import chapters, sha256


def run_file(
    path: str | Path, *, engine: Engine, rpm: float | None = None, channel: int | None = None, name: str | None = None
) -> Reading | Failure:
    """Read one file.

    Parameters
    ----------
    path : path
        Sound file.
    engine : Engine
        What is known of the engine.
    rpm : float or None
        Engine speed by the tachometer [1/min].
    channel : int or None
        Channel to use, counted from 1; None picks the clearer one.
    name : str or None
        Name to show in place of the path.

    Returns
    -------
    Reading or Failure
        What it says, or why it cannot be used.
    """
    shown = name or str(path)
    try:
        return read(chapters(path, channel=channel), engine=engine, rpm=rpm, file=shown, sha256=sha256(path))
    except RecordingError as error:
        return Failure(file=shown, code=error.code, message=str(error))
    except InjsoundError as error:
        return Failure(file=shown, code="parameter", message=str(error))
    except MemoryError:
        return Failure(file=shown, code="memory", message=f"{shown}: not enough memory; close other programs")


def run_files(
    paths: Iterable[str | Path], *, engine: Engine, rpm: float | None = None, channel: int | None = None
) -> Iterator[Reading | Failure]:
    """Read files one after the other, each result as it comes.

    Parameters
    ----------
    paths : iterable of path
        Sound files.
    engine : Engine
        What is known of the engine, the same for all.
    rpm : float or None
        Engine speed by the tachometer [1/min].
    channel : int or None
        Channel to use, counted from 1.

    Yields
    ------
    Reading or Failure
        In the order of the paths.
    """
    for path in paths:
        yield run_file(path, engine=engine, rpm=rpm, channel=channel)
