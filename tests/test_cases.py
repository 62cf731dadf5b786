"""A case from its first file to the report: made, read, guided, told."""

import html
import json
import re
import shutil
import time
import unicodedata
from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest
from takes import made_reading, take

from injsound.cases import many, store
from injsound.cases.adding import add_entries, new_case
from injsound.cases.case import Case, CaseError, Entry, entry_from_name, unlisted
from injsound.cases.case_file import load_case
from injsound.cases.evidence import gather
from injsound.cases.guide import Findings, Step, _driven, next_step
from injsound.cases.many import read_folder
from injsound.cases.names import condition_named
from injsound.cases.store import read_case
from injsound.cli import main
from injsound.codes import ReasonCode, Verdict
from injsound.diagnoses import Arm, Comparison, FreezeFrame, Misfires, Reason, SwapFinding, VerifyFinding, WiggleFinding
from injsound.engine import Engine
from injsound.errors import ParameterError
from injsound.findings.compare import compare_injectors
from injsound.findings.verify import verify_repair
from injsound.job_codes import (
    CompareVerdict,
    Exchange,
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
from injsound.results import Failure, Reading
from injsound.show.case_text import tell_step, told_to_owner
from injsound.show.findings_text import say_reasons, tell_comparison, tell_findings, tell_swap, tell_verify, tell_wiggle
from injsound.show.report import make_report
from injsound.show.text import COLUMNS, Words
from injsound.show.words.languages import LANGUAGES
from injsound.simulate import Scene, Skipping, simulate, write
from injsound.values import KnockGroup, Note

THREE = Engine(cylinders=3, firing_order=(1, 2, 3))
EIGHT = np.isin(np.arange(353), range(20, 340, 40))
NONE = np.zeros(353, dtype=bool)
DONE = {"codes_saved": True, "quick": True, "drive": True, "leaks": True}


@pytest.fixture(scope="module")
def sounds(tmp_path_factory):
    """Three short recordings of one engine; cylinder 3 skips."""
    folder = tmp_path_factory.mktemp("sounds")
    for cylinder in (1, 2, 3):
        skipping = Skipping.SCATTERED if cylinder == 3 else Skipping.NONE
        scene = Scene(
            seconds=25.0,
            sr=24_000,
            seed=cylinder,
            rpm=1_500.0,
            engine=replace(THREE, cylinder=cylinder),
            tick_db=22.0,
            skipping=skipping,
            skip_rate=0.1,
        )
        write(folder / f"cyl{cylinder} cold before.flac", *simulate(scene))
    return folder


def _case(tmp_path, sounds):
    folder = tmp_path / "job"
    new_case(folder, complaint="rough <after> storage", engine=THREE, codes=("P0303",))
    for path in sounds.glob("*.flac"):
        shutil.copy(path, folder)
    found = unlisted(load_case(folder))
    add_entries(folder, [replace(entry_from_name(name), rpm=1_500.0, shaking=Shaking.YES) for name in found])
    return folder


def test_an_uneven_engines_angles_stand_in_the_case(tmp_path):
    uneven = Engine(firing_order=(1, 2), firing_angles=(0.0, 270.0))
    path = new_case(tmp_path / "twin", engine=uneven)
    assert load_case(tmp_path / "twin").engine == uneven
    path.write_text(path.read_text().replace("270.0", '"a lot"'))
    with pytest.raises(CaseError, match=r"firing_angles: is .*expected degrees such as"):
        load_case(tmp_path / "twin")


# --- case.toml ------------------------------------------------------------------------------------------------------


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


def test_comments_and_order_survive(tmp_path, sounds):
    folder = _case(tmp_path, sounds)
    file = folder / "case.toml"
    file.write_text("# mine\n" + file.read_text().replace("[checks]", "[checks] # also mine"))
    add_entries(folder, [Entry(file="cyl1 later.m4a", cylinder=1)])
    text = file.read_text()
    assert text.startswith("# mine\n")
    assert "[checks] # also mine" in text
    assert [entry.file for entry in load_case(folder).entries][-1] == "cyl1 later.m4a"
    with pytest.raises(CaseError, match="already"):
        add_entries(folder, [Entry(file="cyl1 later.m4a", cylinder=1)])


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
        "is 'later'; expected 'before', 'swapped', 'after'",
        "expected [start, end] in seconds",
        "[[recording]] 2: has no file",
    ):
        assert sum(part in line for line in told) == 1, part
    assert len(told) == 9


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


# --- readings -------------------------------------------------------------------------------------------------------


def test_readings_are_kept_by_hash_and_settings(tmp_path, sounds, monkeypatch):
    folder = _case(tmp_path, sounds)
    results = read_case(load_case(folder), jobs=1)
    assert results["cyl3 cold before.flac"].verdict is Verdict.SKIPPING
    monkeypatch.setattr(store, "_read_one", lambda *_: pytest.fail("read again"))
    again = read_case(load_case(folder), jobs=1)
    assert [r.skips for r in again.values()][2].skipped == [r.skips for r in results.values()][2].skipped
    assert all(r.picture is not None for r in again.values())


def test_broken_missing_and_renamed_files_stop_nothing(tmp_path, sounds):
    folder = _case(tmp_path, sounds)
    (folder / "cyl1 cold before.flac").write_text("no sound")
    (folder / "cyl2 cold before.flac").rename(folder / "moved.flac")
    results = read_case(load_case(folder), jobs=1)
    kinds = [type(result) for result in results.values()]
    assert kinds == [Failure, Failure, Reading]
    assert "no such file" in results["cyl2 cold before.flac"].message
    (folder / "results.json").write_text("{broken")
    assert isinstance(read_case(load_case(folder), jobs=1)["cyl3 cold before.flac"], Reading)


def test_batch_goes_on_where_it_stopped(tmp_path, sounds):
    (tmp_path / "bad.wav").write_text("no sound")
    (tmp_path / "copies").mkdir()
    for to in (tmp_path, tmp_path / "copies"):
        shutil.copy(sounds / "cyl1 cold before.flac", to)
    done = dict(read_folder(tmp_path, tmp_path / "out", engine=THREE, rpm=1_500.0, jobs=1))
    assert len(done) == 3
    assert sum(bool(problem) for problem in done.values()) == 1
    table = (tmp_path / "out" / "results.csv").read_text()
    lines = (tmp_path / "out" / "results.jsonl").read_text().splitlines()
    assert len(table.splitlines()) == 4
    assert all(json.loads(line)["key"] for line in lines)
    # Killed in the middle of a line: that one is read again, and the table is the same.
    (tmp_path / "out" / "results.jsonl").write_text("\n".join(lines[:2]) + "\n" + lines[2][:40] + "\n")
    assert len(dict(read_folder(tmp_path, tmp_path / "out", engine=THREE, rpm=1_500.0, jobs=1))) == 1
    assert (tmp_path / "out" / "results.csv").read_text() == table


@pytest.mark.parametrize(("code", "again"), [("memory", 1), ("unreadable", 1), ("missing", 1), ("too short", 0)])
def test_batch_tries_again_what_may_have_passed(tmp_path, monkeypatch, code, again):
    (tmp_path / "cyl1.wav").write_bytes(b"x")
    failure = Failure(file="cyl1.wav", code=code, message=f"cyl1.wav: {code}")
    monkeypatch.setattr(many, "run_file", lambda *_, **__: failure)
    assert len(list(many.read_folder(tmp_path, tmp_path, engine=THREE, jobs=1))) == 1
    monkeypatch.setattr(many, "run_file", lambda *_, **__: replace(made_reading(NONE), file="cyl1.wav"))
    assert list(many.read_folder(tmp_path, tmp_path, engine=THREE, jobs=1)) == again * [("cyl1.wav", "")]
    assert many.count_table(tmp_path) == (1, 1 - again)


def test_a_batch_that_has_nothing_new_still_tells_what_could_not_be_used(tmp_path, capsys):
    (tmp_path / "bad.wav").write_text("no sound")
    for told in ("1 read", "0 read"):
        assert main(["batch", str(tmp_path), "--jobs", "1"]) == 1
        printed = capsys.readouterr()
        assert printed.out.startswith(f"{told}; of 1 in the table 1 could not be used: ")
        assert printed.err.count("bad.wav") == (told == "1 read")  # once


# --- guide ----------------------------------------------------------------------------------------------------------


def _compared(verdict, odd=()):
    sides = compare_injectors(TAKES).sides
    return Comparison(verdict=verdict, odd=odd, sides=sides, reasons=(), condition="cold", record_s=40.0)


def _swapped(verdict, exchange=Exchange.INJECTORS):
    cells = {(cylinder, stage): Arm(episodes=0, blocks=1) for cylinder in (3, 1) for stage in Stage}
    return SwapFinding(verdict=verdict, cells=cells, reasons=(), p_injector=None, p_cylinder=None, record_s=None,
                       exchange=exchange, faulty=3)  # fmt: skip


def _wiggled(verdict):
    empty = Arm(episodes=0, blocks=1)
    return WiggleFinding(
        verdict=verdict, moved=empty, still=empty, moved_unjudged=0, still_unjudged=0, p=None, reasons=()
    )


TAKES = tuple(take(made_reading(EIGHT if c == 3 else NONE), c) for c in (1, 2, 3))
ODD = {"takes": TAKES, "comparison": _compared(CompareVerdict.ODD_ONE, (3,))}


def _verified(verdict, why=None):
    return VerifyFinding(verdict=verdict, before=None, after=Arm(episodes=0, blocks=1), rate_high=None, change=None,
                         change_low=None, change_high=None, restarts_needed=None,
                         reasons=() if why is None else (Reason(why=why),), record_s=None)  # fmt: skip


def _doubtful(code):
    doubt = replace(TAKES[0].reading, verdict=Verdict.CANNOT_TELL, reasons=(Note(code=code),))
    return (replace(TAKES[0], reading=doubt),)


ONE, ALONE = Engine(cylinders=1), (replace(TAKES[2], cylinder=1),)
UNCLEAR = _doubtful(ReasonCode.WEAK_SEPARATION)
UNSURE = _verified(VerifyVerdict.NOT_ENOUGH, Why.DIFFERENCE_UNCLEAR)
LEAKY = _verified(VerifyVerdict.NOT_ENOUGH, Why.LEAKS_NOT_CHECKED)


@pytest.mark.parametrize(
    ("settings", "findings", "todo"),
    [
        ({"checks": {}}, {}, Todo.SAVE_CODES),
        ({"checks": {"codes_saved": True}}, {}, Todo.QUICK_CHECKS),
        ({}, {}, Todo.RECORD_EACH),
        ({"codes": ("P0303",)}, {}, Todo.RECORD_SHAKING),
        ({}, {"takes": tuple(replace(t, shaking=Shaking.NO) for t in TAKES)}, Todo.RECORD_EACH),
        ({}, {"takes": tuple(replace(t, shaking=Shaking.UNKNOWN) for t in TAKES)}, Todo.SAY_SHAKING),
        ({}, {"takes": UNCLEAR}, Todo.RECORD_AGAIN),
        ({}, {"takes": _doubtful(ReasonCode.MAY_BE_NEIGHBOUR)}, Todo.RECORD_OTHERS),
        ({}, {**ODD, "takes": (*_doubtful(ReasonCode.FEW_CALLS), *TAKES[1:])}, Todo.WIGGLE),
        ({"engine": ONE}, {"takes": ALONE}, Todo.WIGGLE),
        ({"engine": ONE, "checks": {"codes_saved": True, "quick": True}}, {"takes": ALONE}, Todo.PROVE_DRIVE),
        ({"engine": ONE}, {"takes": ALONE, "wiggle": _wiggled(WiggleVerdict.GATHERS)}, Todo.REPAIR_WIRING),
        ({"engine": ONE}, {"takes": ALONE, "wiggle": _wiggled(WiggleVerdict.DOES_NOT)}, Todo.REPLACE),
        ({"engine": ONE}, {"takes": TAKES[:1]}, Todo.LOOK_ELSEWHERE),
        ({}, {"takes": TAKES[:1]}, Todo.RECORD_OTHERS),
        ({}, {"takes": TAKES}, Todo.RECORD_REST),
        ({"engine": Engine()}, {"takes": TAKES[:1], "comparison": compare_injectors(TAKES[:1])}, Todo.RECORD_REST),
        ({}, {"takes": TAKES, "comparison": _compared(CompareVerdict.NOT_SHOWN)}, Todo.RECORD_MORE),
        ({}, {"takes": TAKES, "comparison": _compared(CompareVerdict.NONE)}, Todo.LOOK_ELSEWHERE),
        ({"checks": {"codes_saved": True, "quick": True}}, ODD, Todo.PROVE_DRIVE),
        ({}, ODD, Todo.WIGGLE),
        ({}, {**ODD, "wiggle": _wiggled(WiggleVerdict.GATHERS)}, Todo.REPAIR_WIRING),
        ({}, {**ODD, "wiggle": _wiggled(WiggleVerdict.DOES_NOT)}, Todo.SWAP),
        ({}, {**ODD, "wiggle": _wiggled(WiggleVerdict.DOES_NOT), "swap": _swapped(SwapVerdict.NOT_SHOWN)}, Todo.SWAP),
        ({}, {**ODD, "swap": _swapped(SwapVerdict.FOLLOWS_INJECTOR)}, Todo.REPLACE),
        ({}, {**ODD, "swap": _swapped(SwapVerdict.FOLLOWS_INJECTOR, Exchange.ASSUMED)}, Todo.NAME_EXCHANGE),
        ({}, {**ODD, "swap": _swapped(SwapVerdict.STAYS_WITH_CYLINDER, Exchange.ASSUMED)}, Todo.NAME_EXCHANGE),
        (
            {},
            {
                **ODD,
                "wiggle": _wiggled(WiggleVerdict.GATHERS),
                "swap": _swapped(SwapVerdict.FOLLOWS_INJECTOR),
            },
            Todo.TESTS_DISAGREE,
        ),
        ({}, {**ODD, "swap": _swapped(SwapVerdict.STAYS_WITH_CYLINDER)}, Todo.REPAIR_WIRING),
        ({}, {**ODD, "swap": _swapped(SwapVerdict.BOTH)}, Todo.REPAIR_BOTH),
        ({}, {**ODD, "swap": _swapped(SwapVerdict.NEITHER)}, Todo.SWAP_BACK),
        ({"repaired": 3}, ODD, Todo.VERIFY),
        ({"repaired": 3}, {"verification": _verified(VerifyVerdict.STILL_SKIPPING)}, Todo.STILL_FAULTY),
        ({"repaired": 3}, {"verification": _verified(VerifyVerdict.NOT_ENOUGH)}, Todo.RECORD_MORE),
        ({"repaired": 3}, {"verification": LEAKY}, Todo.CHECK_LEAKS),
        ({"repaired": 3}, {"verification": UNSURE}, Todo.RECORD_MORE),
        ({"repaired": 3}, {"verification": _verified(VerifyVerdict.GOOD)}, Todo.ROAD_TEST),
    ],
)  # fmt: skip
def test_every_step_of_the_job(tmp_path, settings, findings, todo):
    case = Case(folder=tmp_path, **{"engine": THREE, "checks": DONE, **settings})
    assert next_step(case, Findings(**findings)).todo is todo


@pytest.mark.parametrize(
    ("why", "figures", "todo", "told"),
    [
        (Why.RESTARTS_NEEDED, {"clean": 1, "needed": 5}, Todo.RESTART_MORE, "Start the engine 4 more times"),
        (Why.SIBLINGS_NOT_RECORDED, {"cylinders": "1, 2"}, Todo.RECORD_SINCE, "Record cylinders 1, 2 after the repair"),
        (Why.FELLOWS_NEEDED, {"count": 0, "needed": 2}, Todo.RECORD_FELLOWS, "same condition, 2 more: with 2 of them"),
        (Why.SIBLING_SKIPS, {"cylinder": 2}, Todo.SIBLING_FAULTY, "Cylinder 2 skips too: go on"),
        (
            Why.OUTSIDE_FELLOWS,
            {"measure": Measure.OPEN_TIME, "value": 3.1, "low": 2.6, "high": 3.0},
            Todo.OUT_OF_LINE,
            "Cylinder 3 is out of line with its fellows by its open time",
        ),
        (Why.NO_FAULT_BEFORE, {"episodes": 0}, Todo.FIND_FAULT, "No recording from before the repair holds the fault"),
        (Why.CELL_MISSING, {"cylinder": 3, "stage": Stage.BEFORE}, Todo.FIND_FAULT, "No recording from before"),
        (Why.CONDITIONS_DIFFER, {"conditions": "cold, hot"}, Todo.RECORD_ALIKE, "Record cylinder 3 after the repair"),
        (Why.SPEEDS_DIFFER, {"rpm_low": 700, "rpm_high": 1500}, Todo.RECORD_ALIKE, "at the speed of"),
        (
            Why.NOT_COUNTED,
            {"file": "since.wav"},
            Todo.RECORD_AGAIN,
            "since.wav again, under a new name: two clicks",
        ),
        (Why.NOT_COUNTED, {"file": "old.wav"}, Todo.FIND_FAULT, "No recording from before"),
    ],
)
def test_what_a_longer_recording_does_not_answer_after_a_repair_has_a_step_of_its_own(
    tmp_path, why, figures, todo, told
):
    def unclear(file, stage):
        doubt = Note(code=ReasonCode.TWO_CANDIDATES)
        reading = replace(TAKES[0].reading, file=file, verdict=Verdict.CANNOT_TELL, reasons=(doubt,))
        return take(reading, 3, stage=stage)

    case = Case(folder=tmp_path, engine=THREE, checks=DONE, repaired=3)
    takes = (unclear("since.wav", Stage.AFTER), unclear("old.wav", Stage.BEFORE))
    found = replace(_verified(VerifyVerdict.NOT_ENOUGH), reasons=(Reason(why=why, figures=figures),))
    step = next_step(case, Findings(takes=takes, verification=found))
    assert step.todo is todo
    assert told in " ".join(" ".join(tell_step(step, Words())).split())
    longer = next_step(case, Findings(takes=takes, verification=replace(found, record_s=40.0)))
    assert (longer.todo, longer.figures) == (Todo.RECORD_MORE, {"seconds": 40})


@pytest.mark.parametrize(
    ("cylinders", "english", "spanish"),
    [("4", "cylinder 4", "el cilindro 4"), ("1, 4", "cylinders 1, 4", "los cilindros 1, 4")],
)
def test_one_cylinder_is_not_told_as_many(cylinders, english, spanish):
    figures = {"cylinders": cylinders}
    for language, named, others in ((Language.ENGLISH, english, "ylinder"), (Language.SPANISH, spanish, "ilindro")):
        words = Words(language)
        told = [
            " ".join(tell_step(Step(todo=todo, figures=figures), words))
            for todo in (Todo.RECORD_OTHERS, Todo.RECORD_SINCE)
        ]
        told += say_reasons(
            [Reason(why=why, figures=figures) for why in (Why.SIBLINGS_NOT_RECORDED, Why.IN_ORDER)], words
        )
        for said in told:
            assert named in " ".join(said.split())
            assert said.count(others) == 1


def test_verify_says_in_two_parts_what_a_case_lacks(tmp_path, capsys):
    path = new_case(tmp_path, engine=THREE)
    assert main(["verify", str(tmp_path)]) == 2
    told = capsys.readouterr().err
    assert "does not say which cylinder was repaired: write [repair] into its case.toml" in told
    path.write_text(path.read_text() + "[repair]\ncylinder = 2\n")  # as told
    assert main(["verify", str(tmp_path)]) == 2
    told = capsys.readouterr().err
    assert (
        "no recording of cylinder 2 from after the repair: record it again, and add it with injsound case add "
        f"{tmp_path} FILE" in told
    )


def test_clean_restarts_are_entered():
    step = Step(todo=Todo.RESTART_MORE, figures={"more": 4, "needed": 5})
    assert "Enter clean_since = 5 under [restarts]" in " ".join(tell_step(step, Words()))


def test_the_code_names_the_cylinder_to_record(tmp_path):
    # P0267: 261 + 3 x 2, the low side of cylinder 3's circuit; P0313 is about fuel, P0335 about the crank's sensor.
    one = (("P0303",), ("P0203", "P0303"), ("P0267",), ("P0303", "P0335"))
    none = (("P0300",), ("P0301", "P0303"), ("P0313",), ("P0335",))
    for codes, cylinder in (*((codes, 3) for codes in one), *((codes, None) for codes in none)):
        case = Case(folder=tmp_path, engine=THREE, checks=DONE, codes=codes)
        assert next_step(case, Findings()).figures.get("cylinder") == cylinder


def test_a_swap_that_does_not_show_yet_is_recorded_longer(tmp_path):
    case = Case(folder=tmp_path, engine=THREE, checks=DONE)
    swap = replace(_swapped(SwapVerdict.NOT_SHOWN), record_s=40.0)
    found = Findings(**ODD, wiggle=_wiggled(WiggleVerdict.DOES_NOT), swap=swap)
    step = next_step(case, found)
    assert (step.todo, step.figures) == (Todo.RECORD_MORE, {"seconds": 40})
    told = "\n".join(line for block in [*tell_findings(found, Words()), tell_step(step, Words())] for line in block)
    assert told.count("40 s") == 1


def test_that_idle_is_no_road_test_is_said_once(tmp_path):
    case = Case(folder=tmp_path, engine=THREE, checks=DONE, repaired=3)
    found = Findings(verification=_verified(VerifyVerdict.GOOD))
    told = [*tell_findings(found, Words()), tell_step(next_step(case, found), Words())]
    assert sum(" ".join(block).count("road test") for block in told) == 1
    alone = " ".join(tell_verify(found.verification, Words()))
    assert alone.count("road test") == 1


def test_a_step_names_the_cylinder_and_the_reason(tmp_path):
    case = Case(folder=tmp_path, engine=THREE, checks=DONE)
    swapped = replace(_swapped(SwapVerdict.FOLLOWS_INJECTOR), faulty=2)
    assert "cylinder 2 at first" in "\n".join(tell_step(next_step(case, Findings(swap=swapped)), Words()))
    unclear = replace(UNCLEAR[0].reading, reasons=(Note(code=ReasonCode.TWO_CANDIDATES),))
    case = replace(case, engine=Engine())
    told = tell_step(next_step(case, Findings(takes=(replace(UNCLEAR[0], reading=unclear),))), Words())
    assert "two clicks could be this injector's" in "\n".join(told)


def test_a_recording_of_valves_alone_is_made_again(tmp_path):
    # Its verdict is clear, "no tick"; it names nobody, and longer recordings of the others do not answer it.
    valves = replace(
        made_reading(NONE, sha256="valves"), verdict=Verdict.NO_TICK, reasons=(Note(code=ReasonCode.ENGINE_TICKS_ONLY),)
    )
    takes = (take(valves, 1), *(take(made_reading(NONE, sha256=f"{c}"), c) for c in (2, 3)))
    case = Case(folder=tmp_path, engine=THREE, checks=DONE)
    step = next_step(case, Findings(takes=takes, comparison=compare_injectors(takes)))
    assert (step.todo, step.figures["file"]) == (Todo.RECORD_AGAIN, "valves.wav")


def test_what_is_recorded_again_is_of_a_cylinder_without_a_clear_recording(tmp_path):
    def unclear(cylinder):
        reading = made_reading(NONE, sha256=f"unclear {cylinder}")
        doubt = Note(code=ReasonCode.TWO_CANDIDATES)
        return take(replace(reading, verdict=Verdict.CANNOT_TELL, reasons=(doubt,)), cylinder)

    case = Case(folder=tmp_path, engine=THREE, checks=DONE)
    step = next_step(case, Findings(takes=(unclear(1), unclear(2), TAKES[0], TAKES[2])))  # 1 was clear at last
    assert (step.todo, step.figures["file"]) == (Todo.RECORD_AGAIN, "unclear 2.wav")


# --- words ----------------------------------------------------------------------------------------------------------


def test_blocks_keep_to_the_terminal():
    words = Words()
    compared = compare_injectors(TAKES)
    verified = verify_repair([replace(t, stage=Stage.AFTER) for t in TAKES], cylinder=3)
    blocks = [
        tell_comparison(compared, words),
        tell_comparison(compare_injectors(TAKES[:2]), words),
        tell_swap(_swapped(SwapVerdict.NEITHER), words),
        tell_wiggle(_wiggled(WiggleVerdict.TOO_FEW), words),
        tell_verify(verified, words),
        tell_step(Step(todo=Todo.SWAP, figures={"cylinder": 3}), words),
    ]
    for block in blocks:
        assert all(len(line) <= COLUMNS for line in block), block
    assert "3                    8            8 of 353" in "\n".join(blocks[0])


def test_the_owner_is_told_which_how_often_where_and_what_is_left():
    counted = compare_injectors(TAKES)
    assert told_to_owner(Findings(comparison=counted), Words()) == (
        "The injector at cylinder 3 left out 8 of 353 ticks, those of the other cylinders 0 of 706."
    )
    whole = Findings(
        comparison=counted,
        wiggle=_wiggled(WiggleVerdict.DOES_NOT),
        swap=_swapped(SwapVerdict.FOLLOWS_INJECTOR),
        verification=verify_repair([replace(t, stage=Stage.AFTER) for t in TAKES], cylinder=3),
    )
    told = told_to_owner(whole, Words())
    assert told.count("cylinder 3") == 1
    assert "gather" not in told  # where the fault went says more than that
    assert "follows the injector" in told
    assert told_to_owner(Findings(), Words()) == "The injectors have not been compared yet."


# --- the whole way --------------------------------------------------------------------------------------------------


def test_from_recordings_to_the_report(tmp_path, sounds):
    folder = _case(tmp_path, sounds)
    case = load_case(folder)
    results = read_case(case, jobs=1)
    findings = gather(case, results)
    assert findings.comparison.odd == (3,)
    page = make_report(case, results, findings, next_step(case, findings), Words(), day=date(2026, 1, 2))
    assert "rough &lt;after&gt; storage" in page
    assert "<script" not in page
    assert "<pre" not in page
    cells = re.findall(r"<td>([^<]*)</td>", page)
    assert cells[:15:5] == ["1", "2", "3"]  # a row of five figures for each cylinder
    assert re.sub(r"\s", " ", cells[12]) == _missing_of(findings, 3)
    assert page.count('class="wide"') == page.count('class="figures"') == 1  # what may not break scrolls in its box
    assert page.count("data:image/png") == 4  # three injectors, and all beside each other
    assert page.count("data:audio/mpeg") == 4
    assert len(re.findall(r"cold before.flac: a stretch without one, at [0-9.]+ s", page)) == 2
    assert all(reading.sha256 in page for reading in results.values())
    assert f"left out {_missing_of(findings, 3)} ticks" in re.sub(r"\s", " ", html.unescape(page))
    assert "Cylinder 3 is the odd one." in page
    assert "2026-01-02" in page
    spanish = Words(Language.SPANISH)
    page = make_report(case, results, findings, next_step(case, findings), spanish, day=date(2026, 1, 2))
    assert '<html lang="es">' in page
    assert "case.toml" not in page
    assert "El cilindro 3 es el que se aparta de los demás." in page
    assert "2026-01-02" in page
    assert _english_in(html.unescape(re.sub(r'"data:[^"]+"', "", page))) == []


def _missing_of(findings, cylinder):
    (arm,) = (side.arm for side in findings.comparison.sides if side.cylinder == cylinder)
    return f"{arm.skipped} of {arm.judged}"


def _english_in(text):
    """Pieces of two words or more of English sentences that are nowhere part of a Spanish one."""
    spanish = " ".join(t for table in LANGUAGES[Language.SPANISH].values() for t in table.values())
    pieces = [
        piece.strip()
        for table in LANGUAGES[Language.ENGLISH].values()
        for template in table.values()
        for piece in re.split(r"\{\w+\}", template)
    ]
    said = " ".join(text.split())
    return [piece for piece in pieces if " " in piece and piece in said and piece not in spanish]


def test_english_is_found_where_it_is_left():
    assert _english_in("Hecho. The fault follows the injector.") == ["The fault follows the injector."]
    assert _english_in("El fallo sigue al inyector.") == []


def test_a_case_names_the_language_of_its_report(tmp_path):
    new_case(tmp_path)
    assert load_case(tmp_path).language is None
    path = tmp_path / "case.toml"
    path.write_text('language = "es"\n' + path.read_text())
    assert load_case(tmp_path).language is Language.SPANISH
    path.write_text('language = "xx"\n')
    with pytest.raises(CaseError, match="language: is 'xx'; expected 'en', 'es'"):
        load_case(tmp_path)


@pytest.mark.parametrize(
    ("named", "environment", "option", "language"),
    [
        ("", "", [], "en"),
        ("", "es", [], "es"),
        ("es", "", [], "es"),
        ("en", "es", [], "en"),
        ("es", "", ["--language", "en"], "en"),
    ],
)
def test_the_command_line_then_the_case_then_the_environment_choose_the_language(
    tmp_path, monkeypatch, capsys, named, environment, option, language
):
    new_case(tmp_path)
    path = tmp_path / "case.toml"
    path.write_text((f'language = "{named}"\n' if named else "") + path.read_text())
    monkeypatch.setenv("INJSOUND_LANGUAGE", environment)
    assert main(["report", str(tmp_path), *option]) == 0
    assert f'<html lang="{language}">' in (tmp_path / "report.html").read_text()
    assert capsys.readouterr().out.startswith({"en": "report: ", "es": "informe: "}[language])


def test_commands_of_a_case(tmp_path, sounds, capsys):
    job = str(tmp_path / "job")
    assert main(["case", "new", job, "--cylinders", "3", "--firing-order", "1-2-3", "--codes", "P0303"]) == 0
    recordings = [str(path) for path in sorted(sounds.glob("*.flac"))]
    assert main(["case", "add", job, *recordings, "--rpm", "1500", "--shaking", "yes"]) == 0
    for command in (["case", "next", job], ["compare", job], ["report", job]):
        assert main(command) == 0
    told = capsys.readouterr().out
    assert "Cylinder 3 is the odd one." in told
    assert main(["case", "show", job]) == 0
    shown = capsys.readouterr().out
    # Of each recording the verdict alone, and one next step: the case's.
    assert shown.count("cyl3 cold before.flac, cylinder 3\n  Skipping: ") == 1
    assert [line.split()[0] for line in shown.splitlines() if line.strip().startswith("next")] == ["next"]
    assert "Record the other injectors" not in shown
    assert "Save the stored and pending codes (P0303)" in shown
    for command in (["case", "show", job], ["case", "next", job], ["compare", job]):
        assert main([*command, "--language", "es"]) == 0
    spanish = capsys.readouterr().out
    assert "El cilindro 3 es el que se aparta de los demás." in spanish
    assert "Guarde los códigos almacenados y pendientes (P0303)" in spanish
    assert _english_in(spanish) == []
    assert max(map(len, spanish.splitlines())) <= COLUMNS
    assert "Save the stored and pending codes (P0303)" in told
    assert (tmp_path / "job" / "report.html").stat().st_size > 100_000
    deep = tmp_path / "new" / "deep" / "page.html"
    assert main(["report", job, "--out", str(deep)]) == 0
    assert deep.stat().st_size > 100_000
    mine = tmp_path / "mine.html"
    mine.write_text("mine")
    assert main(["report", job, "--out", str(mine)]) == 2
    assert mine.read_text() == "mine"
    for command in (["swap", job], ["wiggle", job], ["verify", job]):
        assert main(command) == 2
    assert main(["case", "next", str(tmp_path)]) == 1
    assert "case new" in capsys.readouterr().err


def test_recordings_are_compared_without_a_case(sounds, capsys):
    recordings = [str(path) for path in sorted(sounds.glob("*.flac"))]
    assert main(["compare", *recordings, "--rpm", "1500", "--cylinders", "3"]) == 0
    assert "Cylinder 3 is the odd one." in capsys.readouterr().out
    engine = sounds / "engine.wav"
    engine.touch()
    assert main(["compare", str(engine), "cyl2.wav", "--rpm", "1500"]) == 2
    assert "names no cylinder" in capsys.readouterr().err


def test_watch_answers_what_arrives(tmp_path, sounds, capsys):
    job = tmp_path / "job"
    new_case(job, engine=THREE)
    shutil.copy(sounds / "cyl3 cold before.flac", job)
    assert main(["case", "watch", str(job), "--every", "0.01", "--looks", "2", "--rpm", "1500"]) == 0
    assert "SKIPPING" in capsys.readouterr().out
    assert [entry.cylinder for entry in load_case(job).entries] == [3]


def test_watch_goes_on_after_what_is_odd(tmp_path, sounds, capsys, monkeypatch):
    job = tmp_path / "job"
    new_case(job, engine=THREE)
    sound = sounds / "cyl3 cold before.flac"
    (job / "cyl1 placeholder.wav").touch()
    (job / "cyl2 letter.m4a").write_text("no sound")
    shutil.copy(sounds / "cyl2 cold before.flac", job / "engine.flac")
    shutil.copy(sound, job / "cyl3 warm.flac")
    shutil.copy(sound, job / "cyl7.flac")
    (job / "cyl2 gone.wav").symlink_to(tmp_path / "nowhere.wav")
    looks, sleep = iter(range(10)), time.sleep

    def meanwhile(seconds):
        if seconds != 0.0123:
            return sleep(seconds)  # somebody else's
        look, path = next(looks), job / "case.toml"
        if look == 0:
            (job / "half").write_bytes(path.read_bytes())
            path.write_text("[engine")
        elif look == 2:
            path.write_bytes((job / "half").read_bytes())
        return None

    monkeypatch.setattr(time, "sleep", meanwhile)
    given = ["case", "watch", str(job), "--every", "0.0123", "--looks", "7", "--rpm", "1500", "--shaking", "yes"]
    assert main(given) == 0
    told = capsys.readouterr()
    assert "SKIPPING" in told.out
    lines = told.err.splitlines()
    assert lines[0] == f"watching {job}: every new recording is answered; Ctrl-C stops"
    for part in (
        "correct that line",
        "cylinder: is 7; the engine has 3",
        "cyl2 letter.m4a: found text",
        "engine.flac names no cylinder; call it like 'cyl2 cold.m4a', or name it with --cylinder",
    ):
        assert sum(part in line for line in lines) == 1, part
    assert len(lines) == 5
    (entry,) = load_case(job).entries
    assert (entry.file, entry.rpm, entry.shaking) == ("cyl3 warm.flac", 1_500.0, Shaking.YES)


@pytest.mark.parametrize("every", ["-1", "0", "nan"])
def test_watch_looks_at_times_that_can_be(tmp_path, capsys, every):
    new_case(tmp_path)
    assert main(["case", "watch", str(tmp_path), "--every", every, "--looks", "2"]) == 2
    assert "expected more than 0" in capsys.readouterr().err


# --- swap -----------------------------------------------------------------------------------------------------------


def _swapped_case(tmp_path, **settings):
    """Cylinders 1 and 3, the connectors crossed: the skips go from 3 to 1."""
    entries, results = [], {}
    for k, (cylinder, stage, skips) in enumerate(
        ((1, Stage.BEFORE, NONE), (3, Stage.BEFORE, EIGHT), (1, Stage.SWAPPED, EIGHT), (3, Stage.SWAPPED, NONE))
    ):
        connector = "mn"[(cylinder == 3) != (stage is Stage.SWAPPED)]
        entries.append(
            Entry(file=f"{k}.wav", cylinder=cylinder, stage=stage, injector=f"{cylinder}", connector=connector)
        )
        results[f"{k}.wav"] = made_reading(skips, sha256=f"{k}")
    return Case(folder=tmp_path, engine=THREE, entries=tuple(entries), **settings), results


def test_a_case_tells_crossed_connectors_codes_and_the_freeze_frame(tmp_path):
    case, results = _swapped_case(
        tmp_path,
        codes=("P0303",),
        swapped=Misfires(codes=("P0301",)),
        freeze_frame=FreezeFrame(rpm=1_900.0),
    )
    found = gather(case, results)
    assert found.swap.verdict is SwapVerdict.STAYS_WITH_CYLINDER
    told = " ".join(" ".join(tell_swap(found.swap, Words())).split())
    assert "Connectors crossed" in told
    assert "The fault went with the connector: wiring, connector or driver of cylinder 3." in told
    assert "at cylinder 3 before and at cylinder 1 after. That agrees with the sound." in told
    blocks = tell_findings(found, Words())
    assert blocks[0][0] == "freeze frame"
    assert "The code was set at 1900 rpm, coolant – °C, load – %" in " ".join(blocks[0])
    assert all(len(line) <= COLUMNS for block in blocks for line in block)


def test_a_swap_recorded_in_two_conditions_is_judged_in_the_one_that_is_whole(tmp_path):
    case, results = _swapped_case(tmp_path)
    cold = tuple(replace(entry, condition="cold") for entry in case.entries)
    warm = replace(case.entries[2], file="warm.wav", condition="warm")  # listed before the others, and alone
    results["warm.wav"] = made_reading(NONE, sha256="warm")
    results["two.wav"] = made_reading(NONE, sha256="two")
    two = [replace(warm, file="two.wav", cylinder=2, condition="cold", stage=Stage.BEFORE), replace(warm, cylinder=2)]
    for more in ([warm], two):
        found = gather(replace(case, entries=(*more, *cold)), results)
        assert found.swap.verdict is SwapVerdict.STAYS_WITH_CYLINDER
    unlike = replace(case, entries=tuple(replace(e, condition=c) for e, c in zip(cold, "aabb", strict=True)))
    assert [reason.why for reason in gather(unlike, results).swap.reasons] == [Why.CONDITIONS_DIFFER]


# --- wiggle ---------------------------------------------------------------------------------------------------------


def _wiggled_case(tmp_path, **entry):
    """Cylinder 3 skips only while moved: six stretches of 10 s, every other one."""
    time = 0.1 + 0.17 * np.arange(706)
    train = (time // 10 % 2 == 1) & (np.arange(706) % 15 == 7)
    reading = replace(made_reading(train, sha256="w"), file="w.wav")
    case = Case(folder=tmp_path, engine=THREE, entries=(Entry(file="w.wav", cylinder=3, **entry),))
    return case, {"w.wav": reading}


MOVED = tuple((float(a), a + 10.0) for a in range(10, 120, 20))


def test_what_a_case_does_not_call_moved_is_still(tmp_path):
    found = gather(*_wiggled_case(tmp_path, moved=MOVED))
    assert found.wiggle.verdict is WiggleVerdict.GATHERS
    assert found.wiggle.marked_by is MarkedBy.CASE
    # Provoked skips do not enter the comparison.
    assert found.comparison is None


def test_a_case_takes_knocks_where_no_times_are_given_and_three_groups_or_more(tmp_path):
    case, results = _wiggled_case(tmp_path)
    knocks = tuple(KnockGroup(from_s=t - 0.4, to_s=t + 0.4, count=3) for t in range(10, 120, 10))
    assert gather(case, results).wiggle is None
    for groups, marked in ((knocks[:2], False), (knocks, True)):
        reading = replace(results["w.wav"], knocks=groups)
        found = gather(case, {"w.wav": reading})
        assert (found.wiggle is not None) is marked
    assert found.wiggle.verdict is WiggleVerdict.GATHERS
    assert "Still and moved by groups of three knocks (11)" in " ".join(tell_wiggle(found.wiggle, Words()))


def test_a_wiggle_test_of_which_nothing_is_shown_is_made_again(tmp_path):
    # Knocks every 10 s; the change at 60 s is missing in the first recording and there in the second.
    case, results = _wiggled_case(tmp_path)
    knocks = tuple(KnockGroup(from_s=t - 0.4, to_s=t + 0.4, count=3) for t in range(10, 120, 10))
    first = replace(results["w.wav"], knocks=tuple(group for group in knocks if group.from_s != 59.6))
    found = gather(case, {"w.wav": first})
    assert found.wiggle.verdict is WiggleVerdict.NOT_SHOWN
    assert _driven(found, 3).todo is Todo.WIGGLE
    again = replace(results["w.wav"], file="again.wav", knocks=knocks)
    case = replace(case, entries=(*case.entries, Entry(file="again.wav", cylinder=3)))
    found = gather(case, {"w.wav": first, "again.wav": again})
    assert found.wiggle.verdict is WiggleVerdict.GATHERS
    assert _driven(found, 3).todo is Todo.REPAIR_WIRING


def test_a_stretch_outside_the_recording_is_told_with_its_file(tmp_path):
    with pytest.raises(ParameterError, match=r"w\.wav: a moved stretch ends at 300 s"):
        gather(*_wiggled_case(tmp_path, moved=((10.0, 300.0),)))


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
        "rpm: is -900; expected 60 to 10000",
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
