"""The engine's arithmetic against tables, the standard's wording and itself."""

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from injsound.engine import (
    EVENTS_PER_CYCLE,
    Engine,
    Injection,
    check_rpm,
    cycle_interval,
    cylinder_phases,
    firing_interval,
    firing_phase,
    has_partner,
    neighbour_phases,
    parse_firing_order,
    tick_together,
)
from injsound.errors import InjsoundError, ParameterError
from injsound.show.text import Words
from injsound.trouble_codes import TroubleKind, cylinder_trouble_codes, read_trouble_code

SPEEDS = st.floats(min_value=60, max_value=10_000)


@pytest.mark.parametrize(
    ("rpm", "sequential_ms", "batch_ms", "events_in_60_s"),
    # 120/n and 60/n: a four-stroke cycle is two revolutions.
    [
        (150, 800.000, 400.000, 75),
        (200, 600.000, 300.000, 100),
        (250, 480.000, 240.000, 125),
        (600, 200.000, 100.000, 300),
        (650, 184.615, 92.308, 325),
        (700, 171.429, 85.714, 350),
        (750, 160.000, 80.000, 375),
        (800, 150.000, 75.000, 400),
        (850, 141.176, 70.588, 425),
        (900, 133.333, 66.667, 450),
        (1000, 120.000, 60.000, 500),
        (1500, 80.000, 40.000, 750),
        (2500, 48.000, 24.000, 1250),
        (3000, 40.000, 20.000, 1500),
        (6000, 20.000, 10.000, 3000),
    ],
)
def test_firing_interval_table(rpm, sequential_ms, batch_ms, events_in_60_s):
    assert firing_interval(rpm, Injection.SEQUENTIAL) * 1e3 == pytest.approx(sequential_ms, abs=5e-4)
    assert firing_interval(rpm, Injection.BATCH) * 1e3 == pytest.approx(batch_ms, abs=5e-4)
    assert 60 / firing_interval(rpm, Injection.SEQUENTIAL) == pytest.approx(events_in_60_s)


def test_interval_at_750_is_exact():
    assert firing_interval(750, Injection.SEQUENTIAL) == pytest.approx(0.160, abs=1e-12)
    assert firing_interval(750, Injection.BATCH) == pytest.approx(0.080, abs=1e-12)


@given(SPEEDS, st.sampled_from(Injection))
def test_interval_and_speed_are_inverse(rpm, injection):
    per_cycle = 1 if injection is Injection.SEQUENTIAL else 2
    assert 120 / (firing_interval(rpm, injection) * per_cycle) == pytest.approx(rpm)


@given(st.floats(min_value=120, max_value=10_000))
def test_sequential_at_a_speed_sounds_like_batch_at_half_of_it(rpm):
    assert firing_interval(rpm, Injection.SEQUENTIAL) == pytest.approx(firing_interval(rpm / 2, Injection.BATCH))


@pytest.mark.parametrize(("cylinders", "in_1000", "in_200"), [(4, 2000, 400), (6, 3000, 600), (8, 4000, 800)])
def test_firings_in_the_windows_of_misfire_monitors(cylinders, in_1000, in_200):
    # Each injector fires once per cycle of 120/rpm seconds; a revolution takes half of that.
    engine = Engine(cylinders=cylinders)
    per_revolution = (1 + len(neighbour_phases(engine))) * EVENTS_PER_CYCLE[engine.injection] / 2
    assert (1000 * per_revolution, 200 * per_revolution) == (in_1000, in_200)
    dead = EVENTS_PER_CYCLE[engine.injection] / 2 / per_revolution  # one cylinder that never fires: 25 % of four
    assert dead == pytest.approx(1 / cylinders)
    assert 1000 * cycle_interval(750) / 2 == pytest.approx(80.0)
    assert 1000 * cycle_interval(650) / 2 == pytest.approx(92.3, abs=0.05)
    assert 200 * cycle_interval(750) / 2 == pytest.approx(16.0)


@pytest.mark.parametrize(("cylinder", "phase"), [(1, 0.0), (2, 0.75), (3, 0.25), (4, 0.5)])
def test_phases_of_the_commonest_four(cylinder, phase):
    assert firing_phase((1, 3, 4, 2), cylinder) == phase


def test_a_cylinder_outside_the_order_has_no_phase():
    with pytest.raises(ParameterError, match="cylinder 5 is not in firing order 1-3-4-2"):
        firing_phase((1, 3, 4, 2), 5)


@given(st.permutations(range(1, 7)))
def test_phases_are_the_order(order):
    order = tuple(order)
    assert sorted(order, key=lambda cylinder: firing_phase(order, cylinder)) == list(order)
    assert parse_firing_order("-".join(map(str, order))) == order


def test_neighbours_lie_evenly_between_two_ticks():
    assert neighbour_phases(Engine(cylinders=4)) == (0.25, 0.5, 0.75)
    assert neighbour_phases(Engine(firing_order=(1, 2, 3))) == pytest.approx((1 / 3, 2 / 3))
    assert neighbour_phases(Engine(cylinders=1)) == ()
    assert neighbour_phases(Engine()) == ()


def test_uneven_engines_fire_at_their_angles():
    # 90 and 150 degrees in turn; seen from cylinder 6 at 90 degrees the others follow after 150, 240, ... of 720.
    odd = Engine(firing_order=(1, 6, 5, 4, 3, 2), firing_angles=(0, 90, 240, 330, 480, 570), cylinder=6)
    assert cylinder_phases(odd) == {1: 0, 6: 0.125, 5: 240 / 720, 4: 330 / 720, 3: 480 / 720, 2: 570 / 720}
    assert neighbour_phases(odd) == pytest.approx([d / 720 for d in (150, 240, 390, 480, 630)])
    assert neighbour_phases(replace(odd, cylinder=None)) == ()
    assert cylinder_phases(Engine(firing_order=(1, 3, 4, 2))) == {1: 0, 3: 0.25, 4: 0.5, 2: 0.75}
    assert cylinder_phases(Engine(cylinders=4)) == {}


@pytest.mark.parametrize(
    ("angles", "message"),
    [
        ((0, 180, 360), "go with a firing order of 4"),
        ((0, 180, 180, 540), "expected rising degrees"),
        ((-10, 180, 360, 540), "expected rising degrees"),
        ((0, 180, 360, 720), "from 0 to under 720"),
        ((0, 180, float("nan"), 540), "expected rising degrees"),
    ],
)
def test_impossible_firing_angles_are_refused(angles, message):
    with pytest.raises(ParameterError, match=message):
        Engine(firing_order=(1, 3, 4, 2), firing_angles=angles)


def test_firing_angles_need_an_order():
    with pytest.raises(ParameterError, match="no firing order"):
        Engine(cylinders=2, firing_angles=(0, 270))


def test_a_firing_order_names_the_number_of_cylinders():
    assert Engine(firing_order=(1, 5, 3, 6, 2, 4)).cylinders == 6
    assert Engine().cylinders is None


@pytest.mark.parametrize("text", ["1-5-3-6-2-4", "1,5,3,6,2,4", "1 5 3 6 2 4", "1, 5, 3, 6, 2, 4"])
def test_firing_orders_as_people_type_them(text):
    assert parse_firing_order(text) == (1, 5, 3, 6, 2, 4)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "not a list of cylinders"),
        ("1-3-x-2", "not a list of cylinders"),
        ("1-3.5-2", "not a list of cylinders"),
        ("1-²-3", "not a list of cylinders"),
        ("1-3-3-2", "not possible"),
        ("0-1-2", "not possible"),
        ("1-3-4-5", "not possible"),
    ],
)
def test_impossible_firing_orders_are_refused(text, message):
    with pytest.raises(ParameterError, match=message):
        parse_firing_order(text)


# Open engine-control firmware rusEFI, firing_order.h.
@pytest.mark.parametrize("text", ["1-3-2", "1-3-4-2", "1-2-4-5-3", "1-5-3-6-2-4", "1-8-4-3-6-5-7-2"])
def test_orders_in_use_are_read(text):
    assert "-".join(map(str, parse_firing_order(text))) == text


@pytest.mark.parametrize(
    ("settings", "message"),
    [
        ({"cylinders": 0}, "cylinders is 0; expected 1 to 16"),
        ({"cylinders": 17}, "cylinders is 17; expected 1 to 16"),
        ({"cylinders": 4, "cylinder": 5}, "cylinder is 5; expected 1 to 4"),
        ({"cylinder": 0}, "cylinder is 0; expected 1 to 16"),
        ({"firing_order": (1, 3, 4, 2), "cylinder": 6}, "cylinder is 6; expected 1 to 4"),
        ({"cylinders": 6, "firing_order": (1, 3, 4, 2)}, "names 4 cylinders; the engine has 6"),
        ({"firing_order": (1, 2, 2, 4)}, "not possible"),
    ],
)
def test_contradictions_are_refused(settings, message):
    with pytest.raises(ParameterError, match=message):
        Engine(**settings)


@pytest.mark.parametrize("rpm", [0, -700, 59.9, 10_001, float("nan"), float("inf")])
def test_impossible_speeds_are_refused_with_value_and_range(rpm):
    with pytest.raises(ParameterError, match=f"rpm is {rpm:g}; expected 200 to 10000"):
        check_rpm(rpm)
    with pytest.raises(ValueError, match="rpm"):
        firing_interval(rpm, Injection.SEQUENTIAL)


def test_every_error_is_ours():
    with pytest.raises(InjsoundError):
        check_rpm(0)


@pytest.mark.parametrize(
    ("code", "text"),
    # SAE J2012 / ISO 15031-6 wording as carried by python-OBD codes.py.
    [
        ("P0267", "Cylinder 3 Injector Circuit Low"),
        ("P0268", "Cylinder 3 Injector Circuit High"),
        ("P0269", "Cylinder 3 Contribution/Balance"),
        ("P0261", "Cylinder 1 Injector Circuit Low"),
        ("P0296", "Cylinder 12 Contribution/Balance"),
        ("P0300", "Random/Multiple Cylinder Misfire Detected"),
        ("p0302 ", "Cylinder 2 Misfire Detected"),
        ("P0312", "Cylinder 12 Misfire Detected"),
        ("P0200", "Injector Circuit/Open"),
        ("P0204", "Injector Circuit/Open - Cylinder 4"),
        # The same table; what follows the colon is ours.
        ("P0313", "Misfire Detected with Low Fuel"),
        ("P0314", "Single Cylinder Misfire (Cylinder not Specified)"),
        ("P0174", "System Too Lean (Bank 2): fuel pressure and air leaks come before a single injector"),
        ("P0172", "System Too Rich (Bank 1): fuel pressure and a leaking injector, which still ticks"),
    ],
)
def test_trouble_code_wording(code, text):
    assert Words().trouble_code(read_trouble_code(code)) == text


def test_all_trouble_codes_are_distinct():
    codes = [code for cylinder in range(1, 13) for code in cylinder_trouble_codes(cylinder)]
    assert len(set(codes)) == 12 * 5
    assert all(read_trouble_code(code) for code in codes)


@pytest.mark.parametrize("code", ["P0213", "P0260", "P0297", "P0335", "U0100", "P0A1F"])
def test_other_trouble_codes_are_kept_without_wording(code):
    assert read_trouble_code(code).kind is TroubleKind.OTHER


@pytest.mark.parametrize("code", ["P03O2", "0302", "", "P030", "P03022", "X0302"])
def test_what_is_no_trouble_code_is_refused(code):
    with pytest.raises(ParameterError, match="is no trouble code"):
        read_trouble_code(code)


@pytest.mark.parametrize("cylinder", [0, 13])
def test_cylinders_without_codes_are_refused(cylinder):
    with pytest.raises(ParameterError, match="trouble codes name cylinders 1 to 12"):
        cylinder_trouble_codes(cylinder)


@pytest.mark.parametrize("cylinders", [None, 2, 3, 4, 5, 6, 8])
def test_in_batch_injection_another_injector_may_open_at_the_same_moment(cylinders):
    # "Simultaneous" injection opens all at once, whatever their number (speeduino wiki, "Engine Constants", 2021).
    assert has_partner(Engine(cylinders=cylinders, injection=Injection.BATCH))
    assert not has_partner(Engine(cylinders=cylinders))


def test_turns_that_fold_onto_each_other_are_one_moment():
    # 360 of 720 degrees is one revolution, though (a + 360) / 720 - a / 720 need not round to a half.
    for angle in range(1, 360):
        assert tick_together((angle + 360) / 720 - angle / 720, 2), angle
    assert [tick_together(1 / 3, 2), tick_together(2 / 5, 2), tick_together(1 / 2, 1)] == [False] * 3
    # One degree off is another moment: 0.4 ms at 400 1/min.
    assert not tick_together(361 / 720, 2)


def test_the_only_injector_has_no_partner():
    assert not has_partner(Engine(cylinders=1, injection=Injection.BATCH))
    assert not has_partner(Engine(firing_order=(1,), injection=Injection.BATCH))
