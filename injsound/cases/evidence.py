"""From a case and its readings to what they say together."""

from collections.abc import Mapping, Sequence

from injsound.cases.case import Case, Entry
from injsound.cases.store import takes_of
from injsound.control_unit import Misfires
from injsound.diagnoses import Findings, Stretch, SwapFinding, Take, VerifyFinding, WiggleFinding
from injsound.errors import ParameterError
from injsound.findings.compare import compare_most_alike
from injsound.findings.freeze import unlike_freeze_frame
from injsound.findings.marks import marks_of
from injsound.findings.places import evidence_of, placed, told_first
from injsound.findings.reversal import find_reversal
from injsound.findings.swap import CELLS, cells_of, find_fault
from injsound.findings.two_speed import compare_speeds_of_each
from injsound.findings.verify import verify_repair
from injsound.findings.wiggle import find_gathering, gathering_by_knocks, still_between
from injsound.job_codes import MarkedBy, Stage, WiggleVerdict
from injsound.results import Failure, Reading

# Of a case's recordings only one with as many groups of three knocks was meant as a wiggle test: fewer come by chance.
_MARKS_MEANT = 3
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
    every = takes_of(case, results)
    wiggled = {entry.file for entry in case.entries if entry.moved or _is_marked(results[entry.file])}
    # Skips provoked by moving the wiring say nothing of how often it skips by itself.
    takes = placed([take for take in every if take.reading.file not in wiggled])
    kept, wrong = evidence_of(takes)
    swap, verification = swap_case(case, kept), verify_case(case, kept)
    return Findings(
        takes=_without(every, takes, kept),
        unlike=unlike_freeze_frame(case.freeze_frame, every),
        comparison=compare_most_alike(takes),
        two_speed=compare_speeds_of_each(takes),
        wiggle=wiggle_case(case, results),
        swap=swap and told_first(wrong, swap),
        verification=verification and told_first(wrong, verification),
    )


def _without(every: Sequence[Take], takes: Sequence[Take], kept: Sequence[Take]) -> tuple[Take, ...]:
    """Every take, those that were settled in their place, those of a neighbour's tick left out."""
    now = {take.reading.file: take for take in kept}
    gone = {take.reading.file for take in takes} - set(now)
    return tuple(now.get(take.reading.file, take) for take in every if take.reading.file not in gone)


def swap_case(case: Case, takes: Sequence[Take]) -> SwapFinding | None:
    """Follow the fault over the cylinders that were recorded again after a swap, in the condition that has most cells.

    Parameters
    ----------
    case : Case
        With the control unit's misfires before and after.
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
    own = _of_swapped([take for take in takes if take.stage is not Stage.AFTER])
    conditions = list(dict.fromkeys(take.condition for take in swapped))
    alike = [_of_swapped([take for take in own if take.condition == condition]) for condition in conditions]
    most = max(alike, key=lambda some: len(cells_of(some)))
    misfires = Misfires(codes=(*case.codes, *case.pending), counts=case.counters)
    # Where no condition has all four the test is asked all the same, and says what is missing or unlike.
    asked = most if len(cells_of(most)) == CELLS else own
    return find_reversal(find_fault(asked, before=misfires, swapped=case.swapped), asked)


def _of_swapped(takes: Sequence[Take]) -> list[Take]:
    """Those of cylinders that were recorded after the swap."""
    cylinders = {take.cylinder for take in takes if take.stage is Stage.SWAPPED}
    return [take for take in takes if take.cylinder in cylinders]


def wiggle_case(case: Case, results: Results) -> WiggleFinding | None:
    """Compare moved with still stretches in the first recording that has them marked, by times or else by knocks.

    One of which nothing is shown gives way to the next: it was recorded again.

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
    readings = [(entry, r) for entry in case.entries if isinstance(r := results[entry.file], Reading)]
    found = [_by_times(entry, reading) for entry, reading in readings if entry.moved]
    found += [gathering_by_knocks(reading) for entry, reading in readings if not entry.moved and _is_marked(reading)]
    shown = (one for one in found if one.verdict is not WiggleVerdict.NOT_SHOWN)
    return next(shown, found[0] if found else None)


def _by_times(entry: Entry, reading: Reading) -> WiggleFinding:
    try:
        return find_gathering(reading, stretches_of(entry, reading.seconds), marked_by=MarkedBy.CASE)
    except ParameterError as error:
        raise ParameterError(f"{entry.file}: {error}") from None


def _is_marked(result: Reading | Failure) -> bool:
    return isinstance(result, Reading) and len(marks_of(result)) >= _MARKS_MEANT


def stretches_of(entry: Entry, seconds: float) -> list[Stretch]:
    """Marked stretches of a recording; where no still ones are marked, all that was not moved is still.

    Parameters
    ----------
    entry : Entry
        With times.
    seconds : float
        Length of the recording [s].

    Returns
    -------
    list of Stretch
        In any order.
    """
    if not entry.still:
        return still_between(entry.moved, seconds)
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
