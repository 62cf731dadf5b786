"""From a case and its readings to what they say together."""

from collections.abc import Mapping, Sequence

from injsound.cases.case import Case, Entry
from injsound.cases.guide import Findings
from injsound.cases.store import takes_of
from injsound.diagnoses import Comparison, Shaking, Stage, SwapFinding, Take, VerifyFinding, WiggleFinding
from injsound.findings.compare import compare_injectors
from injsound.findings.swap import find_fault
from injsound.findings.verify import verify_repair
from injsound.findings.wiggle import Stretch, find_gathering
from injsound.results import Failure, Reading

Results = Mapping[str, Reading | Failure]


def gather(case: Case, results: Results) -> Findings:
    """Compare, wiggle, swap and verify, as far as there are recordings for each.

    Parameters
    ----------
    case : Case
        The case.
    results : mapping of str to Reading or Failure
        Its readings by file.

    Returns
    -------
    Findings
        None where nothing was recorded for a test.
    """
    takes = takes_of(case, results)
    return Findings(
        takes=tuple(takes),
        comparison=compare_case(takes),
        wiggle=wiggle_case(case, results),
        swap=swap_case(takes),
        verification=verify_case(case, takes),
    )


def compare_case(takes: Sequence[Take]) -> Comparison | None:
    """Compare the injectors before any swap, in the condition in which most were recorded, shaking ones first.

    Parameters
    ----------
    takes : sequence of Take
        Of one case.

    Returns
    -------
    Comparison or None
        None without a recording.
    """
    own = [take for take in takes if take.stage is Stage.BEFORE]
    if not own:
        return None
    shook = [take for take in own if take.shaking is Shaking.YES] or own
    conditions = sorted({take.condition for take in shook})
    condition = max(conditions, key=lambda c: len({take.cylinder for take in shook if take.condition == c}))
    return compare_injectors([take for take in shook if take.condition == condition])


def swap_case(takes: Sequence[Take]) -> SwapFinding | None:
    """Follow the fault over the cylinders that were recorded again after a swap.

    Parameters
    ----------
    takes : sequence of Take
        Of one case.

    Returns
    -------
    SwapFinding or None
        None where nothing was recorded after a swap.
    """
    swapped = [take for take in takes if take.stage is Stage.SWAPPED]
    if not swapped:
        return None
    cylinders = {take.cylinder for take in swapped}
    condition = swapped[0].condition
    before = [t for t in takes if t.stage is Stage.BEFORE and t.cylinder in cylinders and t.condition == condition]
    return find_fault([*before, *swapped])


def wiggle_case(case: Case, results: Results) -> WiggleFinding | None:
    """Compare moved with still stretches in the first recording that has them marked.

    Parameters
    ----------
    case : Case
        With marked stretches.
    results : mapping of str to Reading or Failure
        Its readings by file.

    Returns
    -------
    WiggleFinding or None
        None where none is marked.
    """
    for entry in case.entries:
        reading = results[entry.file]
        if entry.moved and isinstance(reading, Reading):
            return find_gathering(reading, stretches_of(entry))
    return None


def stretches_of(entry: Entry) -> list[Stretch]:
    """Marked stretches of a recording.

    Parameters
    ----------
    entry : Entry
        With times.

    Returns
    -------
    list of Stretch
        Moved ones, then still ones.
    """
    sides = ((entry.moved, True), (entry.still, False))
    return [Stretch(from_s=a, to_s=b, moved=moved) for times, moved in sides for a, b in times]


def verify_case(case: Case, takes: Sequence[Take]) -> VerifyFinding | None:
    """Verify the repaired cylinder.

    Parameters
    ----------
    case : Case
        With the cylinder of the repair, restarts and the leak check.
    takes : sequence of Take
        Its readings.

    Returns
    -------
    VerifyFinding or None
        None before a repair was recorded.
    """
    after = [take for take in takes if take.stage is Stage.AFTER]
    if case.repaired is None or not any(take.cylinder == case.repaired for take in after):
        return None
    return verify_repair(
        takes,
        cylinder=case.repaired,
        faulty_restarts=case.faulty_restarts,
        clean_restarts=case.clean_restarts,
        leaks_checked=case.checks.get("leaks", False),
    )
