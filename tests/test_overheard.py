"""What the recordings at the other cylinders hear of an injector: chances given by hand, and one simulated engine."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import minimize
from takes import NONE, made_reading, take, uncounted_reading, whys_of

from injsound.codes import ReasonCode, Verdict
from injsound.engine import Engine
from injsound.findings.compare import compare_injectors
from injsound.findings.overheard import _by_stage, overhear
from injsound.findings.places import find_places, settle
from injsound.job_codes import CompareVerdict, Placing, Stage, Why
from injsound.reading import read
from injsound.results import NeighbourPlaces, Picture
from injsound.simulate import Scene, Skipping, simulate
from injsound.values import Note

FOUR = Engine(cylinders=4, firing_order=(1, 3, 4, 2))
EIGHT = Engine(cylinders=8, firing_order=(1, 8, 4, 3, 6, 5, 7, 2))
HEARD, UNHEARD = 0.005, 0.5
DOUBT = (Note(code=ReasonCode.MAY_BE_NEIGHBOUR),)


def _order_after(engine, cylinder):
    at = engine.firing_order.index(cylinder)
    return engine.firing_order[at + 1 :] + engine.firing_order[:at]


def _take(engine, cylinder, *, unheard=(), over_db=12.0, told=True, stage=Stage.BEFORE, **more):
    """A recording that hears all others but some; untold, it may hold a neighbour's tick."""
    chances = tuple(UNHEARD if other in unheard else HEARD for other in _order_after(engine, cylinder))
    made = made_reading(NONE, sha256=f"{cylinder} {stage}")
    made = replace(
        made,
        engine=replace(engine, cylinder=cylinder),
        picture=Picture(**dict.fromkeys(("rows", "row_times_s", "profile", "mean_tick", "mean_tick_s"), NONE[:0]),
                        own_phases=(0.25,), candidates=(0.25,)),
        neighbour_places=NeighbourPlaces(over_db=over_db, chances=chances),
    )  # fmt: skip
    if not told:
        made = replace(made, verdict=Verdict.CANNOT_TELL, reasons=DOUBT)
    return take(made, cylinder, stage=stage, **more)


def _dead_two(**settings):
    """Cylinder 2 of four is dead: its own recording holds a neighbour's tick, a little louder than the rest."""
    return [*(_take(FOUR, c, unheard={2}) for c in (1, 3, 4)), _dead(FOUR, 2, **settings)]


def _dead(engine, cylinder, **settings):
    """A recording of a dead injector: one place seems empty, which one depends on whose tick was taken for its own."""
    return _take(engine, cylinder, unheard={1, 3} - {cylinder}, **{"over_db": 3.0, "told": False} | settings)


def test_an_injector_that_no_other_recording_hears_is_silent():
    takes = _dead_two()
    assert overhear(takes).silent == {3}
    assert overhear(takes).ticking == {0, 1, 2}
    assert [place.placing for place in find_places(takes)] == [Placing.NOT_SHOWN] * 3 + [Placing.SILENT]
    found = compare_injectors(takes)
    assert (found.verdict, found.odd) == (CompareVerdict.ODD_ONE, (2,))
    assert Why.SILENT in whys_of(found)


def test_each_place_belongs_to_a_cylinder_by_the_firing_order():
    # After cylinder 3 of 1-3-4-2 come 4, 2, 1. Were the chances read in the order of numbers, another one were silent.
    for dead in (1, 2, 3, 4):
        takes = [_take(FOUR, c, unheard={dead}) for c in (1, 2, 3, 4) if c != dead]
        takes.append(_dead(FOUR, dead, over_db=0.0))
        assert overhear(takes).silent == {3}


def test_the_odds_are_those_of_the_likeliest_shares():
    # Six places are heard, at 0.005 each; the seventh, of cylinder 2, by nobody, at an even chance. Shares of clearly,
    # hardly and not heard: the maximum of their likelihood with half a place of each more, sought by another road.
    def density(chance):
        return np.array([np.exp(-chance / 0.02) / 0.02, np.exp(-chance / 0.1) / 0.1, 1.0])

    def left(weights):
        shares = np.exp(weights) / np.exp(weights).sum()
        return -6 * np.log(shares @ density(HEARD)) - 0.5 * np.log(shares).sum()

    best = np.exp(minimize(left, np.zeros(3), tol=1e-10).x)
    expected = -3 * np.log10(best / best.sum() @ density(UNHEARD))
    heard = _by_stage(_dead_two(), [1, 3, 4, 2])[Stage.BEFORE]
    assert heard[2].odds == pytest.approx(expected, abs=0.01)
    assert heard[2].cylinders == {1, 3, 4}
    assert heard[1].odds < -2


@pytest.mark.parametrize(
    "settings",
    [{"told": True}, {"over_db": 6.0}, {"over_db": 12.0}],
    ids=["told by itself", "stands far over the others", "stands alone"],
)
def test_one_whose_own_recording_says_otherwise_is_not_silent(settings):
    assert overhear(_dead_two(**settings)).silent == set()


def test_one_that_a_single_recording_does_not_hear_is_not_silent():
    hears = [_take(FOUR, c, unheard={2} if c == 1 else ()) for c in (1, 3, 4)]
    assert overhear([*hears, _dead(FOUR, 2)]).silent == set()
    # Nor by two recordings of one cylinder, or where the others cannot hear each other either.
    one = [_take(FOUR, 1, unheard={2}), _take(FOUR, 1, unheard={2})]
    assert overhear([*one, _dead(FOUR, 2)]).silent == set()
    deaf = [_take(FOUR, c, unheard={1, 2, 3, 4}) for c in (1, 3, 4)]
    assert overhear([*deaf, _dead(FOUR, 2)]).silent == set()


def test_one_far_from_all_that_do_not_hear_it_is_not_silent():
    takes = [*(_take(EIGHT, c, unheard={1}) for c in (3, 4, 6, 7)), _dead(EIGHT, 1)]
    assert overhear(takes).silent == set()
    assert overhear([*takes, _take(EIGHT, 2, unheard={1})]).silent == {4}


def test_recordings_whose_own_tick_is_in_doubt_tell_nothing():
    quiet = [_take(FOUR, c, unheard={2}, over_db=3.0, told=False) for c in (1, 3, 4)]
    assert overhear([*quiet, _dead(FOUR, 2)]).silent == set()


def test_one_in_whose_recording_nothing_stands_out_may_be_silent():
    assert overhear([*_dead_two()[:3], take(uncounted_reading(sha256="2"), 2)]).silent == {3}


def test_what_was_silent_before_a_repair_ticks_after_it():
    after = [_take(FOUR, c, stage=Stage.AFTER) for c in (1, 3, 4)]
    new = _take(FOUR, 2, told=False, stage=Stage.AFTER)
    takes = [*_dead_two(), *after, new]
    assert overhear(takes).silent == {3}
    assert overhear(takes).ticking == {0, 1, 2, 4, 5, 6, 7}
    assert overhear(takes).cleared == {7}


def test_one_that_the_others_hear_is_told_by_its_own_recording():
    takes = [*(_take(FOUR, c) for c in (1, 3, 4)), _take(FOUR, 2, over_db=5.0, told=False)]
    assert overhear(takes).cleared == {3}
    kept, reasons, _ = settle(takes)
    assert kept[3].reading.verdict is Verdict.STEADY
    assert [reason.why for reason in reasons] == [Why.IN_ORDER]
    nearer = [*takes[:3], _take(FOUR, 2, over_db=4.9, told=False)]
    assert overhear(nearer).cleared == set()
    other_doubt = replace(takes[3].reading, reasons=(*DOUBT, Note(code=ReasonCode.TICKS_FADE)))
    assert overhear([*takes[:3], replace(takes[3], reading=other_doubt)]).cleared == set()


def test_an_own_recording_that_hears_all_places_holds_a_tick_of_its_own():
    # Seven other injectors and a tick are eight: none is silent, however little the others hear of it.
    others = [_take(EIGHT, c, unheard={7}) for c in (6, 8)]
    own = _take(EIGHT, 7, over_db=0.0, told=False)
    assert overhear([*others, own]).silent == set()
    assert overhear([*others, _take(EIGHT, 7, unheard={2}, over_db=0.0, told=False)]).silent == {2}


def test_with_crossed_connectors_each_ticks_at_the_others_turn():
    # The connectors of 1 and 2 were crossed: the injector of cylinder 2, dead, is driven at the turn of cylinder 1.
    before = [_take(FOUR, c, connector=f"at {c}") for c in (1, 2)]
    turned = [_take(FOUR, c, unheard={1}, stage=Stage.SWAPPED, connector=f"at {c}") for c in (3, 4)]
    one = _take(FOUR, 2, unheard={1}, stage=Stage.SWAPPED)
    two = _dead(FOUR, 1, stage=Stage.SWAPPED)
    crossed = [replace(one, cylinder=1, connector="at 2"), replace(two, cylinder=2, connector="at 1")]
    assert overhear([*before, *turned, *crossed]).silent == {5}


def test_a_dead_injector_of_a_simulated_engine_is_named():
    engine, takes = Engine(cylinders=3, firing_order=(1, 3, 2)), []
    for cylinder in (1, 2, 3):
        scene = Scene(
            seconds=30.0,
            engine=replace(engine, cylinder=cylinder),
            seed=80 + cylinder,
            engine_seed=4,
            rpm=800.0,
            tick_db=20.0,
            neighbour_db=-10.0,
            valve_db=-16.0,
            begins_at=0.3 * cylinder,
            skipping=Skipping.DEAD if cylinder == 2 else Skipping.NONE,
            dead=() if cylinder == 2 else (2,),
        )
        recording, _ = simulate(scene)
        takes.append(take(read([recording], engine=scene.engine, rpm=800.0), cylinder))
    assert overhear(takes).silent == {1}
    assert find_places(takes)[1].placing is Placing.SILENT
