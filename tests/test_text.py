import string
from dataclasses import replace

import pytest
from readings import empty, reading

from injsound.errors import ParameterError
from injsound.results import Neighbours, Pattern, ReasonCode, SpanKind, State, StepCode, Verdict, WarningCode
from injsound.show.text import COLUMNS, LANGUAGES, Phrase, Words

KINDS = (Phrase, ReasonCode, WarningCode, StepCode, Verdict, Pattern, Neighbours, SpanKind, State)
WORDS = Words()


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("kind", KINDS)
def test_every_code_has_words(language, kind):
    for code in kind:
        template = LANGUAGES[language][kind][code]
        assert template.strip()
        assert all(name is None or name.isidentifier() for _, name, _, _ in string.Formatter().parse(template))


def test_the_same_word_means_what_its_kind_means():
    assert WORDS.say(State.HEARD) != WORDS.say(Neighbours.HEARD)
    assert WORDS.say(SpanKind.CLIPPED) != WORDS.say(WarningCode.CLIPPED)


def test_unknown_figures_read_as_a_dash():
    assert "–" in WORDS.say(WarningCode.BUMPS, {"count": 2})


@pytest.mark.parametrize("verdict", Verdict)
def test_glance_fits_a_chat(verdict):
    lines = WORDS.glance(reading(verdict, skipped=() if verdict is Verdict.STEADY else (40, 41)))
    assert max(map(len, lines)) <= COLUMNS
    assert WORDS.say(verdict).upper() in lines[1]
    assert any(line.strip().startswith("next") for line in lines)
    assert len(lines) <= 14


def test_steady_is_never_without_its_bound():
    steady = reading(Verdict.STEADY, skipped=())
    for words in (WORDS.headline(steady), WORDS.count(steady)):
        assert "0.80 %" in words
        assert "95 %" in words
    text = "\n".join(WORDS.glance(steady))
    assert "does not prove" in text
    assert "48 s" in text


def test_skipping_says_out_of_how_many_and_how_sure():
    assert WORDS.headline(reading()) == "Skipping: 3 of 249 ticks missing (1.2 %; 95 % range 0.25 % to 3.5 %)"


def test_unjudged_ticks_are_mentioned():
    assert "1 more could not be judged" in WORDS.count(reading())


def test_no_figure_is_made_up_where_there_is_none():
    text = "\n".join([*WORDS.glance(empty()), *WORDS.details(empty())])
    assert not any(character.isdigit() for character in text.replace("cylinder_2.m4a", "").replace("cylinder 2", ""))


def test_details_carry_units_and_ranges():
    text = "\n".join(WORDS.details(reading()))
    for part in ("750.1 rpm", "40 us", "30 to 52 us", "2.80 ms", "18.0 dB"):
        assert part in text


def test_long_names_are_cut():
    long = replace(reading(), file="x" * 300 + ".m4a")
    assert max(map(len, WORDS.glance(long))) <= COLUMNS


def test_an_unknown_language_is_refused():
    with pytest.raises(ParameterError, match="expected one of en"):
        Words("xx")
