"""What the control unit keeps of a fault: its misfires, and the moment at which a code was set."""

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True, slots=True, kw_only=True)
class Misfires:
    """What the control unit says of misfires at one stage.

    Parameters
    ----------
    codes : tuple of str
        Stored and pending trouble codes.
    counts : mapping of int to int
        Misfire counters by cylinder [unitless].
    """

    codes: tuple[str, ...] = ()
    counts: Mapping[int, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class FreezeFrame:
    """The moment at which a code was set, as the control unit kept it; None where not entered.

    Parameters
    ----------
    rpm, coolant_c, load_percent : float or None
        Speed [1/min], coolant temperature [degree Celsius], calculated load [%].
    """

    rpm: float | None = None
    coolant_c: float | None = None
    load_percent: float | None = None
