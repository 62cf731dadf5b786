"""The next step of a job, and how it is told."""

from dataclasses import replace

import pytest
from takes import EIGHT, NONE, made_reading, silent_reading, take, uncounted_reading, whys_of

from injsound.cases.adding import new_case
from injsound.cases.case import Case
from injsound.cases.guide import Step, next_step
from injsound.cli import main
from injsound.codes import ReasonCode, Verdict
from injsound.diagnoses import Arm, Comparison, Findings, Reason, SwapFinding, VerifyFinding, WiggleFinding
from injsound.engine import Engine
from injsound.findings.compare import compare_injectors
from injsound.findings.verify import verify_repair
from injsound.job_codes import (
    CompareVerdict,
    Exchange,
    Measure,
    Shaking,
    Stage,
    SwapVerdict,
    Todo,
    VerifyVerdict,
    Why,
    WiggleVerdict,
)
from injsound.languages import Language
from injsound.show.case_text import tell_step, told_to_owner
from injsound.show.findings_text import say_reasons, tell_comparison, tell_findings, tell_swap, tell_verify, tell_wiggle
from injsound.show.text import COLUMNS, Words
from injsound.show.words.keys import Brief
from injsound.values import Note

THREE = Engine(cylinders=3, firing_order=(1, 2, 3))
DONE = {"codes_saved": True, "quick": True, "drive": True, "leaks": True}


def _compared(verdict, odd=()):
    sides = compare_injectors(TAKES).sides
    return Comparison(verdict=verdict, odd=odd, sides=sides, reasons=(), condition="cold", record_s=40.0)


def _swapped(verdict, exchange=Exchange.INJECTORS):
    cells = {(cylinder, stage): Arm(episodes=0, blocks=1) for cylinder in (3, 1) for stage in Stage}
    return SwapFinding(verdict=verdict, cells=cells, reasons=(), p_injector=None, p_cylinder=None, record_s=None,
                       exchange=exchange, faulty=3)  # fmt: skip


def _wiggled(verdict):
    empty = Arm(episodes=0, blocks=1)
    return WiggleFinding(
        verdict=verdict, moved=empty, still=empty, moved_unjudged=0, still_unjudged=0, p=None, reasons=()
    )


TAKES = tuple(take(made_reading(EIGHT if c == 3 else NONE), c) for c in (1, 2, 3))


UNHEARD = {"takes": (*TAKES[:2], take(uncounted_reading(sha256="3"), 3))}
UNHEARD["comparison"] = compare_injectors(UNHEARD["takes"])
ODD = {"takes": TAKES, "comparison": _compared(CompareVerdict.ODD_ONE, (3,))}


def _verified(verdict, why=None):
    return VerifyFinding(verdict=verdict, before=None, after=Arm(episodes=0, blocks=1), rate_high=None, row=0.0,
                         change=None,
                         change_low=None, change_high=None, restarts_needed=None,
                         reasons=() if why is None else (Reason(why=why),), record_s=None)  # fmt: skip


def _doubtful(code):
    doubt = replace(TAKES[0].reading, verdict=Verdict.CANNOT_TELL, reasons=(Note(code=code),))
    return (replace(TAKES[0], reading=doubt),)


ONE, ALONE = Engine(cylinders=1), (replace(TAKES[2], cylinder=1),)


UNCLEAR = _doubtful(ReasonCode.WEAK_SEPARATION)


UNSURE = _verified(VerifyVerdict.NOT_ENOUGH, Why.DIFFERENCE_UNCLEAR)


LEAKY = _verified(VerifyVerdict.NOT_ENOUGH, Why.LEAKS_NOT_CHECKED)


@pytest.mark.parametrize(
    ("settings", "findings", "todo"),
    [
        ({"checks": {}}, {}, Todo.READ_CODES),
        ({"checks": {}, "codes": ("P0302",)}, {}, Todo.SAVE_CODES),
        ({"checks": {"codes_saved": True}}, {}, Todo.QUICK_CHECKS),
        ({}, {}, Todo.RECORD_EACH),
        ({"codes": ("P0303",)}, {}, Todo.RECORD_SHAKING),
        ({}, {"takes": tuple(replace(t, shaking=Shaking.NO) for t in TAKES)}, Todo.RECORD_EACH),
        ({}, {"takes": tuple(replace(t, shaking=Shaking.UNKNOWN) for t in TAKES)}, Todo.SAY_SHAKING),
        ({}, {"takes": UNCLEAR}, Todo.RECORD_AGAIN),
        ({}, {"takes": _doubtful(ReasonCode.MAY_BE_NEIGHBOUR)}, Todo.RECORD_OTHERS),
        ({}, {**ODD, "takes": (*_doubtful(ReasonCode.FEW_CALLS), *TAKES[1:])}, Todo.WIGGLE),
        ({"engine": ONE}, {"takes": ALONE}, Todo.WIGGLE),
        ({"engine": ONE, "checks": {"codes_saved": True, "quick": True}}, {"takes": ALONE}, Todo.PROVE_DRIVE),
        ({"engine": ONE}, {"takes": ALONE, "wiggle": _wiggled(WiggleVerdict.GATHERS)}, Todo.REPAIR_WIRING),
        ({"engine": ONE}, {"takes": ALONE, "wiggle": _wiggled(WiggleVerdict.DOES_NOT)}, Todo.REPLACE),
        ({"engine": ONE}, {"takes": TAKES[:1]}, Todo.LOOK_ELSEWHERE),
        ({}, {"takes": TAKES[:1]}, Todo.RECORD_OTHERS),
        ({}, {"takes": TAKES}, Todo.RECORD_REST),
        ({"engine": Engine()}, {"takes": TAKES[:1], "comparison": compare_injectors(TAKES[:1])}, Todo.RECORD_REST),
        ({}, {"takes": TAKES, "comparison": _compared(CompareVerdict.NOT_SHOWN)}, Todo.RECORD_MORE),
        ({}, {"takes": TAKES, "comparison": _compared(CompareVerdict.NONE)}, Todo.LOOK_ELSEWHERE),
        ({"checks": {"codes_saved": True, "quick": True}}, ODD, Todo.PROVE_DRIVE),
        ({"checks": {"codes_saved": True, "quick": True}}, UNHEARD, Todo.PROVE_DRIVE),
        ({}, UNHEARD, Todo.RECORD_AGAIN),
        ({}, ODD, Todo.WIGGLE),
        ({}, {**ODD, "wiggle": _wiggled(WiggleVerdict.GATHERS)}, Todo.REPAIR_WIRING),
        ({}, {**ODD, "wiggle": _wiggled(WiggleVerdict.DOES_NOT)}, Todo.SWAP),
        ({}, {**ODD, "wiggle": _wiggled(WiggleVerdict.DOES_NOT), "swap": _swapped(SwapVerdict.NOT_SHOWN)}, Todo.SWAP),
        ({}, {**ODD, "swap": _swapped(SwapVerdict.FOLLOWS_INJECTOR)}, Todo.REPLACE),
        ({}, {**ODD, "swap": _swapped(SwapVerdict.FOLLOWS_INJECTOR, Exchange.ASSUMED)}, Todo.NAME_EXCHANGE),
        ({}, {**ODD, "swap": _swapped(SwapVerdict.STAYS_WITH_CYLINDER, Exchange.ASSUMED)}, Todo.NAME_EXCHANGE),
        (
            {},
            {
                **ODD,
                "wiggle": _wiggled(WiggleVerdict.GATHERS),
                "swap": _swapped(SwapVerdict.FOLLOWS_INJECTOR),
            },
            Todo.TESTS_DISAGREE,
        ),
        ({}, {**ODD, "swap": _swapped(SwapVerdict.STAYS_WITH_CYLINDER)}, Todo.REPAIR_WIRING),
        ({}, {**ODD, "swap": _swapped(SwapVerdict.BOTH)}, Todo.REPAIR_BOTH),
        ({}, {**ODD, "swap": _swapped(SwapVerdict.NEITHER)}, Todo.SWAP_BACK),
        ({"repaired": 3}, ODD, Todo.VERIFY),
        ({"repaired": 3}, {"verification": _verified(VerifyVerdict.STILL_SKIPPING)}, Todo.STILL_FAULTY),
        ({"repaired": 3}, {"verification": _verified(VerifyVerdict.NOT_ENOUGH)}, Todo.RECORD_MORE),
        ({"repaired": 3}, {"verification": LEAKY}, Todo.CHECK_LEAKS),
        ({"repaired": 3}, {"verification": UNSURE}, Todo.RECORD_MORE),
        ({"repaired": 3}, {"verification": _verified(VerifyVerdict.GOOD)}, Todo.ROAD_TEST),
    ],
)  # fmt: skip
def test_every_step_of_the_job(tmp_path, settings, findings, todo):
    case = Case(folder=tmp_path, **{"engine": THREE, "checks": DONE, **settings})
    assert next_step(case, Findings(**findings)).todo is todo


@pytest.mark.parametrize(
    ("why", "figures", "todo", "told"),
    [
        (Why.RESTARTS_NEEDED, {"clean": 1, "needed": 5}, Todo.RESTART_MORE, "Start the engine 4 more times"),
        (Why.SIBLINGS_NOT_RECORDED, {"cylinders": "1, 2"}, Todo.RECORD_SINCE, "Record cylinders 1, 2 after the repair"),
        (Why.FELLOWS_NEEDED, {"count": 0, "needed": 2}, Todo.RECORD_FELLOWS, "same condition, 2 more: with 2 of them"),
        (Why.SIBLING_SKIPS, {"cylinder": 2}, Todo.SIBLING_FAULTY, "Cylinder 2 skips too: go on"),
        (
            Why.OUTSIDE_FELLOWS,
            {"measure": Measure.OPEN_TIME, "value": 3.1, "low": 2.6, "high": 3.0},
            Todo.OUT_OF_LINE,
            "Cylinder 3 is out of line with its fellows by its open time",
        ),
        (Why.NO_FAULT_BEFORE, {"episodes": 0}, Todo.FIND_FAULT, "No recording from before the repair holds the fault"),
        (Why.CELL_MISSING, {"cylinder": 3, "stage": Stage.BEFORE}, Todo.FIND_FAULT, "No recording from before"),
        (Why.CONDITIONS_DIFFER, {"conditions": "cold, hot"}, Todo.RECORD_ALIKE, "Record cylinder 3 after the repair"),
        (Why.SPEEDS_DIFFER, {"rpm_low": 700, "rpm_high": 1500}, Todo.RECORD_ALIKE, "at the speed of"),
        (
            Why.NOT_COUNTED,
            {"file": "since.wav"},
            Todo.RECORD_AGAIN,
            "since.wav again, under a new name: two clicks",
        ),
        (Why.NOT_COUNTED, {"file": "old.wav"}, Todo.FIND_FAULT, "No recording from before"),
        (
            Why.TICK_IN_DOUBT,
            {"file": "since.wav", "cylinder": 3, "reason": ReasonCode.MOSTLY_MISSING},
            Todo.RECORD_AGAIN,
            f"since.wav again, under a new name: {Words().say(Brief.MOSTLY_MISSING)}",
        ),
    ],
)
def test_what_a_longer_recording_does_not_answer_after_a_repair_has_a_step_of_its_own(
    tmp_path, why, figures, todo, told
):
    def unclear(file, stage):
        doubt = Note(code=ReasonCode.TWO_CANDIDATES)
        reading = replace(TAKES[0].reading, file=file, verdict=Verdict.CANNOT_TELL, reasons=(doubt,))
        return take(reading, 3, stage=stage)

    case = Case(folder=tmp_path, engine=THREE, checks=DONE, repaired=3)
    takes = (unclear("since.wav", Stage.AFTER), unclear("old.wav", Stage.BEFORE))
    found = replace(_verified(VerifyVerdict.NOT_ENOUGH), reasons=(Reason(why=why, figures=figures),))
    step = next_step(case, Findings(takes=takes, verification=found))
    assert step.todo is todo
    assert told in " ".join(" ".join(tell_step(step, Words())).split())
    longer = next_step(case, Findings(takes=takes, verification=replace(found, record_s=40.0)))
    assert (longer.todo, longer.figures) == (Todo.RECORD_MORE, {"seconds": 40})


@pytest.mark.parametrize(
    ("code", "separation", "why"),
    [(ReasonCode.TICKS_FADE, 2.0, Why.NOT_COUNTED), (ReasonCode.MAY_BE_NEIGHBOUR, 8.0, Why.TICK_IN_DOUBT)],
)
def test_a_recording_of_the_repaired_one_that_tells_nothing_is_made_again(tmp_path, code, separation, why):
    made = made_reading(NONE, sha256="since")
    quality = replace(made.quality, separation=separation)
    since = replace(made, verdict=Verdict.CANNOT_TELL, reasons=(Note(code=code),), quality=quality)
    takes = (TAKES[2], take(since, 3, stage=Stage.AFTER))
    found = verify_repair(takes, cylinder=3, leaks_checked=True)
    assert whys_of(found) == [why]
    case = Case(folder=tmp_path, engine=THREE, checks=DONE, repaired=3)
    step = next_step(case, Findings(takes=takes, verification=found))
    assert (step.todo, step.figures) == (Todo.RECORD_AGAIN, {"file": "since.wav", "reason": code})


@pytest.mark.parametrize(
    ("cylinders", "english", "spanish"),
    [("4", "cylinder 4", "el cilindro 4"), ("1, 4", "cylinders 1, 4", "los cilindros 1, 4")],
)
def test_one_cylinder_is_not_told_as_many(cylinders, english, spanish):
    figures = {"cylinders": cylinders}
    for language, named, others in ((Language.ENGLISH, english, "ylinder"), (Language.SPANISH, spanish, "ilindro")):
        words = Words(language)
        told = [
            " ".join(tell_step(Step(todo=todo, figures=figures), words))
            for todo in (Todo.RECORD_OTHERS, Todo.RECORD_SINCE)
        ]
        told += say_reasons(
            [Reason(why=why, figures=figures) for why in (Why.SIBLINGS_NOT_RECORDED, Why.IN_ORDER)], words
        )
        for said in told:
            assert named in " ".join(said.split())
            assert said.count(others) == 1


def test_verify_says_in_two_parts_what_a_case_lacks(tmp_path, capsys):
    path = new_case(tmp_path, engine=THREE)
    assert main(["verify", str(tmp_path)]) == 2
    told = capsys.readouterr().err
    assert "does not say which cylinder was repaired: write [repair] into its case.toml" in told
    path.write_text(path.read_text() + "[repair]\ncylinder = 2\n")  # as told
    assert main(["verify", str(tmp_path)]) == 2
    told = capsys.readouterr().err
    assert (
        "no recording of cylinder 2 from after the repair: record it again, and add it with injsound case add "
        f"{tmp_path} FILE" in told
    )


def test_clean_restarts_are_entered():
    step = Step(todo=Todo.RESTART_MORE, figures={"more": 4, "needed": 5})
    assert "Enter clean_since = 5 under [restarts]" in " ".join(tell_step(step, Words()))


def test_the_code_names_the_cylinder_to_record(tmp_path):
    # P0267: 261 + 3 x 2, the low side of cylinder 3's circuit; P0313 is about fuel, P0335 about the crank's sensor.
    one = (("P0303",), ("P0203", "P0303"), ("P0267",), ("P0303", "P0335"))
    none = (("P0300",), ("P0301", "P0303"), ("P0313",), ("P0335",))
    for codes, cylinder in (*((codes, 3) for codes in one), *((codes, None) for codes in none)):
        case = Case(folder=tmp_path, engine=THREE, checks=DONE, codes=codes)
        assert next_step(case, Findings()).figures.get("cylinder") == cylinder


def test_a_swap_that_does_not_show_yet_is_recorded_longer(tmp_path):
    case = Case(folder=tmp_path, engine=THREE, checks=DONE)
    swap = replace(_swapped(SwapVerdict.NOT_SHOWN), record_s=40.0)
    found = Findings(**ODD, wiggle=_wiggled(WiggleVerdict.DOES_NOT), swap=swap)
    step = next_step(case, found)
    assert (step.todo, step.figures) == (Todo.RECORD_MORE, {"seconds": 40})
    told = "\n".join(line for block in [*tell_findings(found, Words()), tell_step(step, Words())] for line in block)
    assert told.count("40 s") == 1


def test_that_idle_is_no_road_test_is_said_once(tmp_path):
    case = Case(folder=tmp_path, engine=THREE, checks=DONE, repaired=3)
    found = Findings(verification=_verified(VerifyVerdict.GOOD))
    told = [*tell_findings(found, Words()), tell_step(next_step(case, found), Words())]
    assert sum(" ".join(block).count("road test") for block in told) == 1
    alone = " ".join(tell_verify(found.verification, Words()))
    assert alone.count("road test") == 1


def test_a_step_names_the_cylinder_and_the_reason(tmp_path):
    case = Case(folder=tmp_path, engine=THREE, checks=DONE)
    swapped = replace(_swapped(SwapVerdict.FOLLOWS_INJECTOR), faulty=2)
    assert "cylinder 2 at first" in "\n".join(tell_step(next_step(case, Findings(swap=swapped)), Words()))
    unclear = replace(UNCLEAR[0].reading, reasons=(Note(code=ReasonCode.TWO_CANDIDATES),))
    case = replace(case, engine=Engine())
    told = tell_step(next_step(case, Findings(takes=(replace(UNCLEAR[0], reading=unclear),))), Words())
    assert "two clicks could be this injector's" in "\n".join(told)


def test_a_recording_of_valves_alone_is_made_again(tmp_path):
    # Its verdict is clear, "no tick"; it names nobody, and longer recordings of the others do not answer it.
    valves = replace(
        made_reading(NONE, sha256="valves"), verdict=Verdict.NO_TICK, reasons=(Note(code=ReasonCode.ENGINE_TICKS_ONLY),)
    )
    takes = (take(valves, 1), *(take(made_reading(NONE, sha256=f"{c}"), c) for c in (2, 3)))
    case = Case(folder=tmp_path, engine=THREE, checks=DONE)
    step = next_step(case, Findings(takes=takes, comparison=compare_injectors(takes)))
    assert (step.todo, step.figures["file"]) == (Todo.RECORD_AGAIN, "valves.wav")


def test_what_is_recorded_again_is_of_a_cylinder_without_a_clear_recording(tmp_path):
    def unclear(cylinder):
        reading = made_reading(NONE, sha256=f"unclear {cylinder}")
        doubt = Note(code=ReasonCode.TWO_CANDIDATES)
        return take(replace(reading, verdict=Verdict.CANNOT_TELL, reasons=(doubt,)), cylinder)

    case = Case(folder=tmp_path, engine=THREE, checks=DONE)
    step = next_step(case, Findings(takes=(unclear(1), unclear(2), TAKES[0], TAKES[2])))  # 1 was clear at last
    assert (step.todo, step.figures["file"]) == (Todo.RECORD_AGAIN, "unclear 2.wav")


# --- words -----------------------------------------------------------------------------------------------------------


def test_blocks_keep_to_the_terminal():
    words = Words()
    compared = compare_injectors(TAKES)
    verified = verify_repair([replace(t, stage=Stage.AFTER) for t in TAKES], cylinder=3)
    blocks = [
        tell_comparison(compared, words),
        tell_comparison(compare_injectors(TAKES[:2]), words),
        tell_swap(_swapped(SwapVerdict.NEITHER), words),
        tell_wiggle(_wiggled(WiggleVerdict.TOO_FEW), words),
        tell_verify(verified, words),
        tell_step(Step(todo=Todo.SWAP, figures={"cylinder": 3}), words),
    ]
    for block in blocks:
        assert all(len(line) <= COLUMNS for line in block), block
    assert "3                    8            8 of 353" in "\n".join(blocks[0])


def test_the_owner_is_told_which_how_often_where_and_what_is_left():
    counted = compare_injectors(TAKES)
    assert told_to_owner(Findings(comparison=counted), Words()) == (
        "The injector at cylinder 3 left out 8 of 353 ticks, those of the other cylinders 0 of 706."
    )
    dead = compare_injectors([take(silent_reading(), 2), *(take(made_reading(NONE), c) for c in (1, 3))])
    assert told_to_owner(Findings(comparison=dead), Words()) == "Nothing ticks at cylinder 2 while its fellows tick."
    whole = Findings(
        comparison=counted,
        wiggle=_wiggled(WiggleVerdict.DOES_NOT),
        swap=_swapped(SwapVerdict.FOLLOWS_INJECTOR),
        verification=verify_repair([replace(t, stage=Stage.AFTER) for t in TAKES], cylinder=3),
    )
    told = told_to_owner(whole, Words())
    assert told.count("cylinder 3") == 1
    assert "gather" not in told  # where the fault went says more than that
    assert "follows the injector" in told
    assert told_to_owner(Findings(), Words()) == "The injectors have not been compared yet."
