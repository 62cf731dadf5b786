"""What a recording's name says, in English or Spanish, and the names of common conditions."""

import re
import unicodedata

from injsound.diagnoses import Condition, Shaking, Stage

# Longer names before those they contain.
_CONDITIONS = {
    r"warm restart|rearranque(?: en)?(?: caliente)?": Condition.WARM_RESTART,
    r"warm idle|ralenti(?: en)? caliente": Condition.WARM_IDLE,
    r"cold|frio": Condition.COLD,
    r"warm|templado": Condition.WARM,
    r"hot|caliente": Condition.HOT,
}
_STAGES = {
    r"before|antes": Stage.BEFORE,
    r"swapped|intercambiado|cruzado": Stage.SWAPPED,
    r"after|despues": Stage.AFTER,
}
_SHAKES = r"shak(?:es?|ing)|tiembla|temblando|temblar"
_NOT = r"(?:not?|without|never|isn'?t|doesn'?t|sin|nunca) (?:(?:is|esta|se) )?"
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
        "stage": next((s for named, s in _STAGES.items() if re.search(rf"\b(?:{named})\b", words)), Stage.BEFORE),
        "condition": next((c.value for named, c in _CONDITIONS.items() if re.search(rf"\b(?:{named})\b", words)), ""),
        "shaking": _shaking_named(words),
        "injector": label[1].upper() if label else "",
        "rpm": float(speed[1]) if speed else None,
    }


def _shaking_named(words: str) -> Shaking:
    if re.search(rf"\b{_NOT}(?:{_SHAKES})\b", words):
        return Shaking.NO
    return Shaking.YES if re.search(rf"\b(?:{_SHAKES})\b", words) else Shaking.UNKNOWN


def _plain(text: str) -> str:
    """Lower case, accents taken off, words divided by single blanks."""
    bare = "".join(c for c in unicodedata.normalize("NFKD", text) if not unicodedata.combining(c))
    return re.sub(r"[\s_\-.]+", " ", bare).casefold()
