"""Commands over a case, and over many recordings: case, report, batch.

`case watch` has a room of its own.
"""

from pathlib import Path
from typing import TYPE_CHECKING

import click
from click.core import ParameterSource

from injsound.cli_options import Name, Number, engine_options, engine_options_without, language_option, may_write
from injsound.cli_recordings import any_failed, gathered, held_by, say
from injsound.cli_watch import watch
from injsound.errors import ParameterError
from injsound.languages import Language
from injsound.show.words.keys import CaseFile, Screen

if TYPE_CHECKING:
    from injsound.cases.case import Case, Entry
    from injsound.cli_options import Typed
    from injsound.diagnoses import Findings
    from injsound.show.text import Words

# As in job_codes.Stage, whose import would take its time from --help.
_STAGES = ("before", "swapped", "changed back", "after")
_JOBS = click.option("--jobs", type=click.IntRange(min=1), help="Processes; all cores by default.")
_FOLDER = click.argument("folder", type=Name(file_okay=False))


def add_commands(group: click.Group) -> None:
    """Add the commands of this module.

    Parameters
    ----------
    group : click.Group
        The program.
    """
    case.add_command(watch)
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
@click.argument("recordings", nargs=-1, type=Name())
@click.option("--rpm", type=Number(float, 750), help="Engine speed by the tachometer or scan tool.")
@click.option("--cylinder", type=Number(int, 2), help="Whose injector was recorded; else from the file's name.")
@click.option("--condition", default="", help="Such as cold, warm idle, warm restart; else from the file's name.")
@click.option("--stage", type=click.Choice(_STAGES), help="Else from the file's name.")
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
        click.echo(hung(_entry_said(entry, words)))
    for line in added.refused:
        click.echo(f"injsound: {line}", err=True)
    if added.refused:
        click.echo(words.say(Screen.CASE_ADDED, added=len(added.entries)))
    if added.entries:
        click.echo(words.say(Screen.CASE_CORRECT, file=str(Path(folder) / "case.toml")))
    context.exit(int(bool(added.refused)))


def _entry_said(entry: "Entry", words: "Words") -> str:
    """What is known of a recording that was added; label and speed where there are any."""
    said = [
        words.say(
            Screen.CASE_ENTRY,
            file=entry.file,
            cylinder=entry.cylinder,
            condition=words.condition(entry.condition),
            stage=entry.stage,
            shaking=entry.shaking,
        )
    ]
    if entry.injector:
        said.append(words.say(Screen.CASE_INJECTOR, injector=entry.injector))
    if entry.rpm is not None:
        said.append(words.say(Screen.CASE_SPEED, rpm=entry.rpm))
    return ", ".join(said)


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


@click.command()
@_FOLDER
@click.option("--out", type=Name(dir_okay=False), help="Else report.html in the case folder.")
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

    target = Path(out) if out else Path(folder) / "report.html"
    may_write([target], force or out is None, read=held_by(folder))
    opened, results, findings = gathered(folder, words, jobs=jobs)
    words = _of_case(opened, words)
    page = make_report(opened, results, findings, next_step(opened, findings), words, day=date.today())
    make_folder(target.parent)
    write_whole(target, page.encode())
    click.echo(words.say(Screen.REPORT, file=str(target)))
    context.exit(int(any_failed(results)))


@click.command()
@_FOLDER
@engine_options
@click.option("--out", type=Name(file_okay=False), help="Folder for results.csv and results.jsonl; FOLDER else.")
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


def _tell_all(opened: "Case", findings: "Findings", words: "Words") -> None:
    """What all recordings say together, and the one next step."""
    from injsound.cases.guide import next_step
    from injsound.show.case_text import tell_step
    from injsound.show.findings_text import tell_findings

    for block in tell_findings(findings, words):
        say(block)
    say(tell_step(next_step(opened, findings), words))
