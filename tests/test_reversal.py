"""Whether the fault went back once a swap was undone, on readings made event by event; and what is done then."""

from dataclasses import replace

import pytest
from takes import EIGHT, NONE, made_reading, skips_at, take, uncounted_reading

from injsound.cases.case import Case
from injsound.cases.guide import next_step
from injsound.cases.names import circumstances_named
from injsound.cli_cases import _STAGES
from injsound.diagnoses import Findings
from injsound.engine import Engine
from injsound.findings.reversal import find_reversal
from injsound.findings.swap import find_fault
from injsound.job_codes import Reversal, Stage, SwapVerdict, Todo, Why
from injsound.languages import Language
from injsound.show.findings_text import tell_swap
from injsound.show.text import Words

FOLLOWS, STAYS, NEITHER = (EIGHT, NONE, NONE, EIGHT), (EIGHT, NONE, EIGHT, NONE), (EIGHT, NONE, NONE, NONE)
# Cylinder, stage and the label of the injector that sat there.
_PLACES = ((1, Stage.BEFORE, "A"), (2, Stage.BEFORE, "B"), (1, Stage.SWAPPED, "B"), (2, Stage.SWAPPED, "A"),
           (1, Stage.BACK, "A"), (2, Stage.BACK, "B"))  # fmt: skip


def _takes(*trains):
    return [
        take(made_reading(train, sha256=f"{k}"), cylinder, injector=injector, stage=stage)
        for k, ((cylinder, stage, injector), train) in enumerate(zip(_PLACES, trains, strict=False))
    ]


def _found(takes):
    return find_reversal(find_fault(takes), takes)


@pytest.mark.parametrize(
    ("swapped", "undone", "reversal"),
    [
        (FOLLOWS, (EIGHT, NONE), Reversal.WENT_BACK),
        (STAYS, (EIGHT, NONE), Reversal.WENT_BACK),
        (NEITHER, (EIGHT, NONE), Reversal.WENT_BACK),
        (FOLLOWS, (NONE, NONE), Reversal.DID_NOT),
        (FOLLOWS, (NONE, EIGHT), Reversal.DID_NOT),
        (NEITHER, (NONE, NONE), Reversal.DID_NOT),
        (FOLLOWS, (skips_at(50, 200), NONE), Reversal.NOT_SHOWN),
        (FOLLOWS, (EIGHT, EIGHT), Reversal.NOT_SHOWN),
    ],
)  # fmt: skip
def test_where_the_fault_is_once_changed_back(swapped, undone, reversal):
    takes = _takes(*swapped, *undone)
    found = _found(takes)
    assert found.reversal is reversal
    # The swap itself is asked without them, and by number of skips they are shown beside it.
    assert found.verdict is find_fault(takes[:4]).verdict
    assert [found.undone[k].skipped for k in (1, 2)] == [int(train.sum()) for train in undone]


def test_without_recordings_or_a_placed_fault_nothing_is_asked():
    assert _found(_takes(*FOLLOWS)).reversal is None
    sound = _found(_takes(NONE, NONE, NONE, NONE, NONE, NONE))
    assert (sound.verdict, sound.reversal) == (SwapVerdict.NOT_SHOWN, None)


@pytest.mark.parametrize(
    ("change", "why"),
    [
        (lambda t: t[:5], Why.CELL_MISSING),
        (lambda t: [*t[:5], replace(t[5], condition="hot")], Why.CONDITIONS_DIFFER),
        (lambda t: [*t[:5], replace(t[5], reading=t[0].reading)], Why.SAME_RECORDING),
        (lambda t: [*t[:5], replace(t[5], reading=uncounted_reading())], Why.NOT_COUNTED),
    ],
)
def test_what_keeps_the_reversal_from_being_shown(change, why):
    found = _found(change(_takes(*FOLLOWS, EIGHT, NONE)))
    assert found.reversal is Reversal.NOT_SHOWN
    assert why in {reason.why for reason in found.open_questions}


@pytest.mark.parametrize(
    ("swapped", "undone", "todo"),
    [
        (FOLLOWS, (EIGHT, NONE), Todo.REPLACE),
        (STAYS, (EIGHT, NONE), Todo.REPAIR_WIRING),
        (FOLLOWS, (NONE, NONE), Todo.CHECK_PINS),
        (STAYS, (NONE, NONE), Todo.CHECK_PINS),
        (NEITHER, (), Todo.SWAP_BACK),
        (NEITHER, (EIGHT,), Todo.SWAP_BACK),
        (NEITHER, (EIGHT, NONE), Todo.CHECK_PINS),
        (NEITHER, (NONE, NONE), Todo.CHECK_PINS),
        (NEITHER, (skips_at(50, 200), NONE), Todo.RECORD_MORE),
    ],
)  # fmt: skip
def test_what_is_done_once_changed_back(tmp_path, swapped, undone, todo):
    case = Case(folder=tmp_path, engine=Engine(cylinders=3), checks={"codes_saved": True, "quick": True})
    takes = _takes(*swapped, *undone)
    step = next_step(case, Findings(takes=tuple(takes), swap=_found(takes)))
    assert step.todo is todo
    if todo is Todo.CHECK_PINS:
        assert step.figures == {"cylinder": 1}


@pytest.mark.parametrize("name", ["cyl3 cold changed back", "cyl3_swapped-back", "cil3 frío deshecho", "undone cyl3"])
def test_its_name_is_no_swap(name):
    assert circumstances_named(name)["stage"] is Stage.BACK


def test_the_command_line_offers_every_stage():
    assert list(_STAGES) == [stage.value for stage in Stage]


@pytest.mark.parametrize("language", list(Language))
@pytest.mark.parametrize(("swapped", "undone"), [(FOLLOWS, (EIGHT, NONE)), (NEITHER, (NONE, NONE)), (STAYS, (EIGHT,))])
def test_a_screen_shows_it_beside_the_swap(language, swapped, undone):
    lines = tell_swap(_found(_takes(*swapped, *undone)), Words(language))
    assert max(map(len, lines)) <= 80
    assert lines[1].split()[-1] in ("back", "deshecho")
    assert [line.split()[0] for line in lines[2:4]] == ["1", "2"]
