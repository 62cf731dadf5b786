"""Commands of the tests at the car, over a case or over recordings by name: swap, wiggle, verify.

`compare` has a room of its own.
"""

import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from injsound.cli_compare import compare
from injsound.cli_options import (
    Name,
    Number,
    engine_options,
    engine_options_without,
    language_option,
    refuse_beside_case,
)
from injsound.cli_recordings import (
    any_failed,
    check_apart,
    entries_of,
    gathered,
    nothing_for,
    read_one,
    read_takes,
    say,
)
from injsound.errors import ParameterError

if TYPE_CHECKING:
    from injsound.cases.case import Case, Entry
    from injsound.cli_options import Typed
    from injsound.diagnoses import Take
    from injsound.show.text import Words

_CASE = click.argument("folder", required=False, type=Name(file_okay=False))


def add_findings(group: click.Group) -> None:
    """Add the commands of the tests at the car.

    Parameters
    ----------
    group : click.Group
        The program.
    """
    for command in (compare, swap, wiggle, verify):
        group.add_command(command)


@click.command()
@_CASE
@click.option(
    "--before", nargs=2, type=Name(), metavar="ONE OTHER", help="Recordings of both cylinders before the swap."
)
@click.option("--after", nargs=2, type=Name(), metavar="ONE OTHER", help="The same two cylinders after it.")
@click.option(
    "--back",
    nargs=2,
    type=Name(),
    metavar="ONE OTHER",
    help="The same two once the parts were changed back, as a proof.",
)
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
    back: tuple[str, str] | None,
    pair: tuple[int, int] | None,
    exchanged: str | None,
    typed: "Typed",
    words: "Words",
) -> None:
    """Whether the fault followed the injector or stayed with its circuit, in the case FOLDER or in four recordings."""
    from injsound.findings.places import settled_takes, told_first
    from injsound.findings.reversal import find_reversal
    from injsound.findings.swap import find_fault
    from injsound.job_codes import Stage
    from injsound.show.findings_text import tell_swap

    if _is_case(folder, bool(before or after or back), "--before ONE OTHER --after ONE OTHER"):
        refuse_beside_case(context, str(folder))
        _, results, findings = gathered(str(folder), words)
        if findings.swap is None:
            raise nothing_for(
                results, f"{folder} has no recording of stage 'swapped'; record both cylinders after the swap"
            )
        say(tell_swap(findings.swap, words))
        context.exit(int(any_failed(results)))
    if not before or not after:
        raise ParameterError("a swap needs both cylinders before and after; give --before ONE OTHER --after ONE OTHER")
    if typed.cylinder is not None:
        raise ParameterError("--cylinder names one cylinder, a swap has two; give --pair 1 3")
    if pair and pair[0] == pair[1]:
        raise ParameterError(f"--pair is {pair[0]} {pair[1]}; expected the two cylinders of the swap, such as 1 3")
    check_apart(before, after, back or ())
    stages = {Stage.BEFORE: before, Stage.SWAPPED: after, **({Stage.BACK: back} if back else {})}
    entries = [
        entry
        for stage, files in stages.items()
        for entry in entries_of(files, stage=stage, cylinders=pair or (), option="--pair")
    ]
    takes = read_takes(entries, typed, words)
    kept, wrong = settled_takes(_labelled(takes, exchanged))
    say(tell_swap(told_first(wrong, find_reversal(find_fault(kept), kept)), words))
    context.exit(int(len(takes) < len(entries)))


@click.command()
@click.argument("what", type=Name())
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

    spans = [span for given in moved for span in _spans(given)]
    still_between(spans, math.inf)  # what cannot be is told before the long work
    if Path(what).is_dir():
        refuse_beside_case(context, what)
        _, results, findings = gathered(what, words)
        if findings.wiggle is None:
            raise nothing_for(
                results,
                f"no recording of {what} is marked: knock three times at each change,"
                " or add moved = [[8, 16], ...] [s]",
            )
        say(tell_wiggle(findings.wiggle, words))
        context.exit(int(any_failed(results)))
    reading = read_one(what, typed.engine(), typed.rpm, words)
    if reading is None:
        context.exit(1)
    found = find_gathering(reading, still_between(spans, reading.seconds)) if spans else gathering_by_knocks(reading)
    say(tell_wiggle(found, words))


@click.command()
@_CASE
@click.option("--before", multiple=True, type=Name(), metavar="FILE", help="The repaired cylinder before the repair.")
@click.option("--after", multiple=True, type=Name(), metavar="FILE", help="The same after it.")
@click.option(
    "--fellow",
    "fellows",
    multiple=True,
    type=Name(),
    metavar="FILE",
    help="Another cylinder after it: 'cyl3 cold.m4a'.",
)
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
    from injsound.findings.places import settled_takes, told_first
    from injsound.findings.verify import restarts_needed, verify_repair
    from injsound.job_codes import Stage
    from injsound.show.findings_text import tell_verify

    if _is_case(folder, bool(before or after or fellows), "--before FILE --after FILE --fellow FILE"):
        refuse_beside_case(context, str(folder))
        opened, results, findings = gathered(str(folder), words)
        if findings.verification is None:
            raise nothing_for(results, _unverified(str(folder), opened))
        say(tell_verify(findings.verification, words))
        context.exit(int(any_failed(results)))
    if not before or not after:
        raise ParameterError("a repair needs recordings before and after it; give --before FILE --after FILE")
    check_apart(before, after, fellows)
    faulty = None if restarts is None else _restarts(restarts)
    restarts_needed(faulty, clean)  # what cannot be is told before the long work
    if clean and faulty is None:
        raise ParameterError(
            f"--clean is {clean} without --restarts; expected restarts before the repair too, faulty ones of how many:"
            " give --restarts 3/5, or whatever it was"
        )
    own = () if typed.cylinder is None else (typed.cylinder,)
    old = entries_of(before, stage=Stage.BEFORE, cylinders=own * len(before), option="--cylinder")
    new = entries_of(after, stage=Stage.AFTER, cylinders=own * len(after), option="--cylinder")
    others = entries_of(fellows, stage=Stage.AFTER)
    entries, cylinder = [*old, *new, *others], _the_one(old, new, others)
    takes = read_takes(entries, typed, words)
    if {take.reading.file for take in takes} & {entry.file for entry in new}:
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
    context.exit(int(len(takes) < len(entries)))


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


def _is_case(folder: str | None, given: bool, usage: str) -> bool:
    """Whether a case was named; a case and recordings, or neither, is refused."""
    if (folder is None) is not given:
        found = "nothing" if folder is None else f"{folder} and recordings"
        raise ParameterError(f"{found} given; expected a case folder, or {usage}")
    return folder is not None


def _the_one(before: "Sequence[Entry]", after: "Sequence[Entry]", fellows: "Sequence[Entry]") -> int:
    """The cylinder that was repaired: all recordings before and after are of it, and no fellow's is."""
    first = after[0]
    for option, entries in (("--before", before), ("--after", after)):
        for entry in entries:
            if entry.cylinder != first.cylinder:
                raise ParameterError(
                    f"{option} {entry.file} is of cylinder {entry.cylinder}, --after {first.file} of cylinder"
                    f" {first.cylinder}; expected the repaired cylinder before and after: others go behind --fellow"
                )
    for entry in fellows:
        if entry.cylinder == first.cylinder:
            raise ParameterError(
                f"--fellow {entry.file} is of cylinder {entry.cylinder}, which was repaired; expected another: give it"
                " behind --after"
            )
    return first.cylinder


def _labelled(takes: "list[Take]", exchanged: str | None) -> "list[Take]":
    """Labels for what was said to have changed places; labels in the files' names stay."""
    from injsound.job_codes import Stage

    pair = sorted({take.cylinder for take in takes})
    named = all(take.injector for take in takes)
    if exchanged is None or len(pair) != 2 or (exchanged == "injectors" and named):
        return takes
    labels = [f"{sum(pair) - take.cylinder if take.stage is Stage.SWAPPED else take.cylinder}" for take in takes]
    if exchanged == "injectors":
        return [replace(take, injector=label) for take, label in zip(takes, labels, strict=True)]
    return [replace(take, connector=label) for take, label in zip(takes, labels, strict=True)]


def _spans(text: str) -> list[tuple[float, float]]:
    """Times as typed; a comma too many divides nothing."""
    return [_span(part) for part in text.split(",") if part.strip()] or [_span(text)]


def _span(text: str) -> tuple[float, float]:
    low, dash, high = text.partition("-")
    try:
        found = float(low), float(high)
    except ValueError:
        found = 0.0, 0.0
    if not dash or not 0 <= found[0] < found[1] < math.inf:
        raise ParameterError(f"--moved has {text.strip()!r}; expected from and to in seconds, such as 8-16")
    return found


def _restarts(text: str) -> tuple[int, int]:
    faulty, slash, made = text.partition("/")
    if not (slash and faulty.strip().isdecimal() and made.strip().isdecimal()):
        raise ParameterError(f"--restarts is {text!r}; expected faulty ones of how many, such as 3/5")
    return int(faulty), int(made)
