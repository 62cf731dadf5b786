"""Nothing of a case is lost: bad input, two people at once, a process killed at any moment, a disk that is full."""

import errno
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from datetime import date
from functools import partial
from itertools import count
from pathlib import Path

import pytest
import soundfile
from joblib import delayed

from injsound.cases import adding, many, store
from injsound.cases.adding import add_entries, new_case
from injsound.cases.case import Case, CaseError, Entry, entry_from_name, unlisted
from injsound.cases.case_file import load_case
from injsound.cases.evidence import gather
from injsound.cases.guide import next_step
from injsound.cases.store import read_case
from injsound.cli import main
from injsound.engine import Engine
from injsound.errors import InjsoundError
from injsound.files import alone, write_whole
from injsound.job_codes import Stage
from injsound.record import dumps
from injsound.results import Failure, Reading
from injsound.runs import in_parallel, run_file
from injsound.show.report import make_report
from injsound.show.text import Words
from injsound.simulate import Scene, simulate, write
from injsound.sound.decoding.audio import sha256

resource = pytest.importorskip("resource", reason="limits and kills as POSIX has them")
THREE = Engine(cylinders=3, firing_order=(1, 2, 3))
NAMES = ("cyl1 cold before.flac", "cyl2 cold before.flac")


@pytest.fixture(scope="module")
def sounds(tmp_path_factory):
    """Two recordings of 7 s: enough for a reading, whatever it says."""
    folder = tmp_path_factory.mktemp("sounds")
    for cylinder, name in enumerate(NAMES, 1):
        engine = replace(THREE, cylinder=cylinder)
        write(folder / name, *simulate(Scene(seconds=7.0, sr=24_000, seed=cylinder, rpm=1_500.0, engine=engine)))
    return folder


@pytest.fixture
def job(tmp_path):
    new_case(tmp_path / "job", engine=THREE)
    return tmp_path / "job"


def _filled(job, sounds):
    for name in NAMES:
        shutil.copy(sounds / name, job)
    add_entries(job, [replace(entry_from_name(name), rpm=1_500.0) for name in unlisted(load_case(job))])
    return load_case(job)


def _visible(folder):
    return sorted(path.name for path in folder.iterdir() if not path.name.startswith("."))


# --- what may not go into a case ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "options", "message"),
    [
        (NAMES[0], ["--cylinder", "4"], "cylinder: is 4; the engine has 3"),
        (NAMES[0], ["--cylinder", "0"], "cylinder: is 0; the engine has 3"),
        ("engine.flac", [], "engine.flac names no cylinder"),
    ],
    ids=["no such cylinder", "cylinder 0", "no cylinder"],
)
def test_what_the_case_refuses_is_not_copied(tmp_path, job, sounds, capsys, name, options, message):
    shutil.copy(sounds / NAMES[0], tmp_path / name)
    before = (job / "case.toml").read_bytes()
    assert main(["case", "add", str(job), str(tmp_path / name), *options]) == 1
    told = capsys.readouterr()
    assert len(told.err.splitlines()) == 1
    assert message in told.err
    assert told.out.startswith("added: 0;")
    assert _visible(job) == ["case.toml"]
    assert (job / "case.toml").read_bytes() == before


def _spoilt(folder, sounds):
    """Two good recordings, and between them one of each kind that no case can take; why, in the same order."""
    folder.mkdir(exist_ok=True)
    shutil.copy(sounds / NAMES[0], folder)
    (folder / "cyl2 cut.m4a").write_text("a letter, not a sound")
    shutil.copy(sounds / NAMES[0], folder / "cyl3 copy.flac")
    shutil.copy(sounds / NAMES[0], folder / "engine.flac")
    shutil.copy(sounds / NAMES[1], folder / "cyl3 hot after.flac")
    shutil.copy(sounds / NAMES[1], folder / "cyl7.flac")
    return [
        "cyl2 cut.m4a: found text",
        "cyl3 copy.flac is the same sound as cyl1",
        "cylinder: is 7",
        "engine.flac names",
    ]


@pytest.mark.parametrize("lies_there", [False, True])
def test_what_cannot_be_added_stops_no_other(tmp_path, job, sounds, capsys, lies_there):
    given = job if lies_there else tmp_path / "from"
    why = _spoilt(given, sounds)
    names = [] if lies_there else sorted(str(path) for path in given.iterdir())
    if not lies_there:
        why.append("nowhere.flac: there is no such file")
        names += [str(tmp_path / "nowhere.flac"), str(tmp_path / "cyl1 nowhere.flac")]
        why.append("cyl1 nowhere.flac: there is no such file")
    assert main(["case", "add", str(job), *names]) == 1
    told = capsys.readouterr()
    lines = told.err.splitlines()
    assert len(lines) == len(why)
    assert [part for part, line in zip(why, lines, strict=True) if part not in line] == []
    assert "added: 2;" in told.out
    entries = load_case(job).entries
    assert [(entry.file, entry.cylinder, entry.stage) for entry in entries] == [
        (NAMES[0], 1, Stage.BEFORE),
        ("cyl3 hot after.flac", 3, Stage.AFTER),
    ]
    if not lies_there:
        assert _visible(job) == ["case.toml", NAMES[0], "cyl3 hot after.flac"]


def test_a_cylinder_typed_leaves_what_else_the_name_tells(tmp_path, job, sounds):
    shutil.copy(sounds / NAMES[0], tmp_path / "hot 1500 rpm repaired.flac")
    assert main(["case", "add", str(job), str(tmp_path / "hot 1500 rpm repaired.flac"), "--cylinder", "2"]) == 0
    (entry,) = load_case(job).entries
    assert (entry.cylinder, entry.condition, entry.stage, entry.rpm) == (2, "hot", Stage.AFTER, 1_500.0)


@pytest.mark.skipif(sys.platform == "darwin", reason="file names are UTF-8 there")
def test_a_name_that_is_no_text_is_refused_by_a_case_and_told_elsewhere(tmp_path, job, sounds, capsys):
    odd = Path(os.fsdecode(os.fsencode(tmp_path / "cyl1 fr") + b"\xed" + b"o.flac"))
    shutil.copy(sounds / NAMES[0], odd)
    assert main(["case", "add", str(job), str(odd)]) == 1
    (told,) = capsys.readouterr().err.splitlines()
    assert "'cyl1 fr\\udcedo.flac' is no text in UTF-8" in told
    assert _visible(job) == ["case.toml"]
    given = [sys.executable, "-m", "injsound", "check", str(odd), "--rpm", "1500", "--json", str(tmp_path / "x.json")]
    done = subprocess.run(given, capture_output=True, check=False)
    assert (done.returncode, "Traceback" in done.stderr.decode()) == (0, False)
    assert json.loads((tmp_path / "x.json").read_text("utf-8"))["readings"][0]["file"] == str(odd)
    dict(many.read_folder(tmp_path, tmp_path / "out", engine=THREE, rpm=1_500.0, jobs=1))
    assert "cyl1 fr\\udcedo.flac" in (tmp_path / "out" / "results.csv").read_text("utf-8")


def test_empty_lines_part_the_recordings(job):
    for name in NAMES:
        add_entries(job, [Entry(file=name, cylinder=1)])
    assert (job / "case.toml").read_text().count("\n\n[[recording]]\nfile = ") == 2


def test_only_recordings_as_long_as_a_new_one_are_read_for_its_sound(tmp_path, job, sounds, monkeypatch, capsys):
    # A case of n recordings was read whole at each addition.
    _filled(job, sounds)
    whole = (sounds / NAMES[0]).read_bytes()
    (tmp_path / "cyl3 cold.flac").write_bytes(whole[:-10])
    read = []
    monkeypatch.setattr(adding, "sha256", lambda path: read.append(Path(path).name) or sha256(path))
    assert main(["case", "add", str(job), str(tmp_path / "cyl3 cold.flac")]) == 0
    assert read == []
    (tmp_path / "cyl1 warm.flac").write_bytes(whole)
    assert main(["case", "add", str(job), str(tmp_path / "cyl1 warm.flac")]) == 1
    assert f"is the same sound as {NAMES[0]} of the case" in capsys.readouterr().err
    assert sorted(read) == sorted(["cyl1 warm.flac", NAMES[0]])


def test_another_sound_under_a_name_that_is_taken_is_refused(tmp_path, job, sounds, capsys):
    _filled(job, sounds)
    shutil.copy(sounds / NAMES[1], tmp_path / NAMES[0])
    assert main(["case", "add", str(job), str(tmp_path / NAMES[0])]) == 1
    assert "holds another sound" in capsys.readouterr().err
    assert (job / NAMES[0]).read_bytes() == (sounds / NAMES[0]).read_bytes()


def test_a_sound_given_before_and_after_is_used_for_neither(job, sounds):
    case = _filled(job, sounds)
    shutil.copy(job / NAMES[0], job / "cyl1 after.flac")
    add_entries(job, [Entry(file="cyl1 after.flac", cylinder=1, stage=Stage.AFTER, rpm=1_500.0)])
    case = load_case(job)
    results = read_case(case, jobs=1)
    assert [type(results[entry.file]) for entry in case.entries] == [Failure, Reading, Failure]
    assert "the same sound as cyl1 after.flac" in results[NAMES[0]].message
    assert [take.cylinder for take in gather(case, results).takes] == [2]


def test_a_copy_that_says_the_same_counts_once(job, sounds):
    _filled(job, sounds)
    shutil.copy(job / NAMES[0], job / "cyl1 again.flac")
    add_entries(job, [Entry(file="cyl1 again.flac", cylinder=1, condition="cold", rpm=1_500.0)])
    results = read_case(load_case(job), jobs=1)
    assert [type(result) for result in results.values()] == [Reading, Reading, Failure]


def test_a_renamed_recording_is_found_by_its_sound(job, sounds):
    case = _filled(job, sounds)
    read_case(case, jobs=1)
    (job / NAMES[0]).rename(job / "first.flac")
    missing = read_case(case, jobs=1)[NAMES[0]]
    assert missing.code == "missing"
    assert "first.flac holds its sound" in missing.message


def test_a_changed_recording_is_read_again_and_told(job, sounds):
    case = _filled(job, sounds)
    read_case(case, jobs=1)
    y, sr = soundfile.read(job / NAMES[0])
    soundfile.write(job / NAMES[0], y[: len(y) - sr // 2], sr)
    said = []
    results = read_case(case, warn=said.append, jobs=1)
    assert results[NAMES[0]].seconds < results[NAMES[1]].seconds
    assert len(said) == 1
    assert said[0].startswith(f"{NAMES[0]} has changed")
    kept = (job / "results.json").read_text()
    assert len(json.loads(kept)["readings"]) == 3  # the old reading stays
    assert kept == dumps(json.loads(kept))  # laid out as every other JSON


@pytest.mark.parametrize(
    ("lines", "message"),
    [
        (2 * '[[recording]]\nfile = "a.wav"\ncylinder = 1\n', "list each file once"),
        ("[engine]\ncylinders = 3\n[repair]\ncylinder = 7", "[repair] cylinder: is 7; the engine has 3"),
        ('[[recording]]\nfile = "a.wav"\ncylinder = 0', "1 (a.wav) cylinder: is 0; expected 1 to 16"),
        ('[[recording]]\nfile = "/etc/hostname"\ncylinder = 1', "outside the case folder"),
        ('[[recording]]\nfile = "out.wav"\ncylinder = 1', "outside the case folder"),
    ],
    ids=["twice", "repair", "cylinder", "absolute", "link"],
)  # fmt: skip
def test_mistakes_in_the_file_are_told(tmp_path, job, lines, message):
    (job / "out.wav").symlink_to(tmp_path / "elsewhere.wav")
    (job / "case.toml").write_text(lines)
    with pytest.raises(CaseError) as raised:
        load_case(job)
    assert message in str(raised.value)
    assert len(str(raised.value).splitlines()) == 1


def test_markup_in_a_case_is_shown_and_not_followed(job, sounds):
    bad = "<script>alert(1)</script><img src=x onerror=y>"
    case = _filled(job, sounds)
    entries = tuple(replace(entry, note=bad, probe=bad, condition=bad, injector=bad) for entry in case.entries)
    case = replace(case, complaint=bad, outcome=bad, codes=(bad,), entries=entries)
    results = read_case(case, jobs=1)
    findings = gather(case, results)
    page = make_report(case, results, findings, next_step(case, findings), Words(), day=date(2026, 1, 2))
    assert "<script" not in page
    assert "<img src=x" not in page
    assert "&lt;script&gt;" in page


def _cut(path):
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])


def _flip(path):
    data = bytearray(path.read_bytes())
    data[200:260] = bytes(60)
    path.write_bytes(data)


@pytest.mark.parametrize(
    "damage",
    [_cut, _flip, Path.unlink, lambda path: path.write_bytes(b""), lambda path: path.write_bytes(b"PK\3\4 no more")],
    ids=["cut", "flipped", "gone", "empty", "no zip"],
)
def test_damaged_or_missing_arrays_are_made_again(job, sounds, damage):
    case = _filled(job, sounds)
    first = read_case(case, jobs=1)
    assert all(reading.firing is not None for reading in first.values())
    one, other = sorted((job / "results_arrays").iterdir())
    before = other.read_bytes(), one.read_bytes()
    damage(one)
    told = []
    again = read_case(case, tell=told.append, jobs=1)
    assert len(told) == 1
    assert all(reading.picture is not None for reading in again.values())
    assert (other.read_bytes(), one.read_bytes()) == before


def test_a_reading_that_never_had_arrays_is_kept_all_the_same(job, sounds, monkeypatch):
    case = _filled(job, sounds)
    read_once = run_file(sounds / NAMES[0], engine=THREE, rpm=1_500.0)
    monkeypatch.setattr(store, "run_file", lambda *_, name, **__: replace(read_once, file=name, picture=None))
    results = read_case(replace(case, entries=case.entries[:1]), jobs=1)
    assert results[NAMES[0]].firing is not None
    read_case(replace(case, entries=case.entries[:1]), tell=pytest.fail, jobs=1)


@pytest.mark.parametrize("kept", [1, None, [], {}, {"engine": 1}, {"file": NAMES[0], "sha256": 3}])
def test_kept_readings_that_are_none_are_read_again(job, sounds, kept):
    case = _filled(job, sounds)
    read_case(case, jobs=1)
    values = json.loads((job / "results.json").read_text())
    values["readings"][next(iter(values["readings"]))] = kept
    (job / "results.json").write_text(json.dumps({**values, "readings": {**values["readings"], "a": kept}}))
    results = read_case(case, jobs=1)
    assert all(isinstance(result, Reading) for result in results.values())


def test_a_kept_reading_with_a_figure_that_is_none_is_read_again(job, sounds):
    case = _filled(job, sounds)
    first = read_case(case, jobs=1)
    values = json.loads((job / "results.json").read_text())
    next(iter(values["readings"].values()))["seconds"] = "x"
    (job / "results.json").write_text(json.dumps(values))
    told = []
    again = read_case(case, tell=told.append, jobs=1)
    assert len(told) == 1
    assert [reading.seconds for reading in again.values()] == [reading.seconds for reading in first.values()]


@pytest.mark.parametrize("name", [f"{300 * 'a'}.wav", "a\0b.wav", "folder"])
def test_a_recording_that_cannot_be_opened_is_a_failure(job, name):
    (job / "folder").mkdir()
    (failure,) = read_case(Case(folder=job, entries=(Entry(file=name, cylinder=1),)), jobs=1).values()
    assert isinstance(failure, Failure)


def test_a_stranger_that_cannot_be_read_does_not_hide_a_missing_recording(job, sounds):
    case = _filled(job, sounds)
    read_case(case, jobs=1)
    (job / NAMES[0]).rename(job / "z first.flac")
    (job / "a.wav").symlink_to("/proc/self/mem")
    assert "z first.flac holds its sound" in read_case(case, jobs=1)[NAMES[0]].message


# --- what a result may not overwrite ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "name", ["case.toml", NAMES[0], NAMES[1], "cyl3 later.flac", "results.json", "results_arrays/a.npz"]
)
def test_a_report_overwrites_nothing_of_its_case(job, monkeypatch, capsys, name):
    monkeypatch.setattr("injsound.cli_cases.gathered", None)  # nothing is read
    add_entries(job, [Entry(file=file, cylinder=1) for file in NAMES])  # neither is there
    (job / "results_arrays").mkdir()
    for file in ("cyl3 later.flac", "results_arrays/a.npz"):
        (job / file).write_text("precious")
    before = (job / "case.toml").read_bytes()
    (job / "report.html").symlink_to(name)
    for out in (["--out", str(job / name), "--force"], []):
        assert main(["report", str(job), *out]) == 2
        (told,) = capsys.readouterr().err.splitlines()
        assert f"{job / name} is that file, and what is read is never overwritten" in told
    assert (job / "case.toml").read_bytes() == before


def test_a_batch_overwrites_no_recording(tmp_path, sounds, monkeypatch, capsys):
    monkeypatch.setattr(many, "in_parallel", None)  # nothing is read
    (tmp_path / "results.csv").symlink_to(sounds / NAMES[0])
    assert main(["batch", str(sounds), "--out", str(tmp_path)]) == 2
    assert "what is read is never overwritten" in capsys.readouterr().err


# --- two at once ----------------------------------------------------------------------------------------------------


def test_an_edit_made_meanwhile_is_not_lost(job, sounds, monkeypatch, capsys):
    def somebody_saves(source, path):
        copy(source, path)
        (job / "case.toml").write_text('complaint = "theirs"\n')

    copy = adding.copy_whole
    monkeypatch.setattr(adding, "copy_whole", somebody_saves)
    assert main(["case", "add", str(job), str(sounds / NAMES[0])]) == 1
    assert "changed by somebody else" in capsys.readouterr().err
    assert (job / "case.toml").read_text() == 'complaint = "theirs"\n'
    monkeypatch.undo()
    assert main(["case", "add", str(job), str(sounds / NAMES[0])]) == 0  # the copy is there and is taken
    assert load_case(job).complaint == "theirs"
    assert [entry.file for entry in load_case(job).entries] == [NAMES[0]]
    assert _visible(job) == ["case.toml", NAMES[0]]


def test_readings_that_another_process_kept_meanwhile_stay(job, sounds):
    case = _filled(job, sounds)
    first = replace(case, entries=case.entries[:1])

    def other_process(_file):
        read_case(replace(case, entries=case.entries[1:]), jobs=1)

    read_case(first, tell=other_process, jobs=1)
    assert len(json.loads((job / "results.json").read_text())["readings"]) == 2


def test_two_processes_lose_no_reading(job, sounds):
    case = _filled(job, sounds)
    reading = run_file(sounds / NAMES[0], engine=THREE, rpm=1_500.0)
    each, children = 15, []
    for letter in "ab":
        if (child := os.fork()) == 0:
            kept = [store._keep(case, f"{letter}{number}", reading, {}, None) for number in range(each)]
            os._exit(0 if all(kept) else 1)
        children.append(child)
    assert [os.waitpid(child, 0)[1] for child in children] == [0, 0]
    kept = json.loads((job / "results.json").read_text())["readings"]
    assert sorted(kept) == sorted(f"{letter}{number}" for letter in "ab" for number in range(each))


def test_threads_are_kept_apart_and_a_folder_without_a_lock_stops_nobody(tmp_path):
    most, inside = [], []

    def work(number):
        with alone(tmp_path):
            inside.append(number)
            most.append(len(inside))
            time.sleep(0.005)
            inside.remove(number)

    with ThreadPoolExecutor(4) as pool:
        list(pool.map(work, range(20)))
    assert most == 20 * [1]
    with alone(tmp_path / "missing"):
        pass


# --- disks ----------------------------------------------------------------------------------------------------------


def _refuse(number):
    def refuse(*_, **__):
        raise OSError(number, os.strerror(number))

    return refuse


@pytest.mark.parametrize("number", [errno.EROFS, errno.ENOSPC])
def test_a_case_that_cannot_be_written_is_read_all_the_same(job, sounds, monkeypatch, capsys, number):
    _filled(job, sounds)
    before = (job / "case.toml").read_bytes()
    monkeypatch.setattr("tempfile.mkstemp", _refuse(number))
    said = []
    results = read_case(load_case(job), warn=said.append, jobs=1)
    assert all(isinstance(result, Reading) for result in results.values())
    assert len(said) == 1
    assert os.strerror(number) in said[0]
    shutil.copy(sounds / NAMES[0], job.parent / "cyl3 cold.flac")
    (job.parent / "cyl3 cold.flac").write_bytes((sounds / NAMES[0]).read_bytes() + b"\0")
    for command in (["case", "add", str(job), str(job.parent / "cyl3 cold.flac")], ["report", str(job)]):
        assert main(command) == 1
        assert os.strerror(number) in capsys.readouterr().err.splitlines()[-1]
    assert (job / "case.toml").read_bytes() == before
    assert _visible(job) == ["case.toml", *NAMES, "results_arrays"]
    assert list((job / "results_arrays").iterdir()) == []


def test_a_relative_folder_is_found_by_processes_started_in_another(job, sounds, monkeypatch):
    _filled(job, sounds)
    monkeypatch.chdir(sounds)
    read_case(load_case(job))
    (job / "results.json").unlink()
    monkeypatch.chdir(job.parent)
    assert all(isinstance(result, Reading) for result in read_case(load_case(Path(job.name))).values())


def test_a_file_that_no_longer_fits_is_not_there_by_half(tmp_path):
    (tmp_path / "x.json").write_bytes(b"old")
    old = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (4096, old[1]))
    try:
        with pytest.raises(InjsoundError, match="cannot write"):
            write_whole(tmp_path / "x.json", bytes(100_000))
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, old)
    assert [path.read_bytes() for path in tmp_path.iterdir()] == [b"old"]


def test_a_table_that_cannot_be_written_is_told(tmp_path, sounds, capsys):
    (tmp_path / "out").write_text("no folder")
    assert main(["batch", str(sounds), "--out", str(tmp_path / "out" / "deeper"), "--rpm", "1500"]) == 1
    assert len(capsys.readouterr().err.splitlines()) == 1


def test_strays_are_cleared_when_they_are_old(job):
    (job / "results_arrays").mkdir()
    for folder in (job, job / "results_arrays"):
        for name in ("young", "old"):
            (folder / f".injsound-{name}").write_text("half")
        os.utime(folder / ".injsound-old", (time.time() - 7_200,) * 2)
    assert unlisted(load_case(job)) == []
    read_case(load_case(job))
    strays = sorted(path.relative_to(job) for path in job.rglob(".injsound-*"))
    assert strays == [Path(".injsound-young"), Path("results_arrays/.injsound-young")]


# --- killed ---------------------------------------------------------------------------------------------------------


def changes(event, args):
    """Whether an audit event is about to change the disk."""
    if event == "open":
        return bool(args[2] & (os.O_WRONLY | os.O_RDWR | os.O_CREAT))
    return event in {"os.rename", "os.mkdir", "os.remove", "os.chmod", "os.utime", "shutil.copyfile"}


def kill_at(step, folder, act):
    """Act in a child that is killed at the step-th change of a folder; whether it was."""
    child = os.fork()
    if child == 0:
        steps = iter(range(step, 0, -1))

        def hook(event, args):
            if changes(event, args) and str(folder) in str(args[:2]) and next(steps) == 1:
                os.kill(os.getpid(), signal.SIGKILL)

        sys.addaudithook(hook)
        act()
        os._exit(0)
    _, status = os.waitpid(child, 0)
    assert status in (0, signal.SIGKILL), status
    return status == signal.SIGKILL


def is_whole(job, sounds):
    """Whether all of a case can be read, none is there by half, and nothing left over is taken for a recording."""
    case = load_case(job)
    for name in NAMES:
        if (job / name).exists():
            assert (job / name).read_bytes() == (sounds / name).read_bytes()
    if (job / "results.json").exists():
        json.loads((job / "results.json").read_text())
    return all(name in NAMES for name in unlisted(case))


def kill_everywhere(root, sounds):
    """Kill an addition, a reading and a batch at each change of their folder; count the moments."""
    # Read once: what a killed process may harm is what it writes.
    read_once = {name: run_file(sounds / name, engine=THREE, rpm=1_500.0, name=name) for name in NAMES}
    store.run_file = many.run_file = lambda path, **_: read_once[Path(path).name]

    def add(job):
        main(["case", "add", str(job), *(str(sounds / name) for name in NAMES)])

    def read(job):
        read_case(load_case(job), jobs=1)

    def batch(job):
        dict(many.read_folder(sounds, job / "out", engine=THREE, rpm=1_500.0, jobs=1))

    return {act.__name__: kill_each(root / act.__name__, sounds, act) for act in (add, read, batch)}


def kill_each(root, sounds, act):
    """Kill at the first change, then at the second, until there is no further one; each time it then goes on."""
    for step in count(1):
        job = root / str(step)
        new_case(job, engine=THREE)
        if act.__name__ == "read":
            _filled(job, sounds)
        killed = kill_at(step, job, partial(act, job))
        assert is_whole(job, sounds)
        act(job)
        assert is_whole(job, sounds)
        if act.__name__ == "add":
            assert [entry.file for entry in load_case(job).entries] == list(NAMES)
        elif act.__name__ == "read":
            assert len(json.loads((job / "results.json").read_text())["readings"]) == 2
        else:
            lines = (job / "out" / "results.jsonl").read_text().splitlines()
            assert len({json.loads(line)["key"] for line in lines}) == 2
            assert len((job / "out" / "results.csv").read_text().splitlines()) == 3
        if not killed:
            return step - 1
    raise AssertionError


def test_killed_at_any_moment(tmp_path, sounds):
    command = [sys.executable, __file__, str(tmp_path), str(sounds)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    counts = json.loads(done.stdout.splitlines()[-1])
    assert counts["add"] >= 10  # two copies and the case's file, each opened beside its place and moved
    assert counts["read"] >= 10
    assert counts["batch"] >= 6


def test_a_batch_that_cannot_be_written_is_told_in_one_line_before_the_work(tmp_path, sounds, monkeypatch, capsys):
    (tmp_path / "results.jsonl").mkdir()
    monkeypatch.setattr(many, "in_parallel", None)  # nothing is read
    assert main(["batch", str(sounds), "--out", str(tmp_path)]) == 1
    (line,) = capsys.readouterr().err.splitlines()
    assert "cannot write" in line
    assert "results.jsonl" in line


@pytest.mark.parametrize("jobs", [1, 2])
def test_a_batch_that_fills_the_disk_is_told_in_one_line(tmp_path, sounds, monkeypatch, recwarn, jobs):
    def full(*_):
        raise InjsoundError("cannot write: No space left on device")

    monkeypatch.setattr(many, "_append", full)
    with pytest.raises(InjsoundError, match="No space left"):
        dict(many.read_folder(sounds, tmp_path, engine=THREE, rpm=1_500.0, jobs=jobs))
    assert [str(warning.message) for warning in recwarn] == []


def test_a_batch_killed_among_its_workers_goes_on(tmp_path, sounds):
    for number in range(6):
        y, sr = soundfile.read(sounds / NAMES[number % 2])
        soundfile.write(tmp_path / f"cyl{number}.flac", y[number * 100 :], sr)
    out = tmp_path / "out"
    command = [sys.executable, "-m", "injsound", "batch", str(tmp_path), "--out", str(out), "--rpm", "1500"]
    child = subprocess.Popen([*command, "--jobs", "2"], stderr=subprocess.PIPE, text=True, start_new_session=True)
    assert child.stderr is not None
    assert child.stderr.readline().startswith("1: ")
    child.kill()
    child.wait()
    os.killpg(child.pid, signal.SIGKILL)  # its workers would wait for more for minutes
    child.stderr.close()
    lines = (out / "results.jsonl").read_bytes()
    assert not (out / "results.csv").exists()
    (out / "results.jsonl").write_bytes(lines + b'{"key": "half a li')
    whole = len(lines.splitlines())
    assert 1 <= whole < 6
    done = dict(many.read_folder(tmp_path, out, engine=Engine(), rpm=1_500.0, jobs=1))
    assert len(done) == 6 - whole
    assert len((out / "results.csv").read_text().splitlines()) == 7


def _die():
    os.kill(os.getpid(), signal.SIGKILL)


def test_a_worker_that_dies_is_told_in_one_line():
    calls = [delayed(_die)() for _ in range(2)]
    with pytest.raises(InjsoundError, match="run again with --jobs 1"):
        list(in_parallel(calls, jobs=2))


def test_a_case_is_read_by_as_many_processes_as_are_asked_for(job, sounds, monkeypatch, capsys):
    _filled(job, sounds)
    asked = []

    def one_after_the_other(calls, *, jobs):
        asked.append(jobs)
        return (call(*given, **named) for call, given, named in calls)

    monkeypatch.setattr(store, "in_parallel", one_after_the_other)
    for command in (["case", "show"], ["case", "next"], ["report"]):
        shutil.rmtree(job / "results_arrays", ignore_errors=True)
        assert main([*command, str(job), "--jobs", "1"]) == 0
        assert main([*command, str(job), "--jobs", "0"]) == 2
    assert asked == [1, 1, 1]
    assert "0 is not in the range" in capsys.readouterr().err


if __name__ == "__main__":
    print(json.dumps(kill_everywhere(Path(sys.argv[1]), Path(sys.argv[2]))))
