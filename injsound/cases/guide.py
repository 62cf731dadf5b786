"""The one next step of a job and why: a pure function from a case and what its recordings say.

The order is the trade's (common practice, no source): save what the control unit knows; what opens nothing; record
while it shakes; compare; prove the drive; wiggle, last with the rail on, for it can cure the fault for the moment;
swap; only then the rail; verify. The graph is drawn in docs/guide.md.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from injsound.cases.case import Case
from injsound.codes import WHOSE_TICK, Verdict
from injsound.diagnoses import Comparison, Findings, Reason, Side, Take, VerifyFinding
from injsound.job_codes import (
    CompareVerdict,
    Exchange,
    Reversal,
    Shaking,
    Stage,
    SwapVerdict,
    Todo,
    VerifyVerdict,
    Why,
    WiggleVerdict,
)
from injsound.results import Failure, Reading
from injsound.trouble_codes import read_trouble_code
from injsound.values import ONE_RECORDING_S, Figure

# Verdicts of a swap that name a part.
_PART_NAMED = frozenset({SwapVerdict.FOLLOWS_INJECTOR, SwapVerdict.STAYS_WITH_CYLINDER})
# What a longer recording does not answer, and what does; of several the first that the finding names.
_AFTER_REPAIR = {
    Why.NO_FAULT_BEFORE: Todo.FIND_FAULT,
    Why.CELL_MISSING: Todo.FIND_FAULT,
    Why.CONDITIONS_DIFFER: Todo.RECORD_ALIKE,
    Why.SPEEDS_DIFFER: Todo.RECORD_ALIKE,
    Why.SIBLING_SKIPS: Todo.SIBLING_FAULTY,
    Why.SIBLINGS_NOT_RECORDED: Todo.RECORD_SINCE,
    Why.FELLOWS_NEEDED: Todo.RECORD_FELLOWS,
    Why.OUTSIDE_FELLOWS: Todo.OUT_OF_LINE,
    Why.RESTARTS_NEEDED: Todo.RESTART_MORE,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """The next step with its evidence.

    Parameters
    ----------
    todo : Todo
        What to do.
    figures : mapping of str to number or str
        What the words need: cylinder, seconds, files.
    """

    todo: Todo
    figures: Mapping[str, Figure] = field(default_factory=dict)


def settled(results: Mapping[str, Reading | Failure], findings: Findings) -> dict[str, Reading | Failure]:
    """Every recording as its fellows leave it: laid over one crank, they settle some doubts of one alone.

    Parameters
    ----------
    results : mapping of str to Reading or Failure
        Readings by file.
    findings : Findings
        What they say together.

    Returns
    -------
    dict of str to Reading or Failure
        In the same order.
    """
    own = {take.reading.file: take.reading for take in findings.takes}
    return {file: own.get(file, result) for file, result in results.items()}


def next_step(case: Case, findings: Findings) -> Step:
    """Say the one next step.

    Parameters
    ----------
    case : Case
        What the person entered.
    findings : Findings
        What the recordings say.

    Returns
    -------
    Step
        Never None: the last step is the road test.
    """
    if findings.verification is not None:
        return _after_repair(case, findings, findings.verification)
    if case.repaired is not None:
        return Step(todo=Todo.VERIFY, figures={"cylinder": case.repaired})
    if not case.checks.get("codes_saved", False):
        todo = Todo.SAVE_CODES if case.codes else Todo.READ_CODES
        return Step(todo=todo, figures={"codes": ", ".join(case.codes)})
    if findings.swap is not None and findings.swap.verdict is not SwapVerdict.NOT_SHOWN:
        return _after_swap(findings)
    if not case.checks.get("quick", False):
        return Step(todo=Todo.QUICK_CHECKS)
    return _recordings(case, findings)


def _after_repair(case: Case, findings: Findings, found: VerifyFinding) -> Step:
    if found.verdict is VerifyVerdict.STILL_SKIPPING:
        return Step(todo=Todo.STILL_FAULTY)
    if found.verdict is VerifyVerdict.GOOD:
        return Step(todo=Todo.ROAD_TEST)
    if any(reason.why is Why.LEAKS_NOT_CHECKED for reason in found.reasons):
        return Step(todo=Todo.CHECK_LEAKS)
    if found.record_s:
        return _more(found.record_s)
    steps = (_answer(reason, case, findings) for reason in found.reasons)
    return next((step for step in steps if step is not None), _more(None))


def _answer(reason: Reason, case: Case, findings: Findings) -> Step | None:
    """What answers a doubt of the repair other than recording longer; None where nothing else does."""
    if reason.why in (Why.NOT_COUNTED, Why.TICK_IN_DOUBT):
        return _uncounted(reason, findings)
    if reason.why not in _AFTER_REPAIR:
        return None
    figures: dict[str, Figure] = {"cylinder": case.repaired, **reason.figures}
    if reason.why in (Why.RESTARTS_NEEDED, Why.FELLOWS_NEEDED):
        done = reason.figures["clean" if reason.why is Why.RESTARTS_NEEDED else "count"]
        figures["more"] = int(str(reason.figures["needed"])) - int(str(done))
    return Step(todo=_AFTER_REPAIR[reason.why], figures=figures)


def _uncounted(reason: Reason, findings: Findings) -> Step | None:
    """What tells nothing can be made again where it was made since the repair, not where it was made before it."""
    take = next((take for take in findings.takes if take.reading.file == reason.figures["file"]), None)
    if take is None:
        return None
    if take.stage is not Stage.AFTER:
        return Step(todo=Todo.FIND_FAULT)
    return _again(take.reading, reason.figures.get("reason"))


def _again(reading: Reading, why: Figure = None) -> Step:
    return Step(todo=Todo.RECORD_AGAIN, figures={"file": reading.file, "reason": why or reading.reasons[0].code})


def _after_swap(findings: Findings) -> Step:
    assert findings.swap is not None
    swap = findings.swap
    cylinder = swap.faulty or _odd(findings)
    partner = next((other for other, _ in swap.cells if other != cylinder), None)
    if swap.exchange is Exchange.ASSUMED and swap.verdict in _PART_NAMED:
        # Injectors exchanged or connectors crossed: the same sound means opposite parts.
        return Step(todo=Todo.NAME_EXCHANGE, figures={"cylinder": cylinder, "partner": partner})
    neither = swap.verdict is SwapVerdict.NEITHER
    if swap.reversal is Reversal.DID_NOT or (neither and swap.reversal is Reversal.WENT_BACK):
        return Step(todo=Todo.CHECK_PINS, figures={"cylinder": cylinder})
    if neither and swap.reversal is Reversal.NOT_SHOWN and not swap.open_questions:
        return _more(None)
    wired = findings.wiggle is not None and findings.wiggle.verdict is WiggleVerdict.GATHERS
    if wired and swap.verdict is SwapVerdict.FOLLOWS_INJECTOR and swap.reversal is not Reversal.WENT_BACK:
        return Step(todo=Todo.TESTS_DISAGREE, figures={"cylinder": cylinder})
    todo = {
        SwapVerdict.FOLLOWS_INJECTOR: Todo.REPLACE,
        SwapVerdict.STAYS_WITH_CYLINDER: Todo.REPAIR_WIRING,
        SwapVerdict.BOTH: Todo.REPAIR_BOTH,
        SwapVerdict.NEITHER: Todo.SWAP_BACK,
    }[swap.verdict]
    return Step(todo=todo, figures={"cylinder": cylinder})


def _more(seconds: float | None) -> Step:
    return Step(todo=Todo.RECORD_MORE, figures={"seconds": round(seconds or ONE_RECORDING_S)})


def _recordings(case: Case, findings: Findings) -> Step:
    before = [take for take in findings.takes if take.stage is Stage.BEFORE]
    shaken = [take for take in before if take.shaking is Shaking.YES]
    unsaid = sum(take.shaking is Shaking.UNKNOWN for take in before)
    if not shaken and unsaid:
        return Step(todo=Todo.SAY_SHAKING, figures={"count": unsaid})
    if not shaken:
        cylinder = _coded_cylinder(case)
        if cylinder is None:
            return Step(todo=Todo.RECORD_EACH)
        return Step(todo=Todo.RECORD_SHAKING, figures={"cylinder": cylinder})
    return _shaken(case, findings, shaken)


def _shaken(case: Case, findings: Findings, shaken: Sequence[Take]) -> Step:
    missing = _missing_cylinders(case, shaken)
    unheard = _alone_unheard(findings)
    if unheard is not None and not missing and not case.checks.get("drive", False):
        return Step(todo=Todo.PROVE_DRIVE, figures={"cylinder": unheard})
    again = _to_record_again(shaken, missing=bool(missing), odd=_odd(findings))
    if again is not None:
        return _again(again)
    if missing:
        return Step(todo=Todo.RECORD_OTHERS, figures={"cylinders": ", ".join(map(str, missing))})
    return _alone(case, findings, shaken) if case.engine.cylinders == 1 else _compared(case, findings)


def _alone(case: Case, findings: Findings, shaken: Sequence[Take]) -> Step:
    """An engine of one cylinder has nothing to compare or to exchange with."""
    cylinder = shaken[0].cylinder
    if any(take.reading.verdict in (Verdict.SKIPPING, Verdict.NO_TICK) for take in shaken):
        return _to_drive(case, findings, cylinder, alone=True)
    return Step(todo=Todo.LOOK_ELSEWHERE)


def _compared(case: Case, findings: Findings) -> Step:
    found = findings.comparison
    if found is None or found.verdict is CompareVerdict.NOT_SHOWN:
        return _uncompared(found, findings)
    if found.verdict is CompareVerdict.NONE:
        return Step(todo=Todo.LOOK_ELSEWHERE)
    return _to_drive(case, findings, found.odd[0])


def _to_drive(case: Case, findings: Findings, cylinder: int, *, alone: bool = False) -> Step:
    if not case.checks.get("drive", False):
        return Step(todo=Todo.PROVE_DRIVE, figures={"cylinder": cylinder})
    return _driven(findings, cylinder, alone=alone)


def _driven(findings: Findings, cylinder: int, *, alone: bool = False) -> Step:
    """The odd one is driven: wiring or injector; one alone has no other to be exchanged with."""
    if findings.wiggle is None or findings.wiggle.verdict is WiggleVerdict.NOT_SHOWN:
        return Step(todo=Todo.WIGGLE, figures={"cylinder": cylinder})
    if findings.wiggle.verdict is WiggleVerdict.GATHERS:
        return Step(todo=Todo.REPAIR_WIRING, figures={"cylinder": cylinder})
    if findings.swap is not None and findings.swap.record_s:
        return _more(findings.swap.record_s)
    if alone:
        return Step(todo=Todo.REPLACE, figures={"cylinder": cylinder})
    return Step(todo=Todo.SWAP, figures={"cylinder": cylinder, "partner": _partner(findings, cylinder)})


def _partner(findings: Findings, cylinder: int) -> int | None:
    """Whom to exchange it with: the fellow that is known best to tick without a miss."""
    unfit = {cylinder, *(take.cylinder for take in findings.takes if take.reading.verdict is Verdict.SKIPPING)}
    sides: Sequence[Side] = ()
    if findings.comparison is not None:
        sides, unfit = findings.comparison.sides, unfit | set(findings.comparison.odd)
    arms = {side.cylinder: side.arm for side in sides if side.arm is not None and not side.silent}
    fit = [one for one in arms if one not in unfit]
    others = (take.cylinder for take in findings.takes if take.cylinder not in unfit)
    return min(fit, key=lambda one: (arms[one].skipped, -arms[one].judged), default=next(others, None))


def _uncompared(found: Comparison | None, findings: Findings) -> Step:
    """What is missing where no comparison was made or it does not tell."""
    files = {reason.figures["file"] for reason in (found.reasons if found else ()) if reason.why is Why.NOT_COUNTED}
    uncounted = next((take.reading for take in findings.takes if take.reading.file in files), None)
    if uncounted is not None:  # valves alone, or no tick at all: the verdict is clear, and no count of this injector
        return _again(uncounted)
    if found is None or sum(side.arm is not None for side in found.sides) < 2:
        return Step(todo=Todo.RECORD_REST)
    return _more(found.record_s)


def _to_record_again(takes: Sequence[Take], *, missing: bool, odd: int | None) -> Reading | None:
    """The first unclear recording of a cylinder that has no clear one, where nothing else makes it clear.

    The recordings of the cylinders that are missing may tell whose tick it is; where the odd one is known, its fellows
    are clear enough.
    """
    clear = {take.cylinder for take in takes if take.reading.verdict is not Verdict.CANNOT_TELL}
    unclear = next((take.reading for take in takes if take.cylinder not in clear), None)
    if unclear is None:
        return None
    settled = unclear.reasons[0].code in WHOSE_TICK if missing else odd is not None
    return None if settled else unclear


def _missing_cylinders(case: Case, takes: Sequence[Take]) -> list[int]:
    recorded = {take.cylinder for take in takes}
    if case.engine.cylinders is None:
        return []
    return [cylinder for cylinder in range(1, case.engine.cylinders + 1) if cylinder not in recorded]


def _alone_unheard(findings: Findings) -> int | None:
    """The cylinder at which alone nothing stands out: to record it again without a look at its drive leads nowhere."""
    if findings.comparison is None or findings.comparison.odd:
        return None
    reasons = findings.comparison.reasons
    return next((int(str(reason.figures["cylinder"])) for reason in reasons if reason.why is Why.ALONE_UNHEARD), None)


def _odd(findings: Findings) -> int | None:
    odd = findings.comparison.odd if findings.comparison else ()
    return odd[0] if odd else None


def _coded_cylinder(case: Case) -> int | None:
    """The cylinder that the stored codes name, where they name one."""
    named = {cylinder for code in case.codes if (cylinder := read_trouble_code(code).cylinder) is not None}
    inside = {n for n in named if n <= (case.engine.cylinders or n)}
    return inside.pop() if len(inside) == 1 else None
