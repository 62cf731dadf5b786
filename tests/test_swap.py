"""Where the fault goes in a swap, on readings made event by event; the control unit's word beside it."""

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats
from takes import EIGHT, NONE, made_reading, silent_reading, skips_at, take, whys_of

from injsound.control_unit import FreezeFrame, Misfires
from injsound.diagnoses import Arm
from injsound.engine import Engine
from injsound.findings import swap
from injsound.findings.freeze import unlike_freeze_frame
from injsound.findings.misfires import misfiring_cylinder
from injsound.findings.swap import find_fault
from injsound.job_codes import (
    Exchange,
    Stage,
    SwapVerdict,
    Why,
)
from injsound.languages import Language
from injsound.show.findings_text import say_reasons, tell_swap
from injsound.show.text import Words


def _swap(first, second, stayed, followed, **settings):
    trains = {(1, Stage.BEFORE, "A"): first, (2, Stage.BEFORE, "B"): second, (1, Stage.SWAPPED, "B"): stayed,
              (2, Stage.SWAPPED, "A"): followed}  # fmt: skip
    return [
        take(made_reading(train, sha256=str(k), **settings), cylinder, injector=injector, stage=stage)
        for k, ((cylinder, stage, injector), train) in enumerate(trains.items())
    ]


@pytest.mark.parametrize(
    ("cells", "verdict"),
    [
        ((EIGHT, NONE, NONE, EIGHT), SwapVerdict.FOLLOWS_INJECTOR),
        ((NONE, EIGHT, EIGHT, NONE), SwapVerdict.FOLLOWS_INJECTOR),
        ((EIGHT, NONE, EIGHT, NONE), SwapVerdict.STAYS_WITH_CYLINDER),
        ((EIGHT, NONE, EIGHT, EIGHT), SwapVerdict.BOTH),
        ((EIGHT, NONE, NONE, NONE), SwapVerdict.NEITHER),
        ((EIGHT, NONE, skips_at(90), NONE), SwapVerdict.NEITHER),
        ((EIGHT, NONE, skips_at(50, 200), EIGHT), SwapVerdict.NOT_SHOWN),
        ((NONE, NONE, NONE, NONE), SwapVerdict.NOT_SHOWN),
        ((skips_at(50, 200), NONE, NONE, skips_at(50, 200)), SwapVerdict.NOT_SHOWN),
        ((skips_at(*range(50, 58)), NONE, NONE, skips_at(*range(90, 98))), SwapVerdict.NOT_SHOWN),
    ],
    ids=[
        "follows",
        "follows from 2",
        "stays",
        "both",
        "neither",
        "neither, a lone skip",
        "both, too few",
        "sound",
        "too few",
        "one burst each",
    ],
)
def test_swap(cells, verdict):
    assert find_fault(_swap(*cells)).verdict is verdict


@pytest.mark.parametrize("doubtful", [2, 3])
def test_a_cell_of_doubtful_calls_is_neither_faulty_nor_clean(doubtful):
    # Both cells after the swap skip; in one a sixth of the calls may be wrong: it was taken for clean.
    takes = _swap(EIGHT, NONE, EIGHT, skips_at(*range(25, 345, 40)))
    doubted = made_reading(EIGHT, sha256="d", false=0.17)
    takes[doubtful] = replace(takes[doubtful], reading=doubted)
    assert find_fault(takes).verdict is SwapVerdict.NOT_SHOWN


@pytest.mark.parametrize(
    ("cells", "why", "episodes", "others"),
    [
        # By hand: eight in each cell with the fault, none in the clean ones.
        ((EIGHT, NONE, NONE, EIGHT), Why.SKIPS_PLACED, 16, 0),
        ((EIGHT, NONE, EIGHT, NONE), Why.SKIPS_PLACED, 16, 0),
        ((EIGHT, NONE, EIGHT, EIGHT), Why.SKIPS_PLACED, 24, 0),
        ((EIGHT, NONE, skips_at(90), NONE), Why.SKIPS_GONE, 8, 1),
        ((EIGHT, NONE, skips_at(50, 200), EIGHT), Why.PLACE_UNCLEAR, None, None),
    ],
)
def test_a_swap_tells_the_bad_moments_of_its_own_sides(cells, why, episodes, others):
    found = find_fault(_swap(*cells))
    figures = found.reasons[0].figures
    assert (found.reasons[0].why, figures.get("episodes"), figures.get("others")) == (why, episodes, others)
    for language in Language:
        said = say_reasons(found.reasons, Words(language))
        assert all(one in _in_a_line(found, language) for one in said)
        assert "–" not in "".join(said)


def _in_a_line(found, language):
    return " ".join(" ".join(tell_swap(found, Words(language))).split())


@pytest.mark.parametrize(("n", "m"), [(17, 17), (17, 29), (20, 40), (40, 20), (60, 30), (60, 60), (60, 120), (120, 60)])
def test_a_fault_that_is_still_there_is_called_gone_in_under_one_per_cent(n, m):
    # Every table of two binomials with the same share, whatever it is; after the swap no fault may show.
    before, after = np.arange(n + 1)[:, None], np.arange(m + 1)
    is_gone = np.zeros((n + 1, m + 1), dtype=bool)
    for k in range(n + 1):
        is_gone[k, :2] = [swap.is_gone(Arm(episodes=k, blocks=n), Arm(episodes=j, blocks=m)) for j in (0, 1)]
    for share in np.linspace(0.005, 0.6, 120):
        assert np.sum(stats.binom.pmf(before, n, share) * stats.binom.pmf(after, m, share) * is_gone) < 0.01
    assert is_gone.any()


@pytest.mark.parametrize("count", [1, 2, 4])
def test_what_was_recorded_after_the_repair_has_no_part_in_the_swap(count):
    # Mended since: counted as swapped, it thinned the skips out until nothing was shown.
    four = _swap(EIGHT, NONE, NONE, EIGHT)
    since = [
        take(made_reading(NONE, sha256=f"{c} {k}"), c, injector="D", stage=Stage.AFTER, condition="hot")
        for c in (1, 2, 3)
        for k in range(count)
    ]
    found = find_fault([*four, *since])
    assert found.verdict is SwapVerdict.FOLLOWS_INJECTOR
    assert {key: arm.judged for key, arm in found.cells.items()} == {
        (c, stage): len(NONE) for c in (1, 2) for stage in (Stage.BEFORE, Stage.SWAPPED)
    }
    assert set(whys_of(find_fault([*four[:2], *since]))) >= {Why.CELL_MISSING}


def test_a_silent_injector_that_moves_is_followed():
    takes = _swap(NONE, NONE, NONE, NONE)
    takes[0] = replace(takes[0], reading=silent_reading(sha256="a"))
    takes[3] = replace(takes[3], reading=silent_reading(sha256="b"))
    assert find_fault(takes).verdict is SwapVerdict.FOLLOWS_INJECTOR


@pytest.mark.parametrize(
    ("change", "why"),
    [
        (lambda t: t[:3], Why.CELL_MISSING),
        (lambda t: [*t[:3], replace(t[3], condition="cold")], Why.CONDITIONS_DIFFER),
        (lambda t: [*t[:3], replace(t[3], injector="B")], Why.LABELS_UNCLEAR),
        (lambda t: [*t[:2], replace(t[2], injector="A"), replace(t[3], injector="B")], Why.NOTHING_MOVED),
        (lambda t: [replace(x, connector=c) for x, c in zip(t, "mnnm", strict=True)], Why.BOTH_MOVED),
        (
            lambda t: [*t[:3], replace(t[3], reading=replace(t[3].reading, engine=Engine(cylinders=4)))],
            Why.ENGINES_DIFFER,
        ),
        (lambda t: [*t[:3], replace(t[3], reading=t[0].reading)], Why.SAME_RECORDING),
        (lambda t: [*t[:3], replace(t[3], reading=made_reading(EIGHT, rpm=2_000, sha256="x"))], Why.SPEEDS_DIFFER),
        (lambda t: [*t[:3], replace(t[3], reading=made_reading(EIGHT[:150], sha256="x"))], Why.LENGTHS_DIFFER),
        (lambda t: [*t, replace(t[3], cylinder=3)], Why.NOT_TWO_CYLINDERS),
    ],
    ids=["cell", "condition", "labels", "moved", "both moved", "engine", "same", "speed", "length", "three cylinders"],
)
def test_unlike_cells_show_nothing(change, why):
    found = find_fault(change(_swap(EIGHT, NONE, NONE, EIGHT)))
    assert found.verdict is SwapVerdict.NOT_SHOWN
    assert why in whys_of(found)


def _crossed(*cells):
    """The same four cells with connectors m and n crossed and injectors left in place."""
    takes = _swap(*cells)
    return [replace(t, injector="AB"[t.cylinder - 1], connector=c) for t, c in zip(takes, "mnnm", strict=True)]


@pytest.mark.parametrize(
    ("cells", "verdict"),
    [
        # The fault goes to the cylinder that is now driven by the faulty one's connector: the circuit.
        ((EIGHT, NONE, NONE, EIGHT), SwapVerdict.STAYS_WITH_CYLINDER),
        ((EIGHT, NONE, EIGHT, NONE), SwapVerdict.FOLLOWS_INJECTOR),
        ((EIGHT, NONE, EIGHT, EIGHT), SwapVerdict.BOTH),
        ((EIGHT, NONE, NONE, NONE), SwapVerdict.NEITHER),
    ],
)
def test_crossed_connectors_mean_the_opposite(cells, verdict):
    found = find_fault(_crossed(*cells))
    assert found.verdict is verdict
    assert found.exchange is Exchange.CONNECTORS
    exchanged = find_fault(_swap(*cells))
    assert (found.p_injector, found.p_cylinder) == (exchanged.p_cylinder, exchanged.p_injector)


def test_labels_after_the_swap_alone_tell_what_changed_places():
    # Before it a part was its own cylinder's.
    takes = [
        replace(take(made_reading(EIGHT if bad else NONE, sha256=f"{c}{stage}"), c, stage=stage), connector=label)
        for c, stage, bad, label in (
            (2, Stage.BEFORE, True, ""),
            (3, Stage.BEFORE, False, ""),
            (2, Stage.SWAPPED, False, "3"),
            (3, Stage.SWAPPED, True, "2"),
        )
    ]
    found = find_fault(takes)
    assert (found.exchange, found.verdict) == (Exchange.CONNECTORS, SwapVerdict.STAYS_WITH_CYLINDER)


def test_labels_tell_what_changed_places():
    cells = (EIGHT, NONE, NONE, EIGHT)
    assert find_fault(_swap(*cells)).exchange is Exchange.INJECTORS
    assert find_fault([replace(t, injector="") for t in _swap(*cells)]).exchange is Exchange.ASSUMED
    assert find_fault([replace(t, injector="") for t in _crossed(*cells)]).exchange is Exchange.CONNECTORS
    kept = [replace(t, connector=c) for t, c in zip(_swap(*cells), "mnmn", strict=True)]
    assert find_fault(kept).exchange is Exchange.INJECTORS
    two = [*_swap(*cells), replace(_swap(*cells)[0], injector="C", reading=made_reading(EIGHT, sha256="z"))]
    assert whys_of(find_fault(two)) == [Why.LABELS_UNCLEAR]


def _codes(*codes, **counts):
    return Misfires(codes=codes, counts={int(key[1:]): count for key, count in counts.items()})


@pytest.mark.parametrize(
    ("read", "cylinder"),
    [
        (_codes("P0301", "P0300"), 1),
        (_codes("P0301", "P0302"), None),
        (_codes("P0303", "P0201"), None),
        (_codes(), None),
        # By hand: 8 against 0 is 2^-8 = 0.0039, 6 against 0 is 2^-6 = 0.0156.
        (_codes(c2=8), 2),
        (_codes(c2=6), None),
        (_codes(c1=154, c2=3), 1),
        (_codes(c1=30, c2=25), None),
        (_codes("P0302", c1=154), 2),
    ],
)
def test_which_of_two_cylinders_misfires(read, cylinder):
    assert misfiring_cylinder(read, (1, 2)) == cylinder


@pytest.mark.parametrize(
    ("cells", "now", "whys"),
    [
        ((EIGHT, NONE, NONE, EIGHT), "P0302", [Why.MISFIRE_MOVED, Why.SECOND_AGREES]),
        ((EIGHT, NONE, NONE, EIGHT), "P0301", [Why.MISFIRE_STAYED, Why.SECOND_CONTRADICTS]),
        ((EIGHT, NONE, EIGHT, NONE), "P0301", [Why.MISFIRE_STAYED, Why.SECOND_AGREES]),
        ((EIGHT, NONE, EIGHT, NONE), "P0302", [Why.MISFIRE_MOVED, Why.SECOND_CONTRADICTS]),
        ((EIGHT, NONE, NONE, NONE), "P0301", [Why.MISFIRE_STAYED, Why.SECOND_CONTRADICTS]),
        ((EIGHT, NONE, EIGHT, EIGHT), "P0301", [Why.MISFIRE_STAYED]),
        ((NONE, EIGHT, EIGHT, NONE), "P0302", [Why.MISFIRE_MOVED, Why.SECOND_CONTRADICTS]),
        ((EIGHT, NONE, NONE, EIGHT), "P0300", []),
    ],
)
def test_a_misfire_code_is_second_evidence(cells, now, whys):
    found = find_fault(_swap(*cells), before=_codes("P0301"), swapped=_codes(now))
    assert [reason.why for reason in found.second] == whys
    # Misfire means combustion, which goes with the injector's place whichever way the leads lie.
    crossed = find_fault(_crossed(*cells), before=_codes("P0301"), swapped=_codes(now))
    assert [reason.why for reason in crossed.second] == whys


# --- freeze frame ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("frame", "settings", "unlike"),
    [
        ({}, {}, False),
        ({"rpm": 700.0}, {}, False),
        ({"rpm": 1_850.0}, {}, True),
        ({"coolant_c": 12.0}, {}, False),
        ({"coolant_c": 12.0}, {"coolant_c": 30.0}, False),
        ({"coolant_c": 12.0}, {"coolant_c": 88.0}, True),
        ({"load_percent": 75.0}, {"load_percent": 20.0}, True),
        ({"rpm": 1_850.0}, {"stage": Stage.AFTER}, False),
    ],
)
def test_a_recording_unlike_the_freeze_frame_is_told(frame, settings, unlike):
    made = replace(take(made_reading(NONE), 1), **settings)
    assert (unlike_freeze_frame(FreezeFrame(**frame), [made]) is not None) is unlike


def test_one_recording_like_the_freeze_frame_is_enough():
    frame = FreezeFrame(rpm=1_850.0, coolant_c=12.0)
    takes = [take(made_reading(NONE), 1), replace(take(made_reading(NONE, rpm=1_800.0), 1), coolant_c=15.0)]
    assert unlike_freeze_frame(frame, takes) is None
    figures = unlike_freeze_frame(frame, takes[:1]).figures
    assert figures == {"rpm": 1850, "coolant_c": 12, "load_percent": None}
