"""The shipped practice cases: what the documents print of them, and what they hold."""

import json
import re
import shlex
from contextlib import redirect_stdout
from io import StringIO
from pathlib import Path

import pytest

from injsound.cli import main
from injsound.demonstration import CASES, _copied, demo_folder

ROOT = Path(__file__).parents[1]
# Its phone had the noise suppression on.
_PROCESSED = "cyl2_cold_first_try.opus"
_PAGES = [page for page in sorted((ROOT / "docs").glob("*.md")) if "$ injsound" in page.read_text(encoding="utf-8")]


def _printed(command):
    out = StringIO()
    with redirect_stdout(out):
        assert main(command) == 0
    return out.getvalue()


@pytest.fixture(scope="module")
def walked(tmp_path_factory):
    """The folder of a demo that ran twice, and what its second run printed."""
    folder = tmp_path_factory.mktemp("demo")
    with pytest.MonkeyPatch.context() as patch:
        patch.chdir(folder)
        first = _printed(["demo"])
        (folder / "injsound_demo" / "mine.txt").write_text("mine")
        assert _printed(["demo"]) == first
    return folder / "injsound_demo", first


def test_the_readme_prints_what_the_demo_says(walked):
    _, said = walked
    assert (ROOT / "README.md").read_text(encoding="utf-8").split("```")[3].strip() == said.strip()


def test_the_demo_replaces_its_own_files_only(walked):
    folder, _ = walked
    assert (folder / "mine.txt").read_text() == "mine"
    for name in CASES:
        assert (folder / name / "report.html").stat().st_size > 100_000
        assert not (demo_folder() / name / "results.json").exists()


def test_the_demo_takes_only_what_is_shipped(tmp_path):
    shipped = tmp_path / "shipped"
    (shipped / "results_arrays").mkdir(parents=True)
    for name in ("case.toml", "truth.json", "cyl1.opus", "cyl2.WAV", "results.json", "report.html", "results.csv"):
        (shipped / name).write_text(name)
    names = {path.name for path in _copied(shipped, tmp_path / "to").iterdir()}
    assert names == {"case.toml", "truth.json", "cyl1.opus", "cyl2.WAV"}


@pytest.mark.parametrize("page", _PAGES, ids=lambda page: page.name)
def test_the_pages_examples_are_as_printed(page, walked, monkeypatch):
    monkeypatch.chdir(walked[0])
    blocks = re.findall(r"```\n\$ injsound ([^\n]+)\n(.*?)\n```", page.read_text(encoding="utf-8"), re.DOTALL)
    assert blocks
    for command, printed in blocks:
        assert _printed(shlex.split(command)).strip() == printed.strip()


@pytest.mark.parametrize("name", CASES)
def test_readings_count_what_the_simulator_left_out(name, walked):
    truth = json.loads((demo_folder() / name / "truth.json").read_text())["recordings"]
    readings = json.loads((walked[0] / name / "results.json").read_text())["readings"].values()
    assert {reading["file"] for reading in readings} == set(truth)
    for reading in readings:
        if reading["file"] == _PROCESSED:
            assert reading["verdict"] == "cannot tell"
            continue
        made = truth[reading["file"]]
        # The truth begins 50 ms after the recording and ends 80 ms before it.
        called = [e["time_s"] for e in reading["events"] if e["state"] == "skipped" and e["time_s"] > 0.08]
        inside = [t for t in made["skipped_at_s"] if 0.1 < t < reading["seconds"] - 0.1]
        assert all(min(abs(t - at) for at in made["skipped_at_s"]) < 0.03 for t in called), reading["file"]
        assert all(min(abs(t - at) for at in called) < 0.03 for t in inside), reading["file"]
        assert reading["firing"]["rpm"] == pytest.approx(made["rpm"], rel=0.002)
        # The disc's ring moves the onset of the close tick by up to 0.12 ms.
        assert reading["open_time"]["median_ms"] == pytest.approx(made["open_time_ms"], abs=0.15)


def test_the_shipped_recordings_are_small():
    assert sum(file.stat().st_size for file in demo_folder().rglob("*") if file.is_file()) < 6_000_000
