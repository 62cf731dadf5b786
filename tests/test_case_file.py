"""The case's file: what its names and entries say, and every mistake in it told."""

import re
import unicodedata
from dataclasses import fields
from pathlib import Path

import pytest

from injsound.cases.adding import add_entries, new_case
from injsound.cases.case import CaseError, Entry, entry_from_name
from injsound.cases.case_file import load_case
from injsound.cases.names import condition_named
from injsound.cli import main
from injsound.control_unit import FreezeFrame, Misfires
from injsound.engine import Engine
from injsound.job_codes import (
    Shaking,
    Stage,
)
from injsound.languages import Language
from injsound.show.text import Words

THREE = Engine(cylinders=3, firing_order=(1, 2, 3))


def test_an_uneven_engines_angles_stand_in_the_case(tmp_path):
    uneven = Engine(firing_order=(1, 2), firing_angles=(0.0, 270.0))
    path = new_case(tmp_path / "twin", engine=uneven)
    assert load_case(tmp_path / "twin").engine == uneven
    path.write_text(path.read_text().replace("270.0", '"a lot"'))
    with pytest.raises(CaseError, match=r"firing_angles: is .*expected degrees such as"):
        load_case(tmp_path / "twin")


def test_a_recording_is_read_as_it_was_added_in_every_field(tmp_path):
    entry = Entry(
        file="cyl2.wav", cylinder=2, injector="B", connector="2", stage=Stage.SWAPPED, condition="cold",
        shaking=Shaking.YES, rpm=900.0, soak_minutes=600.0, seconds_since_restart=20.0, coolant_c=12.0,
        load_percent=25.0, pulse_width_ms=3.1, probe="rail", note="windy", moved=((8.0, 16.0), (24.0, 32.5)),
        still=((0.0, 8.0),),
    )  # fmt: skip
    bare = Entry(file="cyl3.wav", cylinder=3)
    assert all(getattr(entry, field.name) != getattr(bare, field.name) for field in fields(Entry))
    path = new_case(tmp_path, engine=THREE)
    add_entries(tmp_path, [entry, bare])
    assert load_case(tmp_path).entries == (entry, bare)
    assert not re.search(r"moved|probe", path.read_text().partition("cyl3.wav")[2])


@pytest.mark.parametrize(
    ("name", "cylinder", "condition", "stage"),
    [
        ("cyl2 cold before.m4a", 2, "cold", Stage.BEFORE),
        ("Cylinder_4-warm-restart-after.WAV", 4, "warm restart", Stage.AFTER),
        ("cyl 11 swapped.ogg", 11, "", Stage.SWAPPED),
        ("cyl1 warm 2000 rpm.wav", 1, "warm", Stage.BEFORE),
        ("cil2 frío antes.m4a", 2, "cold", Stage.BEFORE),
        ("Cilindro_3-rearranque-en-caliente-después.ogg", 3, "warm restart", Stage.AFTER),
        ("cil 4 ralentí caliente intercambiado.opus", 4, "warm idle", Stage.SWAPPED),
        (unicodedata.normalize("NFD", "cil2 frío después.m4a"), 2, "cold", Stage.AFTER),
        ("cil2 caliente temblando cruzados.m4a", 2, "hot", Stage.SWAPPED),
        ("cyl2 before the swap.m4a", 2, "", Stage.BEFORE),
        ("cyl2 after the swap.m4a", 2, "", Stage.SWAPPED),
        ("cil2 despues del cambio.m4a", 2, "", Stage.AFTER),
        ("cyl2 not swapped.m4a", 2, "", Stage.BEFORE),
        ("cil2 no cruzados, nuevos.m4a", 2, "", Stage.AFTER),
        ("cyl2 renew crossing newest coldest.m4a", 2, "", Stage.BEFORE),
    ],
)
def test_names_say_what_was_recorded(name, cylinder, condition, stage):
    entry = entry_from_name(name)
    assert (entry.cylinder, entry.condition, entry.stage) == (cylinder, condition, stage)


@pytest.mark.parametrize(
    ("name", "shaking", "injector"),
    [
        ("cyl2 shaking cold.m4a", Shaking.YES, ""),
        ("cyl2 not shaking cold.m4a", Shaking.NO, ""),
        ("cyl2_cold_no_shaking.m4a", Shaking.NO, ""),
        ("cyl2 doesn't shake.m4a", Shaking.NO, ""),
        ("cil2 frío no tiembla.m4a", Shaking.NO, ""),
        ("cil2 sin temblar.m4a", Shaking.NO, ""),
        ("cil2 frío tiembla.m4a", Shaking.YES, ""),
        ("cyl1 inj a before.m4a", Shaking.UNKNOWN, "A"),
        ("cyl1 inj3 swapped.m4a", Shaking.UNKNOWN, "3"),
        ("cil1 inyector  B2 antes.m4a", Shaking.UNKNOWN, "B2"),
        ("cyl1 injectors swapped.m4a", Shaking.UNKNOWN, ""),
        ("cyl1 injector before.m4a", Shaking.UNKNOWN, ""),
        ("cyl1 injector warm idle.m4a", Shaking.UNKNOWN, ""),
        ("cil1 inyector frío.m4a", Shaking.UNKNOWN, ""),
        ("injector cyl1 cold.m4a", Shaking.UNKNOWN, ""),
        ("cyl1 injector 1500 rpm.m4a", Shaking.UNKNOWN, ""),
        ("cyl1 injector not shaking.m4a", Shaking.NO, ""),
        ("cyl1 injection cold.m4a", Shaking.UNKNOWN, ""),
    ],
)
def test_names_say_how_it_ran_and_which_injector(name, shaking, injector):
    entry = entry_from_name(name)
    assert (entry.shaking, entry.injector) == (shaking, injector)


def _words_of_names():
    """What the page lists: the heading of each row with each of its words, endings after slashes written out."""
    page = (Path(__file__).parents[1] / "docs" / "case.md").read_text(encoding="utf-8")
    rows = page.split("| | words in a name |\n|---|---|\n")[1].split("\n\n")[0].splitlines()
    for row in rows:
        _, heading, listed, _ = row.split("|")
        for word, *endings in (found.split("/") for found in re.findall("`([^`]+)`", listed)):
            yield from ((heading.strip(), said) for said in (word, *(word[:-1] + ending for ending in endings)))


@pytest.mark.parametrize(("heading", "word"), list(_words_of_names()))
def test_every_word_listed_for_names_is_known(heading, word):
    entry = entry_from_name(f"cyl2 {word} injector {word}.m4a")
    kind, _, named = heading.partition(" `")
    said = {"stage": entry.stage, "condition": entry.condition, "shaking": entry.shaking}[kind]
    assert said == (named.rstrip("`") or "yes")
    assert entry.injector == ""
    if kind == "shaking":
        assert entry_from_name(f"cil2 no {word}.m4a").shaking is Shaking.NO


def test_the_list_of_words_holds_both_languages():
    listed = list(_words_of_names())
    assert len(listed) > 90
    assert {("stage `swapped`", "cruzados"), ("stage `after`", "repaired"), ("condition `cold`", "frías")} <= set(
        listed
    )


def test_a_condition_is_kept_by_one_name_and_told_in_the_language():
    assert [condition_named(text) for text in ("Frío", "cold", "en subida ", "")] == ["cold", "cold", "en subida", ""]
    words = Words(Language.SPANISH)
    assert [words.condition(text) for text in ("cold", "uphill", "")] == ["frío", "uphill", "condición sin indicar"]


@pytest.mark.parametrize("name", ["notes.txt", "engine.m4a", "case.toml", "cylinder.wav"])
def test_other_names_say_nothing(name):
    assert entry_from_name(name) is None


def test_every_mistake_is_told_at_once(tmp_path):
    (tmp_path / "case.toml").write_text(
        """
complaint = 5
[engine]
cylinders = 3
firing_ordr = "1-2-3"
[checks]
drive = "yes"
[restarts]
faulty = 4
made = 3
[[recording]]
file = "../outside.wav"
cylinder = 7
stage = "later"
moved = [[8, 4]]
[[recording]]
cylinder = 1
"""
    )
    with pytest.raises(CaseError) as raised:
        load_case(tmp_path)
    told = str(raised.value).splitlines()
    for part in (
        "complaint: is 5; expected text",
        "did you mean 'firing_order'?",
        "[checks] drive: is 'yes'; expected true or false",
        "4 faulty of 3 made",
        "outside the case folder",
        "cylinder: is 7; the engine has 3",
        "is 'later'; expected 'before', 'swapped', 'changed back', 'after'",
        "expected [start, end] in seconds",
        "[[recording]] 2: has no file",
    ):
        assert sum(part in line for line in told) == 1, part
    assert len(told) == 9


@pytest.mark.parametrize(
    ("times", "both"),
    [("moved = [[8, 16], [12, 20]]", "[8, 16] and [12, 20]"), ("moved = [[30, 40], [8, 16]]", None),
     ("moved = [[8, 16]]\nstill = [[16, 24]]", None),
     ("moved = [[8, 16.5]]\nstill = [[16, 24]]", "[8, 16.5] and [16, 24]")],
)  # fmt: skip
def test_stretches_that_overlap_are_told_before_anything_is_read(tmp_path, times, both):
    (tmp_path / "case.toml").write_text(f'[[recording]]\nfile = "a.wav"\ncylinder = 1\n{times}\n')
    if both is None:
        assert len(load_case(tmp_path).entries) == 1
        return
    with pytest.raises(CaseError, match=re.escape(f"moved, still: overlap, {both}; expected one after the other")):
        load_case(tmp_path)


def test_a_mistake_in_the_engine_hides_none_in_the_rest(tmp_path):
    (tmp_path / "case.toml").write_text(
        """
[engine]
cylinders = 4
firing_order = "1-3-4-3"
[codes]
stored = ["P0305", "P0304", "P0300"]
pending = ["hello"]
[codes_swapped]
stored = ["P0205"]
[repair]
cylinder = 17
[restarts]
clean_since = -3
faulty = 2
[[recording]]
file = "cyl7.wav"
cylinder = 7
moved = [[true, 5], [1, inf], [1, 2]]
[[recording]]
file = "b.wav"
stage = "later"
rpm = -1
"""
    )
    with pytest.raises(CaseError) as raised:
        load_case(tmp_path)
    told = str(raised.value).splitlines()
    for part in (
        "[engine]: firing order 1-3-4-3",
        "stored: P0305 names cylinder 5; the engine has 4",
        "pending: 'HELLO' is no trouble code",
        "[codes_swapped] stored: P0205 names cylinder 5",
        "[repair] cylinder: is 17; the engine has 4",
        "[restarts] clean_since: is -3; expected 0 or more",
        "[restarts]: has faulty alone; expected faulty and made",
        "[[recording]] 1 (cyl7.wav) cylinder: is 7; the engine has 4",
        "[[recording]] 1 (cyl7.wav) moved: has [True, 5]; expected [start, end]",
        "[[recording]] 1 (cyl7.wav) moved: has [1, inf]",
        "[[recording]] 2 (b.wav): has no cylinder: add it",
        "[[recording]] 2 (b.wav) stage: is 'later'",
        "[[recording]] 2 (b.wav) rpm: is -1",
    ):
        assert sum(part in line for line in told) == 1, part
    assert len(told) == 13


@pytest.mark.parametrize(
    ("lines", "told"),
    [
        ("clean_since = 5", ["[restarts]: has clean_since alone; expected faulty and made before the repair too: add"]),
        ("made = 5\nclean_since = 5", ["[restarts]: has made alone; expected faulty and made: add the other"]),
        ("faulty = 3\nmade = 5\nclean_since = 5", []),
        ("faulty = 3\nmade = 5", []),
        ("", []),
    ],
)
def test_clean_restarts_are_nothing_without_those_before(tmp_path, lines, told):
    (tmp_path / "case.toml").write_text(f"[restarts]\n{lines}\n")
    found = []
    try:
        load_case(tmp_path)
    except CaseError as error:
        found = str(error).splitlines()
    assert [part in line for part, line in zip(told, found, strict=True)] == len(told) * [True]


@pytest.mark.parametrize(
    ("lines", "told"),
    [
        ('file = "a\\u0000b.wav"\ncylinder = 1', "[[recording]] 1 ('a\\x00b.wav') file: is"),
        (f'file = "{300 * "a"}.wav"\ncylinder = 1', f"1 ({40 * 'a'}...) file: is '{40 * 'a'}...', a name that no file"),
        ('file = "loop.wav"\ncylinder = 1', "(loop.wav) file: is 'loop.wav', a name that no file can have"),
        ('file = "a.wav"\ncylinder = 99', "(a.wav) cylinder: is 99; expected 1 to 16"),
        ('file = "a.wav"\ncylinder = "2"', "(a.wav) cylinder: is '2'; expected a number"),
    ],
    ids=["zero", "long", "loop", "99", "text"],
)
def test_recordings_that_cannot_be_are_told_in_a_line(tmp_path, lines, told):
    (tmp_path / "loop.wav").symlink_to("loop.wav")
    (tmp_path / "case.toml").write_text(f"[[recording]]\n{lines}\n")
    with pytest.raises(CaseError) as raised:
        load_case(tmp_path)
    (line,) = str(raised.value).splitlines()
    assert told in line


def test_every_code_that_cannot_be_is_told(tmp_path, capsys):
    given = ["case", "new", str(tmp_path / "job"), "--cylinders", "4", "--codes", "PO302,P0203,hello,P0305"]
    assert main(given) == 2
    lines = capsys.readouterr().err.splitlines()
    for part, line in zip(("'PO302' is no", "'HELLO' is no", "P0305 names cylinder 5"), lines, strict=True):
        assert line.startswith("injsound: ")
        assert part in line
    assert not (tmp_path / "job").exists()


def test_what_the_control_unit_said_is_read(tmp_path):
    (tmp_path / "case.toml").write_text(
        """
[codes]
stored = ["p0302"]
pending = ["P0300"]
freeze_frame = {rpm = 850, coolant_c = 12}
misfires = {2 = 154, 3 = 0}
[codes_swapped]
stored = ["P0303"]
misfires = {3 = 90}
"""
    )
    case = load_case(tmp_path)
    assert case.freeze_frame == FreezeFrame(rpm=850, coolant_c=12)
    assert case.counters == {2: 154, 3: 0}
    assert case.swapped == Misfires(codes=("P0303",), counts={3: 90})


def test_mistakes_in_what_the_control_unit_said_are_told(tmp_path):
    (tmp_path / "case.toml").write_text(
        """
[engine]
cylinders = 3
[codes]
freeze_frame = {rmp = 850, coolant_c = "cold"}
misfires = {7 = 1, two = 2, 3 = -1}
[codes_swapped]
stored = "P0303"
"""
    )
    with pytest.raises(CaseError) as raised:
        load_case(tmp_path)
    told = str(raised.value).splitlines()
    for part in (
        "did you mean 'rpm'?",
        "freeze_frame coolant_c: is 'cold'; expected a number",
        "misfires: has 7 = 1",
        "misfires: has two = 2",
        "misfires: has 3 = -1; expected a cylinder and its count, such as 2 = 154",
        "[codes_swapped] stored: is 'P0303'; expected a list",
    ):
        assert sum(part in line for line in told) == 1, part
    assert len(told) == 6


@pytest.mark.parametrize(
    ("text", "message"),
    [(None, "case new"), ("complaint = ", "correct that line"), ("[engine]\ncylinders = -2", "engine")],
)
def test_bad_files_are_refused(tmp_path, text, message):
    if text is not None:
        (tmp_path / "case.toml").write_text(text)
    with pytest.raises(CaseError, match=message):
        load_case(tmp_path)


def test_a_case_is_not_made_twice(tmp_path):
    new_case(tmp_path / "job")
    with pytest.raises(CaseError, match="exists"):
        new_case(tmp_path / "job")


@pytest.mark.parametrize(
    "command",
    ["case add {} x.wav", "case show {}", "case watch {} --looks 1", "report {}", "compare {}", "swap {}", "verify {}"],
)
def test_a_case_that_is_not_there_is_wrong_usage_and_a_mistake_in_one_is_none(tmp_path, capsys, command):
    given = [part.format(tmp_path) for part in command.split()]
    assert main(given) == 2
    assert "case.toml: no such file; make a case with: injsound case new" in capsys.readouterr().err
    (tmp_path / "case.toml").write_text("complaint = 5")
    assert main(given) == 1
    assert main(["case", "new", str(tmp_path)]) == 2
    assert "case.toml exists; choose another folder" in capsys.readouterr().err


def test_what_explains_a_new_case_is_in_the_language_chosen(tmp_path, capsys):
    assert main(["case", "new", str(tmp_path / "job"), "--language", "es", "--codes", "P0171,P0335"]) == 0
    text = (tmp_path / "job" / "case.toml").read_text()
    assert "# Un caso de injsound." in text
    assert "# Tal como se leyeron antes de borrar" in text
    opened = load_case(tmp_path / "job")
    assert opened.language is Language.SPANISH
    assert opened.codes == ("P0171", "P0335")
    add_entries(tmp_path / "job", [Entry(file="a.wav", cylinder=1)])
    assert (tmp_path / "job" / "case.toml").read_text().startswith(text)
    # What is entered later is a valid file as soon as its marks are taken away.
    head, mark, later = text.partition("# [repair]")
    (tmp_path / "job" / "case.toml").write_text(head + (mark + later).replace("\n# ", "\n").removeprefix("# "))
    opened = load_case(tmp_path / "job")
    assert (opened.repaired, opened.faulty_restarts, opened.clean_restarts) == (2, (3, 5), 5)
    assert "banco 1" in capsys.readouterr().out


def test_figures_no_engine_can_have_are_mistakes(tmp_path):
    (tmp_path / "case.toml").write_text(
        """
[codes]
stored = ["P03O2"]
freeze_frame = {coolant_c = 900}
[[recording]]
file = "a.wav"
cylinder = 1
rpm = -900
load_percent = nan
pulse_width_ms = "3"
soak_minutes = -1
"""
    )
    with pytest.raises(CaseError) as raised:
        load_case(tmp_path)
    told = str(raised.value)
    for part in (
        "'P03O2' is no trouble code",
        "coolant_c: is 900; expected -60 to 200",
        "rpm: is -900; expected 200 to 10000",
        "load_percent: is nan; expected 0 to 1000",
        "pulse_width_ms: is '3'; expected a number\n",
        "soak_minutes: is -1; expected 0 or more",
    ):
        assert part in told + "\n", part
    assert len(told.splitlines()) == 6


def test_a_file_in_another_encoding_is_told(tmp_path):
    (tmp_path / "case.toml").write_bytes("complaint = 'frío'".encode("latin-1"))
    with pytest.raises(CaseError, match="byte 16 is no text in UTF-8; save the file as UTF-8"):
        load_case(tmp_path)


def test_a_file_saved_with_its_byte_order_mark_is_read_and_keeps_it(tmp_path):
    path = new_case(tmp_path, complaint="frío")
    text = path.read_bytes()
    path.write_bytes(b"\xef\xbb\xbf" + text)
    assert load_case(tmp_path).complaint == "frío"
    add_entries(tmp_path, [Entry(file="a.wav", cylinder=1)])
    assert path.read_bytes().startswith(b"\xef\xbb\xbf" + text)
    assert [entry.file for entry in load_case(tmp_path).entries] == ["a.wav"]
