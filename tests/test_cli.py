import io
import json
import os
import subprocess
import sys
from pathlib import Path
from types import SimpleNamespace

import jsonschema
import pytest
import soundfile

from injsound import __version__
from injsound.cli import main
from injsound.cli_check import _picture_targets
from injsound.record import schema
from injsound.simulate import Scene, Skipping, simulate, write


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    made = tmp_path_factory.mktemp("recordings")
    scene = Scene(
        seconds=30.0, sr=24_000, seed=5, tick_db=22.0, skipping=Skipping.LISTED, skip_events=(40, 41, 42, 90, 91)
    )
    write(made / "cyl2 'cold' 😀.wav", *simulate(scene))
    (made / "empty.wav").write_bytes(b"")
    (made / "text.m4a").write_text("not a sound " * 50)
    return made


@pytest.fixture
def sound(folder) -> str:
    return str(next(folder.glob("cyl2*.wav")))


def test_version(capsys):
    assert main(["--version"]) == 0
    assert __version__ in capsys.readouterr().out


@pytest.mark.parametrize(
    ("command", "refused"),
    [
        (["case", "new"], ["--rpm", "--cylinder"]),
        (["compare"], ["--cylinder"]),
        (["swap"], ["--cylinder"]),
        (["check"], []),
        (["verify"], []),
    ],
)
def test_help_offers_no_option_that_is_refused(capsys, command, refused):
    assert main([*command, "--help"]) == 0
    offered = {line.split()[0] for line in capsys.readouterr().out.splitlines() if line.startswith("  --")}
    assert {"--rpm", "--cylinder"} - offered == set(refused)
    assert "--cylinders" in offered


@pytest.mark.parametrize("command", ["check x", "compare x", "swap x", "wiggle x", "verify x", "batch .", "simulate x"])
def test_a_speed_that_no_engine_has_is_wrong_usage_everywhere(tmp_path, monkeypatch, capsys, command):
    monkeypatch.chdir(tmp_path)
    assert main([*command.split(), "--rpm", "0"]) == 2
    (told,) = capsys.readouterr().err.splitlines()
    assert told.startswith("injsound: rpm is 0; expected 200 to 10000")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("command", ["check", "compare", "swap", "wiggle", "verify", "batch", "simulate", "case new"])
def test_angles_are_taken_wherever_the_order_is(capsys, command):
    assert main([*command.split(), "--help"]) == 0
    told = capsys.readouterr().out
    assert ("--firing-order" in told, "--firing-angles" in told) == (True, True)


def test_an_uneven_engine_is_read_with_its_angles(tmp_path, monkeypatch, capsys):
    # A twin that fires at 0 and 270 degrees: of its two ways to be called 1 and 2 the angles tell which comes first.
    monkeypatch.chdir(tmp_path)
    engine = ["--rpm", "900", "--cylinder", "2", "--firing-order", "1-2", "--firing-angles", "0, 270"]
    assert main(["simulate", "twin.wav", "--seconds", "12", *engine]) == 0
    scene = json.loads((tmp_path / "twin.truth.json").read_text())["scene"]
    assert scene["engine"]["firing_angles"] == [0.0, 270.0]
    capsys.readouterr()
    assert main(["check", "twin.wav", *engine, "--json", "-"]) == 0
    (made,) = json.loads(capsys.readouterr().out)["readings"]
    assert made["engine"]["firing_angles"] == [0.0, 270.0]
    assert main(["case", "new", "job", "--firing-order", "1-2", "--firing-angles", "0,270"]) == 0
    assert "firing_angles = [0.0, 270.0]" in (tmp_path / "job" / "case.toml").read_text()


def test_help_has_cautions(capsys):
    assert main(["--help"]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "carbon monoxide" in out
    assert "maker's procedure" in out


def test_check_says_it_in_one_glance(sound, capsys):
    assert main(["check", sound, "--rpm", "700", "--cylinders", "6", "--cylinder", "2", "--details"]) == 0
    captured = capsys.readouterr()
    assert "cylinder 2" in captured.out
    assert "SKIPPING" in captured.out
    assert "own scatter" in captured.out
    assert "Traceback" not in captured.err


def test_json_alone_on_standard_output(sound, capsys):
    assert main(["check", sound, "--rpm", "700", "--json", "-"]) == 0
    values = json.loads(capsys.readouterr().out)
    jsonschema.validate(values, schema())
    assert values["readings"][0]["verdict"] == "skipping"


def test_one_bad_file_does_not_stop_the_rest(folder, sound, tmp_path, capsys):
    pictures = tmp_path / "pictures"
    arguments = [str(folder / "empty.wav"), sound, str(folder / "text.m4a"), str(folder / "missing.wav"), str(folder)]
    assert (
        main(["check", *arguments, "--rpm", "700", "--json", str(tmp_path / "x.json"), "--picture", str(pictures)]) == 1
    )
    captured = capsys.readouterr()
    assert "SKIPPING" in captured.out
    values = json.loads((tmp_path / "x.json").read_text())
    jsonschema.validate(values, schema())
    assert [error["code"] for error in values["errors"]] == ["empty", "not audio", "missing", "folder"]
    assert len(values["readings"]) == 1
    assert len(list(pictures.iterdir())) == 1


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["--rpm", "0"], "rpm is 0; expected 200 to 10000"),
        (["--rpm", "-700"], "rpm is -700"),
        (["--firing-order", "1-5-5"], "firing order 1-5-5 is not possible"),
        (["--cylinders", "4", "--cylinder", "6"], "cylinder is 6; expected 1 to 4"),
        (["--cylinders", "6", "--firing-order", "1-3-4-2"], "names 4 cylinders"),
        (
            ["--firing-order", "1342"],
            "order '1342' is a single number; write the numbers with dashes between, such as 1-3",
        ),
        (["--firing-order", "1-3-4"], "expected each cylinder from 1 to 3 once, such as 1-2-3: check"),
        (["--firing-order", "1-3-4", "--cylinders", "4"], "names 3 cylinders; the engine has 4"),
        (["--firing-order", "153624", "--cylinders", "6"], "with dashes between, such as 1-5-3-6-2-4"),
        (["--rpm", "fast"], "injsound: --rpm is 'fast'; expected a number such as 750. See: "),
        (["--cylinders", "4.5"], "injsound: --cylinders is '4.5'; expected a whole number such as 4."),
        (["--cylinders", "0"], "cylinders is 0; expected 1 to 16"),
        (["--picture", "x.pdf"], "expected .png, .svg or a folder"),
        (["--nonsense"], "No such option"),
    ],
)
def test_wrong_usage_is_two_and_one_line(sound, capsys, arguments, says):
    assert main(["check", sound, *arguments]) == 2
    err = capsys.readouterr().err
    assert says in err
    assert "Traceback" not in err


def test_nothing_is_overwritten_without_force(sound, tmp_path, capsys):
    target = tmp_path / "x.json"
    target.write_text("precious")
    assert main(["check", sound, "--rpm", "700", "--json", str(target)]) == 2
    assert "--force" in capsys.readouterr().err
    assert target.read_text() == "precious"
    assert main(["check", sound, "--rpm", "700", "--json", str(target), "--force"]) == 0
    assert json.loads(target.read_text())["schema"] == 1


@pytest.mark.parametrize("link", [None, os.symlink, os.link])
@pytest.mark.parametrize("option", ["--json", "--picture"])
def test_a_recording_is_not_overwritten_even_with_force(tmp_path, capsys, link, option):
    recording, target = tmp_path / "b.png", tmp_path / ("b.png" if link is None else "c.png")
    recording.write_text("precious")
    if link is not None:
        link(recording, target)
    assert main(["check", str(recording), option, f"{tmp_path}/../{tmp_path.name}/{target.name}", "--force"]) == 2
    (told,) = capsys.readouterr().err.splitlines()
    assert f"{recording} is that file, and what is read is never overwritten: name another" in told
    assert recording.read_text() == "precious"


def test_the_file_behind_standard_input_is_not_overwritten(tmp_path):
    (tmp_path / "b.wav").write_text("precious")
    program = [sys.executable, "-m", "injsound", "check", "-", "--json", str(tmp_path / "b.wav"), "--force"]
    with (tmp_path / "b.wav").open("rb") as recording:
        done = subprocess.run(program, stdin=recording, capture_output=True, text=True, check=False)
    assert done.returncode == 2
    assert "/dev/stdin is that file" in done.stderr
    assert (tmp_path / "b.wav").read_text() == "precious"


def test_two_results_do_not_go_to_one_file(sound, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert main(["check", sound, "--picture", "x.png", "--json", "./x.png"]) == 2
    assert "another result goes to x.png, the same file; name another for each" in capsys.readouterr().err
    Path("x.wav").symlink_to("x.truth.json")
    assert main(["simulate", "x.wav", "--seconds", "10", "--force"]) == 2
    assert "another result goes to x.wav" in capsys.readouterr().err


def test_same_names_get_pictures_of_their_own(sound, tmp_path):
    assert main(["check", sound, sound, "--rpm", "700", "--picture", str(tmp_path / "p")]) == 0
    assert len(list((tmp_path / "p").iterdir())) == 2


def test_names_that_differ_by_capitals_get_pictures_of_their_own():
    targets = _picture_targets(("A.wav", "b/a.wav", "a_2.wav"), "pictures")
    assert len({path.name.casefold() for path in targets.values()}) == 3


def test_a_drive_that_is_not_there_is_told(monkeypatch, capsys):
    monkeypatch.setattr(Path, "exists", lambda _: False)
    monkeypatch.setattr(Path, "is_dir", lambda _: False)
    assert main(["simulate", "z/x.wav"]) == 2
    assert "is not a folder that may be written to" in capsys.readouterr().err


@pytest.mark.parametrize("to", ["-", "x.json"])
def test_a_console_of_another_encoding_breaks_neither_words_nor_json(sound, tmp_path, to):
    program = [sys.executable, "-m", "injsound", "check", sound, "--rpm", "700", "--json", to]
    environment = {**os.environ, "PYTHONIOENCODING": "latin-1", "PYTHONUTF8": "0", "INJSOUND_LANGUAGE": "es"}
    environment["PYTHONPATH"] = str(Path(__file__).parents[1])
    done = subprocess.run(program, capture_output=True, check=False, env=environment, cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    data = done.stdout if to == "-" else (tmp_path / to).read_bytes()
    assert json.loads(data.decode("utf-8"))["readings"][0]["file"] == sound
    if to != "-":
        assert "\\U0001f600" in done.stdout.decode("latin-1")


def test_second_opinion_is_said(sound, capsys):
    assert main(["check", sound, "--rpm", "700", "--second-opinion"]) == 0
    assert "no second opinion: librosa" in capsys.readouterr().err


def test_that_the_second_opinion_takes_its_time_is_said_once(folder, capsys):
    assert main(["check", str(folder / "empty.wav"), str(folder / "missing.wav"), "--second-opinion"]) == 1
    assert capsys.readouterr().err.count("librosa prepares itself, once") == 1


def test_channel_that_is_not_there(sound, capsys):
    assert main(["check", sound, "--rpm", "700", "--channel", "3"]) == 1
    assert "channel" in capsys.readouterr().err


def test_plan_counts_what_arithmetic_says(capsys):
    # 299 events for 1 % at 95 %: ln 0.05 / ln 0.99; times 160 ms = 47.8 s.
    assert main(["plan", "--rpm", "750", "--rate", "1%"]) == 0
    out = capsys.readouterr().out
    assert "160.0 ms" in out
    assert "48 s (299 ticks)" in out


def test_the_cautions_in_the_language_of_the_workshop(capsys, monkeypatch):
    for named, caution in (("es", "monóxido de carbono"), ("xx", "carbon monoxide"), ("", "carbon monoxide")):
        monkeypatch.setenv("INJSOUND_LANGUAGE", named)
        assert main(["--help"]) == 0
        assert caution in " ".join(capsys.readouterr().out.split())


def test_plan_in_spanish(capsys):
    assert main(["plan", "--rpm", "750", "--rate", "0.5%", "--language", "es"]) == 0
    out = capsys.readouterr().out
    assert "160,0 ms entre chasquidos a 750 rpm, inyección secuencial" in out
    assert "menos del 0,5 %" in out
    assert main(["plan", "--rpm", "750", "--language", "xx"]) == 2


@pytest.mark.parametrize("rate", ["0", "100%", "abc", "-1%", "1e-12%", "0.009%", "51%", "99.9999%", "nan"])
def test_plan_refuses_rates_that_nobody_can_mean(capsys, rate):
    assert main(["plan", "--rpm", "750", "--rate", rate]) == 2
    assert f"--rate is '{rate}'; expected 0.01 to 50 %, such as 1% or 0.01" in capsys.readouterr().err


def test_plan_takes_the_rates_at_its_limits(capsys):
    # Half of all ticks: 0.5^5 is under 5 %. At 10,000 rpm in batch five last 30 ms: no recording is shorter than 1 s.
    assert main(["plan", "--rpm", "10000", "--rate", "50%", "--injection", "batch"]) == 0
    assert "1 s (5 ticks)" in capsys.readouterr().out
    # ln 0.05 / ln 0.9999
    assert main(["plan", "--rpm", "750", "--rate", "0.01%"]) == 0
    assert "(29956 ticks)" in capsys.readouterr().out


def test_simulate_writes_sound_and_truth(tmp_path, capsys):
    out = tmp_path / "x.wav"
    assert main(["simulate", str(out), "--seconds", "10", "--rpm", "700", "--skips", "scattered"]) == 0
    assert soundfile.info(out).duration == pytest.approx(10.0)
    assert json.loads((tmp_path / "x.truth.json").read_text())["simulated"] is True
    assert "ticks left out" in capsys.readouterr().out
    assert main(["simulate", str(out), "--seconds", "10"]) == 2


@pytest.mark.parametrize("extra", [[], ["--json", "-"]])
def test_a_full_disk_behind_standard_output_is_one_line(sound, extra):
    with Path("/dev/full").open("wb") as full:
        done = run_program("check", sound, "--rpm", "700", *extra, stdout=full)
    assert done.returncode == 1
    assert "cannot write the result: No space left on device" in done.stderr
    assert "Traceback" not in done.stderr
    assert "Exception ignored" not in done.stderr


def test_a_systems_error_over_a_file_names_the_file_and_leaves_standard_output_open(monkeypatch, capsys):
    def fails(**_):
        raise PermissionError(13, "Permission denied", "notes.txt")

    monkeypatch.setattr("injsound.cli.cli.main", fails)
    assert main(["plan"]) == 1
    print("still open")
    told = capsys.readouterr()
    assert told.err == "injsound: notes.txt: Permission denied\n"
    assert told.out == "still open\n"


def test_a_systems_error_that_names_no_file_is_not_called_one_of_printing(monkeypatch, capsys):
    def fails(*_):
        raise BrokenPipeError(32, "Broken pipe")

    monkeypatch.setattr("injsound.cli._share", fails)
    assert main(["plan", "--rpm", "700"]) == 1
    print("still open")
    told = capsys.readouterr()
    assert told.err == "injsound: the system refused: Broken pipe; run it again\n"
    assert told.out == "still open\n"


@pytest.mark.parametrize("arguments", [["plan", "--rpm", "700"], ["--help"]])
def test_a_reader_that_has_gone_is_told_nothing(arguments):
    reader, writer = os.pipe()
    os.close(reader)
    with os.fdopen(writer, "wb") as gone:
        done = run_program(*arguments, stdout=gone)
    assert (done.returncode, done.stderr) == (0, "")


def run_program(*arguments: str, stdout) -> subprocess.CompletedProcess[str]:
    program = [sys.executable, "-m", "injsound", *arguments]
    return subprocess.run(program, stdout=stdout, stderr=subprocess.PIPE, text=True, check=False)


def test_a_full_disk_behind_a_practice_recording_is_one_line(tmp_path, monkeypatch, capsys):
    def full(*_):
        raise soundfile.LibsndfileError(0)

    monkeypatch.setattr(soundfile.SoundFile, "write", full)
    assert main(["simulate", str(tmp_path / "x.wav"), "--seconds", "10"]) == 1
    err = capsys.readouterr().err
    assert err.startswith("injsound: cannot write")
    assert "is the disk full?" in err
    assert list(tmp_path.iterdir()) == []


def test_nothing_on_standard_input_names_no_file_of_ours(monkeypatch, capsys):
    monkeypatch.setattr(sys, "stdin", SimpleNamespace(buffer=io.BytesIO(b"")))
    assert main(["check", "-", "--rpm", "700"]) == 1
    assert capsys.readouterr().err.startswith("standard input: the file is empty")


def test_standard_input_gets_its_second_opinion(sound, monkeypatch, capsys):
    monkeypatch.setattr(sys, "stdin", SimpleNamespace(buffer=io.BytesIO(Path(sound).read_bytes())))
    assert main(["check", "-", "--rpm", "700", "--second-opinion"]) == 0
    assert "standard input: no second opinion: librosa" in capsys.readouterr().err


def test_folders_on_the_way_are_made(sound, tmp_path):
    target = tmp_path / "new" / "deep" / "x.json"
    assert main(["check", sound, "--rpm", "700", "--json", str(target)]) == 0
    assert json.loads(target.read_text())["schema"] == 1


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (
            ["check", "x.wav", "--rpm", "abc"],
            "--rpm is 'abc'; expected a number such as 750. See: injsound check --help",
        ),
        (["check", "x.wav", "--channel", "0"], "channel is 0; expected 1 or more"),
        (["check", "-", "x.wav", "-"], "- is given twice; expected it once"),
        (["check", "x.wav", "--json", "."], "it is a folder; expected a file's name"),
        (["compare", "nowhere"], "nowhere: there is no such file or folder"),
        (["batch", "nowhere"], "nowhere is no folder; expected one with recordings in it"),
        (["simulate", "x.wav", "--seconds", "1e9"], "seconds is 1e+09"),
        (["simulate", "x.wav", "--tick-db", "nan"], "tick is nan dB"),
        (["check", "x.wav", "--firing-angles", "a lot"], "expected degrees such as 0,90,240,330,480,570"),
        (["check", "x.wav", "--firing-angles", "0,270"], "firing angles 0, 270 go with no firing order; expected one"),
        (["check", "x.wav", "--firing-order", "1-2", "--firing-angles", "0,720"], "expected rising degrees from 0 to"),
        (["simulate", "."], "cannot write .: it is a folder"),
        (["simulate", ""], "an argument is an empty name; expected a file's or a folder's: check the quotes. See:"),
        (["check", "x.wav", ""], "an argument is an empty name"),
        (["check", "x.wav", "--picture", ""], "--picture is an empty name"),
        (["case", "new", ""], "an argument is an empty name"),
        (["batch", ""], "an argument is an empty name"),
        (["swap", "--before", "a", "", "--after", "c", "d"], "--before is an empty name"),
        (["verify", "--before", "a", "--after", "b", "--fellow", ""], "--fellow is an empty name"),
        (["simulate", "x.wav", "--skip-rate", "100%"], "--skip-rate is '100%'; expected more than 0, less than 100 %"),
        (["simulate", "x.wav", "--seed", "-1"], "seed is -1; expected 0 or more"),
        (["simulate", "x.wav", "--open-time-ms", "-5"], "open time -5 ms; expected numbers, the open time more than"),
        (["simulate", "x.wav", "--open-time-ms", "0"], "open time 0 ms"),
    ],
)
def test_wrong_usage_is_one_line_before_the_long_work(tmp_path, monkeypatch, capsys, arguments, says):
    monkeypatch.chdir(tmp_path)
    assert main(arguments) == 2
    err = capsys.readouterr().err
    assert says in err
    assert len(err.splitlines()) == 1
    assert list(tmp_path.iterdir()) == []
