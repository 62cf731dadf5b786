"""Recordings of a case, or given by name, read for a command: what could not be used is told on stderr."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from injsound.errors import InjsoundError, ParameterError
from injsound.show.words.keys import Screen

if TYPE_CHECKING:
    from injsound.cases.case import Case, Entry
    from injsound.cli_options import Typed
    from injsound.diagnoses import Findings, Take
    from injsound.engine import Engine
    from injsound.job_codes import Stage
    from injsound.results import Failure, Reading
    from injsound.show.text import Words


def gathered(
    folder: str, words: "Words", *, jobs: int | None = None
) -> "tuple[Case, dict[str, Reading | Failure], Findings]":
    """Read what is new in a case, and what its recordings say together.

    Parameters
    ----------
    folder : str
        The case.
    words : Words
        The language.
    jobs : int or None
        Processes; all cores by default [unitless].

    Returns
    -------
    Case, dict of str to Reading or Failure, Findings
        Files that could not be used are told on stderr.
    """
    from injsound.cases.case_file import load_case
    from injsound.cases.evidence import gather
    from injsound.cases.store import read_case
    from injsound.results import Failure
    from injsound.show.text import failure_line

    opened = load_case(folder)

    def to_stderr(line: str) -> None:
        click.echo(line, err=True)

    def done(file: str) -> None:
        to_stderr(words.say(Screen.READ, file=file))

    results = read_case(opened, tell=done, warn=to_stderr, jobs=jobs)
    for result in results.values():
        if isinstance(result, Failure):
            to_stderr(failure_line(result))
    return opened, results, gather(opened, results)


def held_by(folder: str) -> list[Path]:
    """Files of a case that no result may overwrite.

    Parameters
    ----------
    folder : str
        The case.

    Returns
    -------
    list of Path
        As from ``files_of``.
    """
    from injsound.cases.case_file import load_case
    from injsound.cases.store import files_of

    return files_of(load_case(folder))


def any_failed(results: "Mapping[str, Reading | Failure]") -> bool:
    """Whether a recording of a case could not be used: the exit code is then 1.

    Parameters
    ----------
    results : mapping of str to Reading or Failure
        As from ``gathered``.

    Returns
    -------
    bool
        True where one is a failure.
    """
    from injsound.results import Failure

    return any(isinstance(result, Failure) for result in results.values())


def nothing_for(results: "Mapping[str, Reading | Failure]", said: str) -> InjsoundError:
    """Why a test of a case cannot be made: nothing was recorded for it, or what was could not be used.

    Parameters
    ----------
    results : mapping of str to Reading or Failure
        As from ``gathered``.
    said : str
        What is missing.

    Returns
    -------
    InjsoundError
        To be raised.
    """
    if any_failed(results):
        return InjsoundError(f"{said} (recordings that could not be used are named above)")
    return ParameterError(said)


def check_apart(*files: Sequence[str]) -> None:
    """Say before the long work that a recording was given twice, be it by another name.

    Parameters
    ----------
    *files : sequence of str
        Recordings outside a case.

    Raises
    ------
    ParameterError
        If two are one file.
    """
    from injsound.files import identity

    seen: dict[tuple[int, int] | str, str] = {}
    for file in (name for some in files for name in some):
        if (key := identity(file)) in seen:
            other = "" if seen[key] == file else f", also as {seen[key]}"
            raise ParameterError(
                f"{file} is given twice{other}; expected another recording at each place: correct the names"
            )
        seen[key] = file


def entries_of(
    files: Sequence[str], *, stage: "Stage | None" = None, cylinders: Sequence[int] = (), option: str = ""
) -> "list[Entry]":
    """Recordings outside a case before they are read; their names tell cylinder, condition and speed.

    Parameters
    ----------
    files : sequence of str
        The recordings.
    stage : Stage or None
        When they were made; by default as their names say.
    cylinders : sequence of int
        Whose injector each is of; where empty, as their names say.
    option : str
        What the cylinders were typed behind.

    Returns
    -------
    list of Entry
        In the same order.

    Raises
    ------
    ParameterError
        If nothing tells a cylinder, a name tells another one or no speed that can be, or there is no such file.
    """
    typed: Sequence[int | None] = cylinders or [None] * len(files)
    found = [_entry_of(file, cylinder, option) for file, cylinder in zip(files, typed, strict=True)]
    return found if stage is None else [replace(entry, stage=stage) for entry in found]


def _entry_of(file: str, cylinder: int | None, option: str) -> "Entry":
    from injsound.cases.case import entry_from_name
    from injsound.cases.names import cylinder_named

    # Its content decides whether it is sound, whatever its name ends in.
    entry = entry_from_name(file, cylinder=cylinder)
    if entry is None and not Path(file).exists():
        raise ParameterError(f"{file}: there is no such file or folder; expected recordings or a case: check the name")
    if entry is None:
        raise ParameterError(f"{file} names no cylinder; call it like 'cyl2 cold.m4a', or make a case")
    named = cylinder_named(Path(file).stem)
    if named not in (None, entry.cylinder):
        raise ParameterError(
            f"{option} gives cylinder {entry.cylinder} to {file}, which names cylinder {named}; expected the same:"
            f" correct {option}, or leave it out"
        )
    return entry


def read_takes(entries: "Sequence[Entry]", typed: "Typed", words: "Words") -> "list[Take]":
    """Read recordings outside a case.

    Parameters
    ----------
    entries : sequence of Entry
        As from `entries_of`.
    typed : Typed
        The engine and its speed; a speed in a file's name goes before.
    words : Words
        The language.

    Returns
    -------
    list of Take
        Those that could be used; the others are told on stderr.

    Raises
    ------
    ParameterError
        If the engine cannot be, or has no such cylinder.
    """
    from injsound.diagnoses import Take

    engine, takes = typed.engine(), []
    engines = [replace(engine, cylinder=entry.cylinder) for entry in entries]
    for entry, own in zip(entries, engines, strict=True):
        reading = read_one(entry.file, own, entry.rpm or typed.rpm, words)
        if reading is not None:
            takes.append(
                Take(
                    reading=reading,
                    cylinder=entry.cylinder,
                    injector=entry.injector,
                    stage=entry.stage,
                    condition=entry.condition,
                    shaking=entry.shaking,
                )
            )
    return takes


def read_one(file: str, engine: "Engine", rpm: float | None, words: "Words") -> "Reading | None":
    """Read one recording outside a case.

    Parameters
    ----------
    file : str
        The recording.
    engine : Engine
        Whose.
    rpm : float or None
        Engine speed, where it is known [1/min].
    words : Words
        The language.

    Returns
    -------
    Reading or None
        None where it could not be used, which is told on stderr.
    """
    from injsound.results import Failure
    from injsound.runs import run_file
    from injsound.show.text import failure_line

    result = run_file(file, engine=engine, rpm=rpm)
    if isinstance(result, Failure):
        click.echo(failure_line(result), err=True)
        return None
    click.echo(words.say(Screen.READ, file=file), err=True)
    return result


def say(lines: list[str]) -> None:
    """Print a block and an empty line.

    Parameters
    ----------
    lines : list of str
        Without line breaks.
    """
    click.echo("\n".join([*lines, ""]))
