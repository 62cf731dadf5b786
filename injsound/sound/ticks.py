"""Which tick in the engine's cycle is this injector's.

Candidates are phases at which the sound rises steadily from cycle to cycle. Each is measured on the whitened signal:
the mean waveform of its aligned clicks, how far they stand out of the sound around them, how narrowly they keep their
place, and whether a second click follows or goes before at a constant gap in milliseconds. An injector's tick is such
a doublet (open, close); a valve's is longer, lower and scatters more.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from enum import StrEnum
from itertools import zip_longest

import numpy as np
from scipy import ndimage

from injsound.results import CycleClock, FloatArray, OnsetStrength
from injsound.sound.signals import align_clicks, correlate_rows, cut, mean_strikes, on_samples, time_at

# One click of a tick: from just before its rise until most of its ring-down is over.
PRE_S, POST_S = 0.0005, 0.0025
# The clock is right to about half a millisecond; a click is looked for this far to both sides.
REACH_S = 0.0015
# Open time of a port injector, with margin: warm-idle pulse width 1.8 to 4 ms (a maker's service text), up to 8 ms.
GAP_MIN_S, GAP_MAX_S = 0.0012, 0.0085
_APART_S = 0.0022
# So many cycles, drawn so that no regular pattern of skips meets them, show what recurs; more only cost time.
_MOST_CYCLES = 160
# Two candidates are open and close of one tick if they lie as far apart as either one's gap says.
_SAME_GAP_S, _RING_S = 0.0012, 0.0035
# Open and close strike each other's force within 13 dB, and far over what else struck meanwhile: docs/methods.md.
_PARTNER_SHARE, _PARTNER_OVER = 0.05, 15.0
# An injector's gap varies by some 10 us; two valves, each by 0.1 to 0.3 ms (from memory).
_LOOSE_S, _LOOSE_SCATTER_S, _CLEAR_CLICK = 0.0008, 0.13e-3, 6.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Candidate:
    """A click that recurs at one phase of the cycle.

    Parameters
    ----------
    phase : float
        Its place in the cycle [cycles].
    amplitude : float
        Norm of the mean aligned waveform, over what is left of each click without it [standard deviations].
    level : float
        Norm of the mean aligned waveform [standard deviations of the usual background].
    separation : float
        Median of the upper half of its match values over matches in the sound around [standard deviations].
    scatter_s : float
        How far it moves from one cycle to the next [s].
    centre_hz, spread_hz : float
        Spectral centroid and spread of the whitened mean waveform [Hz].
    length_s : float
        Time that holds the middle 85 % of the mean waveform's energy [s].
    gap_s : float
        Gap to a partner click, positive where the partner follows; nan without one [s].
    template : ndarray, shape (p,)
        Mean whitened click, unit norm [unitless].
    lead_s : float
        From the start of the template to the strike, which is the click's place [s].
    rise : float
        How much the sound rises there, in the upper half of the cycles [natural log of energy].
    """

    phase: float
    amplitude: float
    level: float
    separation: float
    scatter_s: float
    centre_hz: float
    spread_hz: float
    length_s: float
    gap_s: float
    template: FloatArray
    lead_s: float
    rise: float = 0.0


def steady_rises(strength: OnsetStrength, clock: CycleClock, *, count: int = 20) -> tuple[FloatArray, FloatArray]:
    """Phases at which the sound rises for a moment in cycle after cycle.

    Parameters
    ----------
    strength : OnsetStrength
        Onset strength in bands [unitless].
    clock : CycleClock
        The engine's cycle.
    count : int
        How many at most [unitless].

    Returns
    -------
    phases : ndarray, shape (m,), m <= count
        Phases [cycles].
    rises : ndarray, shape (m,)
        Mean rise in the upper half of the cycles, above the cycle's usual one, in the three bands that rise most
        [natural log of energy].
    """
    bins = round(_interval(clock) / strength.hop_s)
    first, last = np.ceil(clock.cycles[0]), np.floor(clock.cycles[-1])
    phases = np.arange(first, last)[:, None] + np.arange(bins) / bins
    frame = np.round((time_at(clock, phases.ravel()) - strength.start_s) / strength.hop_s).astype(int)
    frame = np.clip(frame, 0, strength.bands.shape[1] - 1).reshape(phases.shape)
    rise, brief = _rises(strength)
    near = ndimage.maximum_filter1d(rise, 2 * round(0.001 / strength.hop_s) + 1, axis=1)
    together = _most(np.stack([_upper_half(band[frame]) for band in near]))
    steady = np.stack([_steadiness(band[frame]) for band in brief])
    guard = max(1, round(_APART_S / strength.hop_s))
    ranked = [_peaks(score, guard, 12) for score in (steady.sum(axis=0), _most(steady))]
    ranked += [_peaks(score, guard, 4) for score in (together, *steady)]
    found: list[int] = []
    for place in (p for ranks in zip_longest(*ranked) for p in ranks if p is not None):
        if all(min((place - other) % bins, (other - place) % bins) > guard for other in found):
            found.append(place)
    found = found[:count]
    return np.array(found) / bins, together[found]


def _most(bands: FloatArray) -> FloatArray:
    """Mean of the three bands that rise most."""
    most: FloatArray = np.sort(bands, axis=0)[-3:].mean(axis=0)
    return most


def _upper_half(folded: FloatArray) -> FloatArray:
    """Mean over the upper half of the cycles, above the usual one of all phases."""
    middle = len(folded) // 2
    upper: FloatArray = np.partition(folded, middle, axis=0)[middle:].mean(axis=0)
    return upper - np.median(upper)


def _steadiness(folded: FloatArray) -> FloatArray:
    """Mean over the cycles, above the usual one of all phases, in standard errors."""
    mean = folded.mean(axis=0)
    steadiness: FloatArray = (mean - np.median(mean)) / (folded.std(axis=0) + 0.1) * np.sqrt(len(folded))
    return steadiness


def _peaks(score: FloatArray, guard: int, count: int) -> list[int]:
    """Highest places of a circular score, a guard apart."""
    left = score.copy()
    found: list[int] = []
    for _ in range(count):
        top = int(left.argmax())
        found.append(top)
        left[np.arange(top - guard, top + guard + 1) % len(left)] = -np.inf
    return found


def _rises(strength: OnsetStrength) -> tuple[FloatArray, FloatArray]:
    """Mean log energy in the millisecond after a frame minus that in the two before, and minus that of a while after.

    The while after is the median of 5 ms, which a close tick in it does not lift.
    """
    per_ms = max(1, round(0.001 / strength.hop_s))
    level = strength.bands
    n = level.shape[1]
    total = np.concatenate([np.zeros((len(level), 1)), np.cumsum(level, axis=1)], axis=1)
    at = np.arange(n)
    now = (total[:, np.minimum(at + 1 + per_ms, n)] - total[:, np.minimum(at + 1, n)]) / per_ms
    before = (total[:, at] - total[:, np.maximum(at - 2 * per_ms, 0)]) / (2 * per_ms)
    later = ndimage.median_filter(level, size=(1, 5 * per_ms), mode="nearest")
    later = later[:, np.minimum(at + round(4.5 * per_ms), n - 1)]
    return now - before, now - np.maximum(before, later)


def _interval(clock: CycleClock) -> float:
    return float(np.median(np.diff(clock.times_s) / np.diff(clock.cycles)))


def measure_candidate(
    y: FloatArray, white: FloatArray, sr: int, start_s: float, clock: CycleClock, *, phase: float, rise: float = 0.0
) -> Candidate:
    """Measure the click near a phase on the whitened signal.

    Parameters
    ----------
    y : ndarray, shape (n,)
        Samples [unitless].
    white : ndarray, shape (n,)
        Whitened samples [standard deviations].
    sr : int
        Sampling rate [Hz].
    start_s : float
        Time of ``white[0]`` [s].
    clock : CycleClock
        The engine's cycle.
    phase : float
        Where to look [cycles].
    rise : float
        How much the sound rises there [natural log of energy].

    Returns
    -------
    Candidate
        Its place is moved onto the click found.
    """
    cycles = np.arange(np.ceil(clock.cycles[0] - phase), np.floor(clock.cycles[-1] - phase) + 1)
    cycles = cycles[np.sort(np.random.default_rng(0).permutation(len(cycles))[:_MOST_CYCLES])]
    due = on_samples(time_at(clock, cycles + phase), sr, start_s)
    clicks = align_clicks(cut(white, sr, start_s, due, PRE_S + REACH_S, POST_S + REACH_S), sr, reach_s=REACH_S)
    heard = clicks.value >= np.median(clicks.value)
    shift_s = (clicks.place - round(REACH_S * sr)) / sr
    around = np.concatenate(
        [
            correlate_rows(
                cut(white, sr, start_s, on_samples(due + off, sr, start_s), REACH_S, PRE_S + POST_S + REACH_S),
                clicks.template,
            )
            for off in (-0.0080, 0.0115)
        ]
    ).max(axis=1)
    spectrum = np.abs(np.fft.rfft(clicks.template, 1024)) ** 2
    f = np.fft.rfftfreq(1024, 1 / sr)
    centre = float(np.sum(f * spectrum) / np.sum(spectrum))
    energy = np.cumsum(clicks.template**2)
    at = on_samples((due + shift_s)[heard], sr, start_s)
    clear = clicks.amplitude >= LEAST_AMPLITUDE * clicks.noise
    strike_s, gap_s = _strikes_of(y, white, sr, start_s, at) if clear else (0.0, float("nan"))
    middle = float(np.median(shift_s[heard])) + strike_s
    return Candidate(
        phase=(phase + middle / _interval(clock)) % 1.0,
        amplitude=clicks.amplitude / clicks.noise,
        level=clicks.amplitude,
        separation=float((np.median(clicks.value[heard]) - around.mean()) / around.std()),
        scatter_s=float(1.4826 * np.median(np.abs(np.diff(shift_s[heard]))) / np.sqrt(2)),
        centre_hz=centre,
        spread_hz=float(np.sqrt(np.sum((f - centre) ** 2 * spectrum) / np.sum(spectrum))),
        length_s=float(np.searchsorted(energy, 0.9) - np.searchsorted(energy, 0.05)) / sr,
        gap_s=gap_s,
        template=clicks.template,
        lead_s=PRE_S + strike_s,
        rise=rise,
    )


def _strikes_of(y: FloatArray, white: FloatArray, sr: int, start_s: float, at: FloatArray) -> tuple[float, float]:
    """Where the strike of aligned clicks lies, and the gap from it to a second one; nan where there is none."""
    side = GAP_MAX_S + 0.004
    strikes = mean_strikes(y, sr, start_s, at, side, side)
    power = ndimage.uniform_filter1d(strikes**2, max(3, round(0.00012 * sr)))
    offset = (np.arange(len(power)) - round(side * sr)) / sr
    own = (offset >= -PRE_S) & (offset <= POST_S)
    first = int(np.where(own, power, 0).argmax())
    apart = np.abs(offset - offset[first])
    inside = (apart >= GAP_MIN_S) & (apart <= GAP_MAX_S)
    second = int(np.where(inside, power, 0).argmax())
    clear = max(_PARTNER_SHARE * power[first], _PARTNER_OVER * float(np.median(power[inside])))
    strike = float(offset[first])
    if power[second] < clear or _apart_by_angle(white, sr, start_s, at + float(offset[second])):
        return strike, float("nan")
    return strike, float(offset[second]) - strike


def _apart_by_angle(white: FloatArray, sr: int, start_s: float, at: FloatArray) -> bool:
    """Whether a clear second click moves against the first: two valves at two angles, not one solenoid."""
    clicks = align_clicks(
        cut(white, sr, start_s, on_samples(at, sr, start_s), PRE_S + _LOOSE_S, POST_S + _LOOSE_S), sr, reach_s=_LOOSE_S
    )
    moves = 1.4826 * float(np.median(np.abs(clicks.place - np.median(clicks.place)))) / sr
    return clicks.amplitude > _CLEAR_CLICK * clicks.noise and moves > _LOOSE_SCATTER_S


# --- choice ---------------------------------------------------------------------------------------------------------

# The mean of aligned noise reaches 3.5 to 4.3; measured on noise and on a real engine: docs/methods.md.
LEAST_AMPLITUDE = 4.8
# Clicks of an injector keep their place to a tenth of a millisecond, the clock to three; combustion and loose parts
# moved by 0.4 to 0.9 ms on four real engines: docs/methods.md.
MOST_SCATTER_S = 0.40e-3
_SCATTER_SCALE_S = 0.15e-3
# A click that rings no longer than this struck nothing solid: pick-up, or a tone that starts at once.
_LEAST_LENGTH_S = 0.3e-3
# So high a click may be a solenoid's; a faint one moves by as much as noise moves its place.
_HIGH_CENTRE_HZ, _PLAIN_AMPLITUDE = 7_000.0, 6.5
# So steady a loud click may be a solenoid's however low it sounds; clicks of a real engine as low moved by 70 us and
# more.
_SOLENOID_SCATTER_S = 0.12e-3
_OUTSHINES = 2.0
# Above chance, but not to be named.
_FAINT_AMPLITUDE = 4.5
# Where the engine's own clicks stand out this much, an injector under the probe would be heard beside them.
_LOUD_ENGINE = 8.0
# A second candidate this close to the first could as well be the one: measured on real engines, docs/methods.md.
_CLOSE = 0.75
# A lone click below this is a valve's rather than a solenoid's: on recordings of both, docs/methods.md.
_LEAST_LONE_CENTRE_HZ = 4_500.0
_MOST_LONE_SCATTER_S = 0.20e-3
_CENTRE_SCALE_HZ, _LOW_SHARE = 800.0, 0.15
# Neighbours lie at k/N of the cycle, to about this much.
_SLOT_S = 0.0015
# Less louder than the loudest neighbour while another place is silent, a tick may be a neighbour's own and the silent
# place this injector's; path loss along a rail: from memory, measured on simulated engines, docs/methods.md.
_OWN_OVER_NEIGHBOUR_DB, _SURE_OVER_NEIGHBOUR_DB = 4.0, 8.0
_OWN_OVER_ALL_DB, _SURE_OVER_ALL_DB = 1.5, 3.0
# So alike that the loudest is no nearer than the rest.
_ALIKE_DB = 1.0
# Alone in the cycle, it must be so loud that the neighbours' ticks would be heard if this were one of them.
_SURE_ALONE = 10.0
# The mean of aligned noise has this norm; levels are compared without it.
_NOISE_LEVEL = 3.5
# The open click stands for the tick where it stands out this much, as a share of the close click.
_OPEN_SHARE = 0.6
# A neighbour's place: its click lies this close to k/N of the cycle and moves no more than the own one.
_SLOT_PLACE_S, _SLOT_SCATTER = 0.0003, 1.7
_COMMON_CYLINDERS = (3, 4, 5, 6, 8)


class Found(StrEnum):
    """What the search for this injector's tick ended in."""

    OWN = "own"
    NOTHING = "nothing ticks"
    ENGINE_ONLY = "engine only"
    OWN_SILENT = "own place silent"
    TWO = "two candidates"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Choice:
    """Which candidate is this injector's tick.

    Parameters
    ----------
    found : Found
        How the search ended.
    own : Candidate or None
        The tick, also where it is in doubt.
    rival : Candidate or None
        The other candidate, where two are close.
    slots : tuple of Candidate
        Ticks of neighbours, by phase after the own tick.
    sure : bool
        Whether it cannot well be a neighbour's tick.
    """

    found: Found
    own: Candidate | None = None
    rival: Candidate | None = None
    slots: tuple[Candidate, ...] = ()
    sure: bool = False


def choose_tick(
    y: FloatArray,
    white: FloatArray,
    sr: int,
    start_s: float,
    strength: OnsetStrength,
    clock: CycleClock,
    *,
    cylinders: int | None,
    per_cycle: int = 1,
) -> Choice:
    """Find this injector's tick among all that recurs in the cycle.

    Parameters
    ----------
    y : ndarray, shape (n,)
        Samples [unitless].
    white : ndarray, shape (n,)
        Whitened samples [standard deviations].
    sr : int
        Sampling rate [Hz].
    start_s : float
        Time of ``white[0]`` [s].
    strength : OnsetStrength
        Onset strength in bands [unitless].
    clock : CycleClock
        The engine's cycle.
    cylinders : int or None
        Number of cylinders, if known [unitless].
    per_cycle : int
        Ticks of one injector per cycle: 1 sequential, 2 batch [unitless].

    Returns
    -------
    Choice
        The tick or the reason why none can be named.
    """

    def measured(phase: float, rise: float) -> Candidate:
        return measure_candidate(y, white, sr, start_s, clock, phase=phase, rise=rise)

    interval = _interval(clock)
    all_found = [measured(p, r) for p, r in zip(*steady_rises(strength, clock), strict=True)]
    recurring = [c for c in all_found if _recurs(c)]
    if not recurring:
        return Choice(found=Found.NOTHING)
    least_s = min(c.scatter_s for c in recurring)

    def weight(c: Candidate) -> float:
        return _weight(c, least_s)

    ticks = _doublets(recurring, interval, weight)
    like = [c for c in ticks if _like_injector(c)]
    if not like:
        plain = max(c.amplitude for c in ticks) >= _LOUD_ENGINE and not any(_may_be_own(c) for c in all_found)
        return Choice(found=Found.ENGINE_ONLY if plain else Found.NOTHING, own=max(ticks, key=weight))
    own = max(like, key=weight)
    if _is_faint(own) and any(_outshines(c, own) for c in ticks):
        return Choice(found=Found.NOTHING, own=own)
    own = _open_click(own, measured, interval)
    slots, places = _neighbours(own, ticks, measured, interval, cylinders, per_cycle)
    others = [c for c in ticks if c not in slots and _apart(c, own, per_cycle) * interval > GAP_MAX_S]
    rivals = [c for c in others if c in like and weight(c) > _CLOSE * weight(own)]
    return _judge_choice(own, slots, places, rivals, counted=cylinders is not None)


def _judge_choice(
    own: Candidate, slots: tuple[Candidate, ...], places: int, rivals: list[Candidate], *, counted: bool
) -> Choice:
    """Own tick, a neighbour's with the own place silent, or in doubt."""
    sure = _level(own) >= _SURE_ALONE
    if slots:
        loudest = max(slots, key=_level)
        over_db = 20 * np.log10(_level(own) / _level(loudest))
        silent = places - len(slots)
        least, safe = (
            (_OWN_OVER_NEIGHBOUR_DB, _SURE_OVER_NEIGHBOUR_DB) if silent else (_OWN_OVER_ALL_DB, _SURE_OVER_ALL_DB)
        )
        if over_db < least:
            # One silent place and the rest alike: the silent place is this injector's.
            alike = counted and silent == 1 and len(slots) > 1 and over_db < _ALIKE_DB
            return Choice(found=Found.OWN_SILENT if alike else Found.TWO, own=own, rival=loudest, slots=slots)
        sure = bool(over_db >= safe)
    if rivals:
        return Choice(found=Found.TWO, own=own, rival=rivals[0], slots=slots)
    return Choice(found=Found.OWN, own=own, slots=slots, sure=sure)


def _level(c: Candidate) -> float:
    """Level without what aligned noise adds to it."""
    return float(np.sqrt(max(c.level**2 - _NOISE_LEVEL**2, 0.25)))


def _recurs(c: Candidate) -> bool:
    return c.amplitude >= LEAST_AMPLITUDE and c.scatter_s <= MOST_SCATTER_S and c.separation > 0


def _may_be_own(c: Candidate) -> bool:
    """As high as a solenoid's click but too faint or too unsteady to be named, or as steady but too low."""
    high = c.amplitude >= _FAINT_AMPLITUDE and c.centre_hz >= _HIGH_CENTRE_HZ
    steady = c.amplitude >= _LOUD_ENGINE and c.scatter_s < _SOLENOID_SCATTER_S and c.length_s >= _LEAST_LENGTH_S
    return bool((high or steady) and c.separation > 0)


def _is_faint(c: Candidate) -> bool:
    """Lone, and taken for an injector's for nothing but its height."""
    return c.amplitude < _PLAIN_AMPLITUDE and not np.isfinite(c.gap_s)


def _outshines(c: Candidate, faint: Candidate) -> bool:
    """Far clearer and no less steady, so that the faint one may well be a neighbour's."""
    return c.amplitude > _OUTSHINES * faint.amplitude and c.scatter_s < faint.scatter_s


def _weight(c: Candidate, least_s: float = 0.0) -> float:
    """Steady rise, less where the click moves more than the steadiest one, less where it is as low as valves are."""
    steady = float(np.exp(-max(0.0, c.scatter_s**2 - least_s**2) / _SCATTER_SCALE_S**2))
    high = 1 / (1 + float(np.exp(-(c.centre_hz - _LEAST_LONE_CENTRE_HZ) / _CENTRE_SCALE_HZ)))
    return c.rise * steady * (_LOW_SHARE + (1 - _LOW_SHARE) * high)


def _like_injector(c: Candidate) -> bool:
    """A click that rings, and is a doublet, or lone and too high and too exact for a valve."""
    if c.length_s < _LEAST_LENGTH_S:
        return False
    faint = c.amplitude < _PLAIN_AMPLITUDE and c.centre_hz >= _HIGH_CENTRE_HZ
    if np.isfinite(c.gap_s) or faint:
        return True
    return c.centre_hz >= _LEAST_LONE_CENTRE_HZ and c.scatter_s <= _MOST_LONE_SCATTER_S


def _apart(a: Candidate, b: Candidate, per_cycle: int) -> float:
    """Distance of two phases on the circle [cycles]."""
    period = 1 / per_cycle
    away = (a.phase - b.phase) % period
    return min(away, period - away)


def _doublets(clicks: list[Candidate], interval: float, weight: Callable[[Candidate], float]) -> list[Candidate]:
    """Of the two clicks of a doublet keep the one that rises more, with the gap where only the other one shows it."""
    kept: list[Candidate] = []
    for click in sorted(clicks, key=weight, reverse=True):
        same = [k for k, other in enumerate(kept) if _one_tick(click, other, interval)]
        if not same:
            kept.append(click)
        elif not np.isfinite(kept[same[0]].gap_s) and _points_at(click, kept[same[0]], interval):
            kept[same[0]] = replace(kept[same[0]], gap_s=-click.gap_s)
    return kept


def _points_at(click: Candidate, other: Candidate, interval: float) -> bool:
    """Whether a click's partner is the other one."""
    apart = ((other.phase - click.phase + 0.5) % 1.0 - 0.5) * interval
    return bool(abs(apart - click.gap_s) < _SLOT_PLACE_S)


def _open_click(own: Candidate, measured: Callable[[float, float], Candidate], interval: float) -> Candidate:
    """The first click of a doublet, where it is nearly as clear: times are told from the open click."""
    if not own.gap_s < 0:
        return own
    first = measured((own.phase + own.gap_s / interval) % 1.0, own.rise)
    clear = first.amplitude >= max(LEAST_AMPLITUDE, _OPEN_SHARE * own.amplitude)
    return first if clear and abs(first.gap_s + own.gap_s) < _SAME_GAP_S else own


def _one_tick(a: Candidate, b: Candidate, interval: float) -> bool:
    """Whether two clicks are open and close, or the ring, of the same tick."""
    apart = ((b.phase - a.phase + 0.5) % 1.0 - 0.5) * interval
    partner = abs(apart - a.gap_s) < _SAME_GAP_S or abs(apart + b.gap_s) < _SAME_GAP_S
    return partner or abs(apart) < _RING_S


def _neighbours(
    own: Candidate,
    ticks: list[Candidate],
    measured: Callable[[float, float], Candidate],
    interval: float,
    cylinders: int | None,
    per_cycle: int,
) -> tuple[tuple[Candidate, ...], int]:
    """Ticks at the other injectors' places and how many places there are; none where no even spacing shows."""

    def at(n: int) -> list[Candidate]:
        found = []
        for k in range(1, n // per_cycle):
            phase = (own.phase + k / n) % 1.0
            near = [
                c for c in ticks if c is not own and _gap(c.phase, phase) * interval < _SLOT_S + abs(_finite(c.gap_s))
            ]
            found += near[:1]
        return found

    if cylinders is None:
        tried = {n: at(n) for n in _COMMON_CYLINDERS if n % per_cycle == 0}
        cylinders, found = max(
            tried.items(), key=lambda item: (len(item[1]) / (item[0] // per_cycle - 1 or 1), -item[0])
        )
        if len(found) < 2:
            return (), 0
    places = max(0, cylinders // per_cycle - 1)
    slots = []
    for k in range(1, places + 1):
        phase = (own.phase + k / cylinders) % 1.0
        c = measured(phase, 0.0)
        if _is_neighbour(c, own, phase, interval):
            slots.append(c)
    return tuple(slots), places


def _gap(a: float, b: float) -> float:
    away = (a - b) % 1.0
    return min(away, 1.0 - away)


def _is_neighbour(c: Candidate, own: Candidate, phase: float, interval: float) -> bool:
    """A click like the own one at a neighbour's place."""
    exact = _gap(c.phase, phase) * interval < _SLOT_PLACE_S and c.scatter_s < _SLOT_SCATTER * max(own.scatter_s, 5e-5)
    doublet = np.isfinite(c.gap_s) and abs(c.gap_s - own.gap_s) < _SLOT_PLACE_S and _near(c, phase, interval)
    return bool(c.amplitude >= LEAST_AMPLITUDE and (exact or (doublet and _recurs(c))))


def _near(c: Candidate, phase: float, interval: float) -> bool:
    """Either click of a tick lies at the phase."""
    return _gap(c.phase, phase) * interval < _SLOT_S + abs(_finite(c.gap_s))


def _finite(x: float) -> float:
    return x if np.isfinite(x) else 0.0
