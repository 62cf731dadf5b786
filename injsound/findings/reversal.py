"""Whether the fault of a swap went back when the parts were changed back: then neither heat nor time had moved it."""

from collections.abc import Sequence
from dataclasses import replace

from injsound.diagnoses import Arm, Reason, SwapFinding, Take
from injsound.findings.alike import unlike
from injsound.findings.episodes import arm_of_takes, more_episodes_p, seems_faulty, shows_fault, uncounted
from injsound.findings.swap import CELL_LEVEL, is_gone
from injsound.job_codes import Reversal, Stage, SwapVerdict, Why


def find_reversal(found: SwapFinding, takes: Sequence[Take]) -> SwapFinding:
    """Ask the recordings made after the swap was undone whether the fault is where it was at first.

    Parameters
    ----------
    found : SwapFinding
        What the swap itself showed.
    takes : sequence of Take
        Those of stage "changed back" are asked; the rest says in which condition.

    Returns
    -------
    SwapFinding
        The same with the reversal, where there are such recordings and the swap placed the fault or lost it.
    """
    if found.verdict is SwapVerdict.NOT_SHOWN or found.faulty is None:
        return found
    pair = {cylinder for cylinder, _ in found.cells}
    own = [take for take in takes if take.cylinder in pair and take.stage is not Stage.AFTER]
    back = [take for take in own if take.stage is Stage.BACK]
    if not back:
        return found
    sides = {cylinder: [take for take in back if take.cylinder == cylinder] for cylinder in sorted(pair)}
    arms = {cylinder: arm for cylinder, side in sides.items() if (arm := arm_of_takes(side)) is not None}
    doubts = [
        Reason(why=Why.CELL_MISSING, figures={"cylinder": cylinder, "stage": Stage.BACK})
        for cylinder, side in sides.items()
        if not side
    ]
    doubts += uncounted([side[0] for cylinder, side in sides.items() if side and cylinder not in arms])
    doubts += unlike(own)
    reversal = Reversal.NOT_SHOWN if doubts else _reversal(found, arms)
    return replace(found, reversal=reversal, undone=arms, open_questions=tuple(doubts))


def _reversal(found: SwapFinding, arms: dict[int, Arm]) -> Reversal:
    assert found.faulty is not None
    (other,) = arms.keys() - {found.faulty}
    first, partner = arms[found.faulty], arms[other]
    if shows_fault(first) and not seems_faulty(partner) and more_episodes_p(first, partner) < CELL_LEVEL:
        return Reversal.WENT_BACK
    gone = not seems_faulty(first) and is_gone(found.cells[found.faulty, Stage.BEFORE], first)
    return Reversal.DID_NOT if gone else Reversal.NOT_SHOWN
