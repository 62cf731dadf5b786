"""What a click is like by itself: an injector's, a valve's, or too faint to say.

An injector's tick is a doublet (open, close); a valve's click is longer, lower and scatters more.
"""

from collections.abc import Iterable

import numpy as np

from injsound.sound.own.candidates import LEAST_AMPLITUDE, Candidate

# Clicks of an injector keep their place to a tenth of a millisecond, the clock to three; combustion and loose parts
# moved by 0.4 to 0.9 ms on four real engines: docs/methods.md.
_MOST_SCATTER_S = 0.40e-3
_SCATTER_SCALE_S = 0.15e-3
# A click that rings no longer than this struck nothing solid: pick-up, or a tone that starts at once (20 of music). Of
# a doublet each click may be a little shorter: high ones ring for 0.25 to 0.3 ms (measured on simulated engines).
_LEAST_LENGTH_S, _LEAST_PAIR_S = 0.3e-3, 0.2e-3
# So high a click may be a solenoid's; a faint one moves by as much as noise moves its place.
_HIGH_CENTRE_HZ, PLAIN_AMPLITUDE = 7_000.0, 6.5
# So steady a loud click may be a solenoid's however low it sounds; clicks of a real engine as low moved by 70 us and
# more.
_SOLENOID_SCATTER_S = 0.12e-3
_OUTSHINES = 2.0
# Above chance, but not to be named.
FAINT_AMPLITUDE = 4.5
# So clear a click that is no valve's needs little height.
_LOUD = 8.0
# Where the engine's own clicks stand out this much, an injector under the probe would be heard beside them; in three
# live engines, where they stood out by 12.5 to 13.6, a valve 2 to 6 ms from the tick hid it.
LOUD_ENGINE = 14.0
# So much clearer than all else in the cycle, and so steady along its path, a lone low click is the one under the probe.
_DOMINATES = 2.0
# A lone click below this is a valve's rather than a solenoid's: on recordings of both, docs/methods.md.
_LEAST_LONE_CENTRE_HZ = 4_500.0
_MOST_LONE_SCATTER_S = 0.20e-3
_CENTRE_SCALE_HZ, _LOW_SHARE = 800.0, 0.15
# Valves strike at equal distances too. A lone click under this, or one as low, that moves by more may be a valve's.
_LONE_VALVE_HZ, _VALVE_HZ, _VALVE_SCATTER_S = 5_000.0, 4_000.0, 0.15e-3
# On a rough engine each click moves by what its clock does not follow: as little as the steadiest one, and a fifth.
_AS_EXACT = 1.2
# The mean of aligned noise has this norm; levels are compared without it.
_NOISE_LEVEL = 3.5


def level(c: Candidate) -> float:
    """Level of a click without what aligned noise adds to it.

    Parameters
    ----------
    c : Candidate
        A click that recurs.

    Returns
    -------
    float
        Norm of the mean aligned waveform [standard deviations of the usual background].
    """
    return float(np.sqrt(max(c.level**2 - _NOISE_LEVEL**2, 0.25)))


def recurs(c: Candidate) -> bool:
    """Whether a click is no chance: clear, narrowly placed, and over the sound around it.

    Parameters
    ----------
    c : Candidate
        A click that recurs.

    Returns
    -------
    bool
        True for a click that may be named.
    """
    return c.amplitude >= LEAST_AMPLITUDE and c.scatter_s <= _MOST_SCATTER_S and c.separation > 0


def is_plain(c: Candidate) -> bool:
    """Whether a click is a doublet that needs no second look.

    Parameters
    ----------
    c : Candidate
        A click that recurs.

    Returns
    -------
    bool
        True where its partner is known and both are clear.
    """
    return bool(recurs(c) and np.isfinite(c.gap_s) and c.amplitude >= PLAIN_AMPLITUDE)


def may_be_own(c: Candidate) -> bool:
    """Whether a click could be a solenoid's all the same.

    Parameters
    ----------
    c : Candidate
        A click that recurs.

    Returns
    -------
    bool
        True for one as high as a solenoid's but too faint or too unsteady to be named; or loud, and as steady, or
        paired.
    """
    least_hz = _LEAST_LONE_CENTRE_HZ if c.amplitude >= _LOUD else _HIGH_CENTRE_HZ
    high = c.amplitude >= FAINT_AMPLITUDE and c.centre_hz >= least_hz
    steady = c.scatter_s < _MOST_LONE_SCATTER_S and c.length_s >= _LEAST_LENGTH_S
    loud = c.amplitude >= _LOUD and (steady or np.isfinite(c.gap_s))
    return bool((high or loud) and c.separation > 0)


def is_faint(c: Candidate) -> bool:
    """Whether a click is lone, and taken for an injector's for nothing but its height.

    Parameters
    ----------
    c : Candidate
        A click that recurs.

    Returns
    -------
    bool
        True for a faint one without a partner.
    """
    return c.amplitude < PLAIN_AMPLITUDE and not np.isfinite(c.gap_s)


def outshines(c: Candidate, other: Candidate) -> bool:
    """Whether a click is far clearer than one that may then well be a neighbour's, or no tick at all.

    Parameters
    ----------
    c, other : Candidate
        Clicks that recur.

    Returns
    -------
    bool
        True for one no less steady, or as steady as a solenoid's. One that is not faint is only outshone if it is as
        low as valves are, by one that rises more and is as clear and steady as a solenoid's.
    """
    clearer = c.amplitude > _OUTSHINES * other.amplitude and c.scatter_s < max(other.scatter_s, _SOLENOID_SCATTER_S)
    return clearer and (is_faint(other) or (is_low(other) and is_solid(c) and c.rise > other.rise))


def dominates(c: Candidate, others: Iterable[Candidate]) -> bool:
    """Whether a click must be what the probe touches, by how far it rises over all else in the cycle.

    Parameters
    ----------
    c : Candidate
        A click, measured along its path.
    others : iterable of Candidate
        What else recurs in the cycle.

    Returns
    -------
    bool
        True for one as clear and steady as a solenoid's.
    """
    return is_solid(c) and all(c.rise > _DOMINATES * other.rise for other in others)


def is_solid(c: Candidate) -> bool:
    """Whether a click is as clear and steady as a solenoid's.

    Parameters
    ----------
    c : Candidate
        A click, measured along its path.

    Returns
    -------
    bool
        True for one that may be counted.
    """
    steady = c.scatter_s < _SOLENOID_SCATTER_S and c.separation > 0
    return bool(steady and c.amplitude >= PLAIN_AMPLITUDE and c.length_s >= _LEAST_LENGTH_S)


def is_low(c: Candidate) -> bool:
    """Whether a click is as low as valves are.

    Parameters
    ----------
    c : Candidate
        A click that recurs.

    Returns
    -------
    bool
        True under the height from which a lone one is taken for a solenoid's.
    """
    return c.centre_hz < _LEAST_LONE_CENTRE_HZ


def may_be_valve(c: Candidate) -> bool:
    """Whether a click may be one of several valves' that strike at equal distances as injectors do.

    Parameters
    ----------
    c : Candidate
        A click that recurs.

    Returns
    -------
    bool
        True for a lone or low one that moves more from cycle to cycle than a solenoid's.
    """
    lone = not np.isfinite(c.gap_s)
    if lone and c.scatter_s > (_SOLENOID_SCATTER_S if c.centre_hz < _LONE_VALVE_HZ else _MOST_LONE_SCATTER_S):
        return True
    return c.centre_hz < _VALVE_HZ and c.scatter_s > _VALVE_SCATTER_S


def is_solenoids(c: Candidate, least_s: float) -> bool:
    """Whether a click is a doublet, too high and too exact for a valve.

    Parameters
    ----------
    c : Candidate
        A click that recurs.
    least_s : float
        Movement of the steadiest click of the engine, which the clock's error may be [s].

    Returns
    -------
    bool
        True for what only an injector, or another thing that opens and closes, strikes.
    """
    exact = c.scatter_s < max(_VALVE_SCATTER_S, _AS_EXACT * least_s)
    return bool(np.isfinite(c.gap_s) and exact and not is_low(c))


def weight(c: Candidate, least_s: float = 0.0) -> float:
    """How much speaks for a click as the own one.

    Parameters
    ----------
    c : Candidate
        A click that recurs.
    least_s : float
        Movement of the steadiest click of the engine [s].

    Returns
    -------
    float
        Steady rise, less where the click moves more than the steadiest one, less where it is as low as valves are
        [natural log of energy].
    """
    steady = float(np.exp(-max(0.0, c.scatter_s**2 - least_s**2) / _SCATTER_SCALE_S**2))
    high = 1 / (1 + float(np.exp(-(c.centre_hz - _LEAST_LONE_CENTRE_HZ) / _CENTRE_SCALE_HZ)))
    return c.rise * steady * (_LOW_SHARE + (1 - _LOW_SHARE) * high)


def like_injector(c: Candidate) -> bool:
    """Whether a click is like an injector's.

    Parameters
    ----------
    c : Candidate
        A click that recurs.

    Returns
    -------
    bool
        True for one that rings, and is a doublet, or lone and too high and too exact for a valve.
    """
    if c.length_s < (_LEAST_PAIR_S if np.isfinite(c.gap_s) else _LEAST_LENGTH_S):
        return False
    faint = c.amplitude < PLAIN_AMPLITUDE and c.centre_hz >= _HIGH_CENTRE_HZ
    if np.isfinite(c.gap_s) or faint:
        return True
    return c.centre_hz >= _LEAST_LONE_CENTRE_HZ and c.scatter_s <= _MOST_LONE_SCATTER_S
