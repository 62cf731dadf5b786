"""The only maker of sentences: codes and figures in, words out, for terminal, picture and report.

Every template of a language stands in one table, so that a second language is a second table. A template names the
figures it needs; ``tests/test_text.py`` walks all codes.
"""

import textwrap
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

from injsound.errors import ParameterError
from injsound.results import (
    Failure,
    Figure,
    Firing,
    Neighbours,
    Note,
    Pattern,
    Reading,
    ReasonCode,
    SpanKind,
    State,
    StepCode,
    Verdict,
    WarningCode,
)
from injsound.show import diagnosis_table

COLUMNS = 80
_LABEL = 14


class Phrase(StrEnum):
    """Words that belong to no code."""

    CAUTION = "caution"
    EVIDENCE_ONLY = "evidence only"
    CLICK_IS_NOT_FLOW = "click is not flow"
    RAN_WELL = "ran well"
    CYLINDER = "cylinder"
    THIS_INJECTOR = "this injector"
    MISSING = "missing"
    PATTERN = "pattern"
    NEIGHBOURS = "neighbours"
    WHY = "why"
    NEXT = "next"
    NOTE = "note"
    SKIPPING_LINE = "skipping line"
    STEADY_LINE = "steady line"
    STEADY_CALLS_LINE = "steady calls line"
    NO_TICK_LINE = "no tick line"
    CANNOT_TELL_LINE = "cannot tell line"
    COUNT = "count"
    COUNT_NONE = "count none"
    COUNT_NOTHING = "count nothing"
    UNJUDGED = "unjudged"
    SPEED = "speed"
    SPEED_LINE = "speed line"
    SPEED_OTHER = "speed other"
    TIMING = "timing"
    TIMING_LINE = "timing line"
    TIMING_ENGINE = "timing engine"
    TIMING_TICK = "timing tick"
    OWN_SCATTER = "own scatter"
    OWN_SCATTER_LINE = "own scatter line"
    OWN_SCATTER_HIDDEN = "own scatter hidden"
    OPEN_TIME = "open time"
    OPEN_TIME_LINE = "open time line"
    MARGIN = "margin"
    MARGIN_LINE = "margin line"
    WRONG_CALLS = "wrong calls"
    WRONG_CALLS_LINE = "wrong calls line"
    NOT_GIVEN = "not given"
    AXIS_CYCLE = "axis cycle"
    AXIS_TIME = "axis time"
    AXIS_AROUND = "axis around"
    AXIS_TICK = "axis tick"
    PICTURE_ROWS = "picture rows"
    PICTURE_CLOSE = "picture close"
    PICTURE_EVENTS = "picture events"
    PICTURE_TICK = "picture tick"
    PICTURE_OPEN = "picture open"
    PICTURE_CLOSES = "picture closes"
    PICTURE_SKIP = "picture skip"
    PICTURE_WEAK = "picture weak"
    PICTURE_UNJUDGED = "picture unjudged"
    PICTURE_LEVEL = "picture level"


Code = Phrase | ReasonCode | WarningCode | StepCode | Verdict | Pattern | Neighbours | SpanKind | State

ENGLISH: Mapping[type[StrEnum], Mapping[Code, str]] = {
    Phrase: {
        Phrase.CAUTION: (
            "Fuel is under pressure, parts turn and burn, coils and injector drives carry high voltage, exhaust holds"
            " carbon monoxide. Follow the vehicle maker's procedure and local codes; work that opens the fuel system or"
            " touches high voltage is for licensed people."
        ),
        Phrase.EVIDENCE_ONLY: "This is evidence for a qualified technician, not a repair order.",
        Phrase.CLICK_IS_NOT_FLOW: "A click does not prove that the injector flows or seals.",
        Phrase.RAN_WELL: "A recording made while the engine ran well clears nothing.",
        Phrase.CYLINDER: "cylinder {cylinder}",
        Phrase.THIS_INJECTOR: "this injector",
        Phrase.MISSING: "missing",
        Phrase.PATTERN: "pattern",
        Phrase.NEIGHBOURS: "neighbours",
        Phrase.WHY: "why",
        Phrase.NEXT: "next",
        Phrase.NOTE: "note",
        Phrase.SKIPPING_LINE: "Skipping: {skipped} of {judged} ticks missing ({rate}; 95 % range {low} to {high})",
        Phrase.STEADY_LINE: "Steady: no tick missing out of {judged}; fewer than {high} skip, with 95 % confidence",
        Phrase.STEADY_CALLS_LINE: (
            "Steady: {skipped} of {judged} called missing, no more than wrong calls alone would give; at most {high}"
            " skip,"
            " with 95 % confidence"
        ),
        Phrase.NO_TICK_LINE: "No tick of this injector in the recording",
        Phrase.CANNOT_TELL_LINE: "Cannot tell from this recording",
        Phrase.COUNT: "{skipped} of {judged} ticks, {rate} (95 % range {low} to {high})",
        Phrase.COUNT_NONE: "0 of {judged} ticks (under {high} with 95 % confidence)",
        Phrase.COUNT_NOTHING: "not counted",
        Phrase.UNJUDGED: "; {unjudged} more could not be judged",
        Phrase.SPEED: "speed",
        Phrase.SPEED_LINE: "{rpm} rpm ({low} to {high}), slow wander {wander}, from cycle to cycle {variation}",
        Phrase.SPEED_OTHER: "or {rpm} rpm, if the injectors open {events} per revolution",
        Phrase.TIMING: "tick timing",
        Phrase.TIMING_LINE: "interval varies by {period} ms, from one to the next by {change} ms ({count} intervals)",
        Phrase.TIMING_ENGINE: "most of it is the engine's speed (ratio {ratio})",
        Phrase.TIMING_TICK: "most of it is the tick itself (ratio {ratio})",
        Phrase.OWN_SCATTER: "own scatter",
        Phrase.OWN_SCATTER_LINE: "{own} us against the engine's cycle (95 % range {low} to {high} us)",
        Phrase.OWN_SCATTER_HIDDEN: "hidden by the engine's own unevenness; at most {high} us",
        Phrase.OPEN_TIME: "open time",
        Phrase.OPEN_TIME_LINE: (
            "{median} ms from open to close tick, varies by {spread} ms, drift {drift} ms ({count} ticks)"
        ),
        Phrase.MARGIN: "margin",
        Phrase.MARGIN_LINE: "tick {db} dB over the noise; heard and missing {separation} standard deviations apart",
        Phrase.WRONG_CALLS: "wrong calls",
        Phrase.WRONG_CALLS_LINE: (
            "about {false} of the missing ones may have been there, {missed} of the heard ones missing"
        ),
        Phrase.NOT_GIVEN: "not given",
        Phrase.AXIS_CYCLE: "place in the engine's cycle (degrees of crank)",
        Phrase.AXIS_TIME: "time (s)",
        Phrase.AXIS_AROUND: "time from the due tick (ms)",
        Phrase.AXIS_TICK: "time from the open tick (ms)",
        Phrase.PICTURE_ROWS: "Every engine cycle, top to bottom",
        Phrase.PICTURE_CLOSE: "Around this tick",
        Phrase.PICTURE_EVENTS: "Tick by tick",
        Phrase.PICTURE_TICK: "Mean tick",
        Phrase.PICTURE_OPEN: "open",
        Phrase.PICTURE_CLOSES: "close",
        Phrase.PICTURE_SKIP: "missing",
        Phrase.PICTURE_WEAK: "weak",
        Phrase.PICTURE_UNJUDGED: "not judged",
        Phrase.PICTURE_LEVEL: "level (dB)",
    },
    Verdict: {
        Verdict.STEADY: "steady",
        Verdict.SKIPPING: "skipping",
        Verdict.NO_TICK: "no tick",
        Verdict.CANNOT_TELL: "cannot tell",
    },
    Pattern: {
        Pattern.NONE: "none",
        Pattern.SCATTERED: "scattered, one here and one there",
        Pattern.BURSTS: "in bursts, several close together",
        Pattern.REGULAR: "regular, as if counted",
        Pattern.TOO_FEW: "too few to say",
    },
    Neighbours: {
        Neighbours.HEARD: "the engine's other sounds were there",
        Neighbours.NOT_HEARD: "the engine's other sounds were missing too",
        Neighbours.NOT_CHECKED: "could not be checked, none can be heard clearly",
    },
    State: {
        State.HEARD: "heard",
        State.WEAK: "weak",
        State.SKIPPED: "missing",
        State.UNJUDGED: "not judged",
    },
    SpanKind: {
        SpanKind.GAP: "hole in the file",
        SpanKind.SILENCE: "lost sound",
        SpanKind.REPEATED: "played twice",
        SpanKind.CLIPPED: "overloaded",
        SpanKind.BUMP: "knock or rub",
        SpanKind.LOUD: "loud sound",
        SpanKind.GAIN: "gain turned down",
        SpanKind.SPIKE: "electrical spike",
        SpanKind.FADED: "faded",
        SpanKind.SLIPPED: "probe slipped",
        SpanKind.END: "end",
        SpanKind.NO_LOCK: "cycle lost",
        SpanKind.ENGINE_SILENT: "whole engine silent",
        SpanKind.ONCE_PER_REVOLUTION: "twice per cycle",
    },
    ReasonCode: {
        ReasonCode.SKIPS_FOUND: (
            "{skipped} of {judged} due ticks were missing; wrong calls alone would give about {expected_false}."
        ),
        ReasonCode.NO_SKIPS: "All {judged} judged ticks were heard.",
        ReasonCode.FEW_CALLS: (
            "{skipped} of {judged} ticks were called missing; wrong calls alone would give about {expected_false}."
        ),
        ReasonCode.TOO_FEW_EVENTS: (
            "No tick is missing, but {judged} ticks are too few: a fault of 5 % that comes in bursts needs {needed}."
        ),
        ReasonCode.MISSES_POSSIBLE: "The ticks are so faint that a missing one could pass as heard.",
        ReasonCode.UNCERTAIN_CALLS: (
            "{skipped} of {judged} ticks seem to be missing, but {expected_false} such calls could be wrong: too close."
        ),
        ReasonCode.WEAK_SEPARATION: (
            "Heard and missing ticks sound too much alike: {separation} standard deviations apart, {needed} are needed."
        ),
        ReasonCode.FAINT: "The engine is heard, but no tick stands out of it.",
        ReasonCode.NO_LOCK: "The engine's cycle could not be followed.",
        ReasonCode.NOT_A_RECORDING_OF_AN_ENGINE: "Nothing in the recording repeats as an idling engine does.",
        ReasonCode.OWN_PLACE_SILENT: "The other injectors tick at their places; at this one's place there is nothing.",
        ReasonCode.ENGINE_TICKS_ONLY: "There are ticks, but as of valves: none has an open and a close click.",
        ReasonCode.TWO_CANDIDATES: "Two ticks in the cycle could be this injector's, and they are too close to choose.",
        ReasonCode.MAY_BE_NEIGHBOUR: (
            "All {judged} judged ticks were heard, but they are so faint that they may be a neighbour's and this"
            " injector silent."
        ),
        ReasonCode.TWO_READINGS: (
            "It could be {rpm} rpm with every second tick missing, or {rpm_other} rpm with none missing."
        ),
        ReasonCode.PARTNER_HIDES: "Injectors that open together tick together: a partner may hide a missing tick.",
        ReasonCode.MANY_UNJUDGED: "{unjudged} of {due} ticks lie where the sound is damaged or disturbed.",
        ReasonCode.TICKS_FADE: (
            "The phone's noise suppression took the sound away: it falls by {fade_db} dB and stays down."
        ),
        ReasonCode.SPEECH_CODEC: "The file was squeezed for speech ({codec}): the clicks are mostly gone.",
        ReasonCode.RPM_CONTRADICTED: "The speed given is {rpm_given} rpm; the sound repeats as at {rpm_heard} rpm.",
        ReasonCode.TICK_UNLIKE_INJECTOR: "The tick found may be a valve's: it has no second click.",
    },
    WarningCode: {
        WarningCode.CLIPPED: "overloaded {count} times, {seconds} s in all: move the probe or turn the level down",
        WarningCode.GAPS: "{count} holes in the file, {seconds} s in all: not judged",
        WarningCode.DROPOUTS: "sound lost {count} times, {seconds} s in all: close other apps, record again if many",
        WarningCode.REPEATED: "{count} stretches were recorded twice, {seconds} s in all: close other apps",
        WarningCode.BUMPS: "{count} knocks or rubs, {seconds} s in all: clamp the probe, keep hands off",
        WarningCode.LOUD_SOUNDS: "{count} loud sounds, {seconds} s in all: no talking, fan and radio off",
        WarningCode.GAIN_PUMPED: "the phone turned its gain down {count} times, {seconds} s in all: keep it from thuds",
        WarningCode.NOISE_SUPPRESSION: "the phone's noise suppression faded the sound by {fade_db} dB: switch it off",
        WarningCode.NARROW_BAND: (
            "the recording ends at {bandwidth_hz} Hz: use a plain recorder, not a call or a headset"
        ),
        WarningCode.SPEECH_CODEC: "squeezed for speech ({codec}, up to {bandwidth_hz} Hz): send it as a file instead",
        WarningCode.SPIKES: "{count} electrical spikes: keep lead and phone away from coils and injector leads",
        WarningCode.PROBE_SLIPPED: "the probe lost contact {count} times, {seconds} s in all: clamp it",
        WarningCode.QUIET: (
            "very quiet, loudest about {level_db} dB under full scale: press the probe on, raise the level"
        ),
        WarningCode.CUT_OFF: "the file breaks off after {seconds} s: what came was used",
        WarningCode.CHANNEL_CHOSEN: "channel {channel} of {channels} was used, the clearer one",
        WarningCode.CHANNELS_DIFFER: (
            "the {channels} channels differ; channel {channel} was used: name another to check"
        ),
        WarningCode.ANOTHER_STREAM: "the file holds {streams} sound tracks; the first was used",
        WarningCode.RPM_ESTIMATED: "no rpm was given; the sound repeats as at about {rpm} rpm",
        WarningCode.RPM_CONTRADICTED: "rpm {rpm_given} was given, the sound repeats as at {rpm_heard} rpm: check which",
        WarningCode.NEIGHBOUR_COINCIDES: "neighbour coincident: partners tick at the same instant and can hide a skip",
        WarningCode.NEIGHBOURS_NOT_HEARD: (
            "the engine's other sounds are too faint to check whether it stumbled as a whole"
        ),
        WarningCode.ENGINE_SILENT: (
            "the whole engine fell silent {count} times, {seconds} s in all: no tick was due then"
        ),
        WarningCode.MODE_CHANGED: "the first {seconds} s tick twice per cycle, as after a start: not judged",
        WarningCode.ENGINE_UNEVEN: "the engine's own unevenness hides the tick's scatter",
        WarningCode.NO_TIMING: "{codec} does not keep time well enough for timing figures",
        WarningCode.SECOND_OPINION: (
            "second opinion (librosa's onset detection): {agree} ticks agree, {differ} differ; it calls {skipped} of"
            " {judged} missing"
        ),
    },
    StepCode: {
        StepCode.RECORD_LONGER: "Record at least {seconds} s more in one go, the same way.",
        StepCode.RECORD_AGAIN_CLOSER: "Record again with the probe clamped on the injector's body, 60 s or more.",
        StepCode.RECORD_UNPROCESSED: (
            "Switch noise suppression off, record with a plain recorder and send it as a file."
        ),
        StepCode.RECORD_UNDISTURBED: "Record again with the probe clamped, hands off and nobody talking.",
        StepCode.RECORD_OWN_INJECTOR: (
            "Record again with the probe on this injector's own body, then each neighbour the same way to compare."
        ),
        StepCode.RECORD_SPREAD: "Record each partner as well, each with the probe on its own body.",
        StepCode.GIVE_RPM: "Read the engine speed from the tachometer or scan tool and give it with --rpm.",
        StepCode.CHECK_RPM: "Check the engine speed and the injection mode: {rpm_given} rpm given, {rpm_heard} heard.",
        StepCode.COMPARE_OTHERS: (
            "Record the other injectors the same way. If only this one skips, exchanging it with another shows"
            " whether the"
            " fault goes with the injector or stays with its wiring."
        ),
        StepCode.RECORD_IN_FAULT: (
            "If this was not recorded while the engine ran badly, record then. To show less than 1 %, record"
            " {seconds} s."
        ),
        StepCode.CHECK_DRIVE: "Check that the connector is driven, then record a fellow injector with the same set-up.",
    },
}
LANGUAGES: Mapping[str, Mapping[type[StrEnum], Mapping[Any, str]]] = {"en": {**ENGLISH, **diagnosis_table.ENGLISH}}


@dataclass(frozen=True, slots=True)
class Words:
    """Sentences in one language.

    Parameters
    ----------
    language : str
        Such as ``"en"``.

    Raises
    ------
    ParameterError
        If there is no table for the language.
    """

    language: str = "en"

    def __post_init__(self) -> None:
        if self.language not in LANGUAGES:
            raise ParameterError(f"language is {self.language!r}; expected one of {', '.join(LANGUAGES)}")

    def say(self, code: StrEnum, figures: Mapping[str, Figure] | None = None) -> str:
        """Words for a code and its figures.

        Parameters
        ----------
        code : enum member
            What to say.
        figures : mapping
            The figures that its template names; one that is missing or unknown reads as a dash.

        Returns
        -------
        str
            Words without a line break.
        """
        return LANGUAGES[self.language][type(code)][code].format_map(_Dashes(figures or {}))

    def say_caution(self) -> str:
        """Cautions, wrapped.

        Returns
        -------
        str
            Lines of at most 80 columns.
        """
        return textwrap.fill(self.say(Phrase.CAUTION), COLUMNS)

    def note(self, note: Note) -> str:
        """Words for a reason, warning or step.

        Parameters
        ----------
        note : Note
            Code with figures.

        Returns
        -------
        str
            A sentence.
        """
        return self.say(note.code, note.figures)

    def subject(self, reading: Reading) -> str:
        """Whose recording it is.

        Parameters
        ----------
        reading : Reading
            The reading.

        Returns
        -------
        str
            Such as "cylinder 2".
        """
        cylinder = reading.engine.cylinder
        return self.say(Phrase.THIS_INJECTOR) if cylinder is None else self.say(Phrase.CYLINDER, {"cylinder": cylinder})

    def headline(self, reading: Reading) -> str:
        """What was found, out of how many and how sure, in one line.

        Parameters
        ----------
        reading : Reading
            The reading.

        Returns
        -------
        str
            One line, for picture and report.
        """
        if reading.verdict is Verdict.SKIPPING:
            return self.say(Phrase.SKIPPING_LINE, _counts(reading))
        if reading.verdict is Verdict.STEADY:
            phrase = Phrase.STEADY_CALLS_LINE if reading.skips.skipped else Phrase.STEADY_LINE
            return self.say(phrase, _counts(reading))
        phrase = Phrase.NO_TICK_LINE if reading.verdict is Verdict.NO_TICK else Phrase.CANNOT_TELL_LINE
        return self.say(phrase)

    def count(self, reading: Reading) -> str:
        """Skips of judged, with range.

        Parameters
        ----------
        reading : Reading
            The reading.

        Returns
        -------
        str
            Such as "9 of 248 ticks, 3.6 % (95 % range 1.7 to 6.8 %)".
        """
        skips = reading.skips
        if not skips.judged:
            return self.say(Phrase.COUNT_NOTHING)
        words = self.say(Phrase.COUNT if skips.skipped else Phrase.COUNT_NONE, _counts(reading))
        unjudged = skips.due - skips.judged
        return words + (self.say(Phrase.UNJUDGED, {"unjudged": unjudged}) if unjudged else "")

    def glance(self, reading: Reading) -> list[str]:
        """Block for the terminal and for pasting into a chat, at most 80 columns wide.

        Parameters
        ----------
        reading : Reading
            The reading.

        Returns
        -------
        list of str
            Lines.
        """
        verdict = self.say(reading.verdict).upper()
        lines = [_shortened(reading.file), *_row(self.subject(reading), verdict)]
        if reading.skips.judged:
            lines += _row(self.say(Phrase.MISSING), self.count(reading))
            if reading.skips.skipped:
                lines += _row(self.say(Phrase.PATTERN), self.say(reading.skips.pattern))
            lines += _row(self.say(Phrase.NEIGHBOURS), self.say(reading.neighbours))
        if reading.verdict in (Verdict.CANNOT_TELL, Verdict.NO_TICK):
            lines += _row(self.say(Phrase.WHY), " ".join(self.note(reason) for reason in reading.reasons))
        if reading.verdict is Verdict.STEADY:
            lines += _row(self.say(Phrase.NOTE), self.say(Phrase.CLICK_IS_NOT_FLOW))
        return lines + _row(self.say(Phrase.NEXT), self.note(reading.next_step))

    def details(self, reading: Reading) -> list[str]:
        """Timing figures in words a mechanic knows.

        Parameters
        ----------
        reading : Reading
            The reading.

        Returns
        -------
        list of str
            Lines.
        """
        rows = [
            *self._speed(reading.firing, reading.alternatives),
            *self._timing(reading),
            *self._open_time(reading),
            *self._margin(reading),
        ]
        lines = [line for label, words in rows for line in _row(label, words)]
        for reason in reading.reasons:
            lines += _row(self.say(Phrase.WHY), self.note(reason))
        return lines

    def timing_lines(self, reading: Reading) -> list[str]:
        """Speed, timing and open time, a line each, for under a picture.

        Parameters
        ----------
        reading : Reading
            The reading.

        Returns
        -------
        list of str
            Lines, not wrapped.
        """
        rows = [*self._speed(reading.firing, ()), *self._timing(reading), *self._open_time(reading)]
        return [f"{label}: {words}" for label, words in rows]

    def _speed(self, firing: Firing | None, alternatives: tuple[Firing, ...]) -> list[tuple[str, str]]:
        if firing is None:
            return []
        figures: dict[str, Figure] = {
            "rpm": _number(firing.rpm, 1),
            "low": _number(firing.rpm_low, 0),
            "high": _number(firing.rpm_high, 0),
            "wander": _percent(_share(firing.wander_percent)),
            "variation": _percent(_share(firing.cycle_variation_percent)),
        }
        words = self.say(Phrase.SPEED_LINE, figures)
        for other in alternatives:
            events = "once" if other.events_per_revolution >= 1 else "every second time"
            words += "; " + self.say(Phrase.SPEED_OTHER, {"rpm": _number(other.rpm, 0), "events": events})
        return [(self.say(Phrase.SPEED), words)]

    def _timing(self, reading: Reading) -> list[tuple[str, str]]:
        jitter = reading.jitter
        if jitter.period_us is None:
            return []
        change = None if jitter.cycle_to_cycle_us is None else jitter.cycle_to_cycle_us / 1e3
        figures: dict[str, Figure] = {
            "period": _number(jitter.period_us / 1e3, 2),
            "change": _number(change, 2),
            "count": jitter.count,
        }
        words = self.say(Phrase.TIMING_LINE, figures)
        if jitter.ratio is not None:
            # sqrt(3) is pure tick scatter, sqrt(2) and less the engine: docs/methods.md; the middle parts them.
            phrase = Phrase.TIMING_TICK if jitter.ratio > 1.57 else Phrase.TIMING_ENGINE
            words += "; " + self.say(phrase, {"ratio": _number(jitter.ratio, 2)})
        own = {
            "own": _number(jitter.own_scatter_us, 0),
            "low": _number(jitter.own_scatter_low_us, 0),
            "high": _number(jitter.own_scatter_high_us, 0),
        }
        rows = [(self.say(Phrase.TIMING), words)]
        if jitter.own_scatter_us is not None:
            rows.append((self.say(Phrase.OWN_SCATTER), self.say(Phrase.OWN_SCATTER_LINE, own)))
        elif jitter.own_scatter_high_us is not None:
            rows.append((self.say(Phrase.OWN_SCATTER), self.say(Phrase.OWN_SCATTER_HIDDEN, own)))
        return rows

    def _open_time(self, reading: Reading) -> list[tuple[str, str]]:
        gap = reading.open_time
        if gap.median_ms is None:
            return []
        figures: dict[str, Figure] = {
            "median": _number(gap.median_ms, 2),
            "spread": _number(gap.spread_ms, 3),
            "drift": _number(gap.drift_ms, 3),
            "count": gap.count,
        }
        return [(self.say(Phrase.OPEN_TIME), self.say(Phrase.OPEN_TIME_LINE, figures))]

    def _margin(self, reading: Reading) -> list[tuple[str, str]]:
        quality = reading.quality
        if quality.separation is None:
            return []
        margin = {"db": _number(quality.tick_over_noise_db, 1), "separation": _number(quality.separation, 1)}
        wrong = {
            "false": _number(reading.skips.expected_false, 1),
            "missed": _number(reading.skips.expected_missed, 1),
        }
        return [
            (self.say(Phrase.MARGIN), self.say(Phrase.MARGIN_LINE, margin)),
            (self.say(Phrase.WRONG_CALLS), self.say(Phrase.WRONG_CALLS_LINE, wrong)),
        ]


def failure_line(failure: Failure) -> str:
    """One line for a file that could not be used.

    Parameters
    ----------
    failure : Failure
        What went wrong.

    Returns
    -------
    str
        The message, with the file's name in front where the message does not hold it.
    """
    return failure.message if failure.file in failure.message else f"{failure.file}: {failure.message}"


class _Dashes(dict[str, Figure]):
    def __init__(self, figures: Mapping[str, Figure]) -> None:
        super().__init__({k: v for k, v in figures.items() if v is not None})

    def __missing__(self, key: str) -> str:
        return "–"


def _counts(reading: Reading) -> dict[str, Figure]:
    skips = reading.skips
    return {
        "skipped": skips.skipped,
        "judged": skips.judged,
        "rate": _percent(skips.rate),
        "low": _percent(skips.rate_low),
        "high": _percent(skips.rate_high),
    }


def _percent(share: float | None) -> str:
    """Two significant digits, as 3.6 % or 0.80 %."""
    if share is None:
        return "–"
    value = 100 * share
    return f"{value:.2f} %" if value < 1 else f"{value:.1f} %" if value < 10 else f"{value:.0f} %"


def _share(percent: float | None) -> float | None:
    return None if percent is None else percent / 100


def _number(value: float | None, digits: int) -> str:
    return "–" if value is None else f"{value:.{digits}f}"


def _row(label: str, words: str) -> list[str]:
    """A label and its words, wrapped under themselves."""
    return textwrap.wrap(
        words,
        COLUMNS,
        initial_indent="  " + label.ljust(_LABEL),
        subsequent_indent=" " * (_LABEL + 2),
        break_long_words=False,
    )


def _shortened(name: str) -> str:
    """A file's name, cut in the middle where it is too long for a line."""
    return name if len(name) <= COLUMNS else name[: COLUMNS // 2 - 1] + "…" + name[-COLUMNS // 2 :]
