"""The command that compares the injectors of one engine, in a case or in recordings by name."""

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from injsound.cli_options import (
    PICTURES,
    Name,
    engine_options_without,
    force_option,
    language_option,
    may_write,
    refuse_beside_case,
)
from injsound.cli_recordings import any_failed, check_apart, entries_of, gathered, held_by, nothing_for, read_takes, say
from injsound.errors import InjsoundError, ParameterError
from injsound.show.words.keys import Screen

if TYPE_CHECKING:
    from injsound.cli_options import Typed
    from injsound.diagnoses import Comparison, Take, TwoSpeedFinding
    from injsound.show.text import Words


@click.command()
@click.argument("what", nargs=-1, required=True, type=Name())
@click.option("--picture", type=Name(dir_okay=False), help="Draw all of them beside each other (.png, .svg).")
@force_option
@engine_options_without("--cylinder")
@language_option
@click.pass_context
def compare(
    context: click.Context,
    what: tuple[str, ...],
    picture: str | None,
    force: bool,
    typed: "Typed",
    words: "Words",
) -> None:
    """Which injector is the odd one: WHAT is a case folder, or recordings called like 'cyl2 cold.m4a'.

    Recordings of one cylinder at two speeds, called like 'cyl2 warm 2000 rpm.m4a', tell a solenoid's tick from a
    valve's.
    """
    in_case = len(what) == 1 and Path(what[0]).is_dir()
    if in_case:
        refuse_beside_case(context, what[0])
    if picture is not None:
        if Path(picture).suffix.lower() not in PICTURES:
            raise ParameterError(f"--picture {picture} is no picture's name; expected one that ends in .png or .svg")
        may_write([Path(picture)], force, read=held_by(what[0]) if in_case else what)
    if in_case:
        found, at_speeds, takes, failed = _compare_case(what[0], words)
        left_out: list[str] = []
    else:
        if typed.cylinder is not None:
            raise ParameterError("--cylinder comes from each file's name; leave it out")
        found, at_speeds, takes, failed = _compare_recordings(what, typed, words)
        left_out = [take.reading.file for take in takes if found.files and take.reading.file not in found.files]
    _tell_compared(found, at_speeds, takes, left_out, words)
    if picture is not None:
        _draw_compared(Path(picture), takes, found, words)
    context.exit(int(failed))


def _compare_case(folder: str, words: "Words") -> "tuple[Comparison, Sequence[TwoSpeedFinding], Sequence[Take], bool]":
    _, results, findings = gathered(folder, words)
    if findings.comparison is None:
        raise nothing_for(results, f"{folder} has no recording before a swap or repair; add some: injsound case add")
    return findings.comparison, findings.two_speed, findings.takes, any_failed(results)


def _compare_recordings(
    files: Sequence[str], typed: "Typed", words: "Words"
) -> "tuple[Comparison, Sequence[TwoSpeedFinding], Sequence[Take], bool]":
    from injsound.findings.compare import compare_most_alike
    from injsound.findings.two_speed import compare_speeds_of_each

    check_apart(files)
    takes = read_takes(entries_of(files), typed, words)
    if not takes:
        raise InjsoundError("none of the recordings could be used, for the reasons above: record them again")
    found = compare_most_alike(takes)
    if found is None:
        raise ParameterError("all recordings are named as made after a swap or repair; expected some from before it")
    return found, compare_speeds_of_each(takes), takes, len(takes) < len(files)


def _tell_compared(
    found: "Comparison",
    at_speeds: "Sequence[TwoSpeedFinding]",
    takes: "Sequence[Take]",
    left_out: Sequence[str],
    words: "Words",
) -> None:
    """What was found; of one cylinder at two speeds there is nothing to compare, and no recording is left out."""
    from injsound.show.findings_text import tell_comparison, tell_two_speed
    from injsound.show.text import hung

    if not at_speeds or len({take.cylinder for take in takes}) > 1:
        say(tell_comparison(found, words))
    for one in at_speeds:
        say(tell_two_speed(one, words))
    if left_out and not at_speeds:
        click.echo(hung(words.say(Screen.LEFT_OUT, files=", ".join(left_out))), err=True)


def _draw_compared(to: Path, takes: "Sequence[Take]", found: "Comparison", words: "Words") -> None:
    from injsound.files import make_folder, write_whole
    from injsound.show.plot_compared import compared_bytes

    drawn = compared_bytes(takes, found, kind=to.suffix.lower().lstrip("."), words=words)
    if drawn is None:
        why = "holds the engine's cycles" if found.files else "may be compared, for the reasons above"
        raise InjsoundError(f"{to} was not drawn: none of the recordings {why}; expected two: record them again")
    make_folder(to.parent)
    write_whole(to, drawn)
