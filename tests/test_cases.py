"""A case from its first file to the report: made, read, guided, told."""

import html
import json
import re
import shutil
import time
from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from takes import EIGHT, NONE, made_reading

from injsound.cases import many, store
from injsound.cases.adding import add_entries, new_case
from injsound.cases.case import Case, CaseError, Entry, entry_from_name, unlisted
from injsound.cases.case_file import load_case
from injsound.cases.evidence import gather
from injsound.cases.guide import _driven, next_step
from injsound.cases.many import read_folder
from injsound.cases.store import read_case
from injsound.cli import main
from injsound.codes import Verdict
from injsound.control_unit import FreezeFrame, Misfires
from injsound.engine import Engine
from injsound.errors import ParameterError
from injsound.job_codes import MarkedBy, Shaking, Stage, SwapVerdict, Todo, Why, WiggleVerdict
from injsound.languages import Language
from injsound.results import Failure, Reading
from injsound.show.findings_text import tell_findings, tell_swap, tell_wiggle
from injsound.show.report import make_report
from injsound.show.text import COLUMNS, Words
from injsound.show.words.languages import LANGUAGES
from injsound.simulate import Scene, Skipping, simulate, write
from injsound.values import KnockGroup

THREE = Engine(cylinders=3, firing_order=(1, 2, 3))


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


# --- case.toml -------------------------------------------------------------------------------------------------------


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


# --- readings --------------------------------------------------------------------------------------------------------


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


# --- the whole way ---------------------------------------------------------------------------------------------------


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
    assert main(["case", "next", str(tmp_path)]) == 2
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


@pytest.mark.parametrize("every", ["-1", "0", "nan", "inf", "1e300"])
def test_watch_looks_at_times_that_can_be(tmp_path, capsys, every):
    new_case(tmp_path)
    assert main(["case", "watch", str(tmp_path), "--every", every, "--looks", "2"]) == 2
    assert "expected more than 0" in capsys.readouterr().err


# --- swap ------------------------------------------------------------------------------------------------------------


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


# --- wiggle ----------------------------------------------------------------------------------------------------------


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
