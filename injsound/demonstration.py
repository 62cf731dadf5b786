"""The shipped practice cases, walked from their recordings to their reports."""

from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from datetime import date
from importlib.resources import files
from pathlib import Path

from injsound.cases.case import FILE_NAME, Case, is_sound_name
from injsound.cases.case_file import load_case
from injsound.cases.evidence import gather
from injsound.cases.guide import next_step
from injsound.cases.store import read_case
from injsound.codes import Verdict
from injsound.diagnoses import Findings
from injsound.errors import InjsoundError
from injsound.files import write_whole
from injsound.results import Failure, Reading
from injsound.show.case_text import step_said, told_briefly
from injsound.show.report import make_report
from injsound.show.text import ENGLISH, Words, filled, row
from injsound.show.words.keys import Screen

CASES = ("library", "sprayer")


def demo_folder() -> Path:
    """Folder of the shipped cases: in the installed package, else in the checkout.

    Returns
    -------
    Path
        Folder with a folder for each of ``CASES``.

    Raises
    ------
    InjsoundError
        If neither has it.
    """
    package = Path(str(files("injsound")))
    for folder in (package / "recordings_demo", package.parent / "recordings_demo"):
        if all((folder / name / FILE_NAME).is_file() for name in CASES):
            return folder
    raise InjsoundError("the shipped recordings are missing; install injsound again or run from a whole checkout")


def run_demo(to: Path, words: Words = ENGLISH, *, echo: Callable[[str], None]) -> None:
    """Copy the shipped cases, read them, print what they say and leave a report in each.

    Parameters
    ----------
    to : Path
        Folder for the copies; its files of the same names are replaced, others stay.
    words : Words
        The language.
    echo : callable
        Prints a line.

    Raises
    ------
    InjsoundError
        If the folder cannot be written to.
    """
    shipped = demo_folder()
    echo("\n".join(filled(words.say(Screen.DEMO_STORY))))
    cases = [load_case(_copied(shipped / name, to / name)) for name in CASES]
    # The second case is read while the first one's report is drawn.
    with ThreadPoolExecutor(max_workers=1) as reader:
        for case, results in zip(cases, reader.map(read_case, cases), strict=True):
            echo("\n".join(["", *filled(case.complaint)]))
            for command, said in _walked(case, results, words):
                echo("\n".join(row(command, said)))
    echo(f"\n{words.caution()}")


def _walked(case: Case, results: Mapping[str, Reading | Failure], words: Words) -> list[tuple[str, str]]:
    """Leave a report of a case that was read; a line for each command that a person would have given."""
    findings = gather(case, results)
    step = next_step(case, findings)
    report = case.folder / "report.html"
    page = make_report(case, results, findings, step, words, day=date.today())
    write_whole(report, page.encode())
    return [
        *_told(case, results, findings, words),
        ("case next", step_said(step, words)),
        ("report", str(report)),
    ]


def _is_shipped(file: Path) -> bool:
    """Not what a reading of the case in its own place has left beside it."""
    return file.name in (FILE_NAME, "truth.json") or is_sound_name(file.name)


def _copied(shipped: Path, to: Path) -> Path:
    """The shipped package stays as it is: a case keeps its readings beside its recordings."""
    try:
        to.mkdir(parents=True, exist_ok=True)
        for file in filter(_is_shipped, shipped.iterdir()):
            write_whole(to / file.name, file.read_bytes())
    except OSError as error:
        raise InjsoundError(f"cannot write to {to}: {error.strerror}; run the demo elsewhere") from error
    return to


def _told(
    case: Case, results: Mapping[str, Reading | Failure], findings: Findings, words: Words
) -> Iterator[tuple[str, str]]:
    """What each test says, behind the command that says it in full."""
    counts = Counter(result.verdict for result in results.values() if isinstance(result, Reading))
    verdicts = ", ".join(f"{counts[verdict]} {words.say(verdict)}" for verdict in Verdict if counts[verdict])
    yield "check", words.say(Screen.DEMO_READ, count=len(case.entries), verdicts=verdicts)
    yield from (("check", result.message) for result in results.values() if isinstance(result, Failure))
    yield from told_briefly(findings, words)
    yield words.say(Screen.DEMO_FOUND), case.outcome
