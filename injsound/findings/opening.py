"""Open times that stand apart: which of them may be compared, and what such a lead may mean.

The gap from open to close tick is pulse width + closing time - opening time. With less voltage the solenoid opens
later, so the gap is shorter; a sticking needle may open late or close late. A lead, never a verdict.
"""

import numpy as np

from injsound.diagnoses import Reason, Side
from injsound.findings.episodes import LEVEL
from injsound.job_codes import Measure, Why
from injsound.values import Figure

# How much longer a stock port injector opens than it closes: default table of an open engine-control firmware (rusEFI
# ``default_fuel.cpp``), saturated drive.
LATENCY_V = (6.0, 8.0, 10.0, 11.0, 12.0, 13.0, 14.0, 15.0)
LATENCY_MS = (3.371, 1.974, 1.383, 1.194, 1.040, 0.914, 0.797, 0.726)
CHARGING_V = 14.0
# Colder oil and fuel, or a longer pulse, than this are another operating point (common practice, no source; 0.15 ms is
# the scan tool's last digit and half a volt at 0.12 ms/V).
MOST_COOLANT_C = 10.0
MOST_PULSE_MS = 0.15
# Open and close strike a little early or late, each by itself; an echo follows its click at a fixed distance. So a gap
# that strays half as much as its fellows' or less, or three times as much (then theirs may be an echo's), is of another
# sound; straying less than that is not told from the error of measurement. Four wrong leads in 50 simulated cases
# strayed 0.16 to 0.49 or 4.5 times as much.
_LEAST_STRAY, _MOST_STRAY, _STRAY_FLOOR_MS = 0.5, 3.0, 0.01
# So much shorter at 8 V, where hardly a pulse at idle still opens it: what is farther off either way is another sound.
_FARTHEST_MS = 1.18
# The median of fewer gaps is not known to 0.28 of their scatter: 1.2533 / sqrt(20), for a normal one.
FEWEST_GAPS = 20


def latency_ms(volts: float) -> float:
    """Opening less closing time of a stock port injector.

    Parameters
    ----------
    volts : float
        At the injector [V].

    Returns
    -------
    float
        Linear between the table's points, its ends beyond [ms].

    References
    ----------
    rusEFI ``default_fuel.cpp``.
    """
    return float(np.interp(volts, LATENCY_V, LATENCY_MS))


def volts_lost(short_ms: float) -> float:
    """Voltage whose loss makes the gap shorter by so much at an unchanged pulse.

    Parameters
    ----------
    short_ms : float
        How much shorter than the fellows' [ms].

    Returns
    -------
    float
        Below 14 V; 0.243 ms are 2 V, 8 V at most [V].
    """
    wanted = latency_ms(CHARGING_V) + short_ms
    return CHARGING_V - float(np.interp(wanted, LATENCY_MS[::-1], LATENCY_V[::-1]))


def opens_alike(one: Side, other: Side) -> bool:
    """Whether two open times were made at like temperature and pulse width, as far as both were entered.

    Parameters
    ----------
    one, other : Side
        Two cylinders of a comparison, which is at one speed already.

    Returns
    -------
    bool
        True where nothing entered stands against it.
    """
    pairs = (
        (one.coolant_c, other.coolant_c, MOST_COOLANT_C),
        (one.pulse_width_ms, other.pulse_width_ms, MOST_PULSE_MS),
    )
    # A rounding less than the last digit entered is no difference.
    return all(a is None or b is None or abs(a - b) <= most + 1e-9 for a, b, most in pairs)


def like_open_times(side: Side, sides: list[Side]) -> list[float]:
    """Open times of the fellows that may be compared with a side's.

    Parameters
    ----------
    side : Side
        One cylinder.
    sides : list of Side
        All, itself among them.

    Returns
    -------
    list of float
        Their medians [ms].
    """
    return [other.open_time_ms for other in _like(side, sides) if other.open_time_ms is not None]


def _like(side: Side, sides: list[Side]) -> list[Side]:
    return [other for other in sides if other is not side and opens_alike(side, other)]


def why_doubted(side: Side, sides: list[Side]) -> Why | None:
    """Why an open time that stands apart may be none: it strays unlike its fellows', or lies too far off.

    Parameters
    ----------
    side : Side
        One cylinder.
    sides : list of Side
        All, itself among them.

    Returns
    -------
    Why or None
        None also where nothing is known.
    """
    others, usual = like_open_times(side, sides), _usual_stray_ms(side, sides)
    if side.open_time_ms is not None and others and abs(side.open_time_ms - np.mean(others)) > _FARTHEST_MS:
        return Why.OPEN_TIME_FAR
    if side.open_spread_ms is None or usual is None:
        return None
    ratio = max(side.open_spread_ms, _STRAY_FLOOR_MS) / max(usual, _STRAY_FLOOR_MS)
    return None if _LEAST_STRAY < ratio < _MOST_STRAY else Why.OPEN_TIME_DOUBTED


def _usual_stray_ms(side: Side, sides: list[Side]) -> float | None:
    others = [other.open_spread_ms for other in _like(side, sides) if other.open_spread_ms is not None]
    return float(np.median(others)) if others else None


def opening_leads(sides: list[Side]) -> list[Reason]:
    """What is told of open times: each that stands apart, and that some may not be compared.

    Parameters
    ----------
    sides : list of Side
        With their corrected probabilities.

    Returns
    -------
    list of Reason
        A lead each.
    """
    measured = [side for side in sides if side.open_time_ms is not None]
    found = [lead for side in measured if side.p.get(Measure.OPEN_TIME, 1.0) < LEVEL and (lead := _lead(side, sides))]
    if any(not opens_alike(one, other) for one in measured for other in measured):
        found.append(Reason(why=Why.OPEN_TIMES_UNLIKE))
    ticking = [side for side in sides if side.arm is not None and not side.silent]
    lacking = [str(side.cylinder) for side in ticking if side.open_time_ms is None]
    if measured and lacking:
        found.append(Reason(why=Why.OPEN_TIME_LACKING, figures={"cylinders": ", ".join(lacking)}))
    return found


def _lead(side: Side, sides: list[Side]) -> Reason | None:
    others = like_open_times(side, sides)
    if side.open_time_ms is None or not others:
        return None
    short = float(np.mean(others)) - side.open_time_ms
    figures: dict[str, Figure] = {
        "cylinder": side.cylinder,
        "value": round(side.open_time_ms, 2),
        "low": round(min(others), 2),
        "high": round(max(others), 2),
    }
    match why_doubted(side, sides):
        case Why.OPEN_TIME_FAR:
            return Reason(why=Why.OPEN_TIME_FAR, figures=figures)
        case Why.OPEN_TIME_DOUBTED:
            strays = {"spread_us": side.open_spread_ms, "usual_us": _usual_stray_ms(side, sides)}
            told: dict[str, Figure] = {name: round(1e3 * (ms or 0.0)) for name, ms in strays.items()}
            return Reason(why=Why.OPEN_TIME_DOUBTED, figures=figures | told)
    figures["measure"] = Measure.OPEN_TIME
    if short > 0:
        return Reason(why=Why.OPENS_SHORT, figures={**figures, "volts": round(volts_lost(short), 1)})
    return Reason(why=Why.OPENS_LONG, figures=figures)
