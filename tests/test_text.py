import inspect
import re
import string
from dataclasses import replace
from enum import StrEnum

import pytest
from readings import empty, reading

from injsound.cases.guide import Step
from injsound.codes import Neighbours, Pattern, ReasonCode, SpanKind, State, StepCode, Verdict, WarningCode
from injsound.diagnoses import Reason
from injsound.engine import Injection
from injsound.job_codes import (
    CompareVerdict,
    Condition,
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
from injsound.languages import Language
from injsound.show.case_text import tell_step
from injsound.show.findings_text import say_reasons
from injsound.show.reading_text import counted, details, glance, headline, in_brief
from injsound.show.text import COLUMNS, Words, filled, hung, row, wrapped
from injsound.show.words import keys
from injsound.show.words.keys import Brief, Phrase, Screen
from injsound.show.words.languages import LANGUAGES
from injsound.trouble_codes import TroubleKind
from injsound.values import Note

WORDS = Words()
CODES = (
    Injection, TroubleKind, Verdict, State, Pattern, Neighbours, SpanKind, ReasonCode, WarningCode, StepCode, Condition,
    Stage, Shaking, Measure, CompareVerdict, SwapVerdict, Exchange, GapKind, WiggleVerdict, MarkedBy, VerifyVerdict,
    Why, Todo,
)  # fmt: skip
KINDS = {*CODES, *(kind for _, kind in inspect.getmembers(keys, inspect.isclass) if kind is not StrEnum)}


@pytest.mark.parametrize("language", Language)
def test_every_code_has_words_and_nothing_else_has(language):
    assert set(LANGUAGES[language]) == KINDS
    for kind, table in LANGUAGES[language].items():
        assert list(table) == list(kind), kind
        for template in table.values():
            assert template.strip()


@pytest.mark.parametrize("language", Language)
def test_every_language_names_the_same_figures(language):
    for kind, table in LANGUAGES[Language.ENGLISH].items():
        for code, template in table.items():
            names = figure_names(template)
            assert all(name.isidentifier() for name in names)
            assert figure_names(LANGUAGES[language][kind][code]) == names, code


@pytest.mark.parametrize("kind", [ReasonCode, WarningCode, StepCode, Why])
def test_a_sentence_names_no_figure_that_its_code_does_not_list(kind):
    # That the figures listed are those given is asked of every code in every test (conftest).
    for code, template in LANGUAGES[Language.ENGLISH][kind].items():
        assert set(figure_names(template)) <= set(code.figures), code


def figure_names(template):
    return sorted(name for _, name, _, _ in string.Formatter().parse(template) if name is not None)


def test_a_reason_that_leaves_the_question_open_has_a_brief_form():
    told = {ReasonCode.SKIPS_FOUND, ReasonCode.NO_SKIPS, ReasonCode.FEW_CALLS}
    assert [brief.value for brief in Brief] == [reason.value for reason in ReasonCode if reason not in told]


@pytest.mark.parametrize("language", Language)
def test_nothing_is_wider_than_the_terminal(language):
    words = Words(language)
    figures = {name: 12_345.678 for table in LANGUAGES[language].values() for t in table.values()
               for name in figure_names(t)} | {"file": "x" * 90 + ".wav", "other": "cyl2.m4a"}  # fmt: skip
    lines = words.caution().splitlines()
    for code in (*WarningCode, *Screen):
        lines += hung(f"cyl2 cold before.m4a: {words.say(code, {**figures, 'file': 'cyl2.m4a'})}").splitlines()
    for said in say_reasons([Reason(why=why, figures={**figures, "p": 1e-9}) for why in Why], words):
        lines += wrapped(said)
    lines += [line for todo in Todo for line in tell_step(Step(todo=todo, figures=figures), words)]
    for made in (reading(), empty(), reading(Verdict.STEADY, skipped=())):
        lines += details(made, words)
        for code in ReasonCode:
            notes = (Note(code=code, figures=figures),) * 2
            for verdict in Verdict:
                lines += glance(replace(made, verdict=verdict, reasons=notes, next_step=notes[0]), words)
        for code in StepCode:
            lines += glance(replace(made, next_step=Note(code=code, figures=figures)), words)
    assert [line for line in lines if len(line) > COLUMNS] == []


@pytest.mark.parametrize("language", Language)
def test_labels_leave_a_space_before_their_words(language):
    labels = (Phrase.MISSING, Phrase.PATTERN, Phrase.NEIGHBOURS, Phrase.WHY, Phrase.NEXT, Phrase.NOTE, Phrase.SPEED,
              Phrase.TIMING, Phrase.OWN_SCATTER, Phrase.OPEN_TIME, Phrase.MARGIN, Phrase.WRONG_CALLS,
              Phrase.THIS_INJECTOR, Screen.INTERVAL, Screen.SCATTERED, Screen.BURSTS)  # fmt: skip
    assert all(row(Words(language).say(label), "words")[0][15] == " " for label in labels)


@pytest.mark.parametrize("language", Language)
@pytest.mark.parametrize("reason", Brief)
def test_the_line_of_an_open_question_carries_its_main_reason_and_fits(language, reason):
    words = Words(language)
    notes = tuple(Note(code=ReasonCode(code)) for code in (reason.value, "faint"))
    for verdict in (Verdict.CANNOT_TELL, Verdict.NO_TICK):
        made = replace(reading(verdict), reasons=notes)
        assert glance(made, words)[1].endswith(words.say(reason))
        assert headline(made, words).endswith(words.say(reason))
        assert words.say(verdict).casefold() in headline(made, words).casefold()


def test_where_soft_ticks_may_be_missing_no_bound_is_told():
    note = Note(code=ReasonCode.WEAK_OR_MISSING, figures={"weak": 26, "judged": 250})
    made = replace(reading(Verdict.CANNOT_TELL, skipped=()), reasons=(note,))
    told = "\n".join(glance(made, Words()))
    assert f"missing       0 to 26 of {made.skips.judged} ticks" in told
    assert "confidence" not in told


def test_spanish_is_spanish_throughout():
    english, spanish = LANGUAGES[Language.ENGLISH], LANGUAGES[Language.SPANISH]
    same = {spanish[kind][code] for kind in english for code in kind if english[kind][code] == spanish[kind][code]}
    # Words of both languages, and templates without words.
    assert same <= {"no", "regular", "{number}", "{from_s}–{to_s}", "{rpm} rpm"}
    for kind in spanish:
        for code, template in spanish[kind].items():
            spoken = set(re.findall(r"[a-z]+", re.sub(r"\{\w+\}|--\w+|\w+ = true", "", template.casefold())))
            assert not spoken & {"the", "of", "and", "with", "was", "is", "to", "for", "cylinder", "tick", "ticks"}, (
                code
            )


def test_spanish_writes_a_decimal_comma():
    words = Words(Language.SPANISH)
    assert headline(reading(), words) == ("Faltan chasquidos: 3 de 249 (1,2 %; intervalo del 95 %: de 0,25 % a 3,5 %)")
    text = "\n".join([*glance(reading(), words), *details(reading(), words)]).replace("cylinder_2.m4a", "")
    assert "2,80 ms" in text
    assert not re.search(r"\d\.\d", text)


def test_no_line_ends_between_a_number_and_its_unit():
    words = Words()
    for room in range(40, 80):
        for line in filled(headline(reading(), words), room):
            assert not line.startswith("%")
    assert filled("at 3 ms or set quick = true in it", 6) == ["at", "3 ms", "or set", "quick = true", "in it"]


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
    text = " ".join(" ".join(glance(steady)).split())
    assert "does not prove" in text
    assert text.endswith("record again when it runs badly.")
    longer = replace(steady, next_step=Note(code=StepCode.RECORD_FOR_GOAL, figures={"seconds": 48}))
    assert " ".join(" ".join(glance(longer)).split()).endswith("To show under 1 %, record 48 s.")


def test_skipping_says_out_of_how_many_and_how_sure():
    assert headline(reading()) == "Skipping: 3 of 249 ticks missing (1.2 %; 95 % range 0.25 % to 3.5 %)"


def test_unjudged_ticks_are_mentioned():
    assert "1 more could not be judged" in counted(reading())


def test_no_figure_is_made_up_where_there_is_none():
    text = "\n".join([*glance(empty()), *details(empty())])
    assert not any(character.isdigit() for character in text.replace("cylinder_2.m4a", "").replace("cylinder 2", ""))


def test_why_is_said_once():
    for verdict in Verdict:
        made = reading(verdict)
        lines = [*glance(made), *details(made)]
        assert sum(line.strip().startswith("why") for line in lines) == 1, verdict


@pytest.mark.parametrize(("ms", "shown"), [(-0.0004, "no drift"), (0.0, "no drift"), (-0.0126, "drift -0.013 ms")])
def test_a_drift_that_rounds_to_nothing_has_no_sign(ms, shown):
    made = reading()
    text = " ".join(" ".join(details(replace(made, open_time=replace(made.open_time, drift_ms=ms)))).split())
    assert f"ms, {shown} (" in text
    assert "-0.000" not in text


def test_what_rounds_to_nothing_has_no_minus():
    assert WORDS.number(-0.04, 1) == "0.0"
    assert WORDS.number(-0.04, 1, sign=True) == "+0.0"
    assert WORDS.number(-0.06, 1, sign=True) == "-0.1"


@pytest.mark.parametrize(
    ("p", "shown"),
    [
        (1e-9, "by chance in under 0.01 % of cases"),
        (0.003, "by chance in 0.30 % of cases"),
        (0.35, "by chance in 35 % of cases"),
        (0.5, "no more than chance brings"),
        (1.0, "no more than chance brings"),
    ],
)
def test_chance_is_told_in_words(p, shown):
    assert WORDS.chance(p) == shown
    told = " ".join(say_reasons([Reason(why=Why.DIFFERENCE_UNCLEAR, figures={"p": p})], WORDS))
    assert told.split() == f"The difference is not clear yet ({shown}).".split()


def test_many_recordings_are_told_in_brief():
    for made in (*(reading(verdict) for verdict in Verdict), replace(reading(), file="x" * 300 + ".m4a")):
        name, *said = in_brief(made)
        assert name.endswith(".m4a, cylinder 2")
        assert " ".join(line.strip() for line in said) == headline(made)
        assert max(map(len, (name, *said))) <= COLUMNS


@pytest.mark.parametrize(("words", "expected"), [(WORDS, "8 of "), (Words(Language.SPANISH), "8 de ")])
def test_weak_ticks_are_told(words, expected):
    made = reading()
    states = (*(State.WEAK,) * 7, *made.events.state[7:])
    weak = replace(made, events=replace(made.events, state=states))
    assert f"{expected}{made.skips.judged}" in "\n".join(details(weak, words))
    heard = replace(made, events=replace(made.events, state=tuple(State.HEARD for _ in states)))
    assert f"{expected}{made.skips.judged}" not in "\n".join(details(heard, words))


def test_details_carry_units_and_ranges():
    text = "\n".join(details(reading()))
    for part in ("750.1 rpm", "40 µs", "30 to 52 µs", "2.80 ms", "18.0 dB"):
        assert part in text


def test_long_names_are_cut():
    long = replace(reading(), file="x" * 300 + ".m4a")
    assert max(map(len, glance(long))) <= COLUMNS


@pytest.mark.parametrize(
    ("value", "shown"), [(680.0, "680"), (0.5, "0.5"), (0.00001, "0.00001"), (3, "3"), (None, "–"), ("P0302", "P0302")]
)
def test_figures_are_written_plainly(value, shown):
    assert WORDS.say(Screen.READ, file=value) == f"read {shown}"


def test_a_code_among_the_figures_is_said_in_words():
    assert "before" in WORDS.say(Why.CELL_MISSING, cylinder=2, stage=Stage.BEFORE)
    assert "not known" in WORDS.say(Screen.CASE_ENTRY, shaking=Shaking.UNKNOWN)


@pytest.mark.parametrize(
    ("share", "bound", "shown"),
    [
        (0.0, False, "0.00 %"),
        (0.000143, False, "0.014 %"),  # an hour of ticks: 1 - 0.05^(1/21000)
        (0.000143, True, "0.015 %"),
        (0.0079567, True, "0.80 %"),
        (0.00801, True, "0.81 %"),
        (0.05, True, "5.0 %"),
        (0.0321, False, "3.2 %"),
        (0.135, False, "14 %"),
        (0.131, True, "14 %"),
    ],
)
def test_two_digits_and_a_bound_is_never_rounded_down(share, bound, shown):
    assert Words().percent(share, bound=bound) == shown
