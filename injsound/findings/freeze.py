"""Whether any recording was made as the engine ran when the control unit set its code."""

from collections.abc import Sequence

from injsound.control_unit import FreezeFrame
from injsound.diagnoses import Reason, Take
from injsound.findings.alike import MOST_SPEED_RATIO, speed_of
from injsound.job_codes import Stage, Why

# Farther off than this the mixture and the injection pulse are others (common practice, no source).
FRAME_COOLANT_C = 20.0
FRAME_LOAD_PERCENT = 20.0


def unlike_freeze_frame(frame: FreezeFrame, takes: Sequence[Take]) -> Reason | None:
    """Say when the fault's own condition has not been recorded.

    Parameters
    ----------
    frame : FreezeFrame
        As kept by the control unit.
    takes : sequence of Take
        Recordings; those before any swap or repair count.

    Returns
    -------
    Reason or None
        None where one recording at least is like the frame in all that is known of both, where nothing is recorded
        yet, or where no frame was entered.
    """
    own = [take for take in takes if take.stage is Stage.BEFORE]
    if not own or frame == FreezeFrame() or any(_is_like(frame, take) for take in own):
        return None
    figures = {
        name: None if value is None else round(value)
        for name, value in (("rpm", frame.rpm), ("coolant_c", frame.coolant_c), ("load_percent", frame.load_percent))
    }
    return Reason(why=Why.UNLIKE_FREEZE_FRAME, figures=figures)


def _is_like(frame: FreezeFrame, take: Take) -> bool:
    speed = speed_of(take)
    if frame.rpm is not None and speed is not None:
        low, high = sorted((frame.rpm, speed))
        if high > MOST_SPEED_RATIO * low:
            return False
    return _near(frame.coolant_c, take.coolant_c, FRAME_COOLANT_C) and _near(
        frame.load_percent, take.load_percent, FRAME_LOAD_PERCENT
    )


def _near(one: float | None, other: float | None, most: float) -> bool:
    return one is None or other is None or abs(one - other) <= most
