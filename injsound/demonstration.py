"""The shipped practice recordings, read and pictured."""

import tomllib
from collections.abc import Callable
from importlib.resources import files
from pathlib import Path

from injsound.engine import Engine, parse_firing_order
from injsound.errors import InjsoundError
from injsound.files import write_whole
from injsound.record import document, dumps
from injsound.results import Failure
from injsound.runs import run_file
from injsound.show.plot import picture_bytes
from injsound.show.reading_text import glance
from injsound.show.text import ENGLISH, Words, filled
from injsound.show.words.keys import Screen


def demo_folder() -> Path:
    """Folder of the shipped recordings: in the installed package, else in the checkout.

    Returns
    -------
    Path
        Folder with ``demo.toml``.

    Raises
    ------
    InjsoundError
        If neither has it.
    """
    package = Path(str(files("injsound")))
    for folder in (package / "recordings_demo", package.parent / "recordings_demo"):
        if (folder / "demo.toml").is_file():
            return folder
    raise InjsoundError("the shipped recordings are missing; install injsound again or run from a whole checkout")


def run_demo(to: Path, words: Words = ENGLISH, *, echo: Callable[[str], None]) -> None:
    """Read every shipped recording, print what it says and leave pictures and JSON.

    Parameters
    ----------
    to : Path
        Folder for the results; its files of the same names are replaced.
    words : Words
        The language.
    echo : callable
        Prints a line.

    Raises
    ------
    InjsoundError
        If the folder cannot be written to.
    """
    folder = demo_folder()
    told = tomllib.loads((folder / "demo.toml").read_text(encoding="utf-8"))
    try:
        to.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InjsoundError(f"cannot make the folder {to}: {error.strerror}; run the demo elsewhere") from error
    echo("\n".join(filled(words.say(Screen.DEMO_STORY))))
    results = []
    for entry in told["recording"]:
        engine = Engine(firing_order=parse_firing_order(told["firing_order"]), cylinder=entry["cylinder"])
        result = run_file(folder / entry["file"], engine=engine, rpm=told["rpm"], name=entry["file"])
        results.append(result)
        echo("")
        echo("\n".join(glance(result, words)))
        if not isinstance(result, Failure):
            write_whole(to / f"{Path(entry['file']).stem}.png", picture_bytes(result, words=words))
    readings = [r for r in results if not isinstance(r, Failure)]
    failures = [r for r in results if isinstance(r, Failure)]
    write_whole(to / "results.json", dumps(document(readings, failures)).encode())
    echo(f"\n{words.say(Screen.DEMO_DONE, folder=f'{to}/')}\n{words.caution()}")
