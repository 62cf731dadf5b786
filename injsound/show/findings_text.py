"""Findings over several recordings in words: blocks for terminal and report, at most 80 columns wide."""

import textwrap

from injsound.cases.guide import Findings, Step
from injsound.diagnoses import (
    Arm,
    CompareVerdict,
    Comparison,
    Reason,
    Stage,
    SwapFinding,
    SwapVerdict,
    VerifyFinding,
    WiggleFinding,
)
from injsound.results import Figure
from injsound.show.diagnosis_table import Line
from injsound.show.text import COLUMNS, Words


def tell_comparison(found: Comparison, words: Words) -> list[str]:
    """A comparison: a row per cylinder, what was found, and what to record next.

    Parameters
    ----------
    found : Comparison
        The finding.
    words : Words
        The language.

    Returns
    -------
    list of str
        Lines.
    """
    title = words.say(Line.COMPARE, {"condition": found.condition or words.say(Line.NO_CONDITION)})
    silent = words.say(Line.SILENT)
    rows = [
        _side(side.cylinder, side.arm, side.open_time_ms, side.steadiness_us, silent=silent if side.silent else "")
        for side in found.sides
    ]
    lines = [title, "  " + words.say(Line.COMPARE_HEAD), *rows]
    lines += wrapped(words.say(found.verdict, {"odd": ", ".join(map(str, found.odd))}))
    lines += tell_reasons(found.reasons, words)
    if found.verdict is CompareVerdict.NOT_SHOWN and found.record_s:
        lines += wrapped(words.say(Line.RECORD_MORE, {"seconds": round(found.record_s)}))
    return lines


def _side(cylinder: int, arm: Arm | None, gap: float | None, steadiness: float | None, *, silent: str) -> str:
    moments = silent if silent else "-" if arm is None else f"{arm.episodes}"
    missing = "-" if arm is None or silent else f"{arm.skipped} of {arm.judged}"
    opened = "-" if gap is None else f"{gap:.2f} ms"
    change = "-" if steadiness is None else f"{steadiness / 1000:.2f} ms"
    return f"  {cylinder:<8}{moments:>14}{missing:>20}{opened:>12}{change:>10}"


def tell_swap(found: SwapFinding, words: Words) -> list[str]:
    """A swap: its four cells and where the fault went.

    Parameters
    ----------
    found : SwapFinding
        The finding.
    words : Words
        The language.

    Returns
    -------
    list of str
        Lines.
    """
    lines = [words.say(Line.SWAP), "  " + words.say(Line.SWAP_HEAD)]
    for cylinder in sorted({cylinder for cylinder, _ in found.cells}):
        cells = [_cell(found.cells.get((cylinder, stage))) for stage in (Stage.BEFORE, Stage.SWAPPED)]
        lines.append(f"  {cylinder:<8}{cells[0]:>33}{cells[1]:>18}")
    lines += wrapped(words.say(found.verdict))
    if found.verdict is SwapVerdict.NOT_SHOWN:
        lines += tell_reasons(found.reasons, words)
        if found.record_s:
            lines += wrapped(words.say(Line.RECORD_MORE, {"seconds": round(found.record_s)}))
    else:
        lines += wrapped(words.say(Line.PROOF))
    return lines


def _cell(arm: Arm | None) -> str:
    return "-" if arm is None else f"{arm.episodes}, {arm.skipped} of {arm.judged}"


def tell_wiggle(found: WiggleFinding, words: Words) -> list[str]:
    """A wiggle test: both arms with what could not be judged and how many calls may be wrong.

    Parameters
    ----------
    found : WiggleFinding
        The finding.
    words : Words
        The language.

    Returns
    -------
    list of str
        Lines.
    """
    arms = ((Line.MOVED, found.moved, found.moved_unjudged), (Line.STILL, found.still, found.still_unjudged))
    lines = [words.say(Line.WIGGLE)]
    for name, arm, unjudged in arms:
        figures: dict[str, Figure] = {
            "name": words.say(name),
            "episodes": arm.episodes,
            "skipped": arm.skipped,
            "judged": arm.judged,
            "unjudged": round(100 * unjudged),
            "wrong": round(arm.expected_false, 1),
        }
        lines += wrapped(words.say(Line.WIGGLE_ARM, figures), 9)
    return [*lines, *wrapped(words.say(found.verdict)), *tell_reasons(found.reasons, words)]


def tell_verify(found: VerifyFinding, words: Words) -> list[str]:
    """A verification: the bound, the change with its interval, and what is missing.

    Parameters
    ----------
    found : VerifyFinding
        The finding.
    words : Words
        The language.

    Returns
    -------
    list of str
        Lines.
    """
    lines = [words.say(Line.VERIFY), *wrapped(words.say(found.verdict))]
    if found.rate_high is not None:
        high = f"{100 * found.rate_high:.2g}"
        figures: dict[str, Figure] = {"skipped": found.after.skipped, "judged": found.after.judged, "high": high}
        lines += wrapped(words.say(Line.VERIFY_AFTER, figures))
    if found.change is not None and found.change_low is not None and found.change_high is not None:
        change, low, least = (f"{100 * value:+.1f}" for value in (found.change, found.change_low, found.change_high))
        lines += wrapped(words.say(Line.VERIFY_CHANGE, {"change": change, "low": low, "high": least}))
    lines += tell_reasons(found.reasons, words)
    if found.record_s:
        lines += wrapped(words.say(Line.RECORD_MORE, {"seconds": round(found.record_s)}))
    return [*lines, *wrapped(words.say(Line.NOT_FLOW))]


def tell_findings(findings: Findings, words: Words) -> list[list[str]]:
    """Everything that was found, a block each.

    Parameters
    ----------
    findings : Findings
        Of a case.
    words : Words
        The language.

    Returns
    -------
    list of list of str
        Blocks of lines, in the order of the job.
    """
    blocks = []
    if findings.comparison is not None:
        blocks.append(tell_comparison(findings.comparison, words))
    if findings.wiggle is not None:
        blocks.append(tell_wiggle(findings.wiggle, words))
    if findings.swap is not None:
        blocks.append(tell_swap(findings.swap, words))
    if findings.verification is not None:
        blocks.append(tell_verify(findings.verification, words))
    return blocks


def tell_step(step: Step, words: Words) -> list[str]:
    """The next step.

    Parameters
    ----------
    step : Step
        From ``guide.next_step``.
    words : Words
        The language.

    Returns
    -------
    list of str
        Lines.
    """
    return [words.say(Line.NEXT), *wrapped(words.say(step.todo, step.figures))]


def tell_reasons(reasons: tuple[Reason, ...], words: Words) -> list[str]:
    """Reasons, a sentence each.

    Parameters
    ----------
    reasons : tuple of Reason
        Codes with figures.
    words : Words
        The language.

    Returns
    -------
    list of str
        Lines.
    """
    return [line for reason in reasons for line in wrapped(words.say(reason.why, reason.figures))]


def wrapped(text: str, hang: int = 2) -> list[str]:
    """Text in lines of at most 80 columns, two columns in.

    Parameters
    ----------
    text : str
        One paragraph.
    hang : int
        Columns in from the second line on [unitless].

    Returns
    -------
    list of str
        Lines.
    """
    return textwrap.wrap(text, COLUMNS, initial_indent="  ", subsequent_indent=" " * hang)
