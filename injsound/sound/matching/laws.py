"""The laws that matches follow: of chance, of another sound at the tick's place, and of heard ticks."""

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy import special

from injsound.sound.signals import robust_spread
from injsound.values import FloatArray

BoolArray = npt.NDArray[np.bool_]

# So often a missing tick leaves what is met elsewhere: from memory.
_AS_ELSEWHERE = 0.1
# This share of the ticks is struck at levels that differ this many times more: measured, docs/methods.md.
_UNEVEN, _UNEVEN_TIMES = 0.05, 2.0
# Smallest spread of heard ticks, and of their own levels as a share of these.
_LEAST_SPREAD, _LEAST_SHARE = 0.7, 0.01


def log_normal(deviate: FloatArray, sd: float | FloatArray) -> FloatArray:
    """Normal law.

    Parameters
    ----------
    deviate : ndarray, shape (n,)
        Distance from the mean [standard deviations of the law].
    sd : float or ndarray, shape (n,)
        That standard deviation, in the unit of the values.

    Returns
    -------
    ndarray, shape (n,)
        Natural log of the density.
    """
    log: FloatArray = -0.5 * deviate**2 - np.log(sd * np.sqrt(2 * np.pi))
    return log


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Chance:
    """The highest of many noise values: Gumbel's law.

    Parameters
    ----------
    place, scale : float
        Its most likely value, and how far it spreads: 1.28 scales make a standard deviation [standard deviations].
    """

    place: float
    scale: float

    def log_density(self, value: FloatArray) -> FloatArray:
        """How likely such matches are by chance; less than that is no less likely.

        Parameters
        ----------
        value : ndarray, shape (n,)
            Matches [standard deviations].

        Returns
        -------
        ndarray, shape (n,)
            Natural log of the density.
        """
        z = (np.maximum(value, self.place - self.scale) - self.place) / self.scale
        log: FloatArray = -z - np.exp(-z) - np.log(self.scale)
        return log

    def deviate(self, value: FloatArray) -> FloatArray:
        """Of the normal law, what is exceeded as often as the value by chance.

        Parameters
        ----------
        value : ndarray, shape (n,)
            Matches [standard deviations].

        Returns
        -------
        ndarray, shape (n,)
            Normal deviates [standard deviations].
        """
        beyond: FloatArray = -special.ndtri(-np.expm1(-np.exp(-(value - self.place) / self.scale)))
        return beyond


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ChanceSeen:
    """Chance at the tick's own place, where enough ticks are missing to show it: now and then as loud as elsewhere.

    Parameters
    ----------
    here, elsewhere : Chance
        What most missing ticks leave, and what is met a few milliseconds away.
    """

    here: Chance
    elsewhere: Chance

    @property
    def place(self) -> float:
        """Most likely value [standard deviations]."""
        return self.here.place

    @property
    def scale(self) -> float:
        """How far it spreads [standard deviations]."""
        return self.here.scale

    def log_density(self, value: FloatArray) -> FloatArray:
        """How likely such matches are by chance.

        Parameters
        ----------
        value : ndarray, shape (n,)
            Matches [standard deviations].

        Returns
        -------
        ndarray, shape (n,)
            Natural log of the density.
        """
        log: FloatArray = np.logaddexp(
            np.log1p(-_AS_ELSEWHERE) + self.here.log_density(value),
            np.log(_AS_ELSEWHERE) + self.elsewhere.log_density(value),
        )
        return log


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OtherSound:
    """A sound of some level: a normal law.

    Parameters
    ----------
    place, scale : float
        Its mean and standard deviation [standard deviations].
    """

    place: float
    scale: float

    def log_density(self, value: FloatArray) -> FloatArray:
        """How likely such matches are beside that sound alone; less is no less likely.

        Parameters
        ----------
        value : ndarray, shape (n,)
            Matches [standard deviations].

        Returns
        -------
        ndarray, shape (n,)
            Natural log of the density.
        """
        return log_normal(np.maximum(self.deviate(value), 0), self.scale)

    def deviate(self, value: FloatArray) -> FloatArray:
        """How far a value lies over the sound.

        Parameters
        ----------
        value : ndarray, shape (n,)
            Matches [standard deviations].

        Returns
        -------
        ndarray, shape (n,)
            In its spreads [standard deviations].
        """
        return (value - self.place) / self.scale


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Ticks:
    """Heard ticks: each struck at a level of its own, so the spread goes with the level, over noise that does not.

    On the scale asinh(share value / noise) / share both together have one spread (Durbin and others, Bioinformatics 18,
    S105-S110, 2002, from memory). A few ticks are struck less evenly, or met by a blow of the engine's: a second normal
    law, wider in level and, ``blows`` times, in noise.

    Parameters
    ----------
    usual : ndarray, shape (n,)
        Usual match around each event [standard deviations].
    sd : float
        Spread where each match counts alike [standard deviations].
    noise : float
        Spread by the sound behind a match alone [standard deviations].
    share : float
        Spread of the ticks' own levels over these [unitless].
    spread : float
        Spread on the scale on which it is the same for all [standard deviations].
    blows : float
        How many times wider in noise the second law is [unitless].
    """

    usual: FloatArray
    sd: float
    noise: float
    share: float
    spread: float = 1.0
    blows: float = 1.0

    def deviate(self, value: FloatArray, usual: float) -> FloatArray:
        """Of the normal law, what a tick falls short of as often as of the value.

        Parameters
        ----------
        value : ndarray, shape (n,)
            Matches [standard deviations].
        usual : float
            What ticks usually match by [standard deviations].

        Returns
        -------
        ndarray, shape (n,)
            Normal deviates [standard deviations].
        """
        short = (1 - _UNEVEN) * special.ndtr(-self._below(value, usual))
        short += _UNEVEN * special.ndtr(-self._uneven()._below(value, usual))
        beyond: FloatArray = -special.ndtri(short)
        return beyond

    def log_density(self, value: FloatArray) -> FloatArray:
        """How likely such matches are of ticks; more than usual is no less likely.

        Parameters
        ----------
        value : ndarray, shape (n,)
            Matches [standard deviations].

        Returns
        -------
        ndarray, shape (n,)
            Natural log of the density.
        """
        log: FloatArray = np.logaddexp(
            np.log1p(-_UNEVEN) + self._log_normal(value), np.log(_UNEVEN) + self._uneven()._log_normal(value)
        )
        return log

    def _uneven(self) -> "Ticks":
        return replace(self, share=_UNEVEN_TIMES * self.share, noise=self.blows * self.noise)

    def _log_normal(self, value: FloatArray) -> FloatArray:
        # What one step on the even scale is there.
        step = np.hypot(self.noise, self.share * np.minimum(value, self.usual))
        return log_normal(self._below(value, self.usual), self.spread * step)

    def _below(self, value: FloatArray, usual: FloatArray | float) -> FloatArray:
        """How far a value lies under the usual one, in spreads; above its usual value a tick stays a tick."""
        below: FloatArray = np.maximum(self._even(np.asarray(usual)) - self._even(value), 0) / self.spread
        return below

    def _even(self, value: FloatArray) -> FloatArray:
        even: FloatArray = np.arcsinh(self.share * value / self.noise) / self.share
        return even

    @classmethod
    def learnt(
        cls, value: FloatArray, usual: FloatArray, heard: BoolArray, noise: float, blows: float = 1.0
    ) -> "Ticks":
        """Learn the law from the events that are heard.

        Parameters
        ----------
        value, usual : ndarray, shape (n,)
            Match of each event, and the usual one around it [standard deviations].
        heard : ndarray of bool, shape (n,)
            Which are heard.
        noise : float
            Spread by the sound behind a match alone [standard deviations].
        blows : float
            How many times wider in noise the second law is [unitless].

        Returns
        -------
        Ticks
            The law.
        """
        sd = _spread((value - usual)[heard])
        noise = min(noise, sd)
        level = max(float(np.median(usual)), sd)
        share = max(np.sqrt(sd**2 - noise**2) / level, _LEAST_SHARE)
        law = cls(usual=usual, sd=sd, noise=noise, share=share, blows=blows)
        return replace(law, spread=_spread((law._even(value) - law._even(usual))[heard]))


def _spread(apart: FloatArray) -> float:
    return max(robust_spread(apart), _LEAST_SPREAD) if len(apart) else 1.0
