"""Whether the recordings made at the other cylinders hear an injector at its place.

A recording whose own tick is known tells how likely what it hears at each other injector's place is if nothing ticks
there. That needs the firing order, and no sound that all recordings share: an injector that the others do not hear,
though they hear each other, is silent; one that they hear ticks.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from injsound.codes import ReasonCode, Verdict
from injsound.diagnoses import Take
from injsound.engine import Engine, cylinder_phases
from injsound.findings.crank import turns_of
from injsound.job_codes import Stage
from injsound.results import NeighbourPlaces
from injsound.values import FloatArray

# A tick less than twice as loud as what is at its neighbours' places may be one of theirs: the places are another's
# then, and the injector under the probe may be dead.
_OWN_OVER_DB = 6.0
# Probability of what is heard at the place of an injector, if nothing ticked there: exponentials of these means where
# it is heard clearly and hardly; where it is not all are alike. Of simulated sets: docs/methods.md, 'Alignment of
# recordings'.
_CLEARLY, _HARDLY = 0.02, 0.1
_ROUNDS = 30
# So many recordings, of as many cylinders, must tell of it.
_FEWEST = 2
# Twenty to one for silent, ten to one for ticking; a hundred to one where that makes a doubtful tick the own one, for a
# valve at its place may be taken for a tick in all other recordings.
_SILENT, _TICKS, _SURELY_TICKS = 1.3, -1.0, -2.0
# Where the others surely hear it, it need stand out less.
_LIVE_OVER_DB = 5.0
_TOLD = frozenset({Verdict.STEADY, Verdict.SKIPPING})


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Overheard:
    """What the recordings at the other cylinders hear of one injector.

    Parameters
    ----------
    odds : float
        Decimal logarithm of how much likelier it is if nothing ticks than if the injector does [unitless].
    cylinders : frozenset of int
        Whose recordings tell.
    shares : ndarray, shape (3,)
        Which share of all places but this one they hear clearly, hardly and not at all [unitless].
    """

    odds: float
    cylinders: frozenset[int]
    shares: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Hearsay:
    """What the other cylinders' recordings say of each recording's injector.

    Parameters
    ----------
    silent : frozenset of int
        It does not tick: no tick of its own is told, and none stands over the others' places as a live one's would.
    ticking : frozenset of int
        It ticks.
    cleared : frozenset of int
        It surely ticks, and only the doubt whether it does kept its recording from being told.
    """

    silent: frozenset[int]
    ticking: frozenset[int]
    cleared: frozenset[int]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Witness:
    """A recording that hears others: whose, and the chance at each other cylinder's place."""

    cylinder: int
    chances: Mapping[int, float]


def overhear(takes: Sequence[Take]) -> Hearsay:
    """Which recordings are of injectors that tick or do not, as those made at the other cylinders hear them.

    Parameters
    ----------
    takes : sequence of Take
        Of one engine in one condition, its injectors ticking one by one in a known order.

    Returns
    -------
    Hearsay
        By recording.
    """
    turns = turns_of(takes)
    of_each: dict[tuple[Stage, int], set[int]] = {}
    for k, (take, turn) in enumerate(zip(takes, turns, strict=True)):
        of_each.setdefault((take.stage, turn), set()).add(k)
    silent: set[int] = set()
    ticking: set[int] = set()
    cleared: set[int] = set()
    for stage, heard in _by_stage(takes, turns).items():
        for cylinder, told in heard.items():
            mine = of_each.get((stage, cylinder), set())
            if _is_silent(told, cylinder, [takes[k] for k in mine]):
                silent |= mine
            if told.odds <= _TICKS:
                ticking |= mine
            if told.odds <= _SURELY_TICKS:
                cleared |= {k for k in mine if _only_doubts_whose(takes[k])}
    return Hearsay(silent=frozenset(silent), ticking=frozenset(ticking), cleared=frozenset(cleared))


def _is_silent(told: Overheard, cylinder: int, own: Sequence[Take]) -> bool:
    """Whether the others do not hear it, those numbered next to it among them, nor its own recordings contradict."""
    beside = any(abs(other - cylinder) == 1 for other in told.cylinders)
    if not own or not beside or not all(_may_be_dead(take) for take in own):
        return False
    by_own = float(np.mean([_leaves_one_out(take.reading.neighbour_places, told.shares) for take in own]))
    return by_own > _TICKS and told.odds + by_own >= _SILENT


def _only_doubts_whose(take: Take) -> bool:
    """Whether only that doubt keeps a tick from being told, and it stands out as one under the probe does."""
    codes = {note.code for note in take.reading.reasons}
    return codes == {ReasonCode.MAY_BE_NEIGHBOUR} and _over_db(take) >= _LIVE_OVER_DB


def _may_be_dead(take: Take) -> bool:
    return take.reading.verdict not in _TOLD and _over_db(take) < _OWN_OVER_DB


def _leaves_one_out(places: NeighbourPlaces | None, shares: FloatArray) -> float:
    """How much likelier what the own recording holds is if one of the places, this injector's, is empty: logarithm.

    The tick taken for its own is then a neighbour's, nobody knows whose. Nothing where none was.
    """
    if places is None or not places.chances:
        return 0.0
    return float(np.log10(np.mean(1 / (shares @ _densities(np.array(places.chances))))))


def _over_db(take: Take) -> float:
    """How far its tick stands over the others' places; minus infinity where none was taken for its own."""
    places = take.reading.neighbour_places
    return -math.inf if places is None else places.over_db


def _by_stage(takes: Sequence[Take], turns: Sequence[int]) -> dict[Stage, dict[int, Overheard]]:
    """What is heard of every injector in each stage: what is dead before a repair ticks after it."""
    witnesses: dict[Stage, list[_Witness]] = {take.stage: [] for take in takes}
    for take, turn in zip(takes, turns, strict=True):
        witnesses[take.stage] += _witness(take, turn)
    return {stage: _overheard(some) for stage, some in witnesses.items()}


def _witness(take: Take, turn: int) -> list[_Witness]:
    """What a recording tells of the others; nothing where its own tick is not known."""
    reading, places, picture = take.reading, take.reading.neighbour_places, take.reading.picture
    if places is None or places.over_db < _OWN_OVER_DB or picture is None or not picture.own_phases:
        return []
    others = _in_order_after(reading.engine, turn)
    if len(places.chances) != len(others):
        return []
    return [_Witness(cylinder=turn, chances=dict(zip(others, places.chances, strict=True)))]


def _in_order_after(engine: Engine, cylinder: int) -> list[int]:
    """The other cylinders as they follow one in the cycle; none where the engine has not got that one."""
    phases = cylinder_phases(engine)
    if cylinder not in phases:
        return []
    return sorted(phases.keys() - {cylinder}, key=lambda other: (phases[other] - phases[cylinder]) % 1.0)


def _overheard(witnesses: Sequence[_Witness]) -> dict[int, Overheard]:
    """Of every injector that recordings of enough other cylinders tell of."""
    found = {}
    for cylinder in {c for one in witnesses for c in one.chances}:
        others = [one for one in witnesses if one.cylinder != cylinder]
        cylinders = frozenset(one.cylinder for one in others)
        if len(cylinders) < _FEWEST:
            continue
        shares = _shares(np.array([v for one in others for c, v in one.chances.items() if c != cylinder]))
        # Recordings of one cylinder hear alike: together they weigh as one.
        weight = np.array([1 / sum(o.cylinder == one.cylinder for o in others) for one in others])
        at_it = np.array([one.chances[cylinder] for one in others])
        odds = -float(weight @ np.log10(shares @ _densities(at_it)))
        found[cylinder] = Overheard(odds=odds, cylinders=cylinders, shares=shares)
    return found


def _shares(chances: FloatArray) -> FloatArray:
    """Which share of the places with an injector is heard clearly, hardly and not at all, by maximum likelihood.

    Half a place of each kind is added.
    """
    density = _densities(chances)
    shares = np.full(len(density), 1 / len(density))
    for _ in range(_ROUNDS):
        each = shares[:, None] * density
        counts = (each / each.sum(axis=0)).sum(axis=1) + 0.5
        shares = counts / counts.sum()
    return shares


def _densities(chances: FloatArray) -> FloatArray:
    """Density of each chance at a place where an injector is heard clearly, hardly and not at all."""
    heard = [np.exp(-chances / mean) / mean for mean in (_CLEARLY, _HARDLY)]
    return np.stack([*heard, np.ones_like(chances)])
