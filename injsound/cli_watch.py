"""The command that answers each recording that arrives in a case's folder."""

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from injsound.cli_options import Name, Number, language_option
from injsound.cli_recordings import say
from injsound.errors import InjsoundError, ParameterError
from injsound.show.words.keys import Screen

if TYPE_CHECKING:
    from injsound.show.text import Words

# A day: no watch looks more seldom, and the system cannot wait for ever.
_LONGEST_S = 86_400.0


@click.command()
@click.argument("folder", type=Name(file_okay=False))
@click.option("--every", type=Number(float, 2), default=2.0, show_default=True, help="Seconds between looks.")
@click.option("--looks", type=Number(int, 10), help="Stop after so many looks; else until stopped by Ctrl-C.")
@click.option("--rpm", type=Number(float, 750), help="Engine speed by the tachometer or scan tool.")
@click.option("--shaking", type=click.Choice(["yes", "no", "unknown"]), help="Does the engine shake meanwhile?")
@language_option
def watch(folder: str, every: float, looks: int | None, rpm: float | None, shaking: str | None, words: "Words") -> None:
    """Answer each recording that arrives in FOLDER at once: usable, or record again and why."""
    import itertools
    import time

    from injsound.cases.case_file import load_case
    from injsound.job_codes import Shaking

    if not 0 < every <= _LONGEST_S:
        raise ParameterError(f"--every is {every:g} s; expected more than 0, up to {_LONGEST_S:g} s, such as 2")
    load_case(folder)  # one that is wrong from the start is told and not waited for
    told_of_all = {"rpm": rpm, "shaking": None if shaking is None else Shaking(shaking)}
    given = {key: value for key, value in told_of_all.items() if value is not None}
    click.echo(words.say(Screen.WATCHING, folder=folder), err=True)
    sizes: dict[str, int] = {}
    said: set[str] = set()
    for look in itertools.count(1):
        with _said_once(said):
            _look(folder, sizes, given, said, words)
        if looks is not None and look >= looks:
            return
        time.sleep(every)


@contextmanager
def _said_once(said: set[str]) -> Iterator[None]:
    """What goes wrong with a file is told once, and the next look may find it right."""
    try:
        yield
    except FileNotFoundError:
        return  # gone again: nothing to answer
    except (InjsoundError, OSError) as error:
        if str(error) not in said:
            said.add(str(error))
            click.echo(f"injsound: {error}", err=True)


def _look(folder: str, sizes: dict[str, int], given: Mapping[str, Any], said: set[str], words: "Words") -> None:
    """Answer what has arrived whole: it holds something and has stopped growing since the last look."""
    from injsound.cases.case import unlisted
    from injsound.cases.case_file import load_case

    opened = load_case(folder)
    for name in unlisted(opened):
        with _said_once(said):
            size = (opened.folder / name).stat().st_size
            whole = size > 0 and sizes.get(name) == size
            sizes[name] = size
            if whole:
                _take_up(opened.folder / name, given, words)


def _take_up(recording: Path, given: Mapping[str, Any], words: "Words") -> None:
    """Add a recording that lies in its case's folder, and say what it says, or why it was not added."""
    from injsound.cases.adding import add_recordings
    from injsound.cases.case_file import load_case
    from injsound.cases.store import read_case
    from injsound.results import Failure
    from injsound.show.reading_text import glance
    from injsound.show.text import failure_line

    if refused := add_recordings(recording.parent, [recording], given).refused:
        raise InjsoundError("\n".join(refused))
    result = read_case(load_case(recording.parent))[recording.name]
    say([failure_line(result)] if isinstance(result, Failure) else glance(result, words))
