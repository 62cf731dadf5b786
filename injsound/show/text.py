"""Codes and figures in, words out: one language at a time, for terminal, picture and report.

The sentences themselves stand in ``words/``. Numbers are written as the language writes them; dates stay ISO.
"""

import math
import re
import textwrap
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from enum import StrEnum

from injsound.codes import ReasonCode
from injsound.job_codes import Condition
from injsound.languages import Language
from injsound.results import Failure
from injsound.show.words.keys import Brief, Line, Phrase
from injsound.show.words.languages import LANGUAGES
from injsound.trouble_codes import TroubleCode
from injsound.values import Figure, Note

COLUMNS = 80
_CONDITIONS = frozenset(Condition)
_LABEL = 14
_UNKNOWN = "–"
# Spaces at which no line may end: between a number and its unit, and round an equals sign.
_KEPT = re.compile(r"(?<=\d) (?=%|ms\b|µs\b|s\b|rpm\b|dB\b|Hz\b)|(?<==) | (?==)")
# Rarer chances are all told as "under this": no decision hangs on how rare.
_RAREST = 1e-4
# From here on chance brings it as often as not: more digits would say no more.
_AS_NOT = 0.5


@dataclass(frozen=True, slots=True)
class Words:
    """Sentences in one language; handed down to whatever makes words.

    Parameters
    ----------
    language : Language
        Such as ``Language.ENGLISH``.
    """

    language: Language = Language.ENGLISH

    def say(self, code: StrEnum, figures: Mapping[str, Figure] | None = None, /, **named: Figure) -> str:
        """Words for a code and its figures.

        Parameters
        ----------
        code : enum member
            What to say.
        figures : mapping
            The figures that its template names; one that is missing or unknown reads as a dash, one that is itself a
            code is said in words, a reason in brief.
        **named : number or str
            The same, one by one.

        Returns
        -------
        str
            Words without a line break.
        """
        shown = {name: self._shown(value) for name, value in {**(figures or {}), **named}.items()}
        return self._template(code).format_map(_Dashes(shown))

    def note(self, note: Note) -> str:
        """Words for a reason, warning or step.

        Parameters
        ----------
        note : Note
            Code with figures.

        Returns
        -------
        str
            A sentence.
        """
        return self.say(note.code, note.figures)

    def trouble_code(self, code: TroubleCode) -> str:
        """Wording of a trouble code.

        Parameters
        ----------
        code : TroubleCode
            Its kind, with cylinder or bank.

        Returns
        -------
        str
            Such as "Cylinder 2 Misfire Detected".
        """
        return self.say(code.kind, cylinder=code.cylinder, bank=code.bank)

    def condition(self, condition: str) -> str:
        """The engine's condition, by its name where it is a common one.

        Parameters
        ----------
        condition : str
            As the case keeps it; empty where none was given.

        Returns
        -------
        str
            Such as "cold".
        """
        if not condition:
            return self.say(Line.NO_CONDITION)
        return self.say(Condition(condition)) if condition in _CONDITIONS else condition

    def number(self, value: float | None, digits: int, *, sign: bool = False) -> str:
        """A number with fixed digits after the decimal mark.

        Parameters
        ----------
        value : float or None
            None reads as a dash.
        digits : int
            Digits after the mark [unitless].
        sign : bool
            Whether a plus is written too.

        Returns
        -------
        str
            Such as "2.80".
        """
        # What rounds to nothing has no minus.
        return _UNKNOWN if value is None else self._marked(f"{value:{'+' if sign else ''}z.{digits}f}")

    def percent(self, share: float | None, *, bound: bool = False) -> str:
        """A share in percent, with two significant digits under 10 %.

        Parameters
        ----------
        share : float or None
            From 0 to 1; None reads as a dash [unitless].
        bound : bool
            Whether nothing smaller may be said: it is rounded up.

        Returns
        -------
        str
            Such as "3.6 %" or "0.014 %".
        """
        if share is None:
            return _UNKNOWN
        value = 100 * share
        digits = 2 if value <= 0 else max(0, 1 - math.floor(math.log10(value)))
        if bound:
            # What is exact to twelve digits is not raised by the thirteenth.
            value = math.ceil(round(value * 10**digits, 9)) / 10**digits
        return f"{self.number(value, digits)} %"

    def chance(self, p: float) -> str:
        """How often something comes up by chance alone.

        Parameters
        ----------
        p : float
            Probability [unitless].

        Returns
        -------
        str
            Such as "by chance in 0.30 % of cases"; no figure where chance brings it as often as not.
        """
        if p >= _AS_NOT:
            return self.say(Phrase.CHANCE_EXPLAINS)
        rare = p < _RAREST
        shown = self.say(Phrase.UNDER, value=f"{self.number(100 * _RAREST, 2)} %") if rare else self.percent(p)
        return self.say(Phrase.BY_CHANCE, p=shown)

    def caution(self) -> str:
        """Cautions, wrapped.

        Returns
        -------
        str
            Lines of at most 80 columns.
        """
        return "\n".join(filled(self.say(Phrase.CAUTION)))

    def _template(self, code: StrEnum) -> str:
        return LANGUAGES[self.language][type(code)][code]

    def _shown(self, value: Figure) -> str:
        if value is None:
            return _UNKNOWN
        if isinstance(value, ReasonCode):
            return self._template(Brief(value.value))
        if isinstance(value, StrEnum):
            return self._template(value)
        return self._marked(f"{Decimal(str(value)).normalize():f}") if isinstance(value, float) else str(value)

    def _marked(self, number: str) -> str:
        return number.replace(".", self._template(Phrase.DECIMAL_MARK))


ENGLISH = Words()


class _Dashes(dict[str, str]):
    def __missing__(self, key: str) -> str:
        return _UNKNOWN


def failure_line(failure: Failure) -> str:
    """One line for a file that could not be used; the message is English, as it was raised.

    Parameters
    ----------
    failure : Failure
        What went wrong.

    Returns
    -------
    str
        The message, with the file's name in front where the message does not hold it.
    """
    return failure.message if failure.file in failure.message else f"{failure.file}: {failure.message}"


def row(label: str, said: str) -> list[str]:
    """A label and its words, wrapped under themselves.

    Parameters
    ----------
    label : str
        At most 13 characters.
    said : str
        One paragraph.

    Returns
    -------
    list of str
        Lines of at most 80 columns.
    """
    return filled(said, first="  " + label.ljust(_LABEL), rest=" " * (_LABEL + 2))


def wrapped(text: str) -> list[str]:
    """Text in lines of at most 80 columns, two columns in.

    Parameters
    ----------
    text : str
        One paragraph.

    Returns
    -------
    list of str
        Lines.
    """
    return filled(text, first="  ", rest="  ")


def filled(text: str, columns: int = COLUMNS, *, first: str = "", rest: str = "") -> list[str]:
    """Text in lines of at most so many columns; no number is parted from its unit, no file name is broken.

    Parameters
    ----------
    text : str
        One paragraph.
    columns : int
        Room in a line [unitless].
    first, rest : str
        What the first line and the others begin with.

    Returns
    -------
    list of str
        Lines.
    """
    lines = textwrap.wrap(
        unbroken(text),
        columns,
        initial_indent=first,
        subsequent_indent=rest,
        break_long_words=False,
        break_on_hyphens=False,
    )
    return [line.replace("\N{NO-BREAK SPACE}", " ") for line in lines]


def unbroken(text: str) -> str:
    """Text in which no line may end between a number and its unit, or round an equals sign.

    Parameters
    ----------
    text : str
        One paragraph.

    Returns
    -------
    str
        With spaces that do not break.
    """
    return _KEPT.sub("\N{NO-BREAK SPACE}", text)


def hung(text: str) -> str:
    """A message of one or more lines, all but the first two columns in.

    Parameters
    ----------
    text : str
        One paragraph.

    Returns
    -------
    str
        Lines of at most 80 columns.
    """
    return "\n".join(filled(text, rest="  "))


def shortened(name: str, columns: int = COLUMNS) -> str:
    """A file's name, cut in the middle where it is too long for a line.

    Parameters
    ----------
    name : str
        The name.
    columns : int
        Room for it [unitless].

    Returns
    -------
    str
        At most so many characters.
    """
    return name if len(name) <= columns else name[: columns // 2 - 1] + "…" + name[-(columns // 2) :]
