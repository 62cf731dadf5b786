import inspect
import string
from dataclasses import replace
from enum import StrEnum

import pytest
from readings import empty, reading

from injsound.diagnoses import (
    CompareVerdict,
    Exchange,
    GapKind,
    MarkedBy,
    Measure,
    Shaking,
    Stage,
    SwapVerdict,
    Todo,
    VerifyVerdict,
    Why,
    WiggleVerdict,
)
from injsound.engine import Injection, TroubleKind
from injsound.languages import Language
from injsound.results import Neighbours, Pattern, ReasonCode, SpanKind, State, StepCode, Verdict, WarningCode
from injsound.show.reading_text import counted, details, glance, headline
from injsound.show.text import COLUMNS, Words
from injsound.show.words import keys
from injsound.show.words.keys import Screen
from injsound.show.words.languages import LANGUAGES

WORDS = Words()
CODES = (
    Injection, TroubleKind, Verdict, State, Pattern, Neighbours, SpanKind, ReasonCode, WarningCode, StepCode, Stage,
    Shaking, Measure, CompareVerdict, SwapVerdict, Exchange, GapKind, WiggleVerdict, MarkedBy, VerifyVerdict, Why, Todo,
)  # fmt: skip
KINDS = {*CODES, *(kind for _, kind in inspect.getmembers(keys, inspect.isclass) if kind is not StrEnum)}


@pytest.mark.parametrize("language", Language)
def test_every_code_has_words_and_nothing_else_has(language):
    assert set(LANGUAGES[language]) == KINDS
    for kind, table in LANGUAGES[language].items():
        assert list(table) == list(kind), kind
        for template in table.values():
            assert template.strip()
            assert all(name is None or name.isidentifier() for _, name, _, _ in string.Formatter().parse(template))


def test_the_same_word_means_what_its_kind_means():
    assert WORDS.say(State.HEARD) != WORDS.say(Neighbours.HEARD)
    assert WORDS.say(SpanKind.CLIPPED) != WORDS.say(WarningCode.CLIPPED)


def test_unknown_figures_read_as_a_dash():
    assert "–" in WORDS.say(WarningCode.BUMPS, {"count": 2})


@pytest.mark.parametrize("verdict", Verdict)
def test_glance_fits_a_chat(verdict):
    lines = glance(reading(verdict, skipped=() if verdict is Verdict.STEADY else (40, 41)))
    assert max(map(len, lines)) <= COLUMNS
    assert WORDS.say(verdict).upper() in lines[1]
    assert any(line.strip().startswith("next") for line in lines)
    assert len(lines) <= 14


def test_steady_is_never_without_its_bound():
    steady = reading(Verdict.STEADY, skipped=())
    for words in (headline(steady), counted(steady)):
        assert "0.80 %" in words
        assert "95 %" in words
    text = "\n".join(glance(steady))
    assert "does not prove" in text
    assert "48 s" in text


def test_skipping_says_out_of_how_many_and_how_sure():
    assert headline(reading()) == "Skipping: 3 of 249 ticks missing (1.2 %; 95 % range 0.25 % to 3.5 %)"


def test_unjudged_ticks_are_mentioned():
    assert "1 more could not be judged" in counted(reading())


def test_no_figure_is_made_up_where_there_is_none():
    text = "\n".join([*glance(empty()), *details(empty())])
    assert not any(character.isdigit() for character in text.replace("cylinder_2.m4a", "").replace("cylinder 2", ""))


def test_details_carry_units_and_ranges():
    text = "\n".join(details(reading()))
    for part in ("750.1 rpm", "40 us", "30 to 52 us", "2.80 ms", "18.0 dB"):
        assert part in text


def test_long_names_are_cut():
    long = replace(reading(), file="x" * 300 + ".m4a")
    assert max(map(len, glance(long))) <= COLUMNS


@pytest.mark.parametrize(
    ("value", "shown"), [(680.0, "680"), (0.5, "0.5"), (0.00001, "0.00001"), (3, "3"), (None, "–"), ("P0302", "P0302")]
)
def test_figures_are_written_plainly(value, shown):
    assert (
        WORDS.say(StepCode.RECORD_LONGER, seconds=value) == f"Record at least {shown} s more in one go, the same way."
    )


def test_a_code_among_the_figures_is_said_in_words():
    assert "before" in WORDS.say(Why.CELL_MISSING, cylinder=2, stage=Stage.BEFORE)
    assert "not known" in WORDS.say(Screen.CASE_ENTRY, shaking=Shaking.UNKNOWN)
