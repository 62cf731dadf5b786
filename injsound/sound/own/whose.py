"""Whether a tick is that of the injector under the probe, by what stands at its neighbours' places.

Beside a dead injector the probe hears its neighbours, valves and whatever else ticks once per cycle. One of them is
then taken for the own tick: the rest of the neighbours are hardly fainter than it, and one of its neighbours' places,
this injector's, is empty. So the less surely all of them tick, the further the own tick must stand over what is there.
"""

import math

import numpy as np

from injsound.sound.own.candidates import Candidate
from injsound.sound.own.likeness import is_low, is_solenoids, level, may_be_valve
from injsound.sound.own.prominence import Standing

# All limits are measured: docs/methods.md. So far over the places where nothing need tick, so much less for each decade
# of the chance that nothing ticks at one of them, and so far in any case.
_OVER_EMPTY_DB, _PER_DECADE_DB, _LOUDER_DB = 13.0, 6.5, 4.0
# Not where one of them may as well be empty, however sharply its little comes up beside the next. A tick as low as
# valves are must stand so far over places that all surely sound.
_MAY_BE_EMPTY, _FAR_FALLEN_DB = 0.2, 12.0
_SURELY_SOUNDS, _LOW_DB = 0.02, 6.0
# So far over up to two places, three and more of them no neighbour stands, whatever is there: of four and more, two are
# about as near as each other; of two one is the empty one, and the other may be far (one was 13.6 dB under the third).
_ALONE_DB = (15.0, 9.0, 7.0)
# But another thing of the engine may. It is no solenoid's click, or it keeps no distance to anything: where nothing
# ticks, the chances are a third on average, and a tenth where injectors do. The neighbours of one so loud would show.
_OTHERS_ALONE_DB, _USUAL_DECADES = 10.0, 1.0
_LOUD, _SHOWS, _LOUD_ALONE_DB = 20.0, 0.3, 15.0
# Where no places are known, so much more than anywhere in the cycle; more yet where it is faint.
_SURE_LEVEL, _SURE_OVER_ANY_DB, _FAINT_OVER_ANY_DB = 10.0, 7.0, 9.0
# Of three or more places all but one surely sound, that one falls this far behind them, and the loudest is hardly
# louder than the next: all are neighbours', and the place that is left out this injector's.
_MAY_BE_CHANCE, _FALLEN_DB, _HARDLY_LOUDER_DB = 0.05, 6.0, 3.0


def is_under_probe(own: Candidate, standing: Standing, *, least_s: float, told: bool) -> bool:
    """Whether the probe must be on the injector that ticks so.

    Parameters
    ----------
    own : Candidate
        The tick taken for the own one.
    standing : Standing
        How it stands in its cycle.
    least_s : float
        Movement of the steadiest click of the engine [s].
    told : bool
        Whether the neighbours' places are known, not guessed from what ticks.

    Returns
    -------
    bool
        False where it may be a neighbour's, a valve's or another thing's.
    """
    if may_be_valve(own):
        return False
    any_db = _SURE_OVER_ANY_DB if level(own) >= _SURE_LEVEL else _FAINT_OVER_ANY_DB
    if not len(standing.chances):
        return standing.over_db >= any_db
    if not told and standing.over_db < any_db:
        return False
    return _stands_alone(own, standing, least_s) or _stands_among(own, standing)


def _stands_alone(own: Candidate, standing: Standing, least_s: float) -> bool:
    """Whether a tick stands further over its neighbours' places than one of them does, and is none of another thing."""
    chances = standing.chances
    alone_db = _ALONE_DB[min(max(len(chances), 2), 4) - 2]
    if is_solenoids(own, least_s):
        shows = float(chances.min()) <= _SHOWS or level(own) < _LOUD
        return standing.over_db >= (alone_db if shows else _LOUD_ALONE_DB)
    usual = -float(np.log10(chances).mean()) >= _USUAL_DECADES
    return usual and standing.over_db >= max(alone_db, _OTHERS_ALONE_DB)


def _stands_among(own: Candidate, standing: Standing) -> bool:
    """Whether a tick stands over its neighbours' places by as much as the emptiest of them asks."""
    emptiest = float(standing.chances.max())
    if emptiest > _MAY_BE_EMPTY or _fallen_db(standing) > _FAR_FALLEN_DB:
        return False
    if is_low(own):
        return emptiest <= _SURELY_SOUNDS and standing.over_db >= _LOW_DB
    return standing.over_db >= max(_LOUDER_DB, _OVER_EMPTY_DB + _PER_DECADE_DB * math.log10(emptiest))


def _fallen_db(standing: Standing) -> float:
    """How far the faintest of the places lies under the next; 0 where there is no next."""
    faintest_db, *more_db = np.sort(standing.places_db)
    return float(more_db[0] - faintest_db) if more_db else 0.0


def left_out(standing: Standing, places: tuple[float, ...]) -> float | None:
    """The one of several places that does not sound while all others do, none of them clearly the loudest.

    Parameters
    ----------
    standing : Standing
        How the tick taken for the own one stands in its cycle.
    places : tuple of float
        Its neighbours' places, two or more [cycles].

    Returns
    -------
    float or None
        This injector's place, which is silent; None where no place is left out so [cycles].
    """
    faintest = int(standing.places_db.argmin())
    others = float(np.delete(standing.chances, faintest).max())
    silent = standing.chances[faintest] >= max(_MAY_BE_CHANCE, 2 * others)
    second_db, loudest_db = np.sort([0.0, *standing.places_db])[-2:]
    alike = loudest_db - second_db < _HARDLY_LOUDER_DB
    found = alike and silent and others <= _MAY_BE_CHANCE and _fallen_db(standing) >= _FALLEN_DB
    return places[faintest] if found else None
