"""A case in words: what its tests say in brief, what its owner is told, and the one next step."""

from injsound.cases.guide import Step
from injsound.diagnoses import Comparison, Findings
from injsound.job_codes import SwapVerdict, Todo, VerifyVerdict, Why
from injsound.show.findings_text import left_of_fault, readable, swap_headline
from injsound.show.text import Words, wrapped
from injsound.show.words.keys import Line, Page

# The key under [checks] in the case that says a step is done.
_CHECKS = {
    Todo.SAVE_CODES: "codes_saved",
    Todo.QUICK_CHECKS: "quick",
    Todo.PROVE_DRIVE: "drive",
    Todo.CHECK_LEAKS: "leaks",
}
# A swap that says so much says more than moving the wires did.
_PLACED = {SwapVerdict.FOLLOWS_INJECTOR, SwapVerdict.STAYS_WITH_CYLINDER}


def told_to_owner(findings: Findings, words: Words) -> str:
    """What was found, for the vehicle's owner: which injector and how often, where the fault lies, what is left of it.

    Parameters
    ----------
    findings : Findings
        Of a case.
    words : Words
        The language.

    Returns
    -------
    str
        A few short sentences.
    """
    said = dict(told_briefly(findings, words))
    if not said:
        return words.say(Page.NOTHING_YET)
    if findings.comparison is not None and (counted := _counted(findings.comparison, words)):
        said["compare"] = counted
    if findings.swap is not None and findings.swap.verdict in _PLACED:
        said.pop("wiggle", None)
    repaired = findings.verification
    if repaired is not None and repaired.verdict is VerifyVerdict.GOOD and (left := left_of_fault(repaired, words)):
        said["verify"] = " ".join(left)
    return " ".join(said.values())


def _counted(found: Comparison, words: Words) -> str:
    """How many ticks the odd one left out, and the others, or that it is silent; empty where neither sets it apart."""
    if len(found.odd) == 1 and any(side.silent for side in found.sides if side.cylinder == found.odd[0]):
        return words.say(Why.SILENT, {"cylinder": found.odd[0]})
    arms = {side.cylinder: side.arm for side in found.sides if side.arm is not None}
    odd = arms.get(found.odd[0]) if len(found.odd) == 1 else None
    others = [arm for arm in arms.values() if arm is not odd]
    if odd is None or not odd.skipped or not others:
        return ""
    return words.say(
        Page.ODD_COUNTED,
        {
            "odd": found.odd[0],
            "skipped": odd.skipped,
            "judged": odd.judged,
            "elsewhere": sum(arm.skipped for arm in others),
            "others": sum(arm.judged for arm in others),
        },
    )


def told_briefly(findings: Findings, words: Words) -> list[tuple[str, str]]:
    """What each test says, in a sentence or two.

    Parameters
    ----------
    findings : Findings
        Of a case.
    words : Words
        The language.

    Returns
    -------
    list of (str, str)
        The command that says it in full, and the words; in the order of the job.
    """
    told = []
    if findings.comparison is not None:
        odd = ", ".join(map(str, findings.comparison.odd))
        told.append(("compare", words.say(findings.comparison.verdict, {"odd": odd})))
    if findings.wiggle is not None:
        told.append(("wiggle", words.say(findings.wiggle.verdict)))
    if findings.swap is not None:
        told.append(("swap", swap_headline(findings.swap, words)))
    if findings.verification is not None:
        said = [words.say(findings.verification.verdict), *left_of_fault(findings.verification, words)]
        told.append(("verify", " ".join(said)))
    return told


def tell_step(step: Step, words: Words) -> list[str]:
    """The next step, and what to enter once it is done.

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
    lines = [words.say(Line.NEXT), *wrapped(step_said(step, words))]
    if step.todo in _CHECKS:
        lines += wrapped(words.say(Line.ENTER, check=_CHECKS[step.todo]))
    if step.todo is Todo.RESTART_MORE:
        lines += wrapped(words.say(Line.ENTER_RESTARTS, step.figures))
    return lines


def step_said(step: Step, words: Words) -> str:
    """What to do next, in one paragraph.

    Parameters
    ----------
    step : Step
        From ``guide.next_step``.
    words : Words
        The language.

    Returns
    -------
    str
        For the report: without what is entered in the case.
    """
    return words.say(step.todo, readable(step.figures, words))
