"""Arguments, printing and exit codes: the only place that catches `InjsoundError`.

stdout carries the result, stderr progress and warnings. Exit codes: 0 analysed, whatever was found; 1 a file could not
be used, or a picture not be drawn; 2 wrong usage. Heavy libraries are imported inside the commands, so that help
answers at once.
"""

import math
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from io import TextIOWrapper
from pathlib import Path
from traceback import walk_tb
from typing import TYPE_CHECKING, Any

import click

from injsound import __version__
from injsound.cli_cases import add_commands
from injsound.cli_check import add_check
from injsound.cli_findings import add_findings
from injsound.cli_options import (
    LANGUAGE_VARIABLE,
    Name,
    Number,
    engine_options,
    force_option,
    language_option,
    may_write,
)
from injsound.errors import InjsoundError, ParameterError
from injsound.languages import Language
from injsound.show.words.keys import Screen

if TYPE_CHECKING:
    from injsound.cli_options import Typed
    from injsound.show.text import Words

# Rates that can be planned for: the lowest takes 30,000 ticks, 80 minutes of an engine at 750 rpm, the highest five.
_LOWEST_RATE, _HIGHEST_RATE = 1e-4, 0.5


class _PrintError(Exception):
    """What was printed did not arrive."""

    def __init__(self, error: OSError) -> None:
        super().__init__(error.strerror or str(error))
        self.reader_gone = isinstance(error, BrokenPipeError)


@contextmanager
def _told_apart() -> Iterator[None]:
    """Tell an error of printing from the system's other ones, of which click would end the program without a word."""
    try:
        yield
    except OSError as error:
        if any(frame.f_code is click.echo.__code__ for frame, _ in walk_tb(error.__traceback__)):
            raise _PrintError(error) from error
        if error.filename is None:
            raise InjsoundError(f"the system refused: {error.strerror or error}; run it again") from error
        raise


class _Cautioned(click.Group):
    """Help that ends in the cautions; their sentence is fetched only when help is asked for."""

    def make_context(self, *given: Any, **settings: Any) -> click.Context:
        with _told_apart():
            return super().make_context(*given, **settings)

    def invoke(self, ctx: click.Context) -> Any:
        with _told_apart():
            return super().invoke(ctx)

    def format_epilog(self, _: click.Context, formatter: click.HelpFormatter) -> None:
        from injsound.show.words.cautions import CAUTIONS

        named = os.environ.get(LANGUAGE_VARIABLE)
        formatter.write_paragraph()
        formatter.write_text(CAUTIONS[Language(named) if named in set(Language) else Language.ENGLISH])


@click.group(cls=_Cautioned, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, prog_name="injsound")
@click.option("--debug", is_flag=True, help="Show where in the program an error came from.")
@click.pass_context
def cli(context: click.Context, debug: bool) -> None:
    """Hear whether a fuel injector skips.

    Record one injector of the running engine through a stethoscope or contact microphone, 60 s or more, and give the
    file to `injsound check` together with the engine speed.
    """
    context.obj = debug
    if debug:
        import logging

        logging.basicConfig()
        logging.getLogger("injsound").setLevel(logging.DEBUG)


@cli.command()
@click.option("--rpm", type=Number(float, 750), required=True, help="Engine speed.")
@click.option("--rate", default="1%", show_default=True, help="Skip rate to rule out, such as 1% or 0.01.")
@click.option("--injection", type=click.Choice(["sequential", "batch"]), default="sequential", show_default=True)
@language_option
def plan(rpm: float, rate: str, injection: str, words: "Words") -> None:
    """How long to record to show a skip rate below a limit."""
    from injsound.engine import Injection, firing_interval
    from injsound.findings.proportions import events_needed
    from injsound.findings.trains import detectable
    from injsound.show.text import row

    share = _share(rate)
    if not _LOWEST_RATE <= share <= _HIGHEST_RATE:  # also catches nan
        raise ParameterError(
            f"--rate is {rate!r}; expected {100 * _LOWEST_RATE:g} to {100 * _HIGHEST_RATE:g} %, such as 1% or 0.01"
        )
    interval = firing_interval(rpm, Injection(injection))
    scattered = events_needed(share)
    bursts = detectable(0, rate=share).events_needed
    between = words.number(1000 * interval, 1)
    told = words.say(Screen.INTERVAL_LINE, interval=between, rpm=rpm, injection=Injection(injection))
    lines = row(words.say(Screen.INTERVAL), told)
    time = _duration(scattered * interval, words)
    told = words.say(Screen.SCATTERED_LINE, time=time, ticks=scattered, rate=100 * share)
    lines += row(words.say(Screen.SCATTERED), told)
    if bursts is not None:
        told = words.say(Screen.BURSTS_LINE, time=_duration(bursts * interval, words), ticks=bursts)
        lines += row(words.say(Screen.BURSTS), told)
    click.echo("\n".join(lines))


def _duration(seconds: float, words: "Words") -> str:
    """How long to record: whole seconds are rounded up, but not for the last digit of a sum."""
    return f"{math.ceil(round(seconds, 6))} s" if seconds < 120 else f"{words.number(seconds / 60, 1)} min"


def _share(text: str) -> float:
    """A share as typed, in percent or not; nan where it is no number."""
    try:
        return float(text.strip().rstrip("%")) / (100 if text.strip().endswith("%") else 1)
    except ValueError:
        return math.nan


@cli.command()
@click.argument("out", type=Name())
@engine_options
@click.option("--seconds", type=Number(float, 60), default=60.0, show_default=True)
@click.option(
    "--tick-db", type=Number(float, 18), default=18.0, show_default=True, help="Tick over noise above 1.5 kHz [dB]."
)
@click.option(
    "--skips",
    type=click.Choice(["none", "scattered", "bursts", "every nth", "dead"]),
    default="none",
    show_default=True,
)
@click.option("--skip-rate", default="4%", show_default=True, help="Share of ticks missing.")
@click.option(
    "--burst", type=Number(int, 5), default=5, show_default=True, help="Skips in a row, or the n of every nth."
)
@click.option("--open-time-ms", type=Number(float, 2.8), default=2.8, show_default=True)
@click.option("--seed", type=Number(int, 1), default=0, show_default=True)
@force_option
@language_option
def simulate(
    out: str,
    typed: "Typed",
    seconds: float,
    tick_db: float,
    skips: str,
    skip_rate: str,
    burst: int,
    open_time_ms: float,
    seed: int,
    force: bool,
    words: "Words",
) -> None:
    """Make a practice recording OUT (.wav, .flac, .m4a, ...) with its truth beside it."""
    from injsound.files import make_folder
    from injsound.simulate import Scene, Skipping, write
    from injsound.simulate import simulate as make

    target = Path(out)
    share = _share(skip_rate)
    if not 0 < share < 1:  # also catches nan
        raise ParameterError(f"--skip-rate is {skip_rate!r}; expected more than 0, less than 100 %, such as 4% or 0.04")
    may_write([target, target.parent / f"{target.stem}.truth.json"], force)
    scene = Scene(
        seconds=seconds,
        seed=seed,
        engine=typed.engine(cylinders=6),
        rpm=700.0 if typed.rpm is None else typed.rpm,
        tick_db=tick_db,
        open_time_ms=open_time_ms,
        skipping=Skipping(skips),
        skip_rate=share,
        burst=burst,
    )
    make_folder(target.parent)
    recording, truth = make(scene)
    write(target, recording, truth)
    skipped, due, made_rpm = int(truth.skipped.sum()), len(truth.due_s), words.number(truth.rpm, 1)
    click.echo(words.say(Screen.SIMULATED, file=out, skipped=skipped, due=due, rpm=made_rpm))


@cli.command()
@language_option
@click.pass_context
def demo(context: click.Context, words: "Words") -> None:
    """Walk the two shipped practice cases from their recordings to their reports, in ./injsound_demo."""
    from injsound.demonstration import run_demo

    run_demo(Path("injsound_demo"), words, echo=click.echo)
    context.exit(0)


add_check(cli)
add_commands(cli)
add_findings(cli)


def main(arguments: list[str] | None = None) -> int:
    """Run the command line.

    Parameters
    ----------
    arguments : list of str or None
        Arguments without the program's name; None takes them from the system.

    Returns
    -------
    int
        Exit code.
    """
    given = sys.argv[1:] if arguments is None else arguments
    try:
        result = cli.main(args=given, prog_name="injsound", standalone_mode=False)
        return result if isinstance(result, int) else 0
    except click.ClickException as error:
        return _tell_usage(error)
    except _PrintError as error:
        return _tell_unprinted(error)
    except (InjsoundError, OSError) as error:
        if "--debug" in given:
            raise
        return _tell_failure(error)
    except (click.Abort, KeyboardInterrupt):
        click.echo("injsound: stopped", err=True)
        return 130


def _tell_usage(error: click.ClickException) -> int:
    """What is wrong with the arguments, and where they are told; the whole help where none were given."""
    if isinstance(error, click.exceptions.NoArgsIsHelpError):
        error.show()
        return 2
    asked = error.ctx.command_path if isinstance(error, click.UsageError) and error.ctx else "injsound"
    click.echo(f"injsound: {error.format_message()} See: {asked} --help", err=True)
    return 2


def _tell_failure(error: InjsoundError | OSError) -> int:
    """What went wrong; an error of the system names its file."""
    told = f"{error.filename}: {error.strerror}" if isinstance(error, OSError) else str(error)
    for line in told.splitlines():
        click.echo(f"injsound: {line}", err=True)
    return 2 if isinstance(error, ParameterError) else 1


def _tell_unprinted(error: _PrintError) -> int:
    """That the result did not arrive; nothing where its reader has gone."""
    # What still waits to be written would fail once more at the end.
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    if error.reader_gone:
        return 0
    click.echo(f"injsound: cannot write the result: {error}; expected room for it: send it to another place", err=True)
    return 1


def run() -> None:
    """Entry point of the installed command; what the console cannot show is printed as an escape."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")
    sys.exit(main())
