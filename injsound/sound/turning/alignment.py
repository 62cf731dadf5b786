"""The engine's common sound lays recordings of one engine over one another.

Each recording's mean cycle is brought to what tells its cylinders apart: what is slower than a click is removed, places
near the probe are made no louder than far ones, what every cylinder does alike is taken away, and so are the injectors'
own places, whose loudness says only where the probe sat. What is left (this valve clacks, that one clicks) is the same
in every recording but for a shift: where the recording happened to begin.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import fft, ndimage

from injsound.sound.clock import apart, frames_at
from injsound.sound.filters import SLOW_S
from injsound.sound.signals import Complex
from injsound.values import CycleClock, FloatArray, OnsetStrength

# One bin a degree of crank: 0.22 ms at 750 1/min, half the hop of the onset strength.
BINS = 720
# An injector's tick starts this long before its place at the earliest, the clock's error included.
_BEFORE_S = 0.0015
# A tick's rise, half a millisecond longer than in a single recording (`rises.py`), and the quiet before it.
_RISE_S, _BEFORE_RISE_S, _MOST_BANDS = 0.0015, 0.002, 3
# Whole degrees are off by half a one: as much is no difference of places.
_SAME_PLACE = 0.5 / BINS
# Finer than two degrees of crank no two recordings agree.
_HARMONICS = 180
# So small a share of the power counts as nothing left.
_TRIFLE = 1e-6
# Descents from random starts, and passes of each: more found nothing better on simulated sets.
_STARTS, _PASSES = 8, 8


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Distinct:
    """What tells the cylinders of one recording apart.

    Parameters
    ----------
    sound : ndarray, shape (n_bands, 720)
        By degree of crank from where the rows start [unitless].
    known : ndarray, shape (720,)
        1, and 0 where an injector's tick may lie [unitless].
    """

    sound: FloatArray
    known: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fit:
    """The places at which all recordings together fit one engine best.

    Parameters
    ----------
    chosen : tuple of int
        Which of its options each recording takes.
    contrast : ndarray, shape (n,)
        How many times more is left unexplained where a recording alone takes the best option elsewhere [unitless].
    engine : ndarray of complex, shape (n_bands, n_harmonics)
        What all share from the crank's zero on, as harmonics of the cycle [unitless].
    """

    chosen: tuple[int, ...]
    contrast: FloatArray
    engine: Complex


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lay:
    """Where a recording without a known tick lies under the engine's sound.

    Parameters
    ----------
    zero : float
        Where in its row the crank's zero lies [cycles].
    peak, second : float
        Correlation there, and at the best place elsewhere [unitless].
    """

    zero: float
    peak: float
    second: float


def cycle_halves(strength: OnsetStrength, clock: CycleClock, *, start: float) -> FloatArray:
    """Mean onset strength per band and degree of crank, over odd and over even cycles.

    Parameters
    ----------
    strength : OnsetStrength
        Onset strength in bands [unitless].
    clock : CycleClock
        The engine's cycle.
    start : float
        Where in the cycle the first degree lies [cycles].

    Returns
    -------
    ndarray of float32, shape (2, n_bands, 720)
        The difference of the two tells how far chance moves their mean [unitless].
    """
    first, last = np.ceil(clock.cycles[0] - start), np.floor(clock.cycles[-1] - start)
    where = start + np.arange(first, last)[:, None] + (np.arange(BINS) + 0.5) / BINS
    frame = frames_at(strength, clock, where)
    means = [np.stack([band[frame[k::2]].mean(axis=0) for band in strength.bands]) for k in (0, 1)]
    return np.stack(means).astype(np.float32)


def distinct_sound(
    halves: FloatArray, *, length_s: float, phases: Sequence[float], places: Sequence[float], after_s: float
) -> Distinct:
    """Bring a mean cycle to what tells its cylinders apart.

    Parameters
    ----------
    halves : ndarray, shape (2, n_bands, 720)
        As from `cycle_halves`.
    length_s : float
        Length of the cycle [s].
    phases : sequence of float
        Where in the cycle the cylinders fire, from anywhere on [cycles].
    places : sequence of float
        Where in the row injectors may tick, to be left out; empty where unknown [cycles].
    after_s : float
        How long after its place an injector's tick is heard [s].

    Returns
    -------
    Distinct
        Sound and what of it is known.
    """
    sound = click_level(halves.mean(axis=0), length_s)
    around = max(3, BINS // len(phases))
    power = ndimage.uniform_filter1d((sound**2).sum(axis=0), around, mode="wrap")
    sound = sound / np.sqrt(np.maximum(power, 1e-12))
    known = np.ones(BINS)
    for place in places:
        first, last = (place - _BEFORE_S / length_s) * BINS, (place + after_s / length_s) * BINS
        known[np.arange(round(first), round(last) + 1) % BINS] = 0.0
    turns = symmetric_turns(phases)
    if len(turns) > 1:
        sound = sound - np.mean([np.roll(sound, turn, axis=1) for turn in turns], axis=0)
    return Distinct(sound=sound * known, known=known)


def click_level(level: FloatArray, length_s: float) -> FloatArray:
    """A mean cycle without what is slower than a click.

    Parameters
    ----------
    level : ndarray, shape (n_bands, 720)
        Mean onset strength [unitless].
    length_s : float
        Length of the cycle [s].

    Returns
    -------
    ndarray, shape (n_bands, 720)
        About zero [unitless].
    """
    slow = ndimage.uniform_filter1d(level, max(3, round(SLOW_S / length_s * BINS)), axis=1, mode="wrap")
    fast: FloatArray = level - slow
    return fast


def rises(halves: FloatArray, length_s: float) -> FloatArray:
    """How much the sound rises at each degree of crank, over what chance alone makes it rise.

    Parameters
    ----------
    halves : ndarray, shape (2, n_bands, 720)
        As from `cycle_halves`.
    length_s : float
        Length of the cycle [s].

    Returns
    -------
    ndarray, shape (720,)
        Rise in the three bands that rise most, in standard deviations of the difference of odd and even cycles
        [unitless].
    """
    after, before = (max(1, round(span / length_s * BINS)) for span in (_RISE_S, _BEFORE_RISE_S))
    total = np.concatenate([np.zeros((*halves.shape[:2], 1)), np.cumsum(np.tile(halves, 3), axis=2)], axis=2)
    at = np.arange(BINS, 2 * BINS)
    risen = (total[..., at + after] - total[..., at]) / after - (total[..., at] - total[..., at - before]) / before
    most = np.sort(risen.mean(axis=0), axis=0)[-_MOST_BANDS:].mean(axis=0)
    chance = float((risen[0] - risen[1]).std()) / 2 / np.sqrt(min(_MOST_BANDS, halves.shape[1]))
    over: FloatArray = most / max(chance, 1e-9)
    return over


def symmetric_turns(phases: Sequence[float]) -> list[int]:
    """Turns of the crank after which the engine fires as before.

    Parameters
    ----------
    phases : sequence of float
        Where in the cycle the cylinders fire [cycles].

    Returns
    -------
    list of int
        The nearest whole ones, rising; the first is none at all [degrees of crank].
    """
    places = np.sort(np.asarray(phases) % 1.0)
    turns = places - places[0]
    # At each turn, of every cylinder to the nearest place; the farthest of them.
    away = apart(places + turns[:, None, None], places[:, None]).min(axis=1).max(axis=1)
    return [round(turn * BINS) for turn in turns[away <= _SAME_PLACE].tolist()]


def fit_order(parts: Sequence[Distinct], options: Sequence[Sequence[tuple[float, float]]]) -> Fit:
    """Choose a place for each recording's tick so that all together fit one engine best.

    What a recording holds is the engine's sound, from the crank's zero on, and the sound of the probe's surroundings,
    from its own tick on; both are fitted by least squares, so that the latter is not taken for the former.

    Parameters
    ----------
    parts : sequence of Distinct
        Three or more recordings of one engine: two fit any order.
    options : sequence of sequences of (float, float)
        For each recording where in its row its tick may lie, and at which phase of the crank [cycles].

    Returns
    -------
    Fit
        Where every option is free the crank's zero is any turn after which the engine fires as before.
    """
    spectra = np.stack([_harmonics(part.sound) for part in parts])
    gram = np.einsum("rbf,sbf->frs", spectra, np.conj(spectra))
    total = float(np.einsum("frr->", gram).real)
    turns = [_turns(some) for some in options]

    def left(chosen: Sequence[int], r: int) -> FloatArray:
        """What each option of one recording leaves unexplained, the others as chosen."""
        return total - _explained(gram, turns, chosen, r)

    ends = [_descend(left, start) for start in _starts(options)]
    best = min(ends, key=lambda end: float(left(end, 0)[end[0]]))
    contrast = np.ones(len(parts))
    for r in range(len(options)):
        rest = left(best, r)
        others = np.delete(rest, best[r]).min(initial=np.inf)
        contrast[r] = (others + _TRIFLE * total) / (rest[best[r]] + _TRIFLE * total)
    engine = _shared(spectra, *_turns([some[c] for some, c in zip(options, best, strict=True)]))
    return Fit(chosen=tuple(best), contrast=contrast, engine=engine)


def lay_under(engine: Complex, part: Distinct, *, near: float) -> Lay:
    """Lay a recording without a known tick under the engine's sound.

    Parameters
    ----------
    engine : ndarray of complex, shape (n_bands, n_harmonics)
        As from `fit_order`.
    part : Distinct
        The recording.
    near : float
        How far apart two places may lie to be called the same [cycles].

    Returns
    -------
    Lay
        With the circular correlation's peak and its second best.
    """
    sound, reach = _harmonics(part.sound), round(near * BINS)
    product = np.zeros((len(sound), BINS // 2 + 1), dtype=complex)
    product[:, 1 : sound.shape[1] + 1] = np.conj(engine) * sound
    like = (
        fft.irfft(product, BINS, axis=1).sum(axis=0)
        * BINS
        / 2
        / max(float(np.linalg.norm(engine) * np.linalg.norm(sound)), 1e-12)
    )
    top = int(like.argmax())
    away = apart(np.arange(float(BINS)), top, BINS) > 2 * reach
    return Lay(zero=top / BINS, peak=float(like[top]), second=float(like[away].max()))


def _harmonics(sound: FloatArray) -> Complex:
    spectrum: Complex = fft.rfft(sound, axis=1)[:, 1 : _HARMONICS + 1]
    return spectrum


def _turns(chosen: Sequence[tuple[float, float]]) -> tuple[Complex, Complex]:
    """How each harmonic of the engine's and of the surroundings' sound is turned at each place."""
    tick, phase = np.array(chosen).T
    order = -2j * np.pi * np.arange(1, _HARMONICS + 1)[:, None]
    return np.exp(order * (tick - phase)), np.exp(order * tick)


def _explained(gram: Complex, turns: Sequence[tuple[Complex, Complex]], chosen: Sequence[int], r: int) -> FloatArray:
    """Power that the two sounds explain by least squares, for every option of one recording."""
    n, ours = len(turns), turns[r]
    rest = [np.stack([turn[k][:, c] for turn, c in zip(turns, chosen, strict=True)], axis=1) for k in (0, 1)]
    for one in rest:
        one[:, r] = 0.0
    along = [(gram @ one[:, :, None])[:, :, 0] for one in rest]

    def form(a: int, b: int) -> Complex:
        """Conjugated turns of sound a, the recordings' products, turns of sound b: only ours change with the option."""
        fixed = (np.conj(rest[a]) * along[b]).sum(axis=1, keepdims=True)
        mixed = np.conj(ours[a]) * along[b][:, [r]] + np.conj(along[a][:, [r]]) * ours[b]
        whole: Complex = fixed + mixed + gram[:, r, [r]] * np.conj(ours[a]) * ours[b]
        return whole

    by_crank, by_probe, mixed = form(0, 0).real, form(1, 1).real, form(0, 1)
    alike = (np.conj(rest[0]) * rest[1]).sum(axis=1, keepdims=True) + np.conj(ours[0]) * ours[1]
    free = n**2 - np.abs(alike) ** 2
    both = (n * by_crank + n * by_probe - 2 * (alike * np.conj(mixed)).real) / np.maximum(free, 1e-9)
    # Harmonics that both turn alike in all recordings cannot be told apart: one sound explains them.
    explained: FloatArray = np.where(free > 1e-6 * n**2, both, by_probe / n).sum(axis=0)
    return explained


def _shared(spectra: Complex, crank: Complex, probe: Complex) -> Complex:
    """The engine's sound by least squares; nothing where it cannot be told from the surroundings'."""
    n = crank.shape[1]
    by_crank = np.einsum("fr,rbf->bf", np.conj(crank), spectra)
    by_probe = np.einsum("fr,rbf->bf", np.conj(probe), spectra)
    alike = np.einsum("fr,fr->f", np.conj(crank), probe)
    free = n**2 - np.abs(alike) ** 2
    engine: Complex = np.where(free > 1e-6 * n**2, (n * by_crank - alike * by_probe) / np.maximum(free, 1e-9), 0.0)
    return engine


def _starts(options: Sequence[Sequence[tuple[float, float]]]) -> list[list[int]]:
    """From where the search starts: every recording at its first option, and a few at random."""
    rng = np.random.default_rng(0)
    return [[0] * len(options), *([int(rng.integers(len(some))) for some in options] for _ in range(_STARTS))]


def _descend(left: Callable[[Sequence[int], int], FloatArray], start: Sequence[int]) -> list[int]:
    """Change one recording's place at a time as long as less is left unexplained."""
    chosen = list(start)
    for _ in range(_PASSES):
        before = list(chosen)
        for r in range(len(chosen)):
            chosen[r] = int(left(chosen, r).argmin())
        if chosen == before:
            break
    return chosen
