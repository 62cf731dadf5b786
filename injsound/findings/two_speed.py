"""Whether a tick's open time is a solenoid's or a mechanical gap, by recordings at two speeds.

A solenoid opens for as long as its pulse, in milliseconds; a valve or a pump turns with the crank, so its gap keeps its
degrees and falls in proportion to speed. The gap at the faster speed, with its interval, is laid beside what either
foretells from the slower one.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from injsound.diagnoses import AtSpeed, Reason, Take, TwoSpeedFinding
from injsound.errors import ParameterError
from injsound.findings.alike import MOST_SPEED_RATIO, same_recordings, speed_of, unlike_conditions
from injsound.findings.opening import FEWEST_GAPS, MOST_PULSE_MS
from injsound.job_codes import GapKind, Stage, Why
from injsound.values import Figure

# Normal quantile of a two-sided 99 %: the level of all findings.
_SURE = 2.576
# Standard error of a median over that of a mean (normal scatter): sqrt(pi / 2).
_MEDIAN = 1.2533
# Onsets of two mean ticks are each read to some 0.05 ms (check 5 of the project's list: a doublet of 2.5 ms).
GAP_ERROR_MS = 0.05
# A solenoid's gap roughly holds: at a held 2,000 1/min without load the pulse is idle's to within a third (common
# practice, no source); entered pulse widths leave only what they are read to, MOST_PULSE_MS.
_PULSE_UNKNOWN = 0.3
# A mechanical gap keeps its degrees but for what a variable valve train shifts (common practice, no source).
_DEGREES_KEPT = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class _Band:
    """From where to where a gap may lie [ms]."""

    low: float
    high: float

    def meets(self, low: float, high: float) -> bool:
        return low <= self.high and high >= self.low


def compare_speeds(takes: Sequence[Take]) -> TwoSpeedFinding:
    """Tell a solenoid's open time from a mechanical gap.

    Parameters
    ----------
    takes : sequence of Take
        One cylinder, recorded at a slow speed and at a fast one (idle and a held 2,000 1/min); with several recordings
        at a speed the one with most measured gaps counts.

    Returns
    -------
    TwoSpeedFinding
        "Not shown" where the speeds are too close, the gap was not measured, or it fits both or neither.

    Raises
    ------
    ParameterError
        If the recordings are of several cylinders, or none has a speed.

    References
    ----------
    Separation of the ticks = pulse width + closing time - opening time, so constant in ms for a solenoid, and constant
    in degrees for a mechanism: by arithmetic. 0.12 ms/V: default latency table of an open engine-control firmware
    (rusEFI ``default_fuel.cpp``).
    """
    cylinders = sorted({take.cylinder for take in takes})
    known = sorted((take for take in takes if speed_of(take) is not None), key=lambda take: speed_of(take) or 0.0)
    if len(cylinders) != 1 or not known:
        raise ParameterError(
            f"two speeds of cylinders {cylinders}: expected recordings of one cylinder, with a speed: name them"
        )
    slow, fast = _at_speed(_near(known, known[0])), _at_speed(_near(known, known[-1]))
    reasons = [*same_recordings(known), *unlike_conditions(known)]
    bands = _solenoid(slow, fast), _mechanical(slow, fast)
    kind, why = _told(slow, fast, bands)
    if reasons:
        kind = GapKind.NOT_SHOWN
    return TwoSpeedFinding(
        verdict=kind,
        cylinder=cylinders[0],
        slow=slow,
        fast=fast,
        solenoid_ms=None if bands[0] is None else (bands[0].low, bands[0].high),
        mechanical_ms=None if bands[1] is None else (bands[1].low, bands[1].high),
        reasons=(*reasons, why),
    )


def speeds_apart(takes: Sequence[Take]) -> bool:
    """Whether recordings of a cylinder were made at two speeds.

    Parameters
    ----------
    takes : sequence of Take
        Of one cylinder.

    Returns
    -------
    bool
        True where the fastest is beyond what counts as one speed.
    """
    speeds = [speed for take in takes if (speed := speed_of(take)) is not None]
    return bool(speeds) and max(speeds) > MOST_SPEED_RATIO * min(speeds)


def compare_speeds_of_each(takes: Sequence[Take]) -> tuple[TwoSpeedFinding, ...]:
    """Tell solenoid from mechanism for each cylinder that was recorded at two speeds before any swap.

    Parameters
    ----------
    takes : sequence of Take
        Of one engine.

    Returns
    -------
    tuple of TwoSpeedFinding
        By cylinder; "warm idle" and "warm" are one temperature.
    """
    by_place: dict[tuple[int, str], list[Take]] = {}
    for take in takes:
        if take.stage is Stage.BEFORE:
            warmth = take.condition.removesuffix(" idle")
            by_place.setdefault((take.cylinder, warmth), []).append(replace(take, condition=warmth))
    return tuple(compare_speeds(own) for _, own in sorted(by_place.items()) if speeds_apart(own))


def _near(known: Sequence[Take], one: Take) -> Take:
    """The recording with most measured gaps at about the speed of one of them."""
    speed = speed_of(one) or 0.0
    like = [t for t in known if speed / MOST_SPEED_RATIO <= (speed_of(t) or 0.0) <= speed * MOST_SPEED_RATIO]
    return max(like, key=lambda take: take.reading.open_time.count)


def _at_speed(take: Take) -> AtSpeed:
    gap = take.reading.open_time
    measured = gap.median_ms is not None and gap.count >= FEWEST_GAPS
    error = float(np.hypot(_MEDIAN * (gap.spread_ms or 0.0) / np.sqrt(max(gap.count, 1)), GAP_ERROR_MS))
    return AtSpeed(
        rpm=speed_of(take) or 0.0,
        open_time_ms=gap.median_ms if measured else None,
        error_ms=error if measured else None,
        count=gap.count,
        pulse_width_ms=take.pulse_width_ms,
    )


def _solenoid(slow: AtSpeed, fast: AtSpeed) -> _Band | None:
    """What a solenoid's gap would be at the faster speed."""
    if slow.open_time_ms is None or slow.error_ms is None:
        return None
    error = _SURE * slow.error_ms
    if slow.pulse_width_ms is not None and fast.pulse_width_ms is not None:
        middle = slow.open_time_ms + fast.pulse_width_ms - slow.pulse_width_ms
        return _Band(low=middle - MOST_PULSE_MS - error, high=middle + MOST_PULSE_MS + error)
    reach = _PULSE_UNKNOWN * slow.open_time_ms + error
    return _Band(low=slow.open_time_ms - reach, high=slow.open_time_ms + reach)


def _mechanical(slow: AtSpeed, fast: AtSpeed) -> _Band | None:
    """What a mechanical gap would be at the faster speed."""
    if slow.open_time_ms is None or slow.error_ms is None or not fast.rpm:
        return None
    ratio = slow.rpm / fast.rpm
    reach = ratio * (_DEGREES_KEPT * slow.open_time_ms + _SURE * slow.error_ms)
    return _Band(low=ratio * slow.open_time_ms - reach, high=ratio * slow.open_time_ms + reach)


def _told(slow: AtSpeed, fast: AtSpeed, bands: tuple[_Band | None, _Band | None]) -> tuple[GapKind, Reason]:
    solenoid, mechanical = bands
    figures: dict[str, Figure] = {"rpm_low": round(slow.rpm), "rpm_high": round(fast.rpm)}
    if fast.rpm <= MOST_SPEED_RATIO * slow.rpm:
        return GapKind.NOT_SHOWN, Reason(why=Why.ONE_SPEED, figures=figures)
    if solenoid is None or mechanical is None or fast.open_time_ms is None or fast.error_ms is None:
        missing = slow if slow.open_time_ms is None else fast
        return GapKind.NOT_SHOWN, Reason(
            why=Why.NO_OPEN_TIME, figures={"rpm": round(missing.rpm), "count": missing.count, "needed": FEWEST_GAPS}
        )
    if solenoid.meets(mechanical.low, mechanical.high):
        return GapKind.NOT_SHOWN, Reason(why=Why.SPEEDS_TOO_CLOSE, figures=figures)
    low, high = fast.open_time_ms - _SURE * fast.error_ms, fast.open_time_ms + _SURE * fast.error_ms
    if solenoid.meets(low, high) and not mechanical.meets(low, high):
        return GapKind.SOLENOID, Reason(why=Why.GAP_HOLDS, figures=figures)
    if mechanical.meets(low, high) and not solenoid.meets(low, high):
        return GapKind.MECHANICAL, Reason(why=Why.GAP_FALLS, figures=figures)
    both = solenoid.meets(low, high)
    return GapKind.NOT_SHOWN, Reason(why=Why.GAP_FITS_BOTH if both else Why.GAP_FITS_NEITHER, figures=figures)
