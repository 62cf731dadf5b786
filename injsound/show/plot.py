"""The picture of a reading: the verdict in words on top, then the panels; for the report the rows alone."""

from typing import TYPE_CHECKING, Any

from injsound.codes import Verdict
from injsound.results import Reading
from injsound.show.ink import BODY, DARK, INK, LARGE, MARK, QUIET, SMALL, empty_figure, encoded, png_bytes
from injsound.show.panels import draw_around, draw_events, draw_rows, draw_tick
from injsound.show.reading_text import headline, subject, timing_lines
from injsound.show.text import ENGLISH, Words, filled, shortened
from injsound.show.words.keys import Panel, Phrase

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.gridspec import SubplotSpec

# Inches.
_HEIGHT = 9.9
# In the report: with its words two of them fill a page of A4 or letter.
_SMALL_HEIGHT = 3.9
_LEFT, _RIGHT = 0.115, 0.95
# At 8 points so many characters fill the width, so many lines the room under the last panel.
_FOOT_COLUMNS, _FOOT_LINES = 104, 7


def picture_bytes(reading: Reading, *, kind: str = "png", words: Words = ENGLISH) -> bytes:
    """Draw a reading and encode it.

    Parameters
    ----------
    reading : Reading
        What to draw.
    kind : str
        ``"png"`` or ``"svg"``.
    words : Words
        The language.

    Returns
    -------
    bytes
        The file.
    """
    figure = draw(reading, words=words)
    return encoded(figure, kind)


def small_picture_bytes(reading: Reading, *, words: Words = ENGLISH) -> bytes:
    """Its rows alone as PNG, for the report, which says the rest in words: two fit on a page.

    Parameters
    ----------
    reading : Reading
        What to draw.
    words : Words
        The language.

    Returns
    -------
    bytes
        The file.
    """
    figure = empty_figure(_SMALL_HEIGHT)
    _draw_cycles(figure, figure.add_gridspec(1, 1, top=0.92, bottom=0.12, left=_LEFT, right=_RIGHT)[0], reading, words)
    return png_bytes(figure)


def load() -> None:
    """Load the libraries and letters that drawing needs, half a second's work."""
    figure = empty_figure(1.0)
    figure.text(0, 0, "0")
    png_bytes(figure)


def draw(reading: Reading, *, words: Words = ENGLISH) -> "Figure":
    """Picture of one reading, the verdict in words on top.

    Parameters
    ----------
    reading : Reading
        What to draw.
    words : Words
        The language.

    Returns
    -------
    Figure
        Not shown, not saved.
    """
    figure = empty_figure(_HEIGHT)
    bottom = _write_top(figure, reading, words)
    room = {"top": bottom, "bottom": 0.158, "left": _LEFT, "right": _RIGHT}
    if reading.picture is None or not reading.picture.own_phases:
        # Nothing to look at but the engine: it takes the whole page.
        _draw_cycles(figure, figure.add_gridspec(1, 1, **room)[0], reading, words)
    else:
        rows = figure.add_gridspec(3, 1, height_ratios=(5.2, 1.7, 1.5), hspace=0.42, **room)
        _draw_cycles(figure, rows[0], reading, words)
        if reading.events.state:
            draw_events(reading, figure.add_subplot(rows[1]), words=words)
        if len(reading.picture.mean_tick):
            draw_tick(reading, reading.picture, figure.add_subplot(rows[2]), words=words)
    _write_bottom(figure, reading, words)
    return figure


def _draw_cycles(figure: "Figure", place: "SubplotSpec", reading: Reading, words: Words) -> None:
    """Every cycle's row, and beside it the same close around each of the tick's places."""
    picture = reading.picture
    if picture is None:
        _empty(figure.add_subplot(place), words)
        return
    zooms = len(picture.own_phases)
    parts = place.subgridspec(1, 1 + zooms, width_ratios=(2.2, *(1.3 for _ in range(zooms))), wspace=0.2)
    draw_rows(reading, picture, figure.add_subplot(parts[0]), words=words)
    for k in range(zooms):
        draw_around(reading, picture, figure.add_subplot(parts[1 + k]), which=k, words=words)


def _write_top(figure: "Figure", reading: Reading, words: Words) -> float:
    """Verdict, sentence and next step; returns where the panels may begin."""
    mark = {Verdict.SKIPPING: MARK, Verdict.STEADY: INK[2]}.get(reading.verdict, QUIET)
    figure.text(0.03, 0.982, words.say(reading.verdict).upper(), fontsize=LARGE, weight="bold", color=DARK, va="top")
    figure.text(
        0.97,
        0.979,
        shortened(f"{subject(reading, words)}, {reading.file}", 54),
        fontsize=SMALL,
        color=DARK,
        ha="right",
        va="top",
    )
    figure.patches.append(_bar(figure, mark))
    lines = [*_said(reading, words), *filled("→ " + words.note(reading.next_step), 84)[:3]]
    figure.text(0.03, 0.947, "\n".join(lines), fontsize=BODY, color=DARK, va="top", linespacing=1.25)
    return 0.947 - 0.0185 * len(lines) - 0.035


def _said(reading: Reading, words: Words) -> list[str]:
    """The count; where there is none, why, which the headline says in brief."""
    if reading.verdict in (Verdict.CANNOT_TELL, Verdict.NO_TICK):
        return filled(" ".join(words.note(reason) for reason in reading.reasons), 84)[:4]
    return filled(headline(reading, words), 84)


def _bar(figure: "Figure", colour: str) -> Any:
    from matplotlib.patches import Rectangle

    return Rectangle((0, 0.951), 0.016, 0.049, transform=figure.transFigure, color=colour)


def _empty(axes: "Axes", words: Words) -> None:
    axes.set_axis_off()
    axes.text(0.5, 0.5, words.say(Panel.NOTHING), ha="center", va="center", fontsize=BODY, color=QUIET)


def _write_bottom(figure: "Figure", reading: Reading, words: Words) -> None:
    """Timing figures, small, and what a picture must not be taken for."""
    never_cut = filled(f"{words.say(Phrase.EVIDENCE_ONLY)} {words.say(Phrase.CLICK_IS_NOT_FLOW)}", _FOOT_COLUMNS)
    lines = [line for row in timing_lines(reading, words) for line in filled(row, _FOOT_COLUMNS)]
    lines = [*lines[: _FOOT_LINES - len(never_cut)], *never_cut]
    figure.text(0.03, 0.012, "\n".join(lines), fontsize=SMALL, color=DARK, va="bottom", linespacing=1.2)
