"""What the rest of the engine did while this injector's tick was due.

A tick that goes missing alone is this injector's; where the neighbours or the engine's other sounds fell silent with
it, it is the whole engine's (supply, relay, crank signal, fuel cut).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import fft

from injsound.sound.clock import cycle_length, frames_at, wrapped
from injsound.sound.signals import robust_spread
from injsound.sound.waveforms import correlate_rows, cut, peak_place
from injsound.values import CycleClock, FloatArray, OnsetStrength

BoolArray = npt.NDArray[np.bool_]

# Sounds whose presence differs from chance by fewer standard deviations cannot be checked cycle by cycle: a threshold
# halfway then errs in 7 of 100 cycles at 3.0.
AUDIBLE = 3.0
# A row of events is silent where the neighbours' mean presence lies under this, and this many standard deviations
# under the usual: 4 leave 3 of 100,000 rows of a sounding engine.
_HALF_GONE, _CLEAR_RUN = 0.4, 4.0
# A neighbour whose clicks match hardly better than chance says nothing, in however long a row.
_LEAST_SEPARATION = 0.5
_BINS = 256
# A neighbour's click is looked for this near its place, and for chance so far off it, where its two seldom are.
_NEAR_S, _CHANCE_AT_S = 0.0012, (-0.0095, -0.006, 0.0115, 0.015)
_OWN_BEFORE_S, _OWN_AFTER_S = 0.003, 0.013


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Company:
    """Presence of other sounds around each due event.

    Parameters
    ----------
    heard : ndarray of bool, shape (n,)
        Whether they were there.
    audible : bool
        Whether that can be told at all.
    """

    heard: BoolArray
    audible: bool


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NeighbourTicks:
    """One neighbour's ticks, matched with its mean click.

    Parameters
    ----------
    at_s : ndarray, shape (n,)
        Best match near each place [s].
    heard : ndarray of bool, shape (n,)
        Whether the match stands out.
    presence : ndarray, shape (n,)
        Match value on a scale from 0, chance, to 1, its usual value [unitless].
    separation : float
        Distance of heard from absent [standard deviations].
    """

    at_s: FloatArray
    heard: BoolArray
    presence: FloatArray
    separation: float


def match_neighbour(
    white: FloatArray, sr: int, start_s: float, expected_s: FloatArray, template: FloatArray, *, before_s: float
) -> NeighbourTicks:
    """Match a neighbour's click near every place it is expected.

    Parameters
    ----------
    white : ndarray, shape (n,)
        Whitened samples [standard deviations].
    sr : int
        Sampling rate [Hz].
    start_s : float
        Time of ``white[0]`` [s].
    expected_s : ndarray, shape (k,)
        Expected times [s].
    template : ndarray, shape (p,)
        Mean click, unit norm [unitless].
    before_s : float
        How long before its place the template starts [s].

    Returns
    -------
    NeighbourTicks
        One row per expected time.
    """
    reach = round(_NEAR_S * sr)

    def best(off: float) -> tuple[FloatArray, FloatArray]:
        rows = cut(white, sr, start_s, expected_s + off, before_s + _NEAR_S, len(template) / sr - before_s + _NEAR_S)
        return peak_place(correlate_rows(rows, template))

    place, value = best(0.0)
    chance = np.concatenate([best(off)[1] for off in _CHANCE_AT_S])
    usual = float(np.median(value))
    spread = np.sqrt((chance.std() ** 2 + robust_spread(value - usual) ** 2) / 2)
    return NeighbourTicks(
        at_s=expected_s + (place - reach) / sr,
        heard=value > (usual + chance.mean()) / 2,
        presence=(value - chance.mean()) / max(usual - float(chance.mean()), 1e-9),
        separation=float((usual - chance.mean()) / spread),
    )


def neighbours_company(neighbours: Sequence[NeighbourTicks], events: int) -> Company:
    """Whether at least half of the audible neighbours ticked around each event.

    Parameters
    ----------
    neighbours : sequence of NeighbourTicks
        One per neighbour, a row per due event.
    events : int
        Number of due events [unitless].

    Returns
    -------
    Company
        Not audible where no neighbour is.
    """
    clear = [n.heard for n in neighbours if n.separation >= AUDIBLE]
    if not clear:
        return Company(heard=np.zeros(events, dtype=bool), audible=False)
    return Company(heard=np.mean(clear, axis=0) >= 0.5, audible=True)


def silent_run(neighbours: Sequence[NeighbourTicks], first: int, last: int) -> bool:
    """Whether the neighbours were silent too in a row of events, all of it and all of them taken together.

    Parameters
    ----------
    neighbours : sequence of NeighbourTicks
        One per neighbour, a row per due event.
    first, last : int
        The row's first event and the one after its last [unitless].

    Returns
    -------
    bool
        True where their mean presence is nearer to chance than to the usual and the difference is clear.
    """
    clear = [n for n in neighbours if n.separation > _LEAST_SEPARATION]
    if not clear:
        return False
    weight = np.array([n.separation**2 for n in clear])
    presence = np.array([float(np.mean(n.presence[first:last])) for n in clear])
    spread = 1 / np.sqrt(float(weight.sum()) * (last - first))
    mean = float(np.average(presence, weights=weight))
    return bool(mean < min(_HALF_GONE, 1 - _CLEAR_RUN * spread))


def engine_company(
    strength: OnsetStrength, clock: CycleClock, own_phases: tuple[float, ...], event_cycles: FloatArray
) -> Company:
    """Whether the engine's other sounds were there in the cycle around each event.

    Parameters
    ----------
    strength : OnsetStrength
        Onset strength in bands [unitless].
    clock : CycleClock
        The engine's cycle.
    own_phases : tuple of float
        Where this injector ticks; left out [cycles].
    event_cycles : ndarray, shape (n,)
        Engine cycle at each due event [cycles].

    Returns
    -------
    Company
        Not audible where they do not stand clear of chance.
    """
    level = strength.bands.mean(axis=0)
    phase = event_cycles[:, None] + (np.arange(_BINS) - _BINS // 2) / _BINS
    rows = level[frames_at(strength, clock, phase)]
    interval = cycle_length(clock)
    place = (np.arange(_BINS) - _BINS // 2) / _BINS
    keep = np.ones(_BINS, dtype=bool)
    for other in own_phases:
        away = wrapped(place - (other - own_phases[0])) * interval
        keep &= (away < -_OWN_BEFORE_S) | (away > _OWN_AFTER_S)
    if not keep.any():  # at thousands of revolutions the own ticks fill the cycle
        return Company(heard=np.zeros(len(rows), dtype=bool), audible=False)
    rows = np.where(keep, rows - rows[:, keep].mean(axis=1, keepdims=True), 0.0)
    profile = rows.mean(axis=0)
    everywhere = fft.irfft(fft.rfft(rows, axis=1) * np.conj(fft.rfft(profile)), _BINS, axis=1)
    value, chance = everywhere[:, 0], everywhere[:, _BINS // 8 : -_BINS // 8]
    spread = np.sqrt((chance.var() + value.var()) / 2)
    clear = float((np.median(value) - chance.mean()) / max(float(spread), 1e-12)) >= AUDIBLE
    return Company(heard=value > (np.median(value) + chance.mean()) / 2, audible=clear)
