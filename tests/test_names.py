"""What a file's name says of the engine's speed, and what of it is refused."""

import unicodedata

import pytest

from injsound.cases.adding import new_case
from injsound.cases.case import entry_from_name
from injsound.cases.case_file import load_case
from injsound.cases.names import circumstances_named
from injsound.cli import main
from injsound.errors import ParameterError
from injsound.simulate import Scene, simulate, write


@pytest.mark.parametrize(
    "name",
    [
        "cyl2 cold 1500 rpm",
        "cyl2 cold 1.500 rpm",
        "cyl2 1,500 rpm",
        "cyl2 1'500rpm",
        "cyl2 1\u2019500 rpm",
        "cyl2 1 500 rpm",
        "cyl2 1\N{NO-BREAK SPACE}500 rpm",
        "cyl 2 1 500 rpm",
        "1 500 rpm cyl2",
        "cil2 frío 1 500 rpm",
        "Cylinder_2-warm-restart-1500-rpm",
        "cyl2 injector 1.500 rpm",
        "cyl2 inj B 1 500 rpm",
        "cyl2 20240512 143055 1500 rpm",
        "cyl2 2024-05-12 1500 rpm",
        "cyl2-12-05-2024-1500-rpm",
        "cyl2.1500.rpm",
    ],
)
def test_a_speed_is_taken_whole(name):
    assert circumstances_named(name)["rpm"] == 1500.0
    assert circumstances_named(unicodedata.normalize("NFD", name))["rpm"] == 1500.0


@pytest.mark.parametrize(
    ("name", "rpm"),
    [
        ("cyl 2 900 rpm", 900.0),  # the cylinder's number is no thousand
        ("cyl2 inj 3 900 rpm", 900.0),
        ("cyl2 2024-05-12 900 rpm", 900.0),  # no engine turns at 12,900
        ("cyl2 1 050 rpm", 1050.0),
        ("cyl2 10.000 rpm", 10_000.0),
        ("cyl2 200 rpm", 200.0),
        ("cyl2 cold", None),
        ("cyl2 rpm 900", None),
    ],
)
def test_other_numbers_are_no_part_of_it(name, rpm):
    assert circumstances_named(name)["rpm"] == rpm


@pytest.mark.parametrize(
    ("name", "told"),
    [
        ("cyl2 1500-1600 rpm", "tells two speeds, 1500-1600 rpm; expected one speed such as 1500 rpm: rename"),
        ("cyl2 1.500 – 1.600 rpm", "two speeds, 1500 – 1600 rpm"),
        ("cyl2 900 to 1000 rpm", "two speeds, 900 to 1000 rpm"),
        ("cil2 de 900 a 1000 rpm", "two speeds, 900 a 1000 rpm"),
        ("cyl2 900-1000-1100 rpm", "two speeds, 1000-1100 rpm"),
        ("cyl2 900 rpm 1500 rpm", "several speeds, 900, 1500 rpm"),
        ("cyl2 1 500-1 600 rpm", "1 600 rpm, which may be 1600 or 600"),
        ("cyl2 take 2 900 rpm", "2 900 rpm, which may be 2900 or 900"),
        ("cyl2 1500.75 rpm", "1500,75 rpm, no whole number"),
        ("cyl2 1500,750 rpm", "1500,750 rpm, no whole number"),
        ("cyl2 50 rpm", "rpm is 50; expected 200 to 10000"),
        ("cyl2 12000 rpm", "rpm is 12000; expected 200 to 10000"),
        ("cyl2 12 000 rpm", "rpm is 12000; expected 200 to 10000"),
        ("cyl2 100.000 rpm", "rpm is 100000; expected 200 to 10000"),
    ],
)
def test_a_speed_that_is_unclear_or_no_engines_is_refused(name, told):
    with pytest.raises(ParameterError) as raised:
        entry_from_name(f"{name}.m4a")
    assert str(raised.value).startswith(f"{name}.m4a: ")
    assert told in str(raised.value)
    assert entry_from_name(f"{name}.m4a", rpm=900.0).rpm == 900.0


def test_an_addition_tells_speed_and_label_and_refuses_what_is_unclear(tmp_path, capsys):
    names = ["cyl1 900-1000 rpm.wav", "cyl2 cold inj b 1.500 rpm.wav", "cyl3 cold.wav"]
    for number, name in enumerate(names):
        write(tmp_path / name, *simulate(Scene(seconds=5.0, sr=24_000, seed=number)))
    new_case(tmp_path / "job")
    given = ["case", "add", str(tmp_path / "job")]
    assert main([*given, *(str(tmp_path / name) for name in names)]) == 1
    told = capsys.readouterr()
    assert told.err.startswith(f"injsound: {names[0]}: the name tells two speeds")
    lines = " ".join(told.out.split())
    assert f"{names[1]}: cylinder 2, cold, before, shaking not known, injector B, 1500 rpm {names[2]}: " in lines
    assert "shaking not known added: 2" in lines
    assert main([*given, str(tmp_path / names[0]), "--rpm", "950", "--language", "es", "--injector", "A"]) == 0
    assert "inyector A, 950 rpm" in " ".join(capsys.readouterr().out.split())
    assert [entry.rpm for entry in load_case(tmp_path / "job").entries] == [1500.0, None, 950.0]


def test_a_speed_that_is_unclear_is_refused_before_recordings_are_compared(monkeypatch, capsys):
    monkeypatch.setattr("injsound.cli_recordings.read_one", None)  # nothing is read
    assert main(["compare", "cyl1 12000 rpm.wav", "cyl2 900 rpm.wav"]) == 2
    assert "cyl1 12000 rpm.wav: rpm is 12000; expected 200 to 10000" in capsys.readouterr().err
