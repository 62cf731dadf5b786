"""What the control unit says of misfires before and after a swap: second evidence beside the sound."""

from injsound.control_unit import Misfires
from injsound.diagnoses import Reason
from injsound.findings.episodes import LEVEL
from injsound.findings.proportions import tail_probability
from injsound.job_codes import SwapVerdict, Why
from injsound.trouble_codes import TroubleKind, read_trouble_code


def misfiring_cylinder(read: Misfires, pair: tuple[int, int]) -> int | None:
    """Which of two cylinders misfires by the control unit.

    Parameters
    ----------
    read : Misfires
        Codes and counters of one stage.
    pair : tuple of int
        The two cylinders.

    Returns
    -------
    int or None
        The one that a misfire code names, else the one that counts clearly more: of as many misfires in all, so great
        a share would come to it with less than 1 % were both alike. None where neither or both.

    References
    ----------
    Binomial test, one-sided at 0.01.
    """
    said = [read_trouble_code(code) for code in read.codes]
    named = {code.cylinder for code in said if code.kind is TroubleKind.MISFIRE} & set(pair)
    if named:
        return named.pop() if len(named) == 1 else None
    first, other = (read.counts.get(cylinder, 0) for cylinder in pair)
    most = max(first, other)
    if not most or tail_probability(most, first + other, rate=0.5) >= LEVEL:
        return None
    return pair[0] if first > other else pair[1]


def second_evidence(
    before: Misfires, swapped: Misfires, *, first: int, partner: int, heard: SwapVerdict, heard_at: int | None
) -> tuple[Reason, ...]:
    """Whether a misfire code or counter went the way of the skips.

    Parameters
    ----------
    before, swapped : Misfires
        As read before the swap and after it.
    first, partner : int
        The cylinder that skipped before, and the other.
    heard : SwapVerdict
        What the sound says.
    heard_at : int or None
        The one cylinder that skips after the swap.

    Returns
    -------
    tuple of Reason
        What the control unit says, and whether it agrees; empty where it says nothing.
    """
    was, now = (misfiring_cylinder(read, (first, partner)) for read in (before, swapped))
    if was is None or now is None:
        return ()
    if was == now:
        fact = Reason(why=Why.MISFIRE_STAYED, figures={"cylinder": was})
    else:
        fact = Reason(why=Why.MISFIRE_MOVED, figures={"cylinder": was, "other": now})
    if heard is SwapVerdict.NEITHER:
        return fact, Reason(why=Why.SECOND_CONTRADICTS)
    if heard_at is None:
        return (fact,)
    agrees = was == first and now == heard_at
    return fact, Reason(why=Why.SECOND_AGREES if agrees else Why.SECOND_CONTRADICTS)
