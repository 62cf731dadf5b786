"""Commands over a case, and over many recordings: case, report, batch."""

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
from click.core import ParameterSource

from injsound.cli_options import Number, engine_options, engine_options_without, language_option, may_write
from injsound.errors import InjsoundError, ParameterError
from injsound.languages import Language
from injsound.show.words.keys import CaseFile, Screen

if TYPE_CHECKING:
    from injsound.cases.case import Case
    from injsound.cases.guide import Findings
    from injsound.cli_options import Typed
    from injsound.results import Failure, Reading
    from injsound.show.text import Words

_JOBS = click.option("--jobs", type=click.IntRange(min=1), help="Processes; all cores by default.")
_FOLDER = click.argument("folder", type=click.Path(file_okay=False))


def add_commands(group: click.Group) -> None:
    """Add the commands of this module.

    Parameters
    ----------
    group : click.Group
        The program.
    """
    for command in (case, report, batch):
        group.add_command(command)


@click.group()
def case() -> None:
    """A folder with everything about one repair job."""


@case.command("new")
@_FOLDER
@click.option("--complaint", default="", help="What the owner says.")
@click.option("--codes", default="", help="Stored trouble codes, such as P0302,P0300.")
@engine_options_without("--rpm", "--cylinder")
@language_option
def case_new(
    folder: str,
    complaint: str,
    codes: str,
    typed: "Typed",
    words: "Words",
) -> None:
    """Make FOLDER with its case.toml."""
    from injsound.cases.adding import new_case

    if typed.rpm is not None or typed.cylinder is not None:
        raise ParameterError("--rpm and --cylinder belong to a recording; give them to: injsound case add")
    named = tuple(code.strip().upper() for code in codes.split(",") if code.strip())
    engine = typed.engine()
    wording = _worded(named, engine.cylinders, words)
    made = new_case(
        folder,
        complaint=complaint,
        engine=engine,
        codes=named,
        language=None if words.language is Language.ENGLISH else words.language,
        comments={place.value: words.say(place) for place in CaseFile},
    )
    click.echo(words.say(Screen.CASE_MADE, file=str(made)))
    for line in wording:
        click.echo(line)


def _worded(codes: tuple[str, ...], cylinders: int | None, words: "Words") -> list[str]:
    """What each code means; those that cannot be are told together."""
    from injsound.show.text import hung
    from injsound.trouble_codes import read_trouble_code

    wording, mistakes = [], []
    for code in codes:
        try:
            wording.append(hung(f"{code}: {words.trouble_code(read_trouble_code(code, cylinders=cylinders))}"))
        except ParameterError as error:
            mistakes.append(str(error))
    if mistakes:
        raise ParameterError("\n".join(mistakes))
    return wording


@case.command("add")
@_FOLDER
@click.argument("recordings", nargs=-1, type=click.Path())
@click.option("--rpm", type=Number(float, 750), help="Engine speed by the tachometer or scan tool.")
@click.option("--cylinder", type=Number(int, 2), help="Whose injector was recorded; else from the file's name.")
@click.option("--condition", default="", help="Such as cold, warm idle, warm restart; else from the file's name.")
@click.option("--stage", type=click.Choice(["before", "swapped", "after"]), help="Else from the file's name.")
@click.option("--shaking", type=click.Choice(["yes", "no", "unknown"]), help="Did the engine shake meanwhile?")
@click.option("--injector", default="", help="The injector's label, apart from the cylinder.")
@click.option("--connector", default="", help="The connector's label.")
@click.option("--coolant", type=Number(float, 80), help="Coolant temperature by the scan tool, in degrees Celsius.")
@click.option("--load", type=Number(float, 25), help="Load by the scan tool, in percent.")
@click.option("--pulse-width", type=Number(float, 2.5), help="Injection pulse by the scan tool, in milliseconds.")
@language_option
@click.pass_context
def case_add(
    context: click.Context,
    folder: str,
    recordings: tuple[str, ...],
    rpm: float | None,
    cylinder: int | None,
    condition: str,
    stage: str | None,
    shaking: str | None,
    injector: str,
    connector: str,
    coolant: float | None,
    load: float | None,
    pulse_width: float | None,
    words: "Words",
) -> None:
    """Copy RECORDINGS into the case; without any, take up what lies in its folder. A bad one stops no other."""
    from injsound.cases.adding import add_recordings
    from injsound.cases.names import condition_named
    from injsound.job_codes import Shaking, Stage
    from injsound.show.text import hung

    told = {
        "rpm": rpm,
        "cylinder": cylinder,
        "condition": condition_named(condition) or None,
        "stage": None if stage is None else Stage(stage),
        "shaking": None if shaking is None else Shaking(shaking),
        "injector": injector or None,
        "connector": connector or None,
        "coolant_c": coolant,
        "load_percent": load,
        "pulse_width_ms": pulse_width,
    }
    given = {key: value for key, value in told.items() if value is not None}
    added = add_recordings(folder, recordings, given)
    for entry in added.entries:
        said = words.say(
            Screen.CASE_ENTRY,
            file=entry.file,
            cylinder=entry.cylinder,
            condition=words.condition(entry.condition),
            stage=entry.stage,
            shaking=entry.shaking,
        )
        click.echo(hung(said))
    for line in added.refused:
        click.echo(f"injsound: {line}", err=True)
    if added.refused:
        click.echo(words.say(Screen.CASE_ADDED, added=len(added.entries)))
    if added.entries:
        click.echo(words.say(Screen.CASE_CORRECT, file=str(Path(folder) / "case.toml")))
    context.exit(int(bool(added.refused)))


@case.command("show")
@_FOLDER
@_JOBS
@language_option
@click.pass_context
def case_show(context: click.Context, folder: str, jobs: int | None, words: "Words") -> None:
    """Read what is new, say what each recording of the case says and what all say together, and what comes next."""
    from injsound.cases.guide import settled
    from injsound.results import Reading
    from injsound.show.reading_text import in_brief

    opened, results, findings = gathered(folder, words, jobs=jobs)
    for result in settled(results, findings).values():
        if isinstance(result, Reading):
            click.echo("\n".join(in_brief(result, words)))
    click.echo()
    _tell_all(opened, findings, words)
    context.exit(int(any_failed(results)))


@case.command("next")
@_FOLDER
@_JOBS
@language_option
@click.pass_context
def case_next(context: click.Context, folder: str, jobs: int | None, words: "Words") -> None:
    """Say what all recordings of the case say together, and the one next step."""
    opened, results, findings = gathered(folder, words, jobs=jobs)
    _tell_all(opened, findings, words)
    context.exit(int(any_failed(results)))


@case.command("watch")
@_FOLDER
@click.option("--every", type=Number(float, 2), default=2.0, show_default=True, help="Seconds between looks.")
@click.option("--looks", type=Number(int, 10), help="Stop after so many looks; else until stopped by Ctrl-C.")
@click.option("--rpm", type=Number(float, 750), help="Engine speed by the tachometer or scan tool.")
@click.option("--shaking", type=click.Choice(["yes", "no", "unknown"]), help="Does the engine shake meanwhile?")
@language_option
def case_watch(
    folder: str, every: float, looks: int | None, rpm: float | None, shaking: str | None, words: "Words"
) -> None:
    """Answer each recording that arrives in FOLDER at once: usable, or record again and why."""
    import itertools
    import time

    from injsound.cases.case_file import load_case
    from injsound.job_codes import Shaking

    if not every > 0:
        raise ParameterError(f"--every is {every:g} s; expected more than 0, such as 2")
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


@click.command()
@_FOLDER
@click.option("--out", type=click.Path(dir_okay=False), help="Else report.html in the case folder.")
@click.option("--force", is_flag=True, help="Overwrite the file that --out names.")
@_JOBS
@language_option
@click.pass_context
def report(context: click.Context, folder: str, out: str | None, force: bool, jobs: int | None, words: "Words") -> None:
    """One page for the vehicle's owner."""
    from datetime import date

    from injsound.cases.guide import next_step
    from injsound.files import make_folder, write_whole
    from injsound.show.report import make_report

    if out is not None:
        may_write([Path(out)], force)
    opened, results, findings = gathered(folder, words, jobs=jobs)
    words = _of_case(opened, words)
    page = make_report(opened, results, findings, next_step(opened, findings), words, day=date.today())
    target = Path(out) if out else opened.folder / "report.html"
    make_folder(target.parent)
    write_whole(target, page.encode())
    click.echo(words.say(Screen.REPORT, file=str(target)))
    context.exit(int(any_failed(results)))


@click.command()
@_FOLDER
@engine_options
@click.option("--out", type=click.Path(file_okay=False), help="Folder for results.csv and results.jsonl; FOLDER else.")
@_JOBS
@language_option
@click.pass_context
def batch(
    context: click.Context,
    folder: str,
    typed: "Typed",
    out: str | None,
    jobs: int | None,
    words: "Words",
) -> None:
    """Read every recording below FOLDER to one CSV and JSON Lines; run again to go on where it stopped."""
    from injsound.cases.many import count_table, read_folder

    count = 0
    for file, problem in read_folder(folder, out or folder, engine=typed.engine(), rpm=typed.rpm, jobs=jobs):
        count += 1
        said = problem if problem.startswith(f"{file}: ") or not problem else f"{file}: {problem}"
        click.echo(f"{count}: {said or file}", err=True)
    files, failed = count_table(out or folder)
    table = str(Path(out or folder) / "results.csv")
    click.echo(words.say(Screen.BATCH_DONE, count=count, files=files, failed=failed, file=table))
    context.exit(int(failed > 0))


def _of_case(opened: "Case", words: "Words") -> "Words":
    """The language that the case names, unless the command line names one."""
    from dataclasses import replace

    named = click.get_current_context().get_parameter_source("words") is ParameterSource.COMMANDLINE
    return words if named or opened.language is None else replace(words, language=opened.language)


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


def _tell_all(opened: "Case", findings: "Findings", words: "Words") -> None:
    """What all recordings say together, and the one next step."""
    from injsound.cases.guide import next_step
    from injsound.show.case_text import tell_step
    from injsound.show.findings_text import tell_findings

    for block in tell_findings(findings, words):
        say(block)
    say(tell_step(next_step(opened, findings), words))


def say(lines: list[str]) -> None:
    """Print a block and an empty line.

    Parameters
    ----------
    lines : list of str
        Without line breaks.
    """
    click.echo("\n".join([*lines, ""]))
