"""The command that reads recordings of one injector each."""

import os
import sys
from collections.abc import Iterator, Sequence
from contextlib import AbstractContextManager, contextmanager, nullcontext
from pathlib import Path
from typing import TYPE_CHECKING

import click

from injsound.cli_options import PICTURES, Name, Number, engine_options, force_option, language_option, may_write
from injsound.errors import ParameterError
from injsound.show.words.keys import Screen

if TYPE_CHECKING:
    from injsound.cli_options import Typed
    from injsound.engine import Engine
    from injsound.results import Failure, Reading
    from injsound.show.drawing import Draw
    from injsound.show.text import Words

# The file behind "-", by the system's own name for it; a system that has none has no such file.
_STANDARD_INPUT = "/dev/stdin"


def add_check(group: click.Group) -> None:
    """Add the command of this module.

    Parameters
    ----------
    group : click.Group
        The program.
    """
    group.add_command(check)


@click.command()
@click.argument("recordings", nargs=-1, required=True, type=Name())
@engine_options
@click.option("--channel", type=Number(int, 1), help="Channel to use, counted from 1; the clearer one by default.")
@click.option("--picture", type=Name(), help="Picture file (.png, .svg), or a folder for one each.")
@click.option("--json", "json_to", type=Name(allow_dash=True), help="JSON file, or - for standard output.")
@click.option("--details", is_flag=True, help="Timing figures as well.")
@click.option(
    "--second-opinion", is_flag=True, help="Count with librosa's onset detection too and say where it differs."
)
@force_option
@language_option
@click.pass_context
def check(
    context: click.Context,
    recordings: tuple[str, ...],
    typed: "Typed",
    channel: int | None,
    picture: str | None,
    json_to: str | None,
    details: bool,
    second_opinion: bool,
    force: bool,
    words: "Words",
) -> None:
    """Read RECORDINGS, one injector each, and say what they show; - is standard input."""
    from injsound.show.text import shortened

    engine = typed.engine()
    if channel is not None and channel < 1:
        raise ParameterError(f"channel is {channel}; expected 1 or more: channels are counted from 1")
    if recordings.count("-") > 1:
        raise ParameterError("- is given twice; expected it once, for standard input holds one recording: name files")
    pictures = _picture_targets(recordings, picture)
    targets = [*pictures.values(), *([] if json_to in (None, "-") else [Path(str(json_to))])]
    may_write(targets, force, read=[_STANDARD_INPUT if name == "-" else name for name in recordings])
    quiet = json_to == "-"
    results = []
    if second_opinion:
        click.echo(words.say(Screen.SECOND_OPINION), err=True)
    with _drawing(wanted=bool(pictures)) as draw:
        for number, recording in enumerate(recordings, 1):
            if len(recordings) > 1:
                told = words.say(Screen.PROGRESS, number=number, count=len(recordings), file=shortened(recording, 60))
                click.echo(told, err=True)
            result = _read(recording, engine, typed.rpm, channel, second_opinion)
            results.append(result)
            _show(result, words, details=details, quiet=quiet)
            if draw is not None:
                _draw(result, pictures[number - 1], words, draw)
    if json_to is not None:
        _write_json(results, json_to)
    context.exit(int(any(_failed(result) for result in results)))


def _read(
    recording: str, engine: "Engine", rpm: float | None, channel: int | None, second_opinion: bool
) -> "Reading | Failure":
    from injsound.results import Failure
    from injsound.runs import add_second_opinion, run_file

    with _as_file(recording) as (path, name):
        result = run_file(path, engine=engine, rpm=rpm, channel=channel, name=name)
        if second_opinion and not isinstance(result, Failure):
            return add_second_opinion(result, path, channel=channel)
    return result


@contextmanager
def _as_file(recording: str) -> Iterator[tuple[str, str | None]]:
    """A file's path and the name to show in its place; standard input is written to one first."""
    if recording != "-":
        yield recording, None
        return
    import tempfile

    # A file that is open cannot be opened again on every system: it is closed before it is read.
    with tempfile.TemporaryDirectory(prefix="injsound-") as folder:
        path = Path(folder) / "standard_input"
        path.write_bytes(sys.stdin.buffer.read())
        yield str(path), "standard input"


def _failed(result: "Reading | Failure") -> bool:
    from injsound.results import Failure

    return isinstance(result, Failure)


def _show(result: "Reading | Failure", words: "Words", *, details: bool, quiet: bool) -> None:
    from injsound.codes import WarningCode
    from injsound.results import Failure
    from injsound.show import reading_text
    from injsound.show.text import failure_line, hung, shortened

    if isinstance(result, Failure):
        click.echo(failure_line(result), err=True)
        return
    for note in result.quality.warnings:
        if note.code is WarningCode.ENGINE_UNEVEN and not details:
            continue  # true of nearly every engine, and of interest beside the timing figures only
        click.echo(hung(f"{shortened(result.file, 48)}: {words.note(note)}"), err=True)
    if not quiet:
        click.echo(
            "\n".join(
                [*reading_text.glance(result, words), *(reading_text.details(result, words) if details else []), ""]
            )
        )


def _drawing(*, wanted: bool) -> AbstractContextManager["Draw | None"]:
    """What draws; without pictures nothing that draws is imported."""
    if not wanted:
        return nullcontext()
    from injsound.show.drawing import drawing

    return drawing()


def _draw(result: "Reading | Failure", target: Path, words: "Words", draw: "Draw") -> None:
    from injsound.files import make_folder, write_whole
    from injsound.results import Failure

    if isinstance(result, Failure):
        return
    make_folder(target.parent)
    write_whole(target, draw(result, target.suffix.lower().lstrip("."), words))
    click.echo(words.say(Screen.PICTURE, file=str(target)), err=True)


def _write_json(results: Sequence["Reading | Failure"], to: str) -> None:
    from injsound.files import make_folder, write_whole
    from injsound.record import document, dumps
    from injsound.results import Failure

    readings = [r for r in results if not isinstance(r, Failure)]
    text = dumps(document(readings, [r for r in results if isinstance(r, Failure)]))
    # JSON is UTF-8 whatever the console's encoding; of a name that is no text the odd bytes become JSON's own escapes.
    data = text.encode(errors="backslashreplace")
    if to == "-":
        click.echo(data, nl=False)
    else:
        make_folder(Path(to).parent)
        write_whole(to, data)


def _picture_targets(recordings: tuple[str, ...], picture: str | None) -> dict[int, Path]:
    """Where each recording's picture goes."""
    if picture is None:
        return {}
    target = Path(picture)
    as_file = target.suffix.lower() in PICTURES and not target.is_dir()
    if as_file and len(recordings) == 1:
        return {0: target}
    if as_file:
        raise ParameterError(f"--picture {picture} is one file for {len(recordings)} recordings; name a folder")
    if target.exists() and not target.is_dir():
        raise ParameterError(f"--picture {picture} is a file; expected .png, .svg or a folder")
    if target.suffix and not target.is_dir() and not picture.endswith(("/", os.sep)):
        raise ParameterError(f"--picture {picture} ends in {target.suffix}; expected .png, .svg or a folder")
    taken: dict[int, Path] = {}
    names: set[str] = set()  # some systems take "A.png" and "a.png" for one file
    for number, recording in enumerate(recordings):
        stem = Path(recording).stem[:100] or "recording"
        path = target / f"{stem}.png"
        while path.name.casefold() in names:
            path = target / f"{path.stem}_{number + 1}.png"
        names.add(path.name.casefold())
        taken[number] = path
    return taken
