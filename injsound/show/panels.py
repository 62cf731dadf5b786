"""A reading drawn onto axes: the cycles as rows, the events over time, the mean tick."""

from typing import TYPE_CHECKING, Any

import numpy as np

from injsound.codes import SpanKind, State
from injsound.results import Picture, Reading
from injsound.show.ink import DARK, INK, MARK, QUIET, SMALL, colours, ink_range, style
from injsound.show.text import Words
from injsound.show.words.keys import Panel
from injsound.values import FloatArray, Span

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.lines import Line2D

_CLOSE_S = 0.012
# Lines this far to both sides of an empty place leave it free [degrees of crank].
_EMPTY_DEG = 9.0
# A diamond's height as a share of the panel's.
_GROUPED = 0.022
_TICK: dict[str, Any] = {"marker": "v", "ms": 6, "color": DARK, "ls": "none", "clip_on": False, "zorder": 5}
_DIAMOND: dict[str, Any] = {
    "marker": "D",
    "ms": 6.5,
    "mfc": MARK,
    "mec": "black",
    "mew": 0.9,
    "ls": "none",
    "clip_on": False,
}
_WEAK: dict[str, Any] = {"marker": "o", "ms": 4.5, "mfc": "white", "mec": DARK, "mew": 0.9}
_UNJUDGED: dict[str, Any] = {"marker": "x", "ms": 3.5, "mec": QUIET, "mew": 0.8}


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
    axes.imshow(rows, aspect="auto", cmap=colours(), vmin=low, vmax=high, extent=(0, 720, len(rows), 0))
    axes.set_xticks([0, 180, 360, 540, 720])
    axes.set_xlabel(words.say(Panel.AXIS_CYCLE), fontsize=SMALL, color=DARK, labelpad=2)
    _time_axis(axes, picture.row_times_s, words)
    style(axes, words.say(Panel.ROWS))
    _mark_places(axes, picture, words)
    axes.set_xlim(0, 720)
    _mark_missing(axes, picture, _missing_rows(reading, picture), 720 * np.array(picture.own_phases), 720, clear=45.0)
    return axes


def _mark_places(axes: "Axes", picture: Picture, words: Words) -> None:
    """Its tick from above; where it has none, its empty place between two lines, or those that could be its own."""
    if picture.own_phases:
        axes.plot(720 * np.array(picture.own_phases), np.zeros(len(picture.own_phases)), **_TICK)
        return
    marks: list[Line2D] = []
    if picture.empty_phases:
        empty = 720 * np.array(picture.empty_phases)
        for side in (-_EMPTY_DEG, _EMPTY_DEG):
            axes.vlines(empty + side, 0, len(picture.rows), colors=MARK, linewidths=1.4, linestyles=(0, (4, 3)))
        marks += axes.plot(empty, np.zeros(len(empty)), label=words.say(Panel.EMPTY), zorder=5, **_DIAMOND)
    told, label = (picture.others_phases, Panel.OTHERS) if picture.empty_phases else (picture.candidates, Panel.EITHER)
    if told:
        marks += axes.plot(720 * np.array(told), np.zeros(len(told)), label=words.say(label), **_TICK)
    if marks:
        axes.legend(
            handles=marks,
            loc="lower right",
            bbox_to_anchor=(1.0, 1.0),
            ncols=2,
            frameon=False,
            fontsize=SMALL,
            labelcolor=DARK,
            handletextpad=0.1,
            columnspacing=0.8,
            borderaxespad=0.2,
        )


def draw_around(
    reading: Reading,
    picture: Picture,
    axes: "Axes",
    *,
    which: int,
    words: Words,
    scale: tuple[float, float] | None = None,
    grouped: float = _GROUPED,
    timed: bool = False,
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
    timed : bool
        Whether the upright axis says the time; else it has marks alone, as beside another that does.

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
    axes.imshow(rows[:, first:last], aspect="auto", cmap=colours(), vmin=low, vmax=high, extent=extent)
    _time_axis(axes, picture.row_times_s, words if timed else None)
    axes.set_xlabel(words.say(Panel.AXIS_AROUND), fontsize=SMALL, color=DARK, labelpad=2)
    style(axes, words.say(Panel.CLOSE))
    axes.plot(0, 0, **_TICK)
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
    axes.hlines(rows, np.minimum(places[nearest] + clear, edge), edge, colors=MARK, linewidths=0.8, zorder=3)
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


def _time_axis(axes: "Axes", row_times: FloatArray, words: Words | None) -> None:
    """Seconds on an upright axis that counts rows; without words its marks alone."""
    span = float(row_times[-1] - row_times[0])
    step = next(s for s in (1, 2, 5, 10, 20, 30, 60, 120, 300, 600, 1200) if span / s <= 8 or s == 1200)
    marks = np.arange(np.ceil(row_times[0] / step) * step, row_times[-1], step)
    named = [f"{mark:g}" if words else "" for mark in marks]
    axes.set_yticks(np.interp(marks, row_times, np.arange(len(row_times))), named)
    if words:
        axes.set_ylabel(words.say(Panel.AXIS_TIME), fontsize=SMALL, color=DARK, labelpad=1)


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
    axes.plot(events.time_s[heard], level[heard], ".", ms=3, color=INK[3], zorder=3)
    # What is too weak for a level of its own lies under all that have one.
    lowest = np.where(np.isfinite(level), level, bottom + 7)
    _mark(axes, events.time_s[weak], lowest[weak], words.say(Panel.WEAK), _WEAK)
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


def _mark(axes: "Axes", x: FloatArray, y: FloatArray, label: str, look: dict[str, Any]) -> None:
    if len(x):
        axes.plot(x, y, zorder=4, label=label, **(look | {"ls": "none"}))


def _shade(axes: "Axes", span: Span) -> None:
    if span.kind is not SpanKind.END:
        dense = span.kind is SpanKind.ENGINE_SILENT
        axes.axvspan(
            span.from_s, span.to_s, facecolor="#e4e6e8", edgecolor=QUIET, hatch="...." if dense else "////", lw=0
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
    axes.plot(picture.mean_tick_s * 1e3, picture.mean_tick, lw=0.9, color=INK[3])
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
