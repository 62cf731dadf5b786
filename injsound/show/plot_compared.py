"""The injectors of one engine beside each other: rows around each own tick on equal scales, the odd one framed."""

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from injsound.codes import Verdict
from injsound.diagnoses import Comparison, Take
from injsound.show.ink import DARK, SMALL, empty_figure, encoded, ink_range, style
from injsound.show.panels import draw_around
from injsound.show.text import ENGLISH, Words
from injsound.show.words.keys import Panel, Phrase
from injsound.states import skipped_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

# Inches: two panels fill a phone held upright.
_PANEL, _MARGIN = 2.5, 0.55
_COLUMNS = 2
_FRAME = 2.6
# A diamond's height as a share of a panel's.
_GROUPED = 0.065


def compared_bytes(
    takes: Sequence[Take], found: Comparison, *, kind: str = "png", words: Words = ENGLISH
) -> bytes | None:
    """Draw the recordings of a comparison and encode them.

    Parameters
    ----------
    takes : sequence of Take
        Recordings; drawn are those compared, of several of one cylinder the one with most judged ticks.
    found : Comparison
        What the comparison said.
    kind : str
        ``"png"`` or ``"svg"``.
    words : Words
        The language.

    Returns
    -------
    bytes or None
        The file; None where no recording holds a picture.
    """
    shown = _one_each([take for take in takes if take.reading.file in found.files])
    if not shown:
        return None
    return encoded(draw_compared(shown, found, words=words), kind)


def _one_each(takes: Sequence[Take]) -> list[Take]:
    """One recording per cylinder that can be drawn, by cylinder."""
    best: dict[int, Take] = {}
    for take in sorted(takes, key=lambda take: take.reading.skips.judged):
        if take.reading.picture is not None:
            best[take.cylinder] = take
    return [best[cylinder] for cylinder in sorted(best)]


def draw_compared(takes: Sequence[Take], found: Comparison, *, words: Words = ENGLISH) -> "Figure":
    """Small multiples, one panel per cylinder.

    Parameters
    ----------
    takes : sequence of Take, at least one
        One recording per cylinder, each with a picture.
    found : Comparison
        What the comparison said.
    words : Words
        The language.

    Returns
    -------
    Figure
        Not shown, not saved.
    """
    lines = -(-len(takes) // _COLUMNS)
    height = lines * _PANEL + _MARGIN
    figure = empty_figure(height)
    grid = figure.add_gridspec(
        lines,
        _COLUMNS,
        top=1 - 0.4 / height,
        bottom=_MARGIN / height,
        left=0.085,
        right=0.955,
        hspace=0.42,
        wspace=0.22,
    )
    pictures = [take.reading.picture for take in takes if take.reading.picture is not None]
    ranges = np.array([ink_range(picture.rows) for picture in pictures])
    scale = (float(ranges[:, 0].min()), float(ranges[:, 1].max()))
    rows = max(len(picture.rows) for picture in pictures)
    panels = [figure.add_subplot(grid[k]) for k in range(len(takes))]
    for take, axes in zip(takes, panels, strict=True):
        _panel(take, axes, found, scale, rows, words)
    _level(panels)
    return figure


def _level(panels: "Sequence[Axes]") -> None:
    """The same milliseconds across all panels: each was cut to whole steps of its own cycle."""
    drawn = [axes.get_xlim() for axes in panels if axes.images]
    if drawn:
        ends = max(low for low, _ in drawn), min(high for _, high in drawn)
        for axes in panels:
            if axes.images:
                axes.set_xlim(ends)


def _panel(take: Take, axes: "Axes", found: Comparison, scale: tuple[float, float], rows: int, words: Words) -> None:
    """The rows of one recording, with its count; a thick frame says that it is the odd one."""
    reading = take.reading
    assert reading.picture is not None
    named = words.say(Phrase.CYLINDER, {"cylinder": take.cylinder})
    # What was counted in the recording of a silent one is another's tick.
    silent = any(side.silent for side in found.sides if side.cylinder == take.cylinder)
    if reading.picture.own_phases and not silent:
        first = axes.get_subplotspec().is_first_col()  # type: ignore[union-attr]  # made on a grid
        draw_around(reading, reading.picture, axes, which=0, words=words, scale=scale, grouped=_GROUPED, timed=first)
        axes.set_ylim(rows, 0)
        axes.tick_params(left=first)
        skipped = int(skipped_of(reading.events).sum())
        counted = words.say(Panel.COUNT, {"skipped": skipped, "judged": reading.skips.judged})
    else:
        axes.set_xticks([])
        axes.set_yticks([])
        counted = words.say(Verdict.NO_TICK if silent else reading.verdict)
    axes.set_xlabel("")
    odd = take.cylinder in found.odd
    style(axes, f"{named}: {words.say(Panel.ODD)}\n{counted}" if odd else f"{named}\n{counted}")
    if odd:
        for side in axes.spines.values():
            side.set_color(DARK)
            side.set_linewidth(_FRAME)
    if axes.get_subplotspec().is_last_row():  # type: ignore[union-attr]  # made on a grid
        axes.set_xlabel(words.say(Panel.AXIS_AROUND), fontsize=SMALL, color=DARK, labelpad=2)
