"""Lock to the engine's cycle: everything an engine does repeats every 720 degrees of crank.

The clock follows all of the engine's sounds together, so that a tick which goes missing takes no count with it.

Steps, each a function: the local cycle length over time (`interval_path`), a phase for every frame from it, the
best-folding stretch as a first cycle profile (`first_profile`), each cycle's shift against the profile by circular
Viterbi (`follow`), the profile again, and last the shifts within the cycle (`refine`).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import fft, ndimage

from injsound.sound.filters import SLOW_S
from injsound.sound.signals import covered
from injsound.sound.turning.folding import first_profile, flatten, fold, follow, mean_profile, refine, shifted
from injsound.sound.turning.lengths import WINDOW_S, interval_path
from injsound.values import CycleClock, FloatArray, OnsetStrength, Span

# A stretch without sound that is shorter than this leads no clock astray.
_LONG_S = 0.3
# Fewer whole cycles repeat nothing.
_FEWEST = 4
# Noise reaches 0.62, the faintest engines that could be counted 0.68.
_LEAST_AGREEMENT = 0.62
# Share of the usual likeness under which a cycle is not heard: sounding engines keep above 0.8, noise gives 0.
_UNHEARD_SHARE = 0.35


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lock:
    """A followed engine cycle.

    Parameters
    ----------
    clock : CycleClock
        Time against engine cycle.
    profile : ndarray, shape (n_bands, BINS)
        Mean onset strength over the cycle, each band's mean removed [unitless].
    agreement : float
        Correlation of the profiles of odd and even cycles [unitless].
    unheard : ndarray, shape (n_cycles,) of bool
        Cycles whose sound, with that of their surroundings, does not show the profile: the clock is a guess there.
    """

    clock: CycleClock
    profile: FloatArray
    agreement: float
    unheard: npt.NDArray[np.bool_]

    @property
    def holds(self) -> bool:
        """Whether the profiles of odd and even cycles agree, so that cycles can be counted."""
        return self.agreement >= _LEAST_AGREEMENT


def lock_cycle(
    strength: OnsetStrength,
    *,
    interval_s: float,
    profile: FloatArray | None = None,
    clock: CycleClock | None = None,
    without: Sequence[Span] = (),
    revs: bool = True,
) -> Lock | None:
    """Follow the engine's 720-degree cycle through a chapter.

    Parameters
    ----------
    strength : OnsetStrength
        Onset strength in bands [unitless].
    interval_s : float
        Cycle length by the tachometer, 120/rpm [s].
    profile : ndarray, shape (n_bands, BINS), or None
        Profile of an earlier chapter, to keep the place of phase zero.
    clock : CycleClock or None
        A clock that is nearly right, to begin with; None begins with the local cycle length.
    without : sequence of Span
        Stretches whose sound says nothing: the clock runs through the long ones as its surroundings foretell.
    revs : bool
        Whether the engine may have left the typed speed.

    Returns
    -------
    Lock or None
        None where the chapter holds fewer than four cycles.

    References
    ----------
    Folding over period and drift as in pulsar timing, Viterbi over circular shift: docs/methods.md, 'Cycle lock'.
    """
    sound = _hushed(flatten(strength), strength, without)
    if strength.bands.shape[1] * strength.hop_s < _FEWEST * interval_s:
        return None
    if clock is None:
        clock = interval_path(sound, strength, interval_s, revs=revs)
    for stage in range(3):
        if _whole_cycles(clock) < _FEWEST:
            return None
        spectra = fft.rfft(fold(sound, strength, clock), axis=2)
        if stage == 0:
            shape = first_profile(spectra) if profile is None else profile
        for _ in range(2):
            shift = follow(spectra, shape)
            shape = mean_profile(spectra, shift)
        clock = shifted(clock, shift)
    for width_s in (0.006, 0.003):
        cycles = fold(sound, strength, clock)
        shape = cycles.mean(axis=0) if profile is None else profile
        clock = refine(cycles, shape, clock, width_s)
    if _whole_cycles(clock) < _FEWEST:
        return None
    cycles = fold(sound, strength, clock)
    return Lock(
        clock=clock, profile=cycles.mean(axis=0), agreement=_agreement(cycles), unheard=_unheard(cycles, interval_s)
    )


def _hushed(sound: FloatArray, strength: OnsetStrength, without: Sequence[Span]) -> FloatArray:
    """Silence in the long ones of some stretches and where they reach into what lies beside them."""
    times = strength.start_s + strength.hop_s * np.arange(len(sound))
    long = tuple(span for span in without if span.to_s - span.from_s > _LONG_S)
    return np.where(covered(long, times - SLOW_S, times + SLOW_S)[:, None], np.float32(0), sound)


def _whole_cycles(clock: CycleClock) -> int:
    return int(np.floor(clock.cycles[-1]) - np.ceil(clock.cycles[0]))


def _unheard(cycles: FloatArray, interval_s: float) -> npt.NDArray[np.bool_]:
    """Cycles around which the correlation with the profile is far under its usual value."""
    profile = cycles.mean(axis=0)
    norm = np.linalg.norm(cycles, axis=(1, 2)) * np.linalg.norm(profile)
    likeness = np.tensordot(cycles, profile, axes=([1, 2], [0, 1])) / np.maximum(norm, 1e-12)
    around = ndimage.uniform_filter1d(likeness, max(3, round(WINDOW_S / interval_s)), mode="nearest")
    unheard: npt.NDArray[np.bool_] = around < _UNHEARD_SHARE * np.median(around)
    return unheard


def _agreement(cycles: FloatArray) -> float:
    """Correlation of odd and even cycles; 0 where one is silent."""
    odd, even = cycles[1::2].mean(axis=0).ravel(), cycles[::2].mean(axis=0).ravel()
    if min(odd.std(), even.std()) == 0:
        return 0.0
    return float(np.corrcoef(odd, even)[0, 1])
