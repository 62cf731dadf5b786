"""What a recording's name says, in English or Spanish, and the names of common conditions."""

import re
import unicodedata

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
    found = re.search(r"\b(?:cyl(?:inder)?|cil(?:indro)?)\s*(\d{1,2})\b", _plain(stem))
    return int(found[1]) if found else None


def circumstances_named(stem: str) -> dict[str, object]:
    """What else a name says of a recording.

    Parameters
    ----------
    stem : str
        The name without its suffix.

    Returns
    -------
    dict
        Stage, condition, shaking, injector and rpm, as the fields of ``cases.case.Entry``.
    """
    words = _plain(stem)
    label = re.search(rf"\b(?:inj|iny)(?:ector)?(?: (?!(?:{_NO_LABEL})\b)|(?=\d))([a-z0-9]+)\b", words)
    speed = re.search(r"\b(\d{3,4})\s*rpm\b", words)
    return {
        "stage": _stage_named(words),
        "condition": next((c.value for named, c in _CONDITIONS.items() if re.search(rf"\b(?:{named})\b", words)), ""),
        "shaking": _shaking_named(words),
        "injector": label[1].upper() if label else "",
        "rpm": float(speed[1]) if speed else None,
    }


def _stage_named(words: str) -> Stage:
    """The stage; one that is denied, as by "not swapped", is not named."""
    said = re.sub(rf"\b{_NOT}(?:{'|'.join(_STAGES)})\b", "", words)
    return next((stage for named, stage in _STAGES.items() if re.search(rf"\b(?:{named})\b", said)), Stage.BEFORE)


def _shaking_named(words: str) -> Shaking:
    if re.search(rf"\b{_NOT}(?:{_SHAKES})\b", words):
        return Shaking.NO
    return Shaking.YES if re.search(rf"\b(?:{_SHAKES})\b", words) else Shaking.UNKNOWN


def _plain(text: str) -> str:
    """Lower case, accents taken off, words divided by single blanks."""
    bare = "".join(c for c in unicodedata.normalize("NFKD", text) if not unicodedata.combining(c))
    return re.sub(r"[\s_\-.]+", " ", bare).casefold()
