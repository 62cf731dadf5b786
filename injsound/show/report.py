"""A case as one self-contained HTML page: no script, prints on A4 and letter, reads on a phone."""

from base64 import b64encode
from collections.abc import Mapping
from datetime import date
from importlib.resources import files

import numpy as np

from injsound import __version__
from injsound.cases.case import Case
from injsound.cases.guide import Step, settled
from injsound.codes import Verdict
from injsound.diagnoses import Findings
from injsound.job_codes import Stage
from injsound.results import Failure, Reading
from injsound.show.case_text import step_said, told_to_owner
from injsound.show.clips import clips
from injsound.show.findings_text import blocks_of
from injsound.show.plot import small_picture_bytes
from injsound.show.plot_compared import compared_bytes
from injsound.show.reading_text import headline, subject
from injsound.show.text import Words, failure_line, unbroken
from injsound.show.words.keys import Page, Phrase
from injsound.sound.signals import true_runs
from injsound.states import heard_of, skipped_of

_SLOW = 4


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

    results = settled(results, findings)
    readings = [result for result in results.values() if isinstance(result, Reading)]
    template = files("injsound.show").joinpath("report.html").read_text(encoding="utf-8")
    environment = Environment(autoescape=True, keep_trailing_newline=True)
    environment.filters["unbroken"] = unbroken
    return environment.from_string(template).render(
        language=words.language,
        title=words.say(Page.TITLE),
        made=words.say(Page.MADE, {"date": day.isoformat(), "version": __version__}),
        complaint_title=words.say(Page.COMPLAINT),
        complaint=case.complaint,
        found_title=words.say(Page.FOUND),
        found=told_to_owner(findings, words),
        next_title=words.say(Page.COMES_NEXT),
        next=step_said(step, words),
        outcome=case.outcome,
        evidence_title=words.say(Page.EVIDENCE),
        blocks=blocks_of(findings, words),
        compared=_compared(findings, words),
        compared_alt=words.say(Page.COMPARED),
        recordings_title=words.say(Page.RECORDINGS),
        recordings=_recordings(case, results, words),
        pictures=_pictures(_pictured(case, results), words),
        listen_title=words.say(Page.LISTEN),
        sounds=_sounds(case, readings, words),
        cannot_title=words.say(Page.CANNOT),
        cannot=words.say(Page.CANNOT_TEXT),
        cautions_title=words.say(Page.CAUTIONS),
        caution=words.say(Phrase.CAUTION),
        files_title=words.say(Page.FILES),
        files=[(reading.file, reading.sha256) for reading in readings],
    )


def _compared(findings: Findings, words: Words) -> str:
    """The compared injectors beside each other, as base64 PNG; empty where fewer than two can be drawn."""
    found = findings.comparison
    if found is None or len(found.sides) < 2:
        return ""
    return b64encode(compared_bytes(findings.takes, found, words=words) or b"").decode("ascii")


def _recordings(case: Case, results: Mapping[str, Reading | Failure], words: Words) -> list[dict[str, str]]:
    """Every recording: whose, how it was made, and its verdict."""
    made = []
    for entry in case.entries:
        result = results[entry.file]
        cylinder = words.say(Phrase.CYLINDER, {"cylinder": entry.cylinder})
        how = [cylinder, *([words.condition(entry.condition)] if entry.condition else []), words.say(entry.stage)]
        said = failure_line(result) if isinstance(result, Failure) else headline(result, words)
        made.append({"whose": ", ".join(how), "file": entry.file, "said": said})
    return made


def _pictured(case: Case, results: Mapping[str, Reading | Failure]) -> list[Reading]:
    """One recording of each cylinder before the repair, and of the repaired one after it.

    The first that can tell; where none can, the last.
    """
    chosen: dict[tuple[int, Stage], Reading] = {}
    for entry in case.entries:
        reading, key = results[entry.file], (entry.cylinder, entry.stage)
        repaired = entry.stage is Stage.AFTER and entry.cylinder == case.repaired
        if not isinstance(reading, Reading) or not (entry.stage is Stage.BEFORE or repaired):
            continue
        if key not in chosen or chosen[key].verdict is Verdict.CANNOT_TELL:
            chosen[key] = reading
    return [reading for reading in chosen.values() if reading.picture is not None]


def _pictures(readings: list[Reading], words: Words) -> list[dict[str, str]]:
    """With what stands over each."""
    return [
        {
            "name": f"{subject(reading, words)}, {reading.file}",
            "said": headline(reading, words),
            "data": b64encode(small_picture_bytes(reading, words=words)).decode(),
        }
        for reading in readings
    ]


def _sounds(case: Case, readings: list[Reading], words: Words) -> list[dict[str, str]]:
    """One skip and one sound stretch of the recording with most skips, at normal and at quarter speed."""
    skipping = max(readings, key=lambda reading: reading.skips.skipped, default=None)
    if skipping is None or not skipping.skips.skipped:
        return []
    moments = ((Page.LISTEN_SKIP, _surest_skip(skipping)), (Page.LISTEN_SOUND, _longest_sound(skipping)))
    wanted = [(line, at_s, slow) for line, at_s in moments if at_s is not None for slow in (1, _SLOW)]
    sounds = clips(case.folder / skipping.file, [place[1:] for place in wanted], channel=skipping.channel)
    made = []
    for (line, at_s, slow), data in zip(wanted, sounds, strict=True):
        speed = f", {words.say(Page.QUARTER)}" if slow > 1 else ""
        if data:
            name = f"{skipping.file}: {words.say(line, time=words.number(at_s, 1))}{speed}"
            made.append({"name": name, "data": b64encode(data).decode()})
    return made


def _surest_skip(reading: Reading) -> float:
    skipped = skipped_of(reading.events)
    sure = np.flatnonzero(skipped)[np.argmax(reading.events.skip_probability[skipped])]
    return float(reading.events.time_s[sure])


def _longest_sound(reading: Reading) -> float | None:
    """Middle of the longest row of heard ticks; None where none is heard."""
    rows = true_runs(heard_of(reading.events))
    if not len(rows):
        return None
    first, after = rows[np.argmax(np.diff(rows, axis=1))]
    return float(reading.events.time_s[(first + after - 1) // 2])
