"""Files to readings or failures: one file that cannot be used never stops the rest."""

import hashlib
import logging
import warnings
from collections.abc import Iterable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from injsound import __version__
from injsound.codes import WarningCode
from injsound.engine import Engine
from injsound.errors import InjsoundError, RecordingError
from injsound.reading import read
from injsound.results import Failure, Reading
from injsound.sound.decoding.audio import chapters, sha256
from injsound.sound.decoding.sources import name_of
from injsound.sound.onsets import second_opinion
from injsound.states import judged_of, skipped_of
from injsound.values import Note

_LOG = logging.getLogger(__name__)
# Raised by one whenever a kept reading lacks what a new one holds, or counts otherwise.
_EDITION = 6
# Who hears fewer of the ticks than this has no opinion on those that are missing.
_OPINION_SHARE = 0.9


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
        Name to show in place of the path, also in what went wrong.

    Returns
    -------
    Reading or Failure
        What it says, or why it cannot be used.
    """
    shown = name or str(path)
    try:
        return read(chapters(path, channel=channel), engine=engine, rpm=rpm, file=shown, sha256=sha256(path))
    except RecordingError as error:
        return Failure(file=shown, code=error.code, message=str(error).replace(name_of(Path(path)), shown, 1))
    except InjsoundError as error:
        return Failure(file=shown, code="parameter", message=str(error))
    except MemoryError:
        return Failure(file=shown, code="memory", message=f"{shown}: not enough memory; close other programs")
    except Exception as error:  # a fault of the program on one file must not take the others' results
        _LOG.debug("%s", shown, exc_info=True)
        fault = f"{type(error).__name__}: {error}"
        message = f"{shown}: the program itself failed on this file ({fault}); record again, and report the fault"
        return Failure(file=shown, code="internal", message=message)


def reading_key(path: str | Path, *, engine: Engine, rpm: float | None) -> str:
    """Hash of a file's content and of everything else that its reading depends on.

    Parameters
    ----------
    path : path
        Sound file.
    engine : Engine
        As given to ``run_file``.
    rpm : float or None
        The same [1/min].

    Returns
    -------
    str
        64 hexadecimal digits of the content, a dash and 12 of the settings with the program's version.
    """
    known = (engine.cylinders, engine.cylinder, engine.firing_order, engine.firing_angles, engine.injection.value)
    settings = (*known, rpm, __version__, _EDITION)
    return f"{sha256(path)}-{hashlib.sha256(repr(settings).encode()).hexdigest()[:12]}"


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


def in_parallel(calls: Iterable[Any], *, jobs: int | None) -> Iterator[Any]:
    """Results of calls in several processes, each as it is done, in whatever order.

    Parameters
    ----------
    calls : iterable
        As from ``joblib.delayed``.
    jobs : int or None
        Processes; all cores by default [unitless].

    Yields
    ------
    object
        A call's result.

    Raises
    ------
    InjsoundError
        If the system ended one of the processes.
    """
    from joblib import Parallel
    from joblib.externals.loky.process_executor import BrokenProcessPool

    results = Parallel(n_jobs=jobs or -1, return_as="generator_unordered")(calls)
    try:
        for result in results:  # noqa: UP028  # "yield from" would close it before the warning is kept back
            yield result
    except BrokenProcessPool:
        raise InjsoundError(
            "a process that reads recordings died, probably for lack of memory; expected some hundreds of megabytes for"
            " each: run again with --jobs 1 (a case: injsound case show FOLDER --jobs 1)"
        ) from None
    finally:
        # Where the caller stops early joblib advises on its use: nobody who reads it called joblib.
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", UserWarning)
            results.close()


def add_second_opinion(reading: Reading, path: str | Path, *, channel: int | None = None) -> Reading:
    """Count again with librosa's onset detection, and say how often it agrees.

    Parameters
    ----------
    reading : Reading
        The first opinion.
    path : path
        The same file.
    channel : int or None
        The same channel.

    Returns
    -------
    Reading
        With one more warning; the counts stay as they are.
    """
    due = reading.events.time_s
    judged = judged_of(reading.events)
    skipped = skipped_of(reading.events)
    heard = np.zeros(len(due), dtype=bool)
    for chapter in chapters(path, channel=channel):
        inside = (due >= chapter.start_s) & (due < chapter.start_s + len(chapter.y) / chapter.sr)
        # What two chapters share was heard if either hears it: at its ends a chapter hears less.
        heard[inside] |= second_opinion(chapter.y, chapter.sr, due[inside] - chapter.start_s)
    agree, count, found = int((heard[judged] != skipped[judged]).sum()), int(judged.sum()), int(heard[judged].sum())
    note = Note(
        code=WarningCode.SECOND_OPINION,
        figures={"agree": agree, "differ": count - agree, "skipped": count - found, "judged": count},
    )
    if heard[judged & ~skipped].sum() < _OPINION_SHARE * (judged & ~skipped).sum():
        note = Note(code=WarningCode.NO_SECOND_OPINION, figures={"heard": found, "judged": count})
    return replace(reading, quality=replace(reading.quality, warnings=(*reading.quality.warnings, note)))
