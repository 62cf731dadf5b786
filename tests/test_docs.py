"""The documents hold what they say: commands exist, links lead somewhere, what is printed is the program's."""

import doctest
import re
import shutil
from dataclasses import fields, is_dataclass, replace
from pathlib import Path

import numpy as np
import pytest
from takes import made_reading, take

import injsound
from injsound import diagnoses
from injsound.cli import cli
from injsound.codes import SpanKind
from injsound.findings.two_speed import compare_speeds
from injsound.results import OpenTime
from injsound.show.findings_text import tell_two_speed
from injsound.show.text import Words

ROOT = Path(__file__).parents[1]
PAGES = sorted([*ROOT.glob("*.md"), *(ROOT / "docs").glob("*.md"), *(ROOT / "recordings_demo").glob("*.md")])


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_links_lead_somewhere(page):
    for target in re.findall(r"\]\(([^)#]+)\)", page.read_text(encoding="utf-8")):
        if not target.startswith("http"):
            assert (page.parent / target).exists(), target


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_commands_exist(page):
    for line in re.findall(r"^(?:`|\d\. `)?injsound ([a-z ]+)", page.read_text(encoding="utf-8"), re.MULTILINE):
        words = line.split()
        assert words[0] in cli.commands, line
        if words[0] == "case":
            assert words[1] in cli.commands["case"].commands, line


def test_the_two_speeds_are_as_printed():
    page = (ROOT / "docs" / "compare.md").read_text(encoding="utf-8")
    takes = []
    for rpm, gap_ms, count in ((751.0, 2.62, 310), (2003.0, 2.61, 805)):
        made = made_reading(np.zeros(353, dtype=bool), rpm=rpm, sha256=f"{rpm}")
        made = replace(made, open_time=OpenTime(median_ms=gap_ms, spread_ms=0.02, drift_ms=0.0, count=count))
        takes.append(take(made, 2))
    assert "\n".join(tell_two_speed(compare_speeds(takes), Words())) in page


def _schema_fields(node, inside=""):
    """Every field of the schema by its path, as in "readings[].skips.due"."""
    for kind in (node, *node.get("anyOf", ())):
        for name, value in kind.get("properties", {}).items():
            many = "properties" in value.get("items", {})
            path = f"{inside}{name}{'[]' * many}"
            yield path
            yield from _schema_fields(value["items"] if many else value, f"{path}.")


def _schema_words(node):
    if isinstance(node, dict):
        yield from node.get("enum", ())
        node = list(node.values())
    for part in node if isinstance(node, list) else ():
        yield from _schema_words(part)


def test_the_json_page_tells_every_field_and_no_other():
    page = (ROOT / "docs" / "results.md").read_text(encoding="utf-8")
    told = []
    for section in page.split("\n## ")[1:]:
        inside = re.findall(r"`([^`]+)`", section.splitlines()[0])
        names = [name for row in re.findall(r"^\| (`[^|]+)\|", section, re.MULTILINE) for name in row.split("`")[1::2]]
        told += [f"{path}.{name}" for path in inside for name in names] if inside else names
    assert sorted(told) == sorted(set(_schema_fields(injsound.schema())))
    words = {*_schema_words(injsound.schema()), *(kind.value for kind in SpanKind)}
    assert all(f"`{word}`" in page for word in words)
    spans = page.split("In these nothing is judged:")[1].split("\n\n")[0]
    assert {*re.findall(r"`([^`]+)`", spans)} == {kind.value for kind in SpanKind}


def test_every_room_is_on_the_map():
    page = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    rooms = [path for path in (ROOT / "injsound").rglob("*.py") if not path.stem.startswith("__")]
    told = {word.removesuffix(".py").split("/")[-1] for word in re.findall(r"[\w./]+", page)}
    assert [path.name for path in rooms if path.stem not in told] == []


def test_the_python_page_runs_as_printed(tmp_path, monkeypatch):
    shutil.copytree(ROOT / "recordings_demo", tmp_path / "recordings_demo")
    monkeypatch.chdir(tmp_path)
    page = (ROOT / "docs" / "python.md").read_text(encoding="utf-8")
    shown = "\n".join(re.findall(r"```python\n(.*?)```", page, re.DOTALL))
    said = []
    ran = doctest.DocTestRunner().run(
        doctest.DocTestParser().get_doctest(shown, {}, "python.md", None, 0), out=said.append
    )
    assert ran.attempted > 20
    assert ran.failed == 0, "".join(said)


@pytest.mark.parametrize(
    "kind", [k for k in vars(diagnoses).values() if is_dataclass(k)], ids=lambda kind: kind.__name__
)
def test_every_field_of_a_finding_is_told_with_its_unit(kind):
    if kind.__module__ != diagnoses.__name__:
        return
    told = re.findall(r"^    (\w+(?:, \w+)*) : .+\n((?:        .+\n)+)", kind.__doc__, re.MULTILINE)
    by_name = {name: text for names, text in told for name in names.split(", ")}
    assert list(by_name) == [field.name for field in fields(kind)]
    for field in fields(kind):
        if "float" in str(field.type) and "str" not in str(field.type):
            assert "[" in by_name[field.name], field.name


def test_every_public_name_is_there():
    assert len(injsound.__all__) > 30
    assert all(getattr(injsound, name) is not None for name in injsound.__all__)
