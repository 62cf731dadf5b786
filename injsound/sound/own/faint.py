"""A second look at faint clicks: followed from cycle to cycle, and asked for a partner at a constant gap.

One faint click in one cycle is placed on whatever noise is highest, so that it seems to move. Its lateness changes
slowly, though: followed as a path it is plain, and so is the other end of the stroke in the mean over all cycles.
"""

from dataclasses import replace

import numpy as np

from injsound.sound.clock import cycle_length, passing_times
from injsound.sound.lateness import best_near, track_lateness
from injsound.sound.own.candidates import Candidate
from injsound.sound.own.partner import with_partner
from injsound.sound.second_click import REACH_S
from injsound.sound.signals import robust_spread
from injsound.sound.waveforms import correlate_rows, cut, on_samples, unit
from injsound.values import CycleClock, FloatArray

_ROUNDS = 3
# Followed, a faint injector's tick keeps its place to a tenth of a millisecond; combustion does not (docs/methods.md).
_MOST_SCATTER_S = 0.15e-3
# What is learnt of chance lies this far before the tick.
_CLEAR_S = 0.004


def look_again(c: Candidate, white: FloatArray, sr: int, start_s: float, clock: CycleClock) -> Candidate | None:
    """Follow a click from cycle to cycle and find its partner.

    Parameters
    ----------
    c : Candidate
        As measured cycle by cycle.
    white : ndarray, shape (n,)
        Whitened samples [standard deviations].
    sr : int
        Sampling rate [Hz].
    start_s : float
        Time of ``white[0]`` [s].
    clock : CycleClock
        The engine's cycle.

    Returns
    -------
    Candidate or None
        The tick, by both its clicks; None where there is no second click.
    """
    along, heard_s = _follow(c, white, sr, start_s, passing_times(clock, c.phase))
    pair = with_partner(along, white, sr, start_s, heard_s, interval_s=cycle_length(clock))
    if pair is None:
        return None
    tick, _ = _follow(pair, white, sr, start_s, passing_times(clock, pair.phase))
    return tick if tick.scatter_s <= _MOST_SCATTER_S and tick.separation > 0 else None


def followed(c: Candidate, white: FloatArray, sr: int, start_s: float, clock: CycleClock) -> Candidate:
    """Measure a click along its path.

    Parameters
    ----------
    c : Candidate
        As measured cycle by cycle.
    white : ndarray, shape (n,)
        Whitened samples [standard deviations].
    sr : int
        Sampling rate [Hz].
    start_s : float
        Time of ``white[0]`` [s].
    clock : CycleClock
        The engine's cycle.

    Returns
    -------
    Candidate
        With the movement about the path, and what the better half of the cycles says of the rest.
    """
    return _follow(c, white, sr, start_s, passing_times(clock, c.phase))[0]


def _follow(
    c: Candidate, white: FloatArray, sr: int, start_s: float, due_s: FloatArray
) -> tuple[Candidate, FloatArray]:
    """The candidate measured along its path, and when it was heard, in the better half of the cycles."""
    due_s = on_samples(due_s, sr, start_s)
    template, lead_s = c.template, c.lead_s
    after_s = len(template) / sr - lead_s
    middle = round(REACH_S * sr)
    rows, around = (
        cut(white, sr, start_s, due_s + off, lead_s + REACH_S, after_s + REACH_S) for off in (0.0, -after_s - _CLEAR_S)
    )
    heard = np.ones(len(due_s), dtype=bool)
    for _ in range(_ROUNDS):
        fit = correlate_rows(rows, template)
        trend, scatter = track_lateness(fit, sr, heard, middle=middle, near_s=REACH_S)
        value, late = best_near(fit, sr, trend, scatter, middle=middle, near_s=REACH_S)
        heard = value >= np.median(value)
        mean = cut(white, sr, start_s, due_s[heard] + late[heard], lead_s, after_s).mean(axis=0)[: len(template)]
        template = unit(mean)
    chance, _ = best_near(correlate_rows(around, template), sr, np.zeros(1), scatter, middle=middle, near_s=REACH_S)
    level = float(np.linalg.norm(mean))
    own = cut(white, sr, start_s, due_s + late, lead_s, after_s)
    left = np.mean(own**2, axis=1) - value**2 / own.shape[1]
    noise = float(np.sqrt(max(float(np.median(left[heard])), 1e-12)))
    return replace(
        c,
        amplitude=level / max(noise, 1e-9),
        level=level,
        separation=float((np.median(value[heard]) - chance.mean()) / max(float(chance.std()), 1e-9)),
        scatter_s=robust_spread((late - trend)[heard]),
        template=template,
    ), due_s[heard] + late[heard]
