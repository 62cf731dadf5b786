"""Clicks: damped modes struck at exact times."""

from dataclasses import dataclass, replace

import numpy as np

from injsound.values import FloatArray

_BLOCK = 256


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Click:
    """A body that rings when it is struck.

    Parameters
    ----------
    frequency_hz, damping, weight : ndarray, shape (modes,)
        Frequency [Hz], share of critical damping [unitless] and weight [unitless] of each mode.
    rise_s : float
        Time constant with which the blow builds up; 0 is at once [s].
    """

    frequency_hz: FloatArray
    damping: FloatArray
    weight: FloatArray
    rise_s: float = 0.0

    def peak(self, sr: int) -> float:
        """Highest value of one unvaried strike, never 0: a body too high for the rate is silent [unitless]."""
        highest = float(np.abs(strike_rows(self, sr, np.zeros(1), np.ones((1, len(self.weight))))).max())
        return max(highest, 1e-9)


def strike_rows(click: Click, sr: int, offset: FloatArray, blow: FloatArray) -> FloatArray:
    """Sample strikes that begin a fraction of a sample after each row's first sample.

    Parameters
    ----------
    click : Click
        What rings.
    sr : int
        Sampling rate [Hz].
    offset : ndarray, shape (k,)
        Start of each strike after the first sample [samples].
    blow : ndarray, shape (k, modes)
        How hard each mode is struck [unitless].

    Returns
    -------
    ndarray, shape (k, m)
        Samples, until the slowest mode has fallen by 60 dB or 25 ms have passed.
    """
    decay = 2 * np.pi * click.frequency_hz * click.damping
    length = min(0.025, 6.9 / float(decay.min()) + 4 * click.rise_s)
    t = (np.arange(round(length * sr)) - offset[:, None]) / sr
    after = np.maximum(t, 0.0)
    rows = np.zeros_like(t)
    for k, (f, d) in enumerate(zip(click.frequency_hz, decay, strict=True)):
        if f < 0.48 * sr:  # a mode above half the rate is not recorded
            rows += (blow[:, k] * click.weight[k])[:, None] * np.exp(-d * after) * np.sin(2 * np.pi * f * after)
    if click.rise_s:
        rows *= 1 - np.exp(-after / click.rise_s)
    return np.where(t >= 0, rows, 0.0)


def add_strikes(
    y: FloatArray, sr: int, click: Click, at_s: FloatArray, level: FloatArray, vary: float, rng: np.random.Generator
) -> None:
    """Add strikes to a signal in place.

    Parameters
    ----------
    y : ndarray, shape (n,)
        Signal; changed [unitless].
    sr : int
        Sampling rate [Hz].
    click : Click
        What rings.
    at_s : ndarray, shape (k,)
        When it is struck [s].
    level : ndarray, shape (k,)
        How hard [unitless].
    vary : float
        Relative standard deviation of each mode's share from blow to blow [unitless].
    rng : Generator
        Randomness of the blows.
    """
    blow = level[:, None] * (1 + vary * rng.standard_normal((len(at_s), len(click.weight))))
    for first in range(0, len(at_s), _BLOCK):
        place = at_s[first : first + _BLOCK] * sr
        start = np.ceil(place).astype(int)
        rows = strike_rows(click, sr, place - start, blow[first : first + _BLOCK])
        index = start[:, None] + np.arange(rows.shape[1])
        inside = (index >= 0) & (index < len(y))
        np.add.at(y, index[inside], rows[inside])


def injector_clicks(rng: np.random.Generator) -> tuple[Click, Click]:
    """Open and close click of one injector body: the same modes, struck at two places.

    Parameters
    ----------
    rng : Generator
        Randomness of the body.

    Returns
    -------
    tuple of Click
        Open, close; 2 to 12 kHz and damping 0.02 to 0.1 as in docs/methods.md.
    """
    modes = int(rng.integers(3, 6))
    frequency = np.sort(rng.uniform(2_000, 11_500, modes))
    frequency[0] = rng.uniform(2_000, 3_500)  # every body has a low mode; a lone high one would vanish in a phone
    damping = rng.uniform(0.02, 0.09, modes)
    weights = [rng.uniform(0.3, 1.0, modes), rng.uniform(0.3, 1.0, modes) * rng.uniform(0.5, 1.4)]
    return tuple(Click(frequency_hz=frequency, damping=damping, weight=w) for w in weights)  # type: ignore[return-value]


def softened(click: Click, contact_s: float) -> Click:
    """The same body struck by a blow that presses longer, so that its high modes are excited less.

    Parameters
    ----------
    click : Click
        What rings.
    contact_s : float
        Length of the blow, a half sine [s].

    Returns
    -------
    Click
        Its modes weighted by the spectrum of that blow, 1 at 0 Hz.
    """
    turns = click.frequency_hz * contact_s
    # At half a turn both vanish; a hair beside it the ratio is its limit, pi / 4.
    turns = np.where(np.abs(turns - 0.5) < 1e-6, 0.5 + 1e-6, turns)
    return replace(click, weight=click.weight * np.abs(np.cos(np.pi * turns) / (1 - (2 * turns) ** 2)))


def neighbour_click(click: Click, rng: np.random.Generator) -> Click:
    """A fellow injector heard through the rail: other weights, the high modes lost on the way.

    Parameters
    ----------
    click : Click
        The own click.
    rng : Generator
        Randomness of the fellow.

    Returns
    -------
    Click
        With modes moved by some percent.
    """
    modes = len(click.weight)
    return Click(
        frequency_hz=click.frequency_hz * rng.uniform(0.94, 1.06, modes),
        damping=click.damping * rng.uniform(1.0, 1.4, modes),
        weight=click.weight * rng.uniform(0.6, 1.4, modes) * np.exp(-click.frequency_hz / 12_000),
    )


def valve_click(rng: np.random.Generator) -> Click:
    """A valve closing: lower and longer than an injector's click, and not at once.

    Parameters
    ----------
    rng : Generator
        Randomness of the valve.

    Returns
    -------
    Click
        1 to 5 kHz.
    """
    modes = 4
    return Click(
        frequency_hz=rng.uniform(1_000, 5_000, modes),
        damping=rng.uniform(0.02, 0.05, modes),
        weight=rng.uniform(0.3, 1.0, modes),
        rise_s=0.0003,
    )


def varied(kind: Click, own: Click, variety: float) -> Click:
    """A body between one of a kind and one of its own.

    Parameters
    ----------
    kind, own : Click
        With as many modes.
    variety : float
        0 gives the kind, 1 the own body [unitless].

    Returns
    -------
    Click
        Frequencies, damping and weights in between, in ratio.
    """

    def between(a: FloatArray, b: FloatArray) -> FloatArray:
        mean: FloatArray = b if variety == 1 else a ** (1 - variety) * b**variety
        return mean

    return Click(
        frequency_hz=between(kind.frequency_hz, own.frequency_hz),
        damping=between(kind.damping, own.damping),
        weight=between(kind.weight, own.weight),
        rise_s=own.rise_s,
    )
