"""Commands of the tests at the car, over a case or over recordings by name: compare, swap, wiggle, verify."""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from injsound.cli_cases import any_failed, gathered, say
from injsound.cli_options import (
    PICTURES,
    Number,
    engine_options,
    engine_options_without,
    force_option,
    language_option,
    may_write,
    refuse_beside_case,
)
from injsound.errors import InjsoundError, ParameterError
from injsound.show.words.keys import Screen

if TYPE_CHECKING:
    from injsound.cases.case import Case
    from injsound.cli_options import Typed
    from injsound.diagnoses import Comparison, Take, TwoSpeedFinding
    from injsound.engine import Engine
    from injsound.job_codes import Stage
    from injsound.results import Failure, Reading
    from injsound.show.text import Words

_CASE = click.argument("folder", required=False, type=click.Path(file_okay=False))


def add_findings(group: click.Group) -> None:
    """Add the commands of this module.

    Parameters
    ----------
    group : click.Group
        The program.
    """
    for command in (compare, swap, wiggle, verify):
        group.add_command(command)


@click.command()
@click.argument("what", nargs=-1, required=True, type=click.Path())
@click.option("--picture", type=click.Path(dir_okay=False), help="Draw all of them beside each other (.png, .svg).")
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
    if picture is not None:
        if Path(picture).suffix.lower() not in PICTURES:
            raise ParameterError(f"--picture {picture} is no picture's name; expected one that ends in .png or .svg")
        may_write([Path(picture)], force)
    if len(what) == 1 and Path(what[0]).is_dir():
        refuse_beside_case(context, what[0])
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
        raise _nothing(results, f"{folder} has no recording before a swap or repair; add some: injsound case add")
    return findings.comparison, findings.two_speed, findings.takes, any_failed(results)


def _compare_recordings(
    files: Sequence[str], typed: "Typed", words: "Words"
) -> "tuple[Comparison, Sequence[TwoSpeedFinding], Sequence[Take], bool]":
    from injsound.cases.evidence import compare_case, two_speed_case

    takes = _takes(files, typed, words)
    if not takes:
        raise InjsoundError("none of the recordings could be used, for the reasons above: record them again")
    found = compare_case(takes)
    if found is None:
        raise ParameterError("all recordings are named as made after a swap or repair; expected some from before it")
    return found, two_speed_case(takes), takes, len(takes) < len(files)


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
        raise ParameterError(f"{to} was not drawn: none of the recordings holds the engine's cycles")
    make_folder(to.parent)
    write_whole(to, drawn)


@click.command()
@_CASE
@click.option("--before", nargs=2, metavar="ONE OTHER", help="Recordings of both cylinders before the swap.")
@click.option("--after", nargs=2, metavar="ONE OTHER", help="The same two cylinders after it.")
@click.option(
    "--pair", nargs=2, type=Number(int, 1), metavar="1 3", help="Their cylinders; else from names like 'cyl1 cold.m4a'."
)
@click.option("--exchanged", type=click.Choice(["injectors", "connectors"]), help="What changed places.")
@engine_options_without("--cylinder")
@language_option
@click.pass_context
def swap(
    context: click.Context,
    folder: str | None,
    before: tuple[str, str] | None,
    after: tuple[str, str] | None,
    pair: tuple[int, int] | None,
    exchanged: str | None,
    typed: "Typed",
    words: "Words",
) -> None:
    """Whether the fault followed the injector or stayed with its circuit, in the case FOLDER or in four recordings."""
    from injsound.cases.evidence import settled_takes, told_first
    from injsound.findings.swap import find_fault
    from injsound.job_codes import Stage
    from injsound.show.findings_text import tell_swap

    if _is_case(folder, bool(before or after), "--before ONE OTHER --after ONE OTHER"):
        refuse_beside_case(context, str(folder))
        _, results, findings = gathered(str(folder), words)
        if findings.swap is None:
            raise _nothing(
                results, f"{folder} has no recording of stage 'swapped'; record both cylinders after the swap"
            )
        say(tell_swap(findings.swap, words))
        context.exit(int(any_failed(results)))
    if not before or not after:
        raise ParameterError("a swap needs both cylinders before and after; give --before ONE OTHER --after ONE OTHER")
    if typed.cylinder is not None:
        raise ParameterError("--cylinder names one cylinder, a swap has two; give --pair 1 3")
    _check_apart(before, after)
    takes = [
        *_takes(before, typed, words, stage=Stage.BEFORE, named=pair or ()),
        *_takes(after, typed, words, stage=Stage.SWAPPED, named=pair or ()),
    ]
    kept, wrong = settled_takes(_labelled(takes, exchanged))
    say(tell_swap(told_first(wrong, find_fault(kept)), words))
    context.exit(int(len(takes) < len(before) + len(after)))


@click.command()
@click.argument("what", type=click.Path())
@click.option("--moved", multiple=True, metavar="FROM-TO", help="When the wiring was moved, in s: 8-16,24-32,40-48.")
@engine_options
@language_option
@click.pass_context
def wiggle(
    context: click.Context,
    what: str,
    moved: tuple[str, ...],
    typed: "Typed",
    words: "Words",
) -> None:
    """Whether skips gather while the wiring is moved: WHAT is a case folder or one recording.

    Without --moved three knocks mark each change between still and moved; the first stretch is still. With it all else
    is still.
    """
    from injsound.findings.wiggle import find_gathering, gathering_by_knocks, still_between
    from injsound.show.findings_text import tell_wiggle

    spans = [_span(text) for given in moved for text in given.split(",") if text.strip()]
    if Path(what).is_dir():
        refuse_beside_case(context, what)
        _, results, findings = gathered(what, words)
        if findings.wiggle is None:
            raise _nothing(
                results,
                f"no recording of {what} is marked: knock three times at each change,"
                " or add moved = [[8, 16], ...] [s]",
            )
        say(tell_wiggle(findings.wiggle, words))
        context.exit(int(any_failed(results)))
    reading = _read(what, typed.engine(), typed.rpm, words)
    if reading is None:
        context.exit(1)
    found = find_gathering(reading, still_between(spans, reading.seconds)) if spans else gathering_by_knocks(reading)
    say(tell_wiggle(found, words))


@click.command()
@_CASE
@click.option("--before", multiple=True, metavar="FILE", help="The repaired cylinder before the repair.")
@click.option("--after", multiple=True, metavar="FILE", help="The same after it.")
@click.option("--fellow", "fellows", multiple=True, metavar="FILE", help="Another cylinder after it: 'cyl3 cold.m4a'.")
@click.option("--restarts", metavar="3/5", help="Restarts with the fault, of how many, before the repair.")
@click.option(
    "--clean", type=Number(int, 5), default=0, show_default=True, help="Restarts since, all without the fault."
)
@click.option("--leaks-checked", is_flag=True, help="Joints were checked for leaks at key-on prime, running and hot.")
@engine_options
@language_option
@click.pass_context
def verify(
    context: click.Context,
    folder: str | None,
    before: tuple[str, ...],
    after: tuple[str, ...],
    fellows: tuple[str, ...],
    restarts: str | None,
    clean: int,
    leaks_checked: bool,
    typed: "Typed",
    words: "Words",
) -> None:
    """Whether the repair is shown to be good, in the case FOLDER or in recordings before and after it."""
    from injsound.cases.evidence import settled_takes, told_first
    from injsound.findings.verify import verify_repair
    from injsound.job_codes import Stage
    from injsound.show.findings_text import tell_verify

    if _is_case(folder, bool(before or after or fellows), "--before FILE --after FILE --fellow FILE"):
        refuse_beside_case(context, str(folder))
        opened, results, findings = gathered(str(folder), words)
        if findings.verification is None:
            raise _nothing(results, _unverified(str(folder), opened))
        say(tell_verify(findings.verification, words))
        context.exit(int(any_failed(results)))
    if not before or not after:
        raise ParameterError("a repair needs recordings before and after it; give --before FILE --after FILE")
    _check_apart(before, after, fellows)
    faulty = None if restarts is None else _restarts(restarts)
    own = () if typed.cylinder is None else (typed.cylinder,)
    takes = [
        *_takes(before, typed, words, stage=Stage.BEFORE, named=own * len(before)),
        *(since := _takes(after, typed, words, stage=Stage.AFTER, named=own * len(after))),
        *_takes(fellows, typed, words, stage=Stage.AFTER),
    ]
    if since:
        cylinder = since[0].cylinder
        _check_one(takes, cylinder)
        kept, wrong = settled_takes(takes)
        heard = any(take.stage is Stage.AFTER and take.cylinder == cylinder for take in kept)
        found = verify_repair(
            kept if heard else takes,
            cylinder=cylinder,
            faulty_restarts=faulty,
            clean_restarts=clean,
            leaks_checked=leaks_checked,
        )
        say(tell_verify(told_first(wrong, found), words))
    context.exit(int(len(takes) < len(before) + len(after) + len(fellows)))


def _unverified(folder: str, opened: "Case") -> str:
    """What a case lacks for its repair to be verified."""
    if opened.repaired is None:
        return (
            f"{folder} does not say which cylinder was repaired: write [repair] into its case.toml, and on the line"
            " below it cylinder = 2, or whichever it is"
        )
    return (
        f"{folder} has no recording of cylinder {opened.repaired} from after the repair: record it again, and add it"
        f" with injsound case add {folder} FILE --stage after"
    )


def _nothing(results: "Mapping[str, Reading | Failure]", said: str) -> InjsoundError:
    """Why a test of a case cannot be made: nothing was recorded for it, or what was could not be used."""
    if any_failed(results):
        return InjsoundError(f"{said} (recordings that could not be used are named above)")
    return ParameterError(said)


def _is_case(folder: str | None, given: bool, usage: str) -> bool:
    """Whether a case was named; a case and recordings, or neither, is refused."""
    if (folder is None) is not given:
        found = "nothing" if folder is None else f"{folder} and recordings"
        raise ParameterError(f"{found} given; expected a case folder, or {usage}")
    return folder is not None


def _check_apart(*files: Sequence[str]) -> None:
    """The same file given twice is told before the long work."""
    seen: set[Path] = set()
    for file in (name for some in files for name in some):
        path = Path(file).resolve()
        if path in seen:
            raise ParameterError(f"{file} is given twice; expected another recording at each place: correct the names")
        seen.add(path)


def _check_one(takes: "Sequence[Take]", cylinder: int) -> None:
    """The recordings before the repair are of the cylinder that was repaired."""
    from injsound.job_codes import Stage

    for take in takes:
        if take.stage is Stage.BEFORE and take.cylinder != cylinder:
            raise ParameterError(
                f"--before {take.reading.file} is of cylinder {take.cylinder}, --after of cylinder {cylinder}; expected"
                " the repaired cylinder before and after: others go behind --fellow"
            )


def _takes(
    files: Sequence[str],
    typed: "Typed",
    words: "Words",
    *,
    stage: "Stage | None" = None,
    named: Sequence[int] = (),
) -> "list[Take]":
    """Recordings outside a case; their names tell cylinder, condition and speed. Those that fail are left out."""
    from injsound.cases.case import Entry
    from injsound.cases.names import circumstances_named, cylinder_named
    from injsound.diagnoses import Take

    engine, takes = typed.engine(), []
    for place, file in enumerate(files):
        # Its content decides whether it is sound, whatever its name ends in.
        stem = Path(file).stem
        cylinder = named[place] if named else cylinder_named(stem)
        if cylinder is None and not Path(file).exists():
            raise ParameterError(
                f"{file}: there is no such file or folder; expected recordings or a case: check the name"
            )
        if cylinder is None:
            raise ParameterError(f"{file} names no cylinder; call it like 'cyl2 cold.m4a', or make a case")
        entry = Entry(file=file, cylinder=cylinder, **circumstances_named(stem))  # type: ignore[arg-type]  # its fields
        reading = _read(file, replace(engine, cylinder=entry.cylinder), entry.rpm or typed.rpm, words)
        if reading is not None:
            takes.append(
                Take(
                    reading=reading,
                    cylinder=entry.cylinder,
                    injector=entry.injector,
                    stage=entry.stage if stage is None else stage,
                    condition=entry.condition,
                    shaking=entry.shaking,
                )
            )
    return takes


def _read(file: str, engine: "Engine", rpm: float | None, words: "Words") -> "Reading | None":
    """A reading; a failure is told on stderr."""
    from injsound.results import Failure
    from injsound.runs import run_file
    from injsound.show.text import failure_line

    result = run_file(file, engine=engine, rpm=rpm)
    if isinstance(result, Failure):
        click.echo(failure_line(result), err=True)
        return None
    click.echo(words.say(Screen.READ, file=file), err=True)
    return result


def _labelled(takes: "list[Take]", exchanged: str | None) -> "list[Take]":
    """Labels for what was said to have changed places; labels in the files' names stay."""
    from injsound.job_codes import Stage

    pair = sorted({take.cylinder for take in takes})
    named = all(take.injector for take in takes)
    if exchanged is None or len(pair) != 2 or (exchanged == "injectors" and named):
        return takes
    labels = [f"{take.cylinder}" if take.stage is Stage.BEFORE else f"{sum(pair) - take.cylinder}" for take in takes]
    if exchanged == "injectors":
        return [replace(take, injector=label) for take, label in zip(takes, labels, strict=True)]
    return [replace(take, connector=label) for take, label in zip(takes, labels, strict=True)]


def _span(text: str) -> tuple[float, float]:
    low, dash, high = text.partition("-")
    try:
        found = float(low), float(high)
    except ValueError:
        found = 0.0, 0.0
    if not dash or not 0 <= found[0] < found[1]:
        raise ParameterError(f"--moved has {text.strip()!r}; expected from and to in seconds, such as 8-16")
    return found


def _restarts(text: str) -> tuple[int, int]:
    faulty, slash, made = text.partition("/")
    if not (slash and faulty.strip().isdecimal() and made.strip().isdecimal()):
        raise ParameterError(f"--restarts is {text!r}; expected faulty ones of how many, such as 3/5")
    return int(faulty), int(made)
