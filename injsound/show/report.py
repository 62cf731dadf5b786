"""A case as one self-contained HTML page: no script, prints on A4 and letter, reads on a phone."""

import io
from base64 import b64encode
from collections.abc import Mapping
from datetime import date
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np

from injsound import __version__
from injsound.cases.case import Case
from injsound.cases.guide import Findings, Step
from injsound.results import Failure, Reading, State
from injsound.show.clips import clip
from injsound.show.findings_text import step_said, swap_headline, tell_findings
from injsound.show.plot import picture_bytes
from injsound.show.reading_text import glance, headline
from injsound.show.text import Words, failure_line
from injsound.show.words.keys import Page, Phrase
from injsound.sound.signals import true_runs


def make_report(
    case: Case, results: Mapping[str, Reading | Failure], findings: Findings, step: Step, words: Words, *, day: date
) -> str:
    """Lay a case out as one page.

    Parameters
    ----------
    case : Case
        What the person entered; shown as text, never as markup.
    results : mapping of str to Reading or Failure
        Its readings by file.
    findings : Findings
        What they say together.
    step : Step
        The next step.
    words : Words
        The language.
    day : date
        Printed on the page.

    Returns
    -------
    str
        HTML.
    """
    from jinja2 import Environment

    readings = [result for result in results.values() if isinstance(result, Reading)]
    template = files("injsound.show").joinpath("report.html").read_text(encoding="utf-8")
    page = Environment(autoescape=True, keep_trailing_newline=True).from_string(template)
    return page.render(
        language=words.language,
        title=words.say(Page.TITLE),
        made=words.say(Page.MADE, {"date": day.isoformat(), "version": __version__}),
        complaint_title=words.say(Page.COMPLAINT),
        complaint=case.complaint,
        found_title=words.say(Page.FOUND),
        found=_found(findings, step, words),
        outcome=case.outcome,
        evidence_title=words.say(Page.EVIDENCE),
        blocks=["\n".join(block) for block in tell_findings(findings, words)],
        readings=[_reading(result, words) for result in results.values()],
        listen_title=words.say(Page.LISTEN),
        sounds=_sounds(case, readings, words),
        cannot_title=words.say(Page.CANNOT),
        cannot=words.say(Page.CANNOT_TEXT),
        cautions_title=words.say(Page.CAUTIONS),
        caution=words.say(Phrase.CAUTION),
        files_title=words.say(Page.FILES),
        files=[(reading.file, reading.sha256) for reading in readings],
    )


def _found(findings: Findings, step: Step, words: Words) -> list[str]:
    """Two sentences: the weightiest finding, and what comes next."""
    told = words.say(Page.NOTHING_YET)
    if findings.comparison is not None:
        odd = ", ".join(map(str, findings.comparison.odd))
        told = words.say(findings.comparison.verdict, {"odd": odd})
    if findings.wiggle is not None:
        told += " " + words.say(findings.wiggle.verdict)
    if findings.swap is not None:
        told += " " + swap_headline(findings.swap, words)
    if findings.verification is not None:
        told += " " + words.say(findings.verification.verdict)
    return [told, step_said(step, words)]


def _reading(result: Reading | Failure, words: Words) -> dict[str, Any]:
    if isinstance(result, Failure):
        return {"words": failure_line(result), "picture": "", "alt": ""}
    picture = b64encode(_small(picture_bytes(result, words=words))).decode() if result.picture is not None else ""
    return {"words": "\n".join(glance(result, words)), "picture": picture, "alt": headline(result, words)}


def _small(png: bytes) -> bytes:
    """The same picture in 64 colours: a quarter of the size."""
    from PIL import Image

    file = io.BytesIO()
    Image.open(io.BytesIO(png)).convert("RGB").quantize(64, dither=Image.Dither.NONE).save(file, "PNG", optimize=True)
    return file.getvalue()


def _sounds(case: Case, readings: list[Reading], words: Words) -> list[dict[str, str]]:
    """One skip and one sound stretch of the recording with most skips, at normal and at quarter speed."""
    skipping = max(readings, key=lambda reading: reading.skips.skipped, default=None)
    if skipping is None or not skipping.skips.skipped:
        return []
    path = case.folder / skipping.file
    places = ((Page.LISTEN_SKIP, _first_skip(skipping)), (Page.LISTEN_SOUND, _longest_sound(skipping)))
    made = []
    for line, at_s in places:
        for slow in (1, 4):
            data = clip(Path(path), at_s, channel=skipping.channel, slow=slow)
            speed = f", {words.say(Page.QUARTER)}" if slow > 1 else ""
            if data:
                name = f"{skipping.file}: {words.say(line)}, {words.number(at_s, 1)} s{speed}"
                made.append({"name": name, "data": b64encode(data).decode()})
    return made


def _first_skip(reading: Reading) -> float:
    skipped = np.array([state is State.SKIPPED for state in reading.events.state], dtype=bool)
    sure = np.flatnonzero(skipped)[np.argmax(reading.events.skip_probability[skipped])]
    return float(reading.events.time_s[sure])


def _longest_sound(reading: Reading) -> float:
    """Middle of the longest row of heard ticks."""
    rows = true_runs(np.array([state in (State.HEARD, State.WEAK) for state in reading.events.state], dtype=bool))
    first, after = rows[np.argmax(np.diff(rows, axis=1))]
    return float(reading.events.time_s[(first + after - 1) // 2])
