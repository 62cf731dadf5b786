"""Compare, swap, wiggle and verify over recordings outside a case: what they say and what they refuse."""

import os
import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from injsound.cases.adding import add_entries, new_case
from injsound.cases.case import Entry
from injsound.cli import main
from injsound.cli_compare import compare
from injsound.cli_findings import swap, verify, wiggle
from injsound.cli_options import _BESIDE_CASE, _IN_CASE
from injsound.engine import Engine
from injsound.simulate import Scene, Skipping, simulate, write

THREE = Engine(cylinders=3, firing_order=(1, 2, 3))
SETTINGS = ["--rpm", "1500", "--cylinders", "3", "--firing-order", "1-2-3"]
# Four cells in which the skips go from cylinder 1 to cylinder 3: name, cylinder, whether it skips.
CELLS = (
    ("cyl1 cold before.flac", 1, True),
    ("cyl3 cold before.flac", 3, False),
    ("cyl1 cold after.flac", 1, False),
    ("cyl3 cold after.flac", 3, True),
)


def _scene(cylinder, seed, **settings):
    return Scene(seconds=32.0, sr=24_000, seed=seed, rpm=1_500.0, engine=replace(THREE, cylinder=cylinder),
                 tick_db=22.0, **settings)  # fmt: skip


@pytest.fixture(scope="module")
def cells(tmp_path_factory):
    folder = tmp_path_factory.mktemp("cells")
    for seed, (name, cylinder, skips) in enumerate(CELLS, 1):
        skipping = {"skipping": Skipping.SCATTERED, "skip_rate": 0.12} if skips else {}
        write(folder / name, *simulate(_scene(cylinder, seed, **skipping)))
    return [str(folder / name) for name, _, _ in CELLS]


@pytest.fixture(scope="module")
def wiggled(tmp_path_factory):
    """Eleven stretches of 6 s marked by three knocks at each change; skips in the moved ones only."""
    due = 0.08 * np.arange(810)
    moved = (due // 6 % 2 == 1) & (due % 6 > 1.5)
    listed = tuple(int(n) for n in np.flatnonzero(moved) if n % 20 == 0)
    scene = replace(
        _scene(1, 3), seconds=66.0, wander=0.003, skipping=Skipping.LISTED, skip_events=listed,
        knocks=tuple((6.0 * k, 3) for k in range(1, 11)),
    )  # fmt: skip
    path = tmp_path_factory.mktemp("wiggle") / "moved.flac"
    write(path, *simulate(scene))
    return str(path)


def _out(capsys):
    return " ".join(capsys.readouterr().out.split())


@pytest.mark.parametrize(
    ("flags", "told"),
    [
        (["--exchanged", "injectors"], "The fault follows the injector."),
        (["--exchanged", "connectors"], "The fault went with the connector"),
        ([], "taken as injectors exchanged"),
    ],
)
def test_swap_of_four_recordings(cells, capsys, flags, told):
    assert main(["swap", "--before", *cells[:2], "--after", *cells[2:], *SETTINGS, *flags]) == 0
    assert told in _out(capsys)


def test_swap_takes_cylinders_in_order_where_names_tell_none(cells, tmp_path, capsys):
    plain = [str(tmp_path / f"{k}.flac") for k in range(4)]
    for source, target in zip(cells, plain, strict=True):
        shutil.copy(source, target)
    given = ["swap", "--before", *plain[:2], "--after", *plain[2:], *SETTINGS]
    assert main([*given, "--pair", "1", "3", "--exchanged", "injectors"]) == 0
    assert "The fault follows the injector." in _out(capsys)
    assert main(given) == 2
    assert "names no cylinder" in capsys.readouterr().err


def test_a_swap_with_no_swap_and_other_conditions_show_nothing(cells, tmp_path, capsys):
    labelled = [str(tmp_path / f"cyl{c} inj {i} {s}.flac") for c, i, s in ((1, "a", "before"), (3, "b", "before"),
                (1, "a", "after"), (3, "b", "after"))]  # fmt: skip
    for source, target in zip(cells, labelled, strict=True):
        shutil.copy(source, target)
    assert main(["swap", "--before", *labelled[:2], "--after", *labelled[2:], *SETTINGS]) == 0
    assert "By their labels nothing changed places." in _out(capsys)
    warm = str(tmp_path / "cyl3 warm.flac")
    shutil.copy(cells[3], warm)
    assert main(["swap", "--before", *cells[:2], "--after", cells[2], warm, *SETTINGS]) == 0
    assert "Conditions differ (cold, warm)" in _out(capsys)


def test_verify_of_recordings(cells, tmp_path, capsys):
    # Cylinder 1 skipped before and not after; its fellow, read as cylinder 3, is the sound one.
    given = ["verify", "--before", cells[0], "--after", cells[2], "--fellow", cells[1], *SETTINGS]
    assert main([*given, "--leaks-checked"]) == 0
    assert "Other injectors recorded since the repair: 1." in _out(capsys)
    write(tmp_path / "cyl2 cold after.flac", *simulate(_scene(2, 5)))
    given += ["--fellow", str(tmp_path / "cyl2 cold after.flac")]
    assert main([*given, "--leaks-checked", "--restarts", "3/5", "--clean", "5"]) == 0
    assert "Good within" in _out(capsys)
    assert main(given) == 0
    assert "checked for leaks" in _out(capsys)


def test_wiggle_by_knocks_and_by_times(wiggled, capsys):
    settings = ["--rpm", "1500", "--cylinders", "3", "--cylinder", "1"]
    assert main(["wiggle", wiggled, *settings]) == 0
    told = _out(capsys)
    assert "groups of three knocks" in told
    assert "Skips gather while the wiring is moved." in told
    assert (
        main(["wiggle", wiggled, *settings, "--moved", "6-12,18-24,30-36", "--moved", "42-48", "--moved", "54-60"]) == 0
    )
    told = _out(capsys)
    assert "by the times given" in told
    assert "Skips gather while the wiring is moved." in told


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["compare", "cyl1", "cyl2", "./cyl1"], "./cyl1 is given twice, also as cyl1; expected another recording at"),
        (["swap"], "nothing given; expected a case folder"),
        (["swap", "case", "--before", "a", "b", "--after", "c", "d"], "case and recordings given"),
        (["swap", "--before", "a", "b"], "needs both cylinders before and after"),
        (["swap", "--before", "a", "b", "--after", "b", "c"], "b is given twice"),
        (["swap", "--before", "a", "b", "--after", "c", "d", "--cylinder", "1"], "give --pair 1 3"),
        (["verify"], "nothing given"),
        (["verify", "--before", "a"], "needs recordings before and after"),
        (["verify", "--before", "a", "--after", "./a"], "is given twice"),
        (["verify", "--before", "a", "--after", "b", "--clean", "-3"], "-3 clean restarts; expected 0 or more"),
        (["verify", "--before", "a", "--after", "b", "--clean", "2"], "--clean is 2 without --restarts; expected"),
        (["verify", "--before", "a", "--after", "b", "--restarts", "6/5"], "6 of 5 restarts; expected"),
        (["wiggle", "a.wav", "--moved", "8"], "--moved has '8'; expected from and to in seconds, such as 8-16"),
        (["wiggle", "a.wav", "--moved", "9-8"], "--moved has '9-8'"),
        (["wiggle", "a.wav", "--moved", "8-inf"], "--moved has '8-inf'"),
        (["wiggle", "a.wav", "--moved", "8-nan"], "--moved has '8-nan'"),
        (["wiggle", "a.wav", "--moved", ","], "--moved has ','; expected from and to in seconds, such as 8-16"),
        (["wiggle", "a.wav", "--moved", "8-16", "--moved", ""], "--moved has ''"),
        (["wiggle", "a.wav", "--moved", "8-16,12-20"], "stretches overlap at 16 s and 12 s; expected one after the"),
        (["wiggle", "a.wav", "--moved", "12-20", "--moved", "8-16"], "stretches overlap at 16 s and 12 s"),
    ],
)  # fmt: skip
def test_wrong_use_is_told_in_one_line(arguments, told, capsys):
    assert main(arguments) == 2
    error = capsys.readouterr().err
    assert told in error
    assert error.count("\n") == 1


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (
            ["swap", "--before", "cyl2 a", "cyl3 a", "--after", "cyl2 b", "cyl3 b", "--pair", "3", "2"],
            "--pair gives cylinder 3 to cyl2 a, which names cylinder 2; expected the same: correct --pair, or leave",
        ),
        (["swap", "--before", "a", "b", "--after", "c", "cyl2 d", "--pair", "2", "3"], "cylinder 3 to cyl2 d, which"),
        (["swap", "--before", "a", "b", "--after", "c", "d", "--pair", "1", "1"], "--pair is 1 1; expected the two"),
        (["swap", "--before", "a", "b", "--after", "c", "d", "--pair", "0", "1"], "cylinder is 0; expected 1 to 16"),
        (["verify", "--before", "a", "--after", "cyl3 b", "--cylinder", "2"], "--cylinder gives cylinder 2 to cyl3 b"),
        (
            ["verify", "--before", "cyl2 a", "--after", "cyl3 b"],
            "--before cyl2 a is of cylinder 2, --after cyl3 b of cylinder 3; expected the repaired cylinder before and",
        ),
        (
            ["verify", "--before", "cyl2 a", "--after", "cyl2 b", "--after", "cyl3 c"],
            "--after cyl3 c is of cylinder 3, --after cyl2 b of cylinder 2; expected the repaired cylinder before and",
        ),
        (
            ["verify", "--before", "cyl2 a", "--after", "cyl2 b", "--fellow", "cyl3 c", "--fellow", "cyl2 d"],
            "--fellow cyl2 d is of cylinder 2, which was repaired; expected another: give it behind --after",
        ),
    ],
)  # fmt: skip
def test_cylinders_that_do_not_agree_are_told_before_anything_is_read(arguments, told, monkeypatch, capsys):
    monkeypatch.setattr("injsound.cli_recordings.read_one", None)
    assert main(arguments) == 2
    (error,) = capsys.readouterr().err.splitlines()
    assert told in error


def test_times_in_a_case_folder_and_bad_restarts_are_refused(tmp_path, cells, capsys):
    assert main(["wiggle", str(tmp_path), "--moved", "1-2"]) == 2
    assert "write moved = [[8, 16], ...] under its [[recording]] in its case.toml" in capsys.readouterr().err
    given = ["verify", "--before", cells[0], "--after", cells[2], *SETTINGS]
    assert main([*given, "--restarts", "3 of 5"]) == 2
    assert "such as 3/5" in capsys.readouterr().err


def test_a_recording_that_cannot_be_read_is_told(tmp_path, cells, capsys):
    broken = tmp_path / "cyl3 cold broken.flac"
    broken.write_text("no sound")
    assert main(["wiggle", str(broken)]) == 1
    assert "broken.flac" in capsys.readouterr().err
    assert main(["swap", "--before", *cells[:2], "--after", cells[2], str(broken), *SETTINGS]) == 1
    assert "No recording of cylinder 3" in _out(capsys)


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["verify", "--leaks-checked"], "--leaks-checked belongs to recordings given by name"),
        (["verify", "--restarts", "3/5"], "write faulty = 3 and made = 5 under [restarts]"),
        (["verify", "--clean", "0"], "write clean_since = 5 under [restarts]"),
        (["verify", "--cylinder", "2"], "write cylinder = 2"),
        (["swap", "--pair", "1", "3"], "write cylinder = 2 under each"),
        (["swap", "--exchanged", "connectors"], "write injector and connector labels"),
        (["compare", "--rpm", "700"], "write rpm = 1500 under its [[recording]] in its case.toml"),
        (["compare", "--cylinders", "3"], "write cylinders = 4 under [engine]"),
        (["wiggle", "--firing-order", "1-2-3"], "under [engine]"),
        (["swap", "--injection", "batch"], "under [engine]"),
    ],
)
def test_what_a_case_would_leave_aside_is_refused(tmp_path, monkeypatch, capsys, arguments, told):
    new_case(tmp_path)
    for room in ("cli_compare", "cli_findings"):
        monkeypatch.setattr(f"injsound.{room}.gathered", None)  # nothing is read
    assert main([arguments[0], str(tmp_path), *arguments[1:]]) == 2
    (error,) = capsys.readouterr().err.splitlines()
    assert told in error


def test_every_option_of_a_case_has_its_place_told():
    for command in (compare, swap, wiggle, verify):
        names = {option.name for option in command.params} - {"before", "after", "back", "fellows"}
        assert names <= _IN_CASE.keys() | _BESIDE_CASE


def test_what_no_recording_can_be_used_for_is_told_as_it_is(tmp_path, capsys):
    for cylinder in (1, 2):
        (tmp_path / f"cyl{cylinder} cold.wav").write_text(f"no sound {cylinder}")
    named = [str(tmp_path / f"cyl{cylinder} cold.wav") for cylinder in (1, 2)]
    assert main(["compare", *named]) == 1
    *failures, told = capsys.readouterr().err.splitlines()
    assert len(failures) == 2
    assert "none of the recordings could be used" in told
    new_case(tmp_path)
    add_entries(tmp_path, [Entry(file=f"cyl{c} cold.wav", cylinder=c) for c in (1, 2)])
    for command in ("compare", "swap", "wiggle", "verify"):
        assert main([command, str(tmp_path)]) == 1
        assert "could not be used are named above" in capsys.readouterr().err


@pytest.mark.parametrize(("suffix", "head"), [(".png", b"\x89PNG"), (".svg", b"<?xml"), (".SVG", b"<?xml")])
def test_a_comparisons_picture_is_what_its_name_says_in_a_folder_that_is_made(cells, tmp_path, suffix, head):
    target = tmp_path / "new" / "deep" / f"all{suffix}"
    assert main(["compare", *cells[:2], *SETTINGS, "--picture", str(target)]) == 0
    assert target.read_bytes().startswith(head)


def test_why_no_picture_was_drawn_is_told_after_the_result(cells, tmp_path, capsys):
    warm, target = tmp_path / "cyl3 warm.flac", tmp_path / "all.png"
    shutil.copy(cells[1], warm)
    assert main(["compare", cells[0], str(warm), *SETTINGS, "--picture", str(target)]) == 1
    told = capsys.readouterr()
    assert "Conditions differ (cold, warm)" in told.out
    assert told.err.splitlines()[-1] == (
        f"injsound: {target} was not drawn: none of the recordings may be compared, for the reasons above; expected"
        " two: record them again"
    )
    assert not target.exists()


@pytest.mark.parametrize("command", [["compare"], ["swap", "--before"], ["verify", "--before"]])
@pytest.mark.parametrize("link", [os.symlink, os.link])
def test_a_recording_given_twice_by_two_names_is_told_before_the_work(tmp_path, monkeypatch, capsys, command, link):
    monkeypatch.setattr("injsound.cli_recordings.read_one", None)
    monkeypatch.chdir(tmp_path)
    Path("cyl1.wav").touch()
    link("cyl1.wav", "cyl2.wav")
    given = {"compare": ["cyl1.wav", "cyl2.wav"], "verify": ["cyl1.wav", "--after", "cyl2.wav"]}
    assert main([*command, *given.get(command[0], ["cyl1.wav", "cyl3.wav", "--after", "cyl2.wav", "cyl4.wav"])]) == 2
    assert "cyl2.wav is given twice, also as cyl1.wav; expected another recording" in capsys.readouterr().err


@pytest.mark.parametrize("in_case", [False, True])
def test_a_comparisons_picture_overwrites_no_recording(tmp_path, monkeypatch, capsys, in_case):
    for room in ("read_takes", "gathered"):
        monkeypatch.setattr(f"injsound.cli_compare.{room}", None)  # nothing is read
    new_case(tmp_path)
    add_entries(tmp_path, [Entry(file="cyl1.wav", cylinder=1)])
    (tmp_path / "all.png").symlink_to("cyl1.wav")
    given = [str(tmp_path)] if in_case else [str(tmp_path / f"cyl{cylinder}.wav") for cylinder in (1, 2)]
    assert main(["compare", *given, "--picture", str(tmp_path / "all.png"), "--force"]) == 2
    assert "cyl1.wav is that file, and what is read is never overwritten" in capsys.readouterr().err


@pytest.mark.parametrize("name", ["all.pdf", "all"])
def test_a_picture_of_no_known_kind_is_refused_before_the_work(tmp_path, monkeypatch, capsys, name):
    monkeypatch.setattr("injsound.cli_compare.read_takes", None)
    assert main(["compare", "cyl1.wav", "cyl2.wav", "--picture", str(tmp_path / name)]) == 2
    assert "expected one that ends in .png or .svg" in capsys.readouterr().err


def test_a_recordings_name_may_end_in_anything(cells, tmp_path, capsys):
    plain = [str(tmp_path / f"rec{k}.wma") for k in range(4)]
    for source, target in zip(cells, plain, strict=True):
        shutil.copy(source, target)
    given = ["swap", "--before", *plain[:2], "--after", *plain[2:], *SETTINGS]
    assert main([*given, "--pair", "1", "3", "--exchanged", "injectors"]) == 0
    assert "The fault follows the injector." in _out(capsys)
