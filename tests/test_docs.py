"""The documents hold what they say: commands exist, links lead somewhere, the printed comparison is the program's."""

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from takes import made_reading, take

from injsound.cli import cli
from injsound.findings.compare import compare_injectors
from injsound.findings.two_speed import compare_speeds
from injsound.results import OpenTime
from injsound.show.findings_text import tell_comparison, tell_two_speed
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


def test_the_guides_comparison_is_laid_out_as_printed():
    guide = (ROOT / "docs" / "guide.md").read_text(encoding="utf-8")
    skips = np.isin(np.arange(353), range(20, 340, 40))
    takes = [take(made_reading(skips if c == 3 else np.zeros(353, dtype=bool)), c) for c in (1, 2, 3)]
    printed = tell_comparison(compare_injectors(takes), Words())
    assert printed[1] in guide
    assert printed[-2] in guide


def test_the_guides_two_speeds_are_as_printed():
    guide = (ROOT / "docs" / "guide.md").read_text(encoding="utf-8")
    takes = []
    for rpm, gap_ms, count in ((751.0, 2.62, 310), (2003.0, 2.61, 805)):
        made = made_reading(np.zeros(353, dtype=bool), rpm=rpm, sha256=f"{rpm}")
        made = replace(made, open_time=OpenTime(median_ms=gap_ms, spread_ms=0.02, drift_ms=0.0, count=count))
        takes.append(take(made, 2))
    assert "\n".join(tell_two_speed(compare_speeds(takes), Words())) in guide
