"""One reading in words: at a glance for terminal and chat, in detail, and in one line for picture and report."""

from injsound.codes import ReasonCode, State, Verdict
from injsound.results import Failure, Firing, Reading
from injsound.show.text import COLUMNS, ENGLISH, Words, failure_line, filled, row, shortened, wrapped
from injsound.show.words.keys import Brief, Often, Phrase
from injsound.values import Figure

# sqrt(3) is pure tick scatter, sqrt(2) and less the engine: docs/methods.md; the middle parts them.
_TICK_RATIO = 1.57
_BRIEF = frozenset(Brief)
_OPEN = (Verdict.CANNOT_TELL, Verdict.NO_TICK)
_DRIFT_DIGITS = 3


def subject(reading: Reading, words: Words = ENGLISH) -> str:
    """Whose recording it is.

    Parameters
    ----------
    reading : Reading
        The reading.
    words : Words
        The language.

    Returns
    -------
    str
        Such as "cylinder 2".
    """
    cylinder = reading.engine.cylinder
    return words.say(Phrase.THIS_INJECTOR) if cylinder is None else words.say(Phrase.CYLINDER, {"cylinder": cylinder})


def headline(reading: Reading, words: Words = ENGLISH) -> str:
    """What was found, out of how many and how sure, in one line.

    Parameters
    ----------
    reading : Reading
        The reading.
    words : Words
        The language.

    Returns
    -------
    str
        One line, for picture and report.
    """
    if reading.verdict is Verdict.SKIPPING:
        return words.say(Phrase.SKIPPING_LINE, _counts(reading, words))
    if reading.verdict is Verdict.STEADY:
        phrase = Phrase.STEADY_CALLS_LINE if reading.skips.skipped else Phrase.STEADY_LINE
        return words.say(phrase, _counts(reading, words))
    phrase = Phrase.NO_TICK_LINE if reading.verdict is Verdict.NO_TICK else Phrase.CANNOT_TELL_LINE
    return words.say(phrase, why=_main_reason(reading))


def counted(reading: Reading, words: Words = ENGLISH) -> str:
    """Skips of judged, with range.

    Parameters
    ----------
    reading : Reading
        The reading.
    words : Words
        The language.

    Returns
    -------
    str
        Such as "9 of 248 ticks, 3.6 % (95 % range 1.7 to 6.8 %)".
    """
    skips = reading.skips
    if not skips.judged:
        return words.say(Phrase.COUNT_NOTHING)
    soft = next((note.figures.get("weak") for note in reading.reasons if note.code is ReasonCode.WEAK_OR_MISSING), None)
    if isinstance(soft, int):
        between = {"least": skips.skipped, "most": skips.skipped + soft, "judged": skips.judged}
        said = words.say(Phrase.COUNT_SOFT, between)
    else:
        said = words.say(Phrase.COUNT if skips.skipped else Phrase.COUNT_NONE, _counts(reading, words))
    unjudged = skips.due - skips.judged
    return said + (words.say(Phrase.UNJUDGED, {"unjudged": unjudged}) if unjudged else "")


def glance(result: Reading | Failure, words: Words = ENGLISH) -> list[str]:
    """Block for the terminal and for pasting into a chat, at most 80 columns wide.

    Parameters
    ----------
    result : Reading or Failure
        The reading; a failure is one line.
    words : Words
        The language.

    Returns
    -------
    list of str
        Lines.
    """
    if isinstance(result, Failure):
        return [failure_line(result)]
    open_question = result.verdict in _OPEN
    verdict = words.say(result.verdict).upper()
    if open_question and (reason := _main_reason(result)):
        verdict += ": " + words.say(reason)
    lines = [shortened(result.file), *row(subject(result, words), verdict)]
    if result.skips.judged:
        lines += row(words.say(Phrase.MISSING), counted(result, words))
        if result.skips.skipped:
            lines += row(words.say(Phrase.PATTERN), words.say(result.skips.pattern))
        lines += row(words.say(Phrase.NEIGHBOURS), words.say(result.neighbours))
    if open_question:
        lines += row(words.say(Phrase.WHY), " ".join(words.note(reason) for reason in result.reasons))
    if result.verdict is Verdict.STEADY:
        lines += row(words.say(Phrase.NOTE), words.say(Phrase.CLICK_IS_NOT_FLOW))
    return lines + row(words.say(Phrase.NEXT), words.note(result.next_step))


def details(reading: Reading, words: Words = ENGLISH) -> list[str]:
    """Timing figures in words a mechanic knows, and why the verdict was reached where the glance does not say it.

    Parameters
    ----------
    reading : Reading
        The reading.
    words : Words
        The language.

    Returns
    -------
    list of str
        Lines of at most 80 columns.
    """
    rows = [
        *_speed(reading.firing, reading.alternatives, words),
        *_timing(reading, words),
        *_open_time(reading, words),
        *_weak(reading, words),
        *_margin(reading, words),
    ]
    lines = [line for label, said in rows for line in row(label, said)]
    for reason in () if reading.verdict in _OPEN else reading.reasons:
        lines += row(words.say(Phrase.WHY), words.note(reason))
    return lines


def in_brief(result: Reading | Failure, words: Words = ENGLISH) -> list[str]:
    """A recording's name and its verdict, for many one below the other: what to do next is said of all together.

    Parameters
    ----------
    result : Reading or Failure
        The reading.
    words : Words
        The language.

    Returns
    -------
    list of str
        Lines of at most 80 columns.
    """
    if isinstance(result, Failure):
        return filled(failure_line(result), rest="  ")
    whose = f", {subject(result, words)}"
    return [shortened(result.file, COLUMNS - len(whose)) + whose, *wrapped(headline(result, words))]


def timing_lines(reading: Reading, words: Words = ENGLISH) -> list[str]:
    """Speed, timing and open time, a line each, for under a picture.

    Parameters
    ----------
    reading : Reading
        The reading.
    words : Words
        The language.

    Returns
    -------
    list of str
        Lines, not wrapped.
    """
    rows = [*_speed(reading.firing, (), words), *_timing(reading, words), *_open_time(reading, words)]
    return [f"{label}: {said}" for label, said in rows]


def _speed(firing: Firing | None, alternatives: tuple[Firing, ...], words: Words) -> list[tuple[str, str]]:
    if firing is None:
        return []
    figures: dict[str, Figure] = {
        "rpm": words.number(firing.rpm, 1),
        "low": words.number(firing.rpm_low, 0),
        "high": words.number(firing.rpm_high, 0),
        "wander": words.percent(_share(firing.wander_percent)),
        "variation": words.percent(_share(firing.cycle_variation_percent)),
    }
    said = words.say(Phrase.SPEED_LINE, figures)
    for other in alternatives:
        often = Often.EVERY_REVOLUTION if other.events_per_revolution >= 1 else Often.EVERY_SECOND
        said += "; " + words.say(Phrase.SPEED_OTHER, {"rpm": words.number(other.rpm, 0), "often": often})
    return [(words.say(Phrase.SPEED), said)]


def _timing(reading: Reading, words: Words) -> list[tuple[str, str]]:
    jitter = reading.jitter
    if jitter.period_us is None:
        return []
    change = None if jitter.cycle_to_cycle_us is None else jitter.cycle_to_cycle_us / 1e3
    figures: dict[str, Figure] = {
        "period": words.number(jitter.period_us / 1e3, 2),
        "change": words.number(change, 2),
        "count": jitter.count,
    }
    said = words.say(Phrase.TIMING_LINE, figures)
    if jitter.ratio is not None:
        phrase = Phrase.TIMING_TICK if jitter.ratio > _TICK_RATIO else Phrase.TIMING_ENGINE
        said += "; " + words.say(phrase, {"ratio": words.number(jitter.ratio, 2)})
    own = {
        "own": words.number(jitter.own_scatter_us, 0),
        "low": words.number(jitter.own_scatter_low_us, 0),
        "high": words.number(jitter.own_scatter_high_us, 0),
    }
    rows = [(words.say(Phrase.TIMING), said)]
    if jitter.own_scatter_us is not None:
        rows.append((words.say(Phrase.OWN_SCATTER), words.say(Phrase.OWN_SCATTER_LINE, own)))
    elif jitter.own_scatter_high_us is not None:
        rows.append((words.say(Phrase.OWN_SCATTER), words.say(Phrase.OWN_SCATTER_HIDDEN, own)))
    return rows


def _open_time(reading: Reading, words: Words) -> list[tuple[str, str]]:
    gap = reading.open_time
    if gap.median_ms is None:
        return []
    figures: dict[str, Figure] = {
        "median": words.number(gap.median_ms, 2),
        "spread": words.number(gap.spread_ms, 3),
        "drift": _drift(gap.drift_ms, words),
        "count": gap.count,
    }
    return [(words.say(Phrase.OPEN_TIME), words.say(Phrase.OPEN_TIME_LINE, figures))]


def _drift(drift_ms: float | None, words: Words) -> str:
    nothing = drift_ms is not None and round(drift_ms, _DRIFT_DIGITS) == 0
    return (
        words.say(Phrase.NO_DRIFT) if nothing else words.say(Phrase.DRIFT, drift=words.number(drift_ms, _DRIFT_DIGITS))
    )


def _weak(reading: Reading, words: Words) -> list[tuple[str, str]]:
    weak = reading.events.state.count(State.WEAK)
    figures: dict[str, Figure] = {"weak": weak, "judged": reading.skips.judged}
    return [(words.say(Phrase.WEAK), words.say(Phrase.WEAK_LINE, figures))] if weak else []


def _margin(reading: Reading, words: Words) -> list[tuple[str, str]]:
    quality = reading.quality
    if quality.separation is None:
        return []
    margin = {"db": words.number(quality.tick_over_noise_db, 1), "separation": words.number(quality.separation, 1)}
    wrong = {
        "false": words.number(reading.skips.expected_false, 1),
        "missed": words.number(reading.skips.expected_missed, 1),
    }
    return [
        (words.say(Phrase.MARGIN), words.say(Phrase.MARGIN_LINE, margin)),
        (words.say(Phrase.WRONG_CALLS), words.say(Phrase.WRONG_CALLS_LINE, wrong)),
    ]


def _counts(reading: Reading, words: Words) -> dict[str, Figure]:
    skips = reading.skips
    return {
        "skipped": skips.skipped,
        "judged": skips.judged,
        "rate": words.percent(skips.rate),
        "low": words.percent(skips.rate_low),
        "high": words.percent(skips.rate_high, bound=True),
    }


def _main_reason(reading: Reading) -> Brief | None:
    """The first reason that has a brief form."""
    return next((Brief(reason.code.value) for reason in reading.reasons if reason.code.value in _BRIEF), None)


def _share(percent: float | None) -> float | None:
    return None if percent is None else percent / 100
