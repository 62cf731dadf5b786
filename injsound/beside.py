"""What else of the engine was heard while the own tick was due, and the stretches in which a missing one is no skip."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from injsound.codes import SpanKind
from injsound.sound.clock import time_at
from injsound.sound.matching import company
from injsound.sound.own import ticks
from injsound.sound.signals import covered, true_runs
from injsound.sound.turning import cycle
from injsound.values import FloatArray, OnsetStrength, Recording, Span

# Fewer missing in a row are no silence of the engine.
FEWEST_SILENT = 3
# Within so many intervals of these the clock may be astray or the engine not be running; so it may where the logarithm
# of the speed lies so far from the usual one.
_ASTRAY_KINDS = frozenset({SpanKind.LOUD, SpanKind.NO_LOCK, SpanKind.ENGINE_SILENT})
_BESIDE, _AWAY = 1.5, 0.12


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Beside:
    """What else of the engine is heard at each event.

    Parameters
    ----------
    neighbours : list of NeighbourTicks
        The other injectors, one by one.
    others : Company
        Their ticks together, else any other sound of the engine.
    by_ticks : bool
        Whether it is the ticks.
    """

    neighbours: list[company.NeighbourTicks]
    others: company.Company
    by_ticks: bool

    def heard(self, first: int, after: int) -> bool:
        """Whether the others were heard at most of the events of a row.

        Parameters
        ----------
        first, after : int
            The row's first event and the one after its last [unitless].

        Returns
        -------
        bool
            False where that cannot be told.
        """
        return self.others.audible and float(np.mean(self.others.heard[first:after])) >= 0.5


def listen_beside(
    recording: Recording,
    lock: cycle.Lock,
    choice: ticks.Choice,
    cycles: FloatArray,
    late_s: FloatArray,
    white: FloatArray,
    strength: OnsetStrength,
    per_cycle: int,
) -> Beside:
    """Listen for the neighbours' ticks at every event, and where none is heard for the engine's other sounds.

    Parameters
    ----------
    recording : Recording
        The chapter.
    lock : Lock
        Its cycle.
    choice : Choice
        The own tick and its neighbours' places.
    cycles : ndarray, shape (n,)
        Engine cycle at each event [cycles].
    late_s : ndarray, shape (n,)
        How late the own tick came; the engine's lateness goes with it [s].
    white : ndarray, shape (m,)
        The chapter's samples, whitened [standard deviations].
    strength : OnsetStrength
        Onset strength in bands [unitless].
    per_cycle : int
        Ticks of one injector per cycle [unitless].

    Returns
    -------
    Beside
        A row per event.
    """
    assert choice.own is not None
    own = choice.own.phase
    neighbours = [
        company.match_neighbour(
            white,
            recording.sr,
            recording.start_s,
            time_at(lock.clock, cycles + (slot.phase - own) % 1.0) + late_s,
            slot.template,
            before_s=slot.lead_s,
        )
        for slot in choice.slots
    ]
    others = company.neighbours_company(neighbours, len(cycles))
    if others.audible:
        return Beside(neighbours=neighbours, others=others, by_ticks=True)
    phases = tuple((own + k / per_cycle) % 1.0 for k in range(per_cycle))
    others = company.engine_company(strength, lock.clock, phases, cycles)
    return Beside(neighbours=neighbours, others=others, by_ticks=False)


def silent_spans(due_s: FloatArray, there: npt.NDArray[np.bool_], beside: Beside) -> tuple[Span, ...]:
    """Three or more events in a row without this tick and without the others: the whole engine fell silent.

    Parameters
    ----------
    due_s : ndarray, shape (n,)
        When each tick was due [s].
    there : ndarray of bool, shape (n,)
        Which were heard or cannot be judged.
    beside : Beside
        What else was heard.

    Returns
    -------
    tuple of Span
        In which no event is due.
    """
    return tuple(
        _around(due_s, first, after, SpanKind.ENGINE_SILENT)
        for first, after in true_runs(~there).tolist()
        if after - first >= FEWEST_SILENT
        and (
            (beside.others.audible and not beside.heard(first, after))
            or company.silent_run(beside.neighbours, first, after)
        )
    )


def astray_spans(
    due_s: FloatArray,
    there: npt.NDArray[np.bool_],
    hidden: npt.NDArray[np.bool_],
    beside: Beside,
    spans: tuple[Span, ...],
    *,
    first_chapter: bool,
) -> tuple[Span, ...]:
    """Rows of missing events in which no other sound shows that the engine turned as the clock says.

    The speed lay far from the usual one, or the engine was not followed just beside, or three and more are missing at
    either end of the recording: a start, a stall, a blip of the throttle.

    Parameters
    ----------
    due_s : ndarray, shape (n,)
        When each tick was due [s].
    there, hidden : ndarray of bool, shape (n,)
        Which were heard, and which cannot be judged.
    beside : Beside
        What else was heard.
    spans : tuple of Span
        Stretches with something to say about them.
    first_chapter : bool
        Whether the recording begins here.

    Returns
    -------
    tuple of Span
        In which no skip is counted.
    """
    interval = np.gradient(due_s)
    usual = float(np.median(interval))
    unsure = tuple(span for span in spans if span.kind in _ASTRAY_KINDS)
    away = np.abs(np.log(interval / usual)) > _AWAY
    away |= covered(unsure, due_s - usual * _BESIDE, due_s + usual * _BESIDE)
    last_chapter = any(span.kind is SpanKind.END for span in spans)
    found = []
    for first, after in true_runs(~there).tolist():
        missing = int((~hidden[first:after]).sum())
        edge = (first_chapter and first == 0) or (last_chapter and after == len(due_s))
        doubtful = away[first:after].any() or (edge and missing >= FEWEST_SILENT)
        if doubtful and missing and not beside.heard(first, after):
            found.append(_around(due_s, first, after, SpanKind.NO_LOCK))
    return tuple(found)


def stray_spans(
    due_s: FloatArray, missing: npt.NDArray[np.bool_], strays: npt.NDArray[np.bool_], beside: Beside
) -> tuple[Span, ...]:
    """Rows of missing events from one on whose tick seems to lie far off: until one is heard the clock may be astray.

    Parameters
    ----------
    due_s : ndarray, shape (n,)
        When each tick was due [s].
    missing, strays : ndarray of bool, shape (n,)
        Which seem missing, and which of these were met far off.
    beside : Beside
        What else was heard.

    Returns
    -------
    tuple of Span
        In which no skip is counted, for no other sound shows that the engine kept its time.
    """
    found = []
    for first, after in true_runs(missing).tolist():
        far_off = np.flatnonzero(strays[first:after])
        if len(far_off) and not beside.heard(first + int(far_off[0]), after):
            found.append(_around(due_s, first + int(far_off[0]), after, SpanKind.NO_LOCK))
    return tuple(found)


def _around(due_s: FloatArray, first: int, after: int, kind: SpanKind) -> Span:
    """The stretch of a row of events, half an interval to either side."""
    half = 0.5 * float(np.median(np.diff(due_s)))
    return Span(from_s=float(due_s[first]) - half, to_s=float(due_s[after - 1]) + half, kind=kind)
