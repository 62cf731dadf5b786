"""Whose tick a recording holds: mean cycles built by hand, so that every place is known, and one simulated engine."""

from dataclasses import replace

import numpy as np
import pytest
from takes import made_reading, take

from injsound.codes import ReasonCode, Verdict
from injsound.engine import Engine, Injection, cylinder_phases
from injsound.findings.compare import compare_injectors
from injsound.findings.places import find_places, placed, settle
from injsound.job_codes import CompareVerdict, Placing, Stage, Why
from injsound.reading import read
from injsound.results import NeighbourPlaces, Picture
from injsound.simulate import Scene, Skipping, simulate
from injsound.sound.turning.alignment import BINS, Distinct, distinct_sound, fit_order, lay_under, symmetric_turns
from injsound.values import Note

FOUR = Engine(cylinders=4, firing_order=(1, 3, 4, 2))
# A V6 that fires unevenly: 90 and 150 degrees in turn.
ODD = Engine(cylinders=6, firing_order=(1, 6, 5, 4, 3, 2), firing_angles=(0, 90, 240, 330, 480, 570))
NONE = np.zeros(300, dtype=bool)
CYCLE_S = 0.16  # 750 rpm


def _ring(bands, start_bin):
    """A click in some bands that starts at a bin and rings for 2 ms."""
    level = np.zeros((len(bands), BINS))
    level[:, :12] = bands[:, None] * np.exp(-np.arange(12) / 4)
    return np.roll(level, start_bin, axis=1)


def _mean_cycle(engine, probe, start, *, variety=1.0, dead=(), seed=0, crossed=None):
    """Two halves of a mean cycle that starts anywhere: a valve of its own kind per cylinder, and the injectors."""
    built, noise = np.random.default_rng(5), np.random.default_rng(seed)
    alike, level = built.uniform(0.3, 1.5, 7), np.zeros((7, BINS))
    for cylinder, phase in sorted(cylinder_phases(engine).items()):
        bands = (1 - variety) * alike + variety * built.uniform(0, 2, 7)
        near = 0.7 ** abs(cylinder - probe)
        level += near * _ring(bands, round((phase + 0.11) * BINS))
        if cylinder not in dead:
            turn = cylinder_phases(engine)[(crossed or {}).get(cylinder, cylinder)]
            level += 2 * near**2 * _ring(np.ones(7), round(turn * BINS))
    return np.roll(level + 0.01 * noise.standard_normal((2, 7, BINS)), -round(start * BINS), axis=2).astype(np.float32)


def _take(engine, cylinder, *, probe=None, ticks=None, **settings):
    """A recording that begins somewhere, labelled with a cylinder; ``ticks`` are the cylinders whose tick may be it."""
    probe = probe or cylinder
    start = float(np.random.default_rng(cylinder).uniform())
    phases = cylinder_phases(engine)
    found = tuple((phases[c] - start) % 1.0 for c in ((probe,) if ticks is None else ticks))
    picture = Picture(
        rows=np.zeros((300, 360), dtype=np.float32),
        row_times_s=CYCLE_S * np.arange(300),
        profile=np.zeros(360),
        own_phases=found if len(found) == 1 else (),
        mean_tick=np.zeros(0),
        mean_tick_s=np.zeros(0),
        halves=_mean_cycle(engine, probe, start, seed=cylinder, **settings),
        candidates=found,
    )
    made = made_reading(NONE, interval_s=CYCLE_S, sha256=f"cyl{cylinder}")
    return take(replace(made, engine=replace(engine, cylinder=cylinder), picture=picture), cylinder)


def _placings(takes):
    return [place.placing for place in find_places(takes)]


# --- laying over ----------------------------------------------------------------------------------------------------


def _parts(ticks, order):
    """Recordings of one engine, of random sound, within random surroundings; each tick somewhere in its row."""
    rng = np.random.default_rng(1)
    engine, around = rng.standard_normal((2, 7, BINS))
    rows = [
        np.roll(engine, round(t - p), axis=1) + np.roll(around, t, axis=1) for t, p in zip(ticks, order, strict=True)
    ]
    return [Distinct(sound=row, known=np.ones(BINS)) for row in rows], engine


@pytest.mark.parametrize("order", [(0, 180, 360, 540), (0, 180, 180, 540), (360, 0, 540, 180)])
def test_places_are_found_whatever_surrounds_the_probes(order):
    # By hand: four recordings, two unknown sounds. One place in another order leaves much unexplained.
    ticks = (100, 700, 333, 15)
    parts, engine = _parts(ticks, order)
    options = [[(t / BINS, p / BINS) for p in (0, 180, 360, 540)] for t in ticks]
    fit = fit_order(parts, options)
    found = [round(some[c][1] * BINS) for some, c in zip(options, fit.chosen, strict=True)]
    turn = (order[0] - found[0]) % BINS
    assert tuple((place + turn) % BINS for place in found) == order
    assert (fit.contrast > 1e3).all()
    unknown = Distinct(sound=np.roll(engine, 57, axis=1), known=np.ones(BINS))
    lay = lay_under(fit.engine, unknown, near=0.01)
    assert (lay.zero * BINS - turn) % BINS == pytest.approx(57, abs=0.01)
    assert lay.peak > 2 * lay.second


def test_two_recordings_fit_any_order():
    parts, _ = _parts((100, 333), (0, 180))
    fit = fit_order(parts, [[(t / BINS, p / BINS) for p in (0, 180, 360, 540)] for t in (100, 333)])
    np.testing.assert_allclose(fit.contrast, 1.0, atol=0.05)


def test_turns_after_which_an_engine_fires_as_before():
    assert symmetric_turns((0, 0.25, 0.5, 0.75)) == [0, 180, 360, 540]
    assert symmetric_turns(tuple(cylinder_phases(ODD).values())) == [0, 240, 480]
    assert symmetric_turns((0, 90 / 720, 360 / 720)) == [0]


@pytest.mark.parametrize("cylinders", range(1, 17))
def test_an_even_engine_of_n_cylinders_turns_into_itself_n_times(cylinders):
    # By 720/N degrees each time: of 7, 11, 13 and 14 cylinders that is no whole number.
    assert symmetric_turns([k / cylinders for k in range(cylinders)]) == [
        round(720 * k / cylinders) for k in range(cylinders)
    ]


def test_what_every_cylinder_does_is_taken_away():
    quarter = np.random.default_rng(2).standard_normal((7, BINS // 4))
    halves = np.tile(quarter, (2, 1, 4))
    left = distinct_sound(halves, length_s=CYCLE_S, phases=(0, 0.25, 0.5, 0.75), places=(), after_s=0.006)
    assert np.abs(left.sound).max() < 1e-9
    # An engine that repeats itself twice in a cycle keeps what differs between the halves of each repetition.
    left = distinct_sound(halves, length_s=CYCLE_S, phases=(0, 0.1, 0.5, 0.6), places=(), after_s=0.006)
    assert np.abs(left.sound).max() < 1e-9
    left = distinct_sound(halves, length_s=CYCLE_S, phases=(0, 0.1, 0.3, 0.6), places=(), after_s=0.006)
    assert np.abs(left.sound).max() > 0.1


def test_places_of_injectors_are_left_out():
    # Tick at half of the cycle, 0.16 s long: from 1.5 ms before, which is 6.75 bins, to 8 ms after, 36 bins.
    halves = np.random.default_rng(3).standard_normal((2, 7, BINS))
    left = distinct_sound(halves, length_s=CYCLE_S, phases=(0, 0.5), places=(0.5,), after_s=0.008)
    silent = np.flatnonzero(left.known == 0)
    assert (silent[0], silent[-1]) == (353, 396)
    assert not left.sound[:, silent].any()


# --- places ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("engine", [FOUR, ODD], ids=["even", "odd fire"])
def test_ticks_in_the_firing_order_are_at_their_places(engine):
    places = find_places([_take(engine, c) for c in cylinder_phases(engine)])
    assert all(place.placing is Placing.AT_PLACE for place in places)
    assert all(abs(place.off_ms) < 0.5 for place in places)  # a bin is 0.22 ms


@pytest.mark.parametrize("engine", [FOUR, ODD], ids=["even", "odd fire"])
def test_a_neighbours_tick_is_named(engine):
    takes = [_take(engine, c, probe=4 if c == 3 else c) for c in cylinder_phases(engine)]
    for one, place in zip(takes, find_places(takes), strict=True):
        wrong = one.cylinder == 3
        assert place.placing is (Placing.NEIGHBOUR if wrong else Placing.AT_PLACE)
        assert place.neighbour == (4 if wrong else None)


@pytest.mark.parametrize("ticks", [(), (1,), (1, 4)])
def test_nothing_at_its_own_place_is_dead_whatever_was_taken_for_its_tick(ticks):
    takes = [_take(FOUR, c, dead=(2,), ticks=ticks if c == 2 else None) for c in (1, 2, 3, 4)]
    placings = _placings(takes)
    assert placings == [Placing.AT_PLACE, Placing.SILENT, Placing.AT_PLACE, Placing.AT_PLACE]


@pytest.mark.parametrize("off_deg", [30, 47, 55, 112, 140])
def test_a_dead_injectors_place_is_found_though_another_sound_was_taken_for_its_tick(off_deg):
    # A sound somewhere between the injectors' places, which are 180 degrees apart: it fits none of them.
    takes = [_take(FOUR, c, dead=(2,)) for c in (1, 2, 3, 4)]
    picture = takes[1].reading.picture
    wrong = ((picture.candidates[0] + off_deg / BINS) % 1.0,)
    picture = replace(picture, own_phases=wrong, candidates=wrong)
    takes[1] = replace(takes[1], reading=replace(takes[1].reading, picture=picture))
    assert _placings(takes) == [Placing.AT_PLACE, Placing.SILENT, Placing.AT_PLACE, Placing.AT_PLACE]


def test_of_two_candidates_the_one_at_its_place_counts():
    takes = [_take(FOUR, c, ticks=(4, 2) if c == 2 else None) for c in (1, 2, 3, 4)]
    assert set(_placings(takes)) == {Placing.AT_PLACE}


def test_where_connectors_were_crossed_a_tick_at_the_others_turn_is_its_own():
    takes = [replace(_take(FOUR, c), connector=f"{c}") for c in (1, 2, 3, 4)]
    crossed = {2: 3, 3: 2}
    for cylinder, turn in crossed.items():
        swapped = _take(FOUR, cylinder, ticks=(turn,), crossed=crossed)
        takes.append(replace(swapped, connector=f"{turn}", stage=Stage.SWAPPED))
    assert _placings(takes) == [Placing.AT_PLACE] * 6
    assert Placing.AT_PLACE not in _placings([replace(t, connector="") for t in takes])[4:]


def test_an_injector_heard_at_its_neighbours_is_not_dead():
    # The probe was at 1, from where 4 is not heard; the recording of 3 hears 4.
    far = {"ticks": (1,), "probe": 1, "dead": (4,)}
    takes = [*(_take(FOUR, c) for c in (1, 2, 3)), _take(FOUR, 4, **far)]
    assert find_places(takes)[3].placing is Placing.NEIGHBOUR


def test_two_recordings_say_nothing():
    assert _placings([_take(FOUR, 1), _take(FOUR, 2)]) == [Placing.NOT_SHOWN] * 2


def test_valves_that_are_all_alike_lay_nothing():
    assert set(_placings([_take(FOUR, c, variety=0.0) for c in (1, 2, 3, 4)])) == {Placing.NOT_SHOWN}


@pytest.mark.parametrize(
    "engine",
    [Engine(cylinders=4), replace(FOUR, injection=Injection.BATCH)],
    ids=["no firing order", "batch"],
)
def test_without_an_order_or_in_batch_nothing_is_said(engine):
    takes = [
        replace(t, reading=replace(t.reading, engine=replace(engine, cylinder=t.cylinder)))
        for t in (_take(FOUR, c) for c in (1, 2, 3, 4))
    ]
    assert set(_placings(takes)) == {Placing.NOT_SHOWN}


def test_another_speed_is_left_alone():
    takes = [_take(FOUR, c) for c in (1, 2, 3, 4)]
    picture = takes[3].reading.picture
    fast = replace(picture, row_times_s=0.85 * picture.row_times_s)
    takes[3] = replace(takes[3], reading=replace(takes[3].reading, picture=fast))
    assert _placings(takes) == [*[Placing.AT_PLACE] * 3, Placing.NOT_SHOWN]


def test_readings_without_a_picture_are_left_alone():
    takes = [_take(FOUR, c) for c in (1, 2, 3, 4)]
    takes[0] = replace(takes[0], reading=replace(takes[0].reading, picture=None))
    assert _placings(takes) == [Placing.NOT_SHOWN, *[Placing.AT_PLACE] * 3]


# --- evidence -------------------------------------------------------------------------------------------------------


def test_a_neighbours_skips_are_no_evidence():
    skips = np.isin(np.arange(300), range(20, 280, 32))
    takes = [_take(FOUR, c, probe=4 if c == 3 else c) for c in (1, 2, 3, 4)]
    skipping = made_reading(skips, interval_s=CYCLE_S, sha256="cyl3")
    wrong = replace(takes[2].reading, verdict=skipping.verdict, events=skipping.events, skips=skipping.skips)
    takes[2] = replace(takes[2], reading=wrong)
    found = compare_injectors(takes)
    assert found.verdict is CompareVerdict.NOT_SHOWN
    assert found.odd == ()
    (named,) = (reason for reason in found.reasons if reason.why is Why.NEIGHBOUR_RECORDED)
    assert (named.figures["cylinder"], named.figures["neighbour"]) == (3, 4)
    assert next(side for side in found.sides if side.cylinder == 3).arm is None


def test_a_dead_injector_is_named_though_a_neighbours_tick_was_counted_for_it():
    found = compare_injectors([_take(FOUR, c, dead=(2,), ticks=(1,) if c == 2 else None) for c in (1, 2, 3, 4)])
    assert (found.verdict, found.odd) == (CompareVerdict.ODD_ONE, (2,))
    whys = [reason.why for reason in found.reasons]
    assert whys[:2] == [Why.SILENT, Why.IN_ORDER]


def _silent_by_itself(one):
    note = Note(code=ReasonCode.OWN_PLACE_SILENT)
    return replace(one, reading=replace(one.reading, verdict=Verdict.NO_TICK, reasons=(note,)))


@pytest.mark.parametrize("beside", [(2,), (2, 3)])
def test_a_silent_place_is_no_neighbours_tick(beside):
    # Cylinder 2 is dead, and in its recording only 4 is clear: of 3 beside it, or of none, nothing is heard.
    takes = [_take(FOUR, c, dead=(2,)) for c in (1, 3, 4)]
    own = _take(FOUR, 2, dead=beside, ticks=(4,))
    own = replace(own, reading=replace(own.reading, picture=replace(own.reading.picture, own_phases=())))
    found = compare_injectors([takes[0], _silent_by_itself(own), *takes[1:]])
    assert (found.verdict, found.odd) == (CompareVerdict.ODD_ONE, (2,))
    assert Why.NEIGHBOUR_RECORDED not in [reason.why for reason in found.reasons]


def test_recordings_that_each_hear_the_same_silent_place_name_nobody_by_that_alone():
    # Without a firing order nothing says whose it is.
    takes = [
        replace(t, reading=replace(t.reading, engine=Engine(cylinders=4, cylinder=t.cylinder), seconds=6.0))
        for t in (_silent_by_itself(_take(FOUR, c, dead=(2,), ticks=())) for c in (1, 2, 3, 4))
    ]
    found = compare_injectors(takes)
    assert (found.verdict, found.odd) == (CompareVerdict.NOT_SHOWN, ())


def test_a_dead_injector_stays_dead_before_its_repair():
    # All eight recordings are laid over one crank; after the repair the others hear cylinder 2.
    before = [_take(FOUR, c, dead=(2,), ticks=(1,) if c == 2 else None) for c in (1, 2, 3, 4)]
    takes = placed([*before, *(replace(_take(FOUR, c), stage=Stage.AFTER) for c in (1, 2, 3, 4))])
    assert [t.cylinder for t in takes if t.place.placing is not Placing.AT_PLACE] == [2]
    found = compare_injectors([t for t in takes if t.stage is Stage.BEFORE])
    assert (found.verdict, found.odd) == (CompareVerdict.ODD_ONE, (2,))
    assert found.places == tuple(t.place for t in takes[:4])


def test_recordings_at_another_speed_than_most_are_laid_among_themselves():
    slow = [_take(FOUR, c) for c in (1, 2, 3, 4)]

    def faster(one):
        picture = replace(one.reading.picture, row_times_s=one.reading.picture.row_times_s / 1.15)
        return replace(one, reading=replace(one.reading, picture=picture))

    takes = placed([*slow, *(faster(_take(FOUR, c)) for c in (1, 2, 3, 4, 1))])
    assert {t.place.placing for t in takes[:4]} == {Placing.NOT_SHOWN}
    _, _, places = settle(takes[:4])
    assert {place.placing for place in places} == {Placing.AT_PLACE}


def test_its_place_lifts_the_doubt_whether_a_tick_is_the_neighbours():
    doubt = Note(code=ReasonCode.MAY_BE_NEIGHBOUR, figures={"judged": 300})
    takes = [_take(FOUR, c) for c in (1, 2, 3, 4)]
    takes[1] = replace(takes[1], reading=replace(takes[1].reading, verdict=Verdict.CANNOT_TELL, reasons=(doubt,)))
    kept, reasons, _ = settle(takes)
    assert kept[1].reading.verdict is Verdict.STEADY
    assert [reason.figures for reason in reasons] == [{"cylinders": "1, 2, 3, 4"}]
    alone, reasons, _ = settle(takes[1:2])
    assert alone[0].reading.verdict is Verdict.CANNOT_TELL
    assert reasons == []


def _hearing(takes, *, dead=()):
    """The same, each hearing all others at their places but the dead ones, whose own recordings hold a neighbour's."""
    made = []
    for one in takes:
        at = FOUR.firing_order.index(one.cylinder)
        after = FOUR.firing_order[at + 1 :] + FOUR.firing_order[:at]
        own_dead = one.cylinder in dead
        chances = tuple(0.5 if own_dead or c in dead else 0.005 for c in after)
        places = NeighbourPlaces(over_db=2.0 if own_dead else 12.0, chances=chances)
        reading = replace(one.reading, neighbour_places=places)
        if own_dead:
            doubt = (Note(code=ReasonCode.MAY_BE_NEIGHBOUR, figures={"judged": 300}),)
            reading = replace(reading, verdict=Verdict.CANNOT_TELL, reasons=doubt)
        made.append(replace(one, reading=reading))
    return made


def test_where_the_common_sound_and_the_other_recordings_contradict_each_other_nothing_is_said():
    takes = [_take(FOUR, c) for c in (1, 2, 3, 4)]
    assert _placings(_hearing(takes)) == [Placing.AT_PLACE] * 4
    assert _placings(_hearing(takes, dead={2})) == [
        Placing.AT_PLACE, Placing.NOT_SHOWN, Placing.AT_PLACE, Placing.AT_PLACE
    ]  # fmt: skip
    silent = [_take(FOUR, c, dead=(2,), ticks=(1,) if c == 2 else None) for c in (1, 2, 3, 4)]
    assert _placings(_hearing(silent, dead={2}))[1] is Placing.SILENT
    assert _placings(_hearing(silent))[1] is Placing.NOT_SHOWN


# --- through sound --------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def engine_takes():
    """A four-cylinder engine, cylinder 2 dead; and a recording made at 4 and labelled 3."""
    scene = Scene(
        seconds=20.0, sr=24_000, engine_seed=8, rpm=1_000.0, tick_db=22.0, valve_spread_db=1.0, path_db=1.0,
        neighbour_db=-8.0, neighbour_spread_db=2.0,
    )  # fmt: skip

    def recorded(label, probe, seed):
        dead = probe == 2
        made = replace(
            scene,
            seed=seed,
            begins_at=0.37 * seed % 1,
            engine=replace(FOUR, cylinder=probe),
            skipping=Skipping.DEAD if dead else Skipping.NONE,
            dead=() if dead else (2,),
        )
        engine = replace(FOUR, cylinder=label)
        return take(read([simulate(made)[0]], engine=engine, rpm=1_000.0, file=f"cyl{label}"), label)

    return {"right": [recorded(c, c, c) for c in (1, 2, 3, 4)], "wrong": recorded(3, 4, 9)}


def test_a_dead_injector_of_a_simulated_engine(engine_takes):
    placings = _placings(engine_takes["right"])
    assert placings == [Placing.AT_PLACE, Placing.SILENT, Placing.AT_PLACE, Placing.AT_PLACE]


def test_a_wrong_cylinder_of_a_simulated_engine(engine_takes):
    takes = [*engine_takes["right"], engine_takes["wrong"]]
    place = find_places(takes)[4]
    assert (place.placing, place.neighbour) == (Placing.NEIGHBOUR, 4)
