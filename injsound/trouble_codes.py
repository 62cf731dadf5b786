"""What stored trouble codes say of misfire, injector circuits and mixture."""

import re
from dataclasses import dataclass
from enum import StrEnum

from injsound.errors import ParameterError

# Body, chassis, power train, network; the digits may be hexadecimal.
_TROUBLE_CODE = re.compile("[BCPU][0-3][0-9A-F]{3}")


class TroubleKind(StrEnum):
    """What a trouble code says."""

    MISFIRE = "misfire"
    RANDOM_MISFIRE = "random misfire"
    CIRCUIT = "circuit"
    CYLINDER_CIRCUIT = "cylinder circuit"
    CIRCUIT_LOW = "circuit low"
    CIRCUIT_HIGH = "circuit high"
    BALANCE = "balance"
    LOW_FUEL = "low fuel"
    NO_CYLINDER = "no cylinder"
    LEAN = "lean"
    RICH = "rich"
    OTHER = "other"


@dataclass(frozen=True, slots=True, kw_only=True)
class TroubleCode:
    """A trouble code's meaning.

    Parameters
    ----------
    kind : TroubleKind
        What it says.
    cylinder : int or None
        Of which cylinder, where it names one [unitless].
    bank : int or None
        Of which bank, where it names one [unitless].
    """

    kind: TroubleKind
    cylinder: int | None = None
    bank: int | None = None


# Codes that name no cylinder.
_GENERAL_CODES = {
    "P0171": TroubleCode(kind=TroubleKind.LEAN, bank=1),
    "P0172": TroubleCode(kind=TroubleKind.RICH, bank=1),
    "P0174": TroubleCode(kind=TroubleKind.LEAN, bank=2),
    "P0175": TroubleCode(kind=TroubleKind.RICH, bank=2),
    "P0200": TroubleCode(kind=TroubleKind.CIRCUIT),
    "P0300": TroubleCode(kind=TroubleKind.RANDOM_MISFIRE),
    "P0313": TroubleCode(kind=TroubleKind.LOW_FUEL),
    "P0314": TroubleCode(kind=TroubleKind.NO_CYLINDER),
}


def cylinder_trouble_codes(cylinder: int) -> dict[str, TroubleCode]:
    """Trouble codes that name one cylinder's combustion or injector circuit.

    Parameters
    ----------
    cylinder : int
        Cylinder, 1 to 12 [unitless].

    Returns
    -------
    dict of str to TroubleCode
        Code to what it says.

    Raises
    ------
    ParameterError
        If the cylinder has no codes of its own.

    References
    ----------
    SAE J2012 / ISO 15031-6 as carried by python-OBD ``codes.py``; P0261 + 3(c-1) low, P0262 + 3(c-1) high,
    P0263 + 3(c-1) contribution/balance.
    """
    if not 1 <= cylinder <= 12:
        raise ParameterError(f"cylinder is {cylinder}; trouble codes name cylinders 1 to 12")
    base = 3 * (cylinder - 1)
    numbers = {
        300 + cylinder: TroubleKind.MISFIRE,
        200 + cylinder: TroubleKind.CYLINDER_CIRCUIT,
        261 + base: TroubleKind.CIRCUIT_LOW,
        262 + base: TroubleKind.CIRCUIT_HIGH,
        263 + base: TroubleKind.BALANCE,
    }
    return {f"P{number:04d}": TroubleCode(kind=kind, cylinder=cylinder) for number, kind in numbers.items()}


_KNOWN = {
    **_GENERAL_CODES,
    **{code: said for cylinder in range(1, 13) for code, said in cylinder_trouble_codes(cylinder).items()},
}


def read_trouble_code(code: str, *, cylinders: int | None = None) -> TroubleCode:
    """What a trouble code says, as far as it is of use here: misfire, injector circuit, mixture.

    Parameters
    ----------
    code : str
        Such as ``"P0302"``.
    cylinders : int or None
        How many the engine has; None where that is not known [unitless].

    Returns
    -------
    TroubleCode
        Its kind, and the cylinder or bank where it names one; any other code is of kind ``OTHER``.

    Raises
    ------
    ParameterError
        If it is no trouble code, or names a cylinder that the engine has not.

    References
    ----------
    SAE J2012 / ISO 15031-6 as carried by python-OBD ``codes.py``.
    """
    plain = code.strip().upper()
    if not _TROUBLE_CODE.fullmatch(plain):
        raise ParameterError(
            f"{code!r} is no trouble code; expected a letter and four digits such as P0302: correct it"
        )
    said = _KNOWN.get(plain, TroubleCode(kind=TroubleKind.OTHER))
    if cylinders is not None and said.cylinder is not None and said.cylinder > cylinders:
        raise ParameterError(
            f"{plain} names cylinder {said.cylinder}; the engine has {cylinders}: correct the code or the cylinders"
        )
    return said
