"""Findings over several recordings in words: blocks for the report, and laid out for 80 columns."""

from collections.abc import Mapping

from injsound.diagnoses import (
    Arm,
    AtSpeed,
    Comparison,
    Findings,
    Reason,
    Side,
    Stretch,
    SwapFinding,
    TwoSpeedFinding,
    VerifyFinding,
    WiggleFinding,
)
from injsound.job_codes import (
    CompareVerdict,
    Exchange,
    Measure,
    Reversal,
    Stage,
    SwapVerdict,
    Todo,
    VerifyVerdict,
    WiggleVerdict,
)
from injsound.show.blocks import Block, laid_out
from injsound.show.text import Words, shortened
from injsound.show.words.keys import Line
from injsound.values import Figure

# A row of a swap: the cylinder, its cells before and after, and once changed back.
_SWAP_WIDTHS = (8, 33, 18, 18)
_NAME = 48


def tell_comparison(found: Comparison, words: Words) -> list[str]:
    """A comparison: a row per cylinder, what was found, and what to record next.

    Parameters
    ----------
    found : Comparison
        The finding.
    words : Words
        The language.

    Returns
    -------
    list of str
        Lines of at most 80 columns.
    """
    return laid_out(_comparison(found, words, next_too=True))


def _comparison(found: Comparison, words: Words, *, next_too: bool) -> Block:
    """What to record next too, but in a case, which says its one next step itself."""
    said = [words.say(found.verdict, {"odd": ", ".join(map(str, found.odd))}), *say_reasons(found.reasons, words)]
    if next_too and found.verdict is CompareVerdict.NOT_SHOWN and found.record_s:
        said.append(words.say(Line.RECORD_MORE, {"seconds": round(found.record_s)}))
    keys = (Line.CYLINDER, Line.MOMENTS, Line.MISSING, Line.OPEN_TIME, Line.CHANGE)
    return Block(
        title=words.say(Line.COMPARE, {"condition": words.condition(found.condition)}),
        table=(tuple(words.say(key) for key in keys), *(_side(side, words) for side in found.sides)),
        widths=(8, 14, 20, 12, 12),
        said=tuple(said),
    )


def _side(side: Side, words: Words) -> tuple[str, ...]:
    arm = side.arm
    moments = words.say(Line.SILENT) if side.silent else "-" if arm is None else f"{arm.episodes}"
    missing = "-" if arm is None or side.silent else words.say(Line.OF, {"skipped": arm.skipped, "judged": arm.judged})
    opened = "-" if side.open_time_ms is None else f"{words.number(side.open_time_ms, 2)} ms"
    change = "-" if side.steadiness_us is None else f"{words.number(side.steadiness_us / 1000, 2)} ms"
    return f"{side.cylinder}", moments, missing, opened, change


def tell_swap(found: SwapFinding, words: Words) -> list[str]:
    """A swap: its four cells and where the fault went.

    Parameters
    ----------
    found : SwapFinding
        The finding.
    words : Words
        The language.

    Returns
    -------
    list of str
        Lines of at most 80 columns.
    """
    return laid_out(_swap(found, words, next_too=True))


def _swap(found: SwapFinding, words: Words, *, next_too: bool) -> Block:
    heads = [Line.CYLINDER, Line.SWAP_BEFORE, Line.SWAP_AFTER, *([Line.SWAP_UNDONE] if found.reversal else [])]
    rows = [tuple(words.say(key) for key in heads)]
    for cylinder in sorted({cylinder for cylinder, _ in found.cells}):
        arms = [found.cells.get((cylinder, stage)) for stage in (Stage.BEFORE, Stage.SWAPPED)]
        arms += [found.undone.get(cylinder)] if found.reversal else []
        rows.append((f"{cylinder}", *(_cell(arm, words) for arm in arms)))
    if found.verdict is SwapVerdict.NOT_SHOWN:
        said = [words.say(found.verdict), *say_reasons(found.reasons, words)]
        if next_too and found.record_s:
            said.append(words.say(Line.RECORD_MORE, {"seconds": round(found.record_s)}))
    else:
        said = [
            words.say(found.exchange),
            swap_headline(found, words),
            *say_reasons(found.reasons, words),
            words.say(_proof(found)),
            *say_reasons(found.open_questions, words),
        ]
    said += say_reasons(found.second, words)
    return Block(title=words.say(Line.SWAP), table=tuple(rows), widths=_SWAP_WIDTHS[: len(heads)], said=tuple(said))


def _proof(found: SwapFinding) -> Line:
    """Whether changing back has proved what the swap showed; as long as nobody has, that it would."""
    neither = found.verdict is SwapVerdict.NEITHER
    return {
        None: Line.PROOF,
        Reversal.WENT_BACK: Line.PAIR_FAULTY if neither else Line.WENT_BACK,
        Reversal.DID_NOT: Line.STAYED_AWAY if neither else Line.DID_NOT_GO_BACK,
        Reversal.NOT_SHOWN: Line.BACK_NOT_SHOWN,
    }[found.reversal]


def swap_headline(found: SwapFinding, words: Words) -> str:
    """Where the fault went, by what changed places.

    Parameters
    ----------
    found : SwapFinding
        The finding.
    words : Words
        The language.

    Returns
    -------
    str
        One sentence.
    """
    crossed = {
        SwapVerdict.FOLLOWS_INJECTOR: Line.CROSSED_INJECTOR,
        SwapVerdict.STAYS_WITH_CYLINDER: Line.CROSSED_CIRCUIT,
    }
    if found.exchange is Exchange.CONNECTORS and found.verdict in crossed:
        return words.say(crossed[found.verdict], cylinder=found.faulty)
    return words.say(found.verdict)


def _cell(arm: Arm | None, words: Words) -> str:
    if arm is None:
        return "-"
    return words.say(Line.CELL, {"episodes": arm.episodes, "skipped": arm.skipped, "judged": arm.judged})


def tell_two_speed(found: TwoSpeedFinding, words: Words) -> list[str]:
    """A two-speed check: both gaps, what either kind would give, and which it is.

    Parameters
    ----------
    found : TwoSpeedFinding
        The finding.
    words : Words
        The language.

    Returns
    -------
    list of str
        Lines of at most 80 columns.
    """
    return laid_out(_two_speed(found, words))


def _two_speed(found: TwoSpeedFinding, words: Words) -> Block:
    said = [_at_speed(speed, words) for speed in (found.slow, found.fast)]
    if found.solenoid_ms is not None and found.mechanical_ms is not None:
        edges = [words.number(max(edge, 0.0), 2) for edge in (*found.solenoid_ms, *found.mechanical_ms)]
        named = dict(zip(("low", "high", "lowest", "highest"), edges, strict=True))
        said.append(words.say(Line.FORETOLD, {"rpm": round(found.fast.rpm), **named}))
    said += [words.say(found.verdict), *say_reasons(found.reasons, words)]
    return Block(title=words.say(Line.TWO_SPEED, cylinder=found.cylinder), said=tuple(said))


def _at_speed(speed: AtSpeed, words: Words) -> str:
    if speed.open_time_ms is None or speed.error_ms is None:
        return words.say(Line.AT_SPEED_NONE, rpm=round(speed.rpm))
    gap, error = (words.number(value, 2) for value in (speed.open_time_ms, speed.error_ms))
    return words.say(Line.AT_SPEED, rpm=round(speed.rpm), gap=gap, error=error, count=speed.count)


def tell_wiggle(found: WiggleFinding, words: Words) -> list[str]:
    """A wiggle test: both arms with what could not be judged and how many calls may be wrong.

    Parameters
    ----------
    found : WiggleFinding
        The finding.
    words : Words
        The language.

    Returns
    -------
    list of str
        Lines of at most 80 columns.
    """
    return laid_out(_wiggle(found, words))


def _wiggle(found: WiggleFinding, words: Words) -> Block:
    said = (words.say(found.verdict), *say_reasons(found.reasons, words))
    if found.verdict is WiggleVerdict.NOT_SHOWN:
        return Block(title=words.say(Line.WIGGLE), said=said)
    arms = ((Line.MOVED, found.moved, found.moved_unjudged), (Line.STILL, found.still, found.still_unjudged))
    heads = ("", *(words.say(key) for key in (Line.MOMENTS, Line.MISSING, Line.MISTAKES, Line.NOT_JUDGED)))
    rows = [
        (
            words.say(name),
            f"{arm.episodes}",
            words.say(Line.OF, {"skipped": arm.skipped, "judged": arm.judged}),
            words.number(arm.expected_false, 1),
            f"{round(100 * unjudged)} %",
        )
        for name, arm, unjudged in arms
    ]
    return Block(
        title=words.say(Line.WIGGLE),
        table=(heads, *rows),
        widths=(8, 14, 20, 18, 14),
        said=(words.say(found.marked_by, count=found.marks), _stretches(found.stretches, words), *said),
    )


def _stretches(stretches: tuple[Stretch, ...], words: Words) -> str:
    """From when to when it was still and moved, in whole seconds."""

    def told(moved: bool) -> str:
        times = [(round(s.from_s), round(s.to_s)) for s in stretches if s.moved is moved]
        return ", ".join(words.say(Line.FROM_TO, from_s=low, to_s=high) for low, high in times) or "-"

    return words.say(Line.STRETCHES, still=told(False), moved=told(True))


def tell_verify(found: VerifyFinding, words: Words) -> list[str]:
    """A verification: the bound, the change with its interval, and what is missing.

    Parameters
    ----------
    found : VerifyFinding
        The finding.
    words : Words
        The language.

    Returns
    -------
    list of str
        Lines of at most 80 columns.
    """
    return laid_out(_verify(found, words, next_too=True))


def _verify(found: VerifyFinding, words: Words, *, next_too: bool) -> Block:
    said = [words.say(found.verdict), *left_of_fault(found, words)]
    if found.change is not None and found.change_low is not None and found.change_high is not None:
        shares = (found.change, found.change_low, found.change_high)
        change, low, least = (words.number(100 * share, 1, sign=True) for share in shares)
        old = {} if found.before is None else {"skipped": found.before.skipped, "judged": found.before.judged}
        said.append(words.say(Line.VERIFY_CHANGE, {**old, "change": change, "low": low, "high": least}))
    said += [*say_reasons(found.reasons, words), words.say(Line.NOT_FLOW)]
    if next_too and found.record_s:
        said.append(words.say(Line.RECORD_AFTER, {"seconds": round(found.record_s)}))
    if next_too and found.verdict is VerifyVerdict.GOOD:
        said.append(words.say(Todo.ROAD_TEST))
    return Block(title=words.say(Line.VERIFY), said=tuple(said))


def left_of_fault(found: VerifyFinding, words: Words) -> list[str]:
    """How much may be left of the fault.

    Parameters
    ----------
    found : VerifyFinding
        The finding.
    words : Words
        The language.

    Returns
    -------
    list of str
        A sentence; none where nothing was counted.
    """
    if found.rate_high is None:
        return []
    figures: dict[str, Figure] = {"skipped": found.after.skipped, "judged": found.after.judged}
    figures["high"] = words.percent(found.rate_high, bound=True)
    if found.rate_high_in_rows is None:
        return [words.say(Line.VERIFY_AFTER, figures)]
    figures["row"], figures["high_in_rows"] = round(found.row), words.percent(found.rate_high_in_rows, bound=True)
    return [words.say(Line.VERIFY_AFTER_ROWS, figures)]


def blocks_of(findings: Findings, words: Words) -> list[Block]:
    """Everything that was found, a block each; what comes next is said by `tell_step`, once.

    Parameters
    ----------
    findings : Findings
        Of a case.
    words : Words
        The language.

    Returns
    -------
    list of Block
        In the order of the job.
    """
    blocks = []
    if findings.unlike is not None:
        blocks.append(Block(title=words.say(Line.FREEZE_FRAME), said=tuple(say_reasons((findings.unlike,), words))))
    if findings.comparison is not None:
        blocks.append(_comparison(findings.comparison, words, next_too=False))
    blocks += [_two_speed(found, words) for found in findings.two_speed]
    if findings.wiggle is not None:
        blocks.append(_wiggle(findings.wiggle, words))
    if findings.swap is not None:
        blocks.append(_swap(findings.swap, words, next_too=False))
    if findings.verification is not None:
        blocks.append(_verify(findings.verification, words, next_too=False))
    return blocks


def tell_findings(findings: Findings, words: Words) -> list[list[str]]:
    """The same, laid out for the terminal.

    Parameters
    ----------
    findings : Findings
        Of a case.
    words : Words
        The language.

    Returns
    -------
    list of list of str
        Lines of at most 80 columns, a list for each block.
    """
    return [laid_out(block) for block in blocks_of(findings, words)]


def say_reasons(reasons: tuple[Reason, ...], words: Words) -> list[str]:
    """Reasons, a sentence each.

    Parameters
    ----------
    reasons : tuple of Reason
        Codes with figures.
    words : Words
        The language.

    Returns
    -------
    list of str
        Sentences, however long.
    """
    return [words.say(reason.why, readable(reason.figures, words)) for reason in reasons]


def readable(figures: Mapping[str, Figure], words: Words) -> Mapping[str, Figure]:
    """Figures as people read them: a chance and cylinders in words, what was measured in milliseconds, a long name cut.

    Parameters
    ----------
    figures : mapping of str to figure
        Of a reason or a step.
    words : Words
        The language.

    Returns
    -------
    mapping of str to figure
        The same names.
    """
    shown = dict(figures)
    shown |= {key: shortened(str(figures[key]), _NAME) for key in ("file", "other") if key in figures}
    if isinstance(p := figures.get("p"), float | int):
        shown["p"] = words.chance(p)
    if isinstance(named := figures.get("conditions"), str):
        shown["conditions"] = ", ".join(words.condition("" if one == "-" else one) for one in named.split(", "))
    if isinstance(named := figures.get("cylinders"), str):
        shown["cylinders"] = words.say(Line.CYLINDERS if "," in named else Line.ONE_CYLINDER, cylinders=named)
    if "measure" in figures:
        per_ms = 1000.0 if figures["measure"] is Measure.STEADINESS else 1.0
        for name in ("value", "low", "high"):
            if isinstance(value := figures.get(name), float | int):
                shown[name] = f"{words.number(value / per_ms, 2)} ms"
    return shown
