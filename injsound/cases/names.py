"""What a recording's name says, in English or Spanish, and the names of common conditions."""

import re
import unicodedata

from injsound.engine import LEAST_FOLLOWED_RPM, MAX_RPM, check_rpm
from injsound.errors import ParameterError
from injsound.job_codes import Condition, Shaking, Stage

# Longer names before those they contain; accents are taken off before.
_CONDITIONS = {
    r"warm restarts?|rearranques?(?: en)?(?: calientes?)?": Condition.WARM_RESTART,
    r"warm idl(?:e|ing)|ralentis?(?: en)? calientes?": Condition.WARM_IDLE,
    r"cold|fri[oa]s?": Condition.COLD,
    r"warm|templad[oa]s?": Condition.WARM,
    r"hot|calientes?": Condition.HOT,
}
# "Before the swap" is before, "after the swap" swapped. "Changed" may be either of the later two: it is asked last.
_STAGES = {
    r"(?:chang|swapp|cross|exchang|switch|mov)ed back|(?:swap|put) back|undone": Stage.BACK,
    r"deshech[oa]s?|devuelt[oa]s?": Stage.BACK,
    r"before|antes": Stage.BEFORE,
    r"swap(?:s|ped)?|cross(?:ed)?|(?:inter|ex)changed?|switched": Stage.SWAPPED,
    r"intercambi(?:os?|ad[oa]s?)|cruces?|cruzad[oa]s?|permutad[oa]s?": Stage.SWAPPED,
    r"after|repair(?:ed)?|fixed|mended|replaced|renewed|new": Stage.AFTER,
    r"despues|reparad[oa]s?|reparacion|arreglad[oa]s?|reemplazad[oa]s?|sustituid[oa]s?|nuev[oa]s?": Stage.AFTER,
    r"changed?|cambi(?:os?|ad[oa]s?)": Stage.SWAPPED,
}
_SHAKES = r"shak(?:es?|en|ing|y)|shook|tiemblan?|temblando|temblar|temblaban?|temblo|temblor(?:es)?|tembloros[oa]s?"
_NOT = r"(?:not?|without|never|(?:is|was|does|did)n['\u2019]?t|sin|nunca) (?:(?:is|was|estan?|estaban?|se) )?"
# What may follow the word "injector" and is no label of one.
_NO_LABEL = "|".join(
    [*_CONDITIONS, *_STAGES, _SHAKES, r"restart|idle|no|not|without|sin|(?:cyl|cil)[a-z]*\d*|\d+ ?rpm"]
)

_CYLINDER = r"\b(?:cyl(?:inder)?|cil(?:indro)?)\s*(\d{1,2})\b"
_LABEL = rf"\b(?:inj|iny)(?:ector)?(?: (?!(?:{_NO_LABEL})\b)|(?=\d))([a-z0-9]+)\b"
# Marks between thousands besides the blank, and what stands between two speeds.
_MARKS = ".,'\u2018\u2019"
_TO = r"[-\u2010-\u2015\u2212/~]|(?<![a-z])(?:to|and|or|a|hasta|y|o)(?![a-z])"


def condition_named(text: str) -> str:
    """A condition as it is kept: one common name for what is said in either language, else what was typed.

    Parameters
    ----------
    text : str
        Such as "cold" or "frío".

    Returns
    -------
    str
        Such as "cold".
    """
    plain = _plain(text).strip()
    return next((known.value for words, known in _CONDITIONS.items() if re.fullmatch(words, plain)), text.strip())


def cylinder_named(stem: str) -> int | None:
    """The cylinder in a name.

    Parameters
    ----------
    stem : str
        The name without its suffix, such as "cyl2 cold" or "cilindro 2 frío".

    Returns
    -------
    int or None
        None where it names none.
    """
    found = re.search(_CYLINDER, _plain(stem))
    return int(found[1]) if found else None


def circumstances_named(stem: str, *, rpm: float | None = None) -> dict[str, object]:
    """What else a name says of a recording.

    Parameters
    ----------
    stem : str
        The name without its suffix.
    rpm : float or None
        Speed that goes before the one in the name [1/min].

    Returns
    -------
    dict
        Stage, condition, shaking, injector and rpm, as the fields of ``cases.case.Entry``.

    Raises
    ------
    ParameterError
        If its speed is asked for and is none that an engine has, or may be read in two ways.
    """
    said = _joined(_bare(stem))
    words = _divided(said)
    label = re.search(_LABEL, words)
    return {
        "stage": _stage_named(words),
        "condition": next((c.value for named, c in _CONDITIONS.items() if re.search(rf"\b(?:{named})\b", words)), ""),
        "shaking": _shaking_named(words),
        "injector": label[1].upper() if label else "",
        "rpm": _speed_named(said) if rpm is None else rpm,
    }


def _joined(bare: str) -> str:
    """Thousands without the mark that divides them; before "rpm" what a point divides otherwise stays one number."""
    whole = re.sub(rf"(?<![a-z\d{_MARKS}])([1-9]\d{{0,2}})[{_MARKS}](\d{{3}})(?![{_MARKS}]?\d)", r"\1\2", bare)
    return re.sub(r"(?<=\d)\.(?=\d+ ?rpm\b)", ",", whole)


def _speed_named(said: str) -> float | None:
    """The speed [1/min] in a name as `_joined` leaves it."""
    # Before a first end of one or two digits and a dash stands a date.
    ends = re.search(rf"(?<!\d)(?<!\b\d[-/.])(?<!\b\d\d[-/.])([1-9]\d*)[ .]*(?:{_TO})[ .]*\d+[ \-.]*rpm\b", said)
    if ends and LEAST_FOLLOWED_RPM <= float(ends[1]) <= MAX_RPM:
        raise _unclear(f"two speeds, {ends[0]}")
    words = re.sub(_LABEL, "injector", re.sub(_CYLINDER, "cyl", _divided(said)))
    numbers = re.finditer(rf"\b((?:\d+[{_MARKS}])*\d+) ?rpm\b", words)
    speeds = sorted({_speed(words[: number.start()], number[1]) for number in numbers})
    if len(speeds) > 1:
        raise _unclear(f"several speeds, {', '.join(f'{speed:g}' for speed in speeds)} rpm")
    return speeds[0] if speeds else None


def _speed(before: str, number: str) -> float:
    """A speed by its last number and the words before it: "1 " before "500" are thousands, but not in "take 1 500"."""
    if not number.isdecimal():
        raise _unclear(f"{number} rpm, no whole number")
    speed, thousands = float(number), re.search(r"(?:^|(?<= ))([1-9]\d{0,2}) $", before)
    if thousands and len(number) == 3:
        whole, rest = float(thousands[1] + number), before[: thousands.start()]
        after_known = re.search(rf"(?:^|\b(?:{_NO_LABEL}|injector) )$", rest)
        if after_known or (number[0] == "0" and not re.search(r"\d $", rest)):
            speed = whole
        elif whole <= MAX_RPM:
            raise _unclear(f"{thousands[1]} {number} rpm, which may be {whole:g} or {speed:g}")
    return check_rpm(speed)


def _unclear(found: str) -> ParameterError:
    return ParameterError(f"the name tells {found}; expected one speed such as 1500 rpm: rename the file")


def _stage_named(words: str) -> Stage:
    """The stage; one that is denied, as by "not swapped", is not named."""
    said = re.sub(rf"\b{_NOT}(?:{'|'.join(_STAGES)})\b", "", words)
    return next((stage for named, stage in _STAGES.items() if re.search(rf"\b(?:{named})\b", said)), Stage.BEFORE)


def _shaking_named(words: str) -> Shaking:
    if re.search(rf"\b{_NOT}(?:{_SHAKES})\b", words):
        return Shaking.NO
    return Shaking.YES if re.search(rf"\b(?:{_SHAKES})\b", words) else Shaking.UNKNOWN


def _plain(text: str) -> str:
    return _divided(_bare(text))


def _bare(text: str) -> str:
    """Lower case, accents taken off, single blanks."""
    bare = "".join(c for c in unicodedata.normalize("NFKD", text) if not unicodedata.combining(c))
    return re.sub(r"[\s_]+", " ", bare).casefold()


def _divided(bare: str) -> str:
    """Words divided by single blanks, whatever divided them."""
    return re.sub(r"[ \-.]+", " ", bare)
