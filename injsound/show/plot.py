"""The only drawing: a reading onto axes, and the picture for a phone.

Ink is one blue that grows darker with click energy; a missing tick is an amber diamond with a black edge, a weak one a
small hollow circle, an unjudged one a grey cross. Shape, shade and place say the same, so that grey print and
colour-blind eyes lose nothing.
"""

import io
from typing import TYPE_CHECKING, Any

import numpy as np

from injsound.results import FloatArray, Picture, Reading, Span, SpanKind, State, Verdict
from injsound.show.reading_text import headline, subject, timing_lines
from injsound.show.text import ENGLISH, Words, filled, shortened
from injsound.show.words.keys import Panel, Phrase

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.gridspec import SubplotSpec

# Inches: as wide as a phone held upright, and printed at that size no text is under 8 pt.
_WIDTH, _HEIGHT = 6.3, 9.9
# In the report: with its words two of them fill a page of A4 or letter.
_SMALL_HEIGHT = 3.9
_LEFT, _RIGHT = 0.115, 0.95
DPI = 150
SMALL, _BODY, _LARGE = 8.0, 9.0, 15.0
_INK = ("#ffffff", "#cfdbe6", "#6f93b3", "#24527a", "#0b2239")
DARK = "#0b2239"
_MARK = "#e8a200"
_QUIET = "#8a8f94"
_NEARLY_WHITE = 250
_CLOSE_S = 0.012
# A diamond's height as a share of the panel's.
_GROUPED = 0.022
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
    import matplotlib as mpl

    figure = draw(reading, words=words)
    if kind == "png":
        return png_bytes(figure)
    buffer = io.BytesIO()
    with mpl.rc_context({"svg.fonttype": "path", "svg.hashsalt": "injsound"}):
        figure.savefig(buffer, format=kind, dpi=DPI)
    return buffer.getvalue()


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
    figure = _empty_figure(_SMALL_HEIGHT)
    _draw_cycles(figure, figure.add_gridspec(1, 1, top=0.92, bottom=0.12, left=_LEFT, right=_RIGHT)[0], reading, words)
    return png_bytes(figure)


def png_bytes(figure: "Figure") -> bytes:
    """Encode a figure as PNG in 64 colours: a quarter of the size and of the time.

    Parameters
    ----------
    figure : Figure
        On an Agg canvas.

    Returns
    -------
    bytes
        The file, 150 dots per inch.
    """
    from PIL import Image

    figure.set_dpi(DPI)
    figure.canvas.draw()
    pixels = np.asarray(figure.canvas.buffer_rgba())[:, :, :3]  # type: ignore[attr-defined]  # the canvas is Agg's
    buffer = io.BytesIO()
    image = Image.fromarray(np.ascontiguousarray(pixels)).quantize(
        64, Image.Quantize.FASTOCTREE, dither=Image.Dither.NONE
    )
    # The page's white is averaged with what is nearly white: it would print as a tint.
    image.putpalette([255 if level > _NEARLY_WHITE else level for level in image.getpalette() or ()])
    image.save(buffer, "PNG", dpi=(DPI, DPI))
    return buffer.getvalue()


def load() -> None:
    """Load the libraries and letters that drawing needs, half a second's work."""
    figure = _empty_figure(1.0)
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
    figure = _empty_figure(_HEIGHT)
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


def _empty_figure(height: float) -> "Figure":
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(_WIDTH, height), facecolor="white")
    FigureCanvasAgg(figure)
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
    mark = {Verdict.SKIPPING: _MARK, Verdict.STEADY: _INK[2]}.get(reading.verdict, _QUIET)
    figure.text(0.03, 0.982, words.say(reading.verdict).upper(), fontsize=_LARGE, weight="bold", color=DARK, va="top")
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
    figure.text(0.03, 0.947, "\n".join(lines), fontsize=_BODY, color=DARK, va="top", linespacing=1.25)
    return 0.947 - 0.0185 * len(lines) - 0.035


def _said(reading: Reading, words: Words) -> list[str]:
    """The count; where there is none, why, which the headline says in brief."""
    if reading.verdict in (Verdict.CANNOT_TELL, Verdict.NO_TICK):
        return filled(" ".join(words.note(reason) for reason in reading.reasons), 84)[:4]
    return filled(headline(reading, words), 84)


def _bar(figure: "Figure", colour: str) -> Any:
    from matplotlib.patches import Rectangle

    return Rectangle((0, 0.951), 0.016, 0.049, transform=figure.transFigure, color=colour)


def _colours() -> Any:
    from matplotlib.colors import LinearSegmentedColormap

    return LinearSegmentedColormap.from_list("ink", _INK)


def _empty(axes: "Axes", words: Words) -> None:
    axes.set_axis_off()
    axes.text(0.5, 0.5, words.say(Panel.NOTHING), ha="center", va="center", fontsize=_BODY, color=_QUIET)


def style(axes: "Axes", title: str) -> None:
    """Title, ticks and frame of a panel.

    Parameters
    ----------
    axes : Axes
        The panel.
    title : str
        What stands over it.
    """
    # With its height given, matplotlib need not measure everything else on the panel first.
    axes.set_title(title, fontsize=_BODY, color=DARK, loc="left", y=1.0, pad=6)
    axes.tick_params(labelsize=SMALL, length=2.5, color=_QUIET, labelcolor=DARK)
    for side in axes.spines.values():
        side.set_color(_QUIET)
        side.set_linewidth(0.6)


def ink_range(rows: FloatArray) -> tuple[float, float]:
    """Click energy that is drawn white, and that drawn darkest.

    Parameters
    ----------
    rows : ndarray, shape (n, bins)
        Click energy of every cycle [unitless].

    Returns
    -------
    tuple of float
        Low, high [unitless].
    """
    low, high = np.quantile(rows, [0.3, 0.997])
    return float(low), float(high)


def draw_rows(reading: Reading, picture: Picture, axes: "Axes", *, words: Words) -> "Axes":
    """Click energy of every engine cycle as a row over 720 degrees of crank.

    Parameters
    ----------
    reading : Reading
        For its events.
    picture : Picture
        Rows to draw.
    axes : Axes
        Where to.
    words : Words
        Language.

    Returns
    -------
    Axes
        The same axes.
    """
    rows = picture.rows
    low, high = ink_range(rows)
    axes.imshow(rows, aspect="auto", cmap=_colours(), vmin=low, vmax=high, extent=(0, 720, len(rows), 0))
    axes.set_xticks([0, 180, 360, 540, 720])
    axes.set_xlabel(words.say(Panel.AXIS_CYCLE), fontsize=SMALL, color=DARK, labelpad=2)
    _time_ticks(axes, picture.row_times_s)
    axes.set_ylabel(words.say(Panel.AXIS_TIME), fontsize=SMALL, color=DARK, labelpad=1)
    style(axes, words.say(Panel.ROWS))
    for phase in picture.own_phases:
        axes.plot(720 * phase, 0, "v", ms=6, color=DARK, clip_on=False, zorder=5)
    axes.set_xlim(0, 720)
    _mark_missing(axes, picture, _missing_rows(reading, picture), 720 * np.array(picture.own_phases), 720, clear=45.0)
    return axes


def draw_around(
    reading: Reading,
    picture: Picture,
    axes: "Axes",
    *,
    which: int,
    words: Words,
    scale: tuple[float, float] | None = None,
    grouped: float = _GROUPED,
) -> "Axes":
    """The same rows close around this injector's tick, every missing one marked.

    Parameters
    ----------
    reading : Reading
        For its events.
    picture : Picture
        Rows to draw.
    axes : Axes
        Where to.
    which : int
        Which of the tick's places in the cycle, from 0 [unitless].
    words : Words
        Language.
    scale : tuple of float or None
        Click energy drawn white and darkest; None is the recording's own [unitless].
    grouped : float
        Missing ticks this share of the height apart get one diamond [unitless].

    Returns
    -------
    Axes
        The same axes.
    """
    rows, bins = picture.rows, picture.rows.shape[1]
    length = float(np.median(np.diff(picture.row_times_s)))
    phase = picture.own_phases[which]
    before, after = round(0.5 * _CLOSE_S / length * bins), round(_CLOSE_S / length * bins)
    first, last = max(0, round(phase * bins) - before), min(bins, round(phase * bins) + after)
    low, high = scale or ink_range(rows)
    extent = ((first / bins - phase) * length * 1e3, (last / bins - phase) * length * 1e3, len(rows), 0)
    axes.imshow(rows[:, first:last], aspect="auto", cmap=_colours(), vmin=low, vmax=high, extent=extent)
    _time_ticks(axes, picture.row_times_s)
    axes.set_yticklabels([])
    axes.set_xlabel(words.say(Panel.AXIS_AROUND), fontsize=SMALL, color=DARK, labelpad=2)
    style(axes, words.say(Panel.CLOSE))
    axes.plot(0, 0, "v", ms=6, color=DARK, clip_on=False, zorder=5)
    axes.set_xlim(extent[0], extent[1])
    here = [(row, at) for row, at in _missing_rows(reading, picture) if abs(at - phase) < 0.01]
    _mark_missing(axes, picture, here, np.zeros(1), extent[1], clear=0.45 * extent[1], grouped=grouped)
    return axes


def _mark_missing(
    axes: "Axes",
    picture: Picture,
    missing: list[tuple[int, float]],
    places: FloatArray,
    edge: float,
    *,
    clear: float,
    grouped: float = _GROUPED,
) -> None:
    """A line from beside each hole to the edge; there a diamond for every group, with how many it holds."""
    if not missing:
        return
    own = np.array(picture.own_phases[: len(places)])
    nearest = [int(np.argmin(np.abs(phase - own))) for _, phase in missing]
    rows = np.array([row for row, _ in missing], dtype=float) + 0.5
    axes.hlines(rows, np.minimum(places[nearest] + clear, edge), edge, colors=_MARK, linewidths=0.8, zorder=3)
    groups = _groups(rows, grouped * len(picture.rows))
    axes.plot([edge] * len(groups), [group.mean() for group in groups], zorder=5, **_DIAMOND)
    for group in groups:
        if len(group) > 1:
            axes.annotate(
                f"{len(group)}",
                (edge, group.mean()),
                xytext=(7, 0),
                textcoords="offset points",
                fontsize=SMALL,
                color=DARK,
                va="center",
                annotation_clip=False,
            )


_DIAMOND: dict[str, Any] = {
    "marker": "D",
    "ms": 6.5,
    "mfc": _MARK,
    "mec": "black",
    "mew": 0.9,
    "ls": "none",
    "clip_on": False,
}


def _groups(values: FloatArray, apart: float) -> list[FloatArray]:
    """Rising values cut where they lie further apart."""
    if not values.size:
        return []
    return np.split(values, np.flatnonzero(np.diff(values) > apart) + 1)


def _missing_rows(reading: Reading, picture: Picture) -> list[tuple[int, float]]:
    """Row and phase of each missing tick."""
    found = []
    times = picture.row_times_s
    for time, state in zip(reading.events.time_s, reading.events.state, strict=True):
        if state is State.SKIPPED:
            row = int(np.searchsorted(times, time, side="right")) - 1
            if 0 <= row < len(times):
                end = times[row + 1] if row + 1 < len(times) else times[row] + np.median(np.diff(times))
                place = (time - times[row]) / (end - times[row])
                nearest = min(picture.own_phases, key=lambda p: abs(p - place), default=place)
                found.append((row, float(nearest)))
    return found


def _time_ticks(axes: "Axes", row_times: FloatArray) -> None:
    """Seconds on an axis that counts rows."""
    span = float(row_times[-1] - row_times[0])
    step = next(s for s in (1, 2, 5, 10, 20, 30, 60, 120, 300, 600, 1200) if span / s <= 8 or s == 1200)
    marks = np.arange(np.ceil(row_times[0] / step) * step, row_times[-1], step)
    axes.set_yticks(np.interp(marks, row_times, np.arange(len(row_times))), [f"{mark:g}" for mark in marks])


def draw_events(reading: Reading, axes: "Axes", *, words: Words) -> "Axes":
    """Every due tick over time: how loud it was, or that it was missing.

    Parameters
    ----------
    reading : Reading
        For its events and spans.
    axes : Axes
        Where to.
    words : Words
        Language.

    Returns
    -------
    Axes
        The same axes.
    """
    events = reading.events
    states = np.array([state.value for state in events.state])
    level = np.where(np.isfinite(events.level_db), events.level_db, np.nan)
    known = level[np.isfinite(level)]
    bottom, top = (known.min() - 11, known.max() + 4) if known.size else (-60.0, 0.0)
    floor = bottom + 3.5
    for span in reading.spans:
        _shade(axes, span)
    heard, weak = states == State.HEARD, states == State.WEAK
    skipped, unjudged = states == State.SKIPPED, states == State.UNJUDGED
    axes.plot(events.time_s[heard], level[heard], ".", ms=3, color=_INK[3], zorder=3)
    _mark(axes, events.time_s[weak], level[weak], words.say(Panel.WEAK), _WEAK)
    _mark(axes, events.time_s[unjudged], np.full(unjudged.sum(), floor), words.say(Panel.UNJUDGED), _UNJUDGED)
    groups = _groups(events.time_s[skipped], 0.015 * reading.seconds)
    at = np.array([group.mean() for group in groups])
    _mark(axes, at, np.full(len(at), floor), words.say(Panel.SKIP), _DIAMOND)
    for group in groups:
        if len(group) > 1:
            axes.annotate(
                f"{len(group)}",
                (group.mean(), floor),
                xytext=(0, 6),
                textcoords="offset points",
                fontsize=SMALL,
                color=DARK,
                ha="center",
            )
    axes.set_xlim(0, reading.seconds)
    axes.set_ylim(bottom, top)
    axes.set_xlabel(words.say(Panel.AXIS_TIME), fontsize=SMALL, color=DARK, labelpad=1)
    axes.set_ylabel(words.say(Panel.LEVEL), fontsize=SMALL, color=DARK, labelpad=1)
    style(axes, words.say(Panel.EVENTS))
    if axes.get_legend_handles_labels()[0]:
        axes.legend(
            fontsize=SMALL,
            frameon=False,
            loc="lower right",
            bbox_to_anchor=(1.0, 0.97),
            ncols=3,
            handletextpad=0.2,
            columnspacing=0.9,
            borderaxespad=0.0,
        )
    return axes


_WEAK: dict[str, Any] = {"marker": "o", "ms": 4.5, "mfc": "white", "mec": DARK, "mew": 0.9}
_UNJUDGED: dict[str, Any] = {"marker": "x", "ms": 3.5, "mec": _QUIET, "mew": 0.8}


def _mark(axes: "Axes", x: FloatArray, y: FloatArray, label: str, look: dict[str, Any]) -> None:
    if len(x):
        axes.plot(x, y, zorder=4, label=label, **(look | {"ls": "none"}))


def _shade(axes: "Axes", span: Span) -> None:
    if span.kind is not SpanKind.END:
        dense = span.kind is SpanKind.ENGINE_SILENT
        axes.axvspan(
            span.from_s, span.to_s, facecolor="#e4e6e8", edgecolor=_QUIET, hatch="...." if dense else "////", lw=0
        )


def draw_tick(reading: Reading, picture: Picture, axes: "Axes", *, words: Words) -> "Axes":
    """Mean waveform of the heard ticks with open and close.

    Parameters
    ----------
    reading : Reading
        For its open time.
    picture : Picture
        For its mean tick.
    axes : Axes
        Where to.
    words : Words
        Language.

    Returns
    -------
    Axes
        The same axes.
    """
    axes.plot(picture.mean_tick_s * 1e3, picture.mean_tick, lw=0.9, color=_INK[3])
    marks = [(0.0, Panel.OPEN)]
    if reading.open_time.median_ms is not None:
        marks.append((reading.open_time.median_ms, Panel.CLOSES))
    for at, phrase in marks:
        axes.axvline(at, color=DARK, lw=0.8, ls=(0, (4, 2)))
        axes.text(at + 0.06, 1.45, words.say(phrase), fontsize=SMALL, color=DARK, va="top")
    axes.set_ylim(-1.2, 1.55)
    axes.set_yticks([])
    right = max(5.0, 3.0 + (reading.open_time.median_ms or 0.0))
    axes.set_xlim(max(-1.2, float(picture.mean_tick_s[0]) * 1e3), min(right, float(picture.mean_tick_s[-1]) * 1e3))
    axes.set_xlabel(words.say(Panel.AXIS_TICK), fontsize=SMALL, color=DARK, labelpad=1)
    style(axes, words.say(Panel.TICK))
    return axes


def _write_bottom(figure: "Figure", reading: Reading, words: Words) -> None:
    """Timing figures, small, and what a picture must not be taken for."""
    never_cut = filled(f"{words.say(Phrase.EVIDENCE_ONLY)} {words.say(Phrase.CLICK_IS_NOT_FLOW)}", _FOOT_COLUMNS)
    lines = [line for row in timing_lines(reading, words) for line in filled(row, _FOOT_COLUMNS)]
    lines = [*lines[: _FOOT_LINES - len(never_cut)], *never_cut]
    figure.text(0.03, 0.012, "\n".join(lines), fontsize=SMALL, color=DARK, va="bottom", linespacing=1.2)
