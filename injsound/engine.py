"""The engine's arithmetic: speed, firing interval, and each cylinder's place in the cycle.

A four-stroke cycle is 720 degrees of crank, two revolutions. Everything below follows from that.
"""

import math
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise

from injsound.errors import ParameterError

MAX_CYLINDERS = 16
CYCLE_DEGREES = 720.0
# Phases come from degrees, each rounded to 1e-16 of a cycle: closer ones are the same.
_SAME_PHASE = 1e-9
# Cranking is about 100 rpm at the least and a car engine's limiter lies below 10,000 rpm: common practice, no source.
_MIN_RPM, MAX_RPM = 60.0, 10_000.0
# Sound of slower engines is not followed: simulated ones of 200 rpm were counted, of 60 and 100 taken for several times
# as fast, and in those of 120 and 150 no tick was found.
LEAST_FOLLOWED_RPM = 200.0
# One common order each, for examples: common practice, no source.
_EXAMPLES = {4: "1-3-4-2", 5: "1-2-4-5-3", 6: "1-5-3-6-2-4", 8: "1-8-4-3-6-5-7-2"}


# Of an engine of which nothing else is known, for an example: the commonest in cars, common practice, no source.
_TYPICAL = 4


class Injection(StrEnum):
    """How often each injector opens."""

    SEQUENTIAL = "sequential"
    """Once per cycle, every 120/rpm seconds."""
    BATCH = "batch"
    """Once per revolution, every 60/rpm seconds, together with its partners."""


EVENTS_PER_CYCLE = {Injection.SEQUENTIAL: 1, Injection.BATCH: 2}


@dataclass(frozen=True, slots=True, kw_only=True)
class Engine:
    """What the person knows of the engine; all but the injection mode may be unknown.

    Parameters
    ----------
    cylinders : int or None
        Number of cylinders, 1 to 16 [unitless].
    cylinder : int or None
        The cylinder whose injector was recorded, counted from 1 [unitless].
    firing_order : tuple of int or None
        Each cylinder once, in the order of firing [unitless].
    injection : Injection
        Sequential (once per cycle) or batch (once per revolution).
    firing_angles : tuple of float or None
        Where in the 720 degrees each cylinder fires, in firing order, for an engine that fires unevenly; None fires
        evenly [degrees].

    Raises
    ------
    ParameterError
        If the values contradict each other.
    """

    cylinders: int | None = None
    cylinder: int | None = None
    firing_order: tuple[int, ...] | None = None
    injection: Injection = Injection.SEQUENTIAL
    firing_angles: tuple[float, ...] | None = None

    def __post_init__(self) -> None:
        n, order = self.cylinders, self.firing_order
        if n is not None and not 1 <= n <= MAX_CYLINDERS:
            raise ParameterError(f"cylinders is {n}; expected 1 to {MAX_CYLINDERS}: check the number")
        if order is not None:
            _check_order(order, n)
            if n is None:
                object.__setattr__(self, "cylinders", len(order))
                n = len(order)
        if self.cylinder is not None and not 1 <= self.cylinder <= (n or MAX_CYLINDERS):
            raise ParameterError(
                f"cylinder is {self.cylinder}; expected 1 to {n or MAX_CYLINDERS}: count cylinders as the maker does"
            )
        if self.firing_angles is not None:
            _check_angles(self.firing_angles, order)


def _check_order(order: tuple[int, ...], cylinders: int | None) -> None:
    shown = "-".join(map(str, order))
    if cylinders is not None and len(order) != cylinders:
        raise ParameterError(
            f"firing order {shown} names {len(order)} cylinders; the engine has {cylinders}: give each cylinder once"
        )
    if sorted(order) != list(range(1, len(order) + 1)):
        raise ParameterError(
            f"firing order {shown} is not possible; expected each cylinder from 1 to {len(order)} once, "
            f"such as {_example_order(len(order))}: check the order"
        )


def _example_order(cylinders: int) -> str:
    return _EXAMPLES.get(cylinders, "-".join(map(str, range(1, cylinders + 1))))


def _check_angles(angles: tuple[float, ...], order: tuple[int, ...] | None) -> None:
    shown = ", ".join(f"{angle:g}" for angle in angles)
    if order is None or len(angles) != len(order):
        named = "no firing order" if order is None else f"a firing order of {len(order)}"
        raise ParameterError(
            f"firing angles {shown} go with {named}; expected one angle for each cylinder of the order"
        )
    rising = all(a < b for a, b in pairwise(angles))
    if not (rising and angles[0] >= 0 and angles[-1] < CYCLE_DEGREES):  # also catches nan
        raise ParameterError(
            f"firing angles {shown} are not possible; expected rising degrees from 0 to under {CYCLE_DEGREES:g}, "
            "such as 0, 90, 240, 330, 480, 570: check them"
        )


def parse_firing_order(text: str, *, cylinders: int | None = None) -> tuple[int, ...]:
    """Read a firing order written as ``1-5-3-6-2-4`` (commas and spaces also divide).

    Parameters
    ----------
    text : str
        The order as typed.
    cylinders : int or None
        How many the engine has; None where only the order says so [unitless].

    Returns
    -------
    tuple of int
        Cylinder numbers in firing order [unitless].

    Raises
    ------
    ParameterError
        If it is not a list of whole numbers naming each cylinder once.
    """
    example = _example_order(cylinders or _TYPICAL)
    parts = text.replace(",", "-").replace(" ", "-").split("-")
    numbers = [part for part in parts if part]
    if not numbers or not all(part.isdecimal() and part.isascii() for part in numbers):
        raise ParameterError(f"firing order {text!r} is not a list of cylinders; expected something like {example}")
    order = tuple(int(part) for part in numbers)
    if len(order) == 1 and order[0] > MAX_CYLINDERS:
        raise ParameterError(
            f"firing order {text!r} is a single number; write the numbers with dashes between, such as {example}"
        )
    _check_order(order, cylinders)
    return order


def check_rpm(rpm: float, *, least: float = LEAST_FOLLOWED_RPM) -> float:
    """Return a usable engine speed or say what is wrong with it.

    Parameters
    ----------
    rpm : float
        Engine speed [1/min].
    least : float
        Lowest that makes sense: of a recording, by default [1/min].

    Returns
    -------
    float
        The same speed [1/min].

    Raises
    ------
    ParameterError
        If it is not between the least and 10,000 1/min.
    """
    value = float(rpm)
    if not least <= value <= MAX_RPM:  # also catches nan
        raise ParameterError(
            f"rpm is {value:g}; expected {least:g} to {MAX_RPM:g}: read it from the tachometer or the scan tool"
        )
    return value


def cycle_interval(rpm: float) -> float:
    """Length of the 720-degree cycle, 120/rpm.

    Parameters
    ----------
    rpm : float
        Engine speed [1/min].

    Returns
    -------
    float
        Interval [s].
    """
    return 120.0 / check_rpm(rpm, least=_MIN_RPM)


def firing_interval(rpm: float, injection: Injection) -> float:
    """Interval between one injector's ticks: 120/rpm sequential, 60/rpm batch.

    Parameters
    ----------
    rpm : float
        Engine speed [1/min].
    injection : Injection
        Injection mode.

    Returns
    -------
    float
        Interval [s].
    """
    return cycle_interval(rpm) / EVENTS_PER_CYCLE[injection]


def firing_phase(order: tuple[int, ...], cylinder: int) -> float:
    """Place of a cylinder in an evenly firing cycle, k/N for position k in the order.

    Parameters
    ----------
    order : tuple of int
        Firing order [unitless].
    cylinder : int
        Cylinder, counted from 1 [unitless].

    Returns
    -------
    float
        Phase in the cycle, from 0 up to 1 [cycles].

    Raises
    ------
    ParameterError
        If the cylinder is not in the order.
    """
    if cylinder not in order:
        raise ParameterError(f"cylinder {cylinder} is not in firing order {'-'.join(map(str, order))}")
    return order.index(cylinder) / len(order)


def cylinder_phases(engine: Engine) -> dict[int, float]:
    """Place of every cylinder in the cycle: its firing angle where angles are known, else evenly by the order.

    Parameters
    ----------
    engine : Engine
        What is known of it.

    Returns
    -------
    dict of int to float
        Phase by cylinder, in firing order, from 0 up to 1 [cycles]; empty where no firing order is known.
    """
    order, angles = engine.firing_order, engine.firing_angles
    if order is None:
        return {}
    if angles is None:
        return {cylinder: firing_phase(order, cylinder) for cylinder in order}
    return {cylinder: angle / CYCLE_DEGREES for cylinder, angle in zip(order, angles, strict=True)}


def has_partner(engine: Engine) -> bool:
    """Whether another injector may tick at the same moment.

    Parameters
    ----------
    engine : Engine
        What is known of it.

    Returns
    -------
    bool
        False in sequential mode and where there is no other; in batch mode a control unit may open all of them at once,
        whatever their number, or group by group.

    References
    ----------
    Simultaneous, paired and semi-sequential injection are all in use: speeduino wiki, "Engine Constants", 2021.
    """
    alone = engine.cylinders == 1 or engine.firing_order == (1,)
    return engine.injection is Injection.BATCH and not alone


def tick_together(phase: float, per_cycle: int) -> bool:
    """Whether an injector ticks at the same moment as one that ticks so far before it.

    Parameters
    ----------
    phase : float
        From the one's tick to the other's [cycles].
    per_cycle : int
        How often each ticks in a cycle: 1 sequential, 2 batch [unitless].

    Returns
    -------
    bool
        True where a whole number of intervals lies between them, whichever way the phase was rounded.
    """
    return abs(math.remainder(phase, 1 / per_cycle)) < _SAME_PHASE


def neighbour_phases(engine: Engine) -> tuple[float, ...]:
    """Where the other injectors tick, as phases after this injector's tick.

    Parameters
    ----------
    engine : Engine
        With the number of cylinders; firing angles need the recorded cylinder as well.

    Returns
    -------
    tuple of float
        Rising phases between 0 and 1, without 0 itself [cycles]; empty where the number of cylinders is unknown, or an
        uneven engine's cylinder. In batch mode each ticks half a cycle later as well.
    """
    n = engine.cylinders
    if engine.firing_angles is None:
        return () if n is None else tuple(k / n for k in range(1, n))
    if engine.cylinder is None:
        return ()
    phases = cylinder_phases(engine)
    own = phases.pop(engine.cylinder)
    return tuple(sorted((phase - own) % 1.0 for phase in phases.values()))
