"""Two speeds on gaps made by hand and on sound: a solenoid keeps its milliseconds, a mechanism its degrees."""

from dataclasses import replace

import numpy as np
import pytest
from takes import made_reading, take

from injsound.engine import Engine
from injsound.errors import ParameterError
from injsound.findings.compare import compare_most_alike
from injsound.findings.two_speed import compare_speeds, compare_speeds_of_each
from injsound.job_codes import CompareVerdict, GapKind, Stage, Why
from injsound.reading import read
from injsound.results import OpenTime
from injsound.simulate import Scene, simulate

NONE = np.zeros(353, dtype=bool)


def _at(rpm, gap_ms, *, cylinder=1, count=353, spread_ms=0.02, pulse=None, condition="warm"):
    made = made_reading(NONE, rpm=rpm, sha256=f"{rpm}{cylinder}{condition}")
    made = replace(made, open_time=OpenTime(median_ms=gap_ms, spread_ms=spread_ms, drift_ms=0.0, count=count))
    return replace(take(made, cylinder, condition=condition), pulse_width_ms=pulse)


def _told(*takes):
    found = compare_speeds(takes)
    return found.verdict, found.reasons[-1].why


def test_a_gap_that_holds_and_one_that_falls():
    # By hand: 2.8 ms at 750 1/min are 12.6 degrees, which at 2,000 1/min last 1.05 ms.
    assert _told(_at(750, 2.8), _at(2_000, 2.8)) == (GapKind.SOLENOID, Why.GAP_HOLDS)
    assert _told(_at(750, 2.8), _at(2_000, 2.3)) == (GapKind.SOLENOID, Why.GAP_HOLDS)
    assert _told(_at(2_000, 1.05), _at(750, 2.8)) == (GapKind.MECHANICAL, Why.GAP_FALLS)
    assert _told(_at(750, 2.8), _at(2_000, 1.6)) == (GapKind.NOT_SHOWN, Why.GAP_FITS_NEITHER)


def test_the_pulse_width_sharpens_it():
    # The pulse grows from 3.0 to 4.4 ms: so must a solenoid's gap, from 2.5 to 3.9 ms.
    slow, fast = _at(750, 2.5, pulse=3.0), _at(2_000, 3.9, pulse=4.4)
    assert _told(slow, fast) == (GapKind.SOLENOID, Why.GAP_HOLDS)
    assert _told(replace(slow, pulse_width_ms=None), fast) == (GapKind.NOT_SHOWN, Why.GAP_FITS_NEITHER)
    assert _told(slow, _at(2_000, 2.5, pulse=4.4)) == (GapKind.NOT_SHOWN, Why.GAP_FITS_NEITHER)
    # At 900 and 1,350 1/min an unknown pulse leaves too little between the two: 2.5 - 30 % against 2.5 / 1.5 + 10 %.
    close = _at(900, 2.5), _at(1_350, 2.5)
    assert _told(*close) == (GapKind.NOT_SHOWN, Why.SPEEDS_TOO_CLOSE)
    assert _told(*(replace(t, pulse_width_ms=3.0) for t in close)) == (GapKind.SOLENOID, Why.GAP_HOLDS)


def test_error_of_the_median_and_of_two_onsets():
    # By hand: 1.2533 * 0.4 / sqrt(100) = 0.0501; with 0.05 for the onsets 0.0708 ms.
    found = compare_speeds([_at(750, 2.8, spread_ms=0.4, count=100), _at(2_000, 2.8)])
    assert found.slow.error_ms == pytest.approx(0.0708, abs=1e-4)
    # Solenoid 2.8 +- 30 % +- 2.576 * 0.0708; mechanical 3/8 of 2.8, of 10 % of it and of the error.
    assert found.solenoid_ms == pytest.approx((2.8 - 0.84 - 0.1824, 2.8 + 0.84 + 0.1824), abs=1e-3)
    assert found.mechanical_ms == pytest.approx((1.05 - 0.105 - 0.0684, 1.05 + 0.105 + 0.0684), abs=1e-3)


def test_scatter_keeps_it_open():
    wide = {"spread_ms": 2.0, "count": 40}
    assert _told(_at(750, 2.8, **wide), _at(2_000, 1.6, **wide))[0] is GapKind.NOT_SHOWN


@pytest.mark.parametrize(
    ("takes", "why"),
    [
        ((_at(750, 2.8), _at(800, 2.8)), Why.ONE_SPEED),
        ((_at(750, 2.8), _at(2_000, 2.8, count=19)), Why.NO_OPEN_TIME),
        ((_at(750, None), _at(2_000, 2.8)), Why.NO_OPEN_TIME),
    ],
)
def test_what_cannot_be_told(takes, why):
    assert _told(*takes) == (GapKind.NOT_SHOWN, why)


def test_other_temperatures_and_the_same_sound_show_nothing():
    found = compare_speeds([_at(750, 2.8), _at(2_000, 2.8, condition="cold")])
    assert (found.verdict, found.reasons[0].why) == (GapKind.NOT_SHOWN, Why.CONDITIONS_DIFFER)
    slow = _at(750, 2.8)
    twin = replace(slow, reading=replace(_at(2_000, 2.8).reading, sha256=slow.reading.sha256))
    assert compare_speeds([slow, twin]).reasons[0].why is Why.SAME_RECORDING
    with pytest.raises(ParameterError, match="one cylinder"):
        compare_speeds([slow, _at(2_000, 2.8, cylinder=2)])


def test_a_case_compares_at_one_speed_and_checks_those_with_two():
    takes = [_at(750, 2.8, cylinder=c, condition="warm idle") for c in (1, 2, 3)]
    takes += [_at(2_000, 2.8, cylinder=2), replace(_at(2_000, 2.8, cylinder=1), stage=Stage.AFTER)]
    assert compare_most_alike(takes).verdict is CompareVerdict.NONE
    (found,) = compare_speeds_of_each(takes)
    assert (found.cylinder, found.verdict) == (2, GapKind.SOLENOID)
    # Alike in nothing: the comparison says so.
    apart = compare_most_alike([_at(750, 2.8, cylinder=1), _at(2_000, 2.8, cylinder=2)])
    assert Why.SPEEDS_DIFFER in [reason.why for reason in apart.reasons]


def test_two_speeds_in_sound():
    engine = Engine(cylinders=3, cylinder=1, firing_order=(1, 2, 3))
    takes = []
    for rpm in (750.0, 2_000.0):
        scene = Scene(seconds=25.0, sr=24_000, seed=2, rpm=rpm, engine=engine, tick_db=24.0, open_time_ms=2.6)
        made = read([simulate(scene)[0]], engine=engine, rpm=rpm, sha256=f"{rpm}")
        takes.append(take(made, 1))
    found = compare_speeds(takes)
    assert found.verdict is GapKind.SOLENOID
    assert found.fast.open_time_ms == pytest.approx(2.6, abs=0.1)
