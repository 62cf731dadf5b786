"""What of a chapter is kept for its picture: a row per cycle, the mean tick, the engine's sound round the cycle."""

import numpy as np

from injsound.results import Picture
from injsound.sound.clock import frames_at, time_at
from injsound.sound.matching.events import Matches
from injsound.sound.own import ticks
from injsound.sound.turning import alignment, cycle
from injsound.values import FloatArray, OnsetStrength

_ROW_BINS = 360


def uncounted_picture(strength: OnsetStrength, lock: cycle.Lock, choice: ticks.Choice) -> Picture:
    """What is drawn of a chapter in which no tick was counted.

    Parameters
    ----------
    strength : OnsetStrength
        Onset strength in bands [unitless].
    lock : cycle.Lock
        The engine's cycle.
    choice : ticks.Choice
        What the search for the own tick ended in.

    Returns
    -------
    Picture
        Rows of cycles from phase zero, with the candidates in doubt.
    """
    rows, times = _rows(strength, lock, 0.25)
    doubted = (choice.own, choice.rival) if choice.found in (ticks.Found.TWO, ticks.Found.OWN_SILENT) else ()
    return Picture(
        rows=rows,
        row_times_s=times,
        profile=rows.mean(axis=0),
        own_phases=(),
        mean_tick=np.zeros(0),
        mean_tick_s=np.zeros(0),
        halves=alignment.cycle_halves(strength, lock.clock, start=0.0),
        candidates=tuple(c.phase for c in doubted if c is not None),
        empty_phases=() if choice.empty is None else (choice.empty % 1.0,),
        others_phases=tuple(place % 1.0 for place in choice.others),
    )


def counted_picture(
    strength: OnsetStrength,
    lock: cycle.Lock,
    phase: float,
    per_cycle: int,
    matches: Matches,
    sr: int,
    shift_s: float,
) -> Picture:
    """What is drawn of a chapter in which ticks were counted.

    Parameters
    ----------
    strength : OnsetStrength
        Onset strength in bands [unitless].
    lock : cycle.Lock
        The engine's cycle.
    phase : float
        Where the own tick lies [cycles].
    per_cycle : int
        Ticks of one injector per cycle: 1 sequential, 2 batch [unitless].
    matches : Matches
        With the mean tick.
    sr : int
        Sampling rate [Hz].
    shift_s : float
        From the start of the mean tick to its open click [s].

    Returns
    -------
    Picture
        Rows that start a quarter cycle before the own tick.
    """
    rows, times = _rows(strength, lock, phase)
    tick = matches.template / max(float(np.abs(matches.template).max()), 1e-12)
    own = tuple((0.25 + k / per_cycle) % 1.0 for k in range(per_cycle))
    return Picture(
        rows=rows,
        row_times_s=times,
        profile=rows.mean(axis=0),
        own_phases=own,
        mean_tick=tick,
        mean_tick_s=(np.arange(len(tick)) - matches.zero) / sr - shift_s,
        halves=alignment.cycle_halves(strength, lock.clock, start=phase - 0.25),
        candidates=own,
    )


def _rows(strength: OnsetStrength, lock: cycle.Lock, phase: float) -> tuple[FloatArray, FloatArray]:
    """Mean onset strength per cycle and bin, rows starting a quarter cycle before the own tick."""
    start = phase - 0.25
    first, last = np.ceil(lock.clock.cycles[0] - start), np.floor(lock.clock.cycles[-1] - start)
    starts = start + np.arange(first, last)
    where = starts[:, None] + (np.arange(_ROW_BINS) + 0.5) / _ROW_BINS
    rows = strength.bands.mean(axis=0)[frames_at(strength, lock.clock, where)].astype(np.float32)
    return rows, time_at(lock.clock, starts)
