"""Skips that gather while the wiring is moved, on readings made event by event."""

from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
from takes import EVENTS, NONE, made_reading, skip_train, skips_at, whys_of

from injsound.codes import ReasonCode, State, Verdict
from injsound.diagnoses import Stretch
from injsound.engine import Engine
from injsound.errors import ParameterError
from injsound.findings.episodes import (
    episode_starts,
)
from injsound.findings.wiggle import find_gathering, gathering_by_knocks, still_between
from injsound.job_codes import (
    MarkedBy,
    Why,
    WiggleVerdict,
)
from injsound.reading import read
from injsound.show.findings_text import tell_wiggle
from injsound.show.text import Words
from injsound.show.words.keys import Brief
from injsound.simulate import Scene, Skipping, simulate
from injsound.values import KnockGroup, Note


def _stretches(each, length=6.0):
    return [Stretch(from_s=length * k, to_s=length * (k + 1), moved=k % 2 == 1) for k in range(2 * each)]


def _moved_skips(stretches, moved, still, events=EVENTS):
    time = 0.1 + 0.17 * np.arange(events)
    train = np.zeros(events, dtype=bool)
    for s in stretches:
        inside = np.flatnonzero((time >= s.from_s) & (time < s.to_s))
        train[inside[5 : 5 + 13 * (moved if s.moved else still) : 13]] = True
    return train


def test_skips_that_gather_while_moved():
    stretches = _stretches(5)
    found = find_gathering(made_reading(_moved_skips(stretches, 2, 0)), stretches)
    assert found.verdict is WiggleVerdict.GATHERS
    # By hand: of the 252 ways to name five of ten, only the true one is as extreme.
    assert found.p == pytest.approx(1 / 252)


def test_exchange_p_agrees_with_counting_every_way():
    rng = np.random.default_rng(3)
    stretches = _stretches(5)
    reading = made_reading(skip_train(rng, EVENTS, 0.05))
    found = find_gathering(reading, stretches)
    time = reading.events.time_s[skipped_places(reading)]
    starts = episode_starts(time)
    counts = np.array([np.sum((starts >= s.from_s) & (starts < s.to_s)) for s in stretches], dtype=float)
    judged = np.array(
        [np.sum((reading.events.time_s >= s.from_s) & (reading.events.time_s < s.to_s)) for s in stretches]
    )
    counts -= 2e-4 * judged
    ways = [list(w) for w in combinations(range(10), 5)]
    rest = [[k for k in range(10) if k not in w] for w in ways]
    gain = [
        counts[w].sum() / judged[w].sum() - counts[r].sum() / judged[r].sum() for w, r in zip(ways, rest, strict=True)
    ]
    seen = gain[ways.index([1, 3, 5, 7, 9])]
    assert found.p == pytest.approx(np.mean(np.array(gain) >= seen - 1e-12))


def test_a_burst_over_an_edge_counts_in_one_arm_shown_and_tested_alike():
    stretches = _stretches(5)
    # Skips at 11.83 to 12.34 s reach over the edge at 12 s, from a moved stretch into a still one.
    train = skips_at(*range(69, 73), 40, 110)
    found = find_gathering(made_reading(train), stretches)
    assert (found.moved.episodes, found.still.episodes) == (3, 0)
    assert (found.moved.skipped, found.still.skipped) == (3, 3)
    assert found.reasons[0].figures["moved"] == found.moved.episodes


def test_missed_calls_of_a_noisy_arm_enter_the_wiggle_test():
    stretches = _stretches(5)
    train = _moved_skips(stretches, 1, 1)
    time = 0.1 + 0.17 * np.arange(EVENTS)
    handled = (time // 6).astype(int) % 2 == 1
    clean, deaf = made_reading(train), made_reading(train, missed=np.where(handled, 0.2, 0.0))
    assert find_gathering(deaf, stretches).p < find_gathering(clean, stretches).p


def _with_knocks(reading, counts, every=6.0):
    groups = [KnockGroup(from_s=every * (k + 1) - 0.5, to_s=every * (k + 1), count=c) for k, c in enumerate(counts)]
    return replace(reading, knocks=tuple(groups))


def test_three_knocks_change_between_still_and_moved():
    reading = made_reading(_moved_skips(_stretches(5), 2, 0))
    found = gathering_by_knocks(_with_knocks(reading, [3] * 9))
    assert found.verdict is WiggleVerdict.GATHERS
    assert found.marked_by is MarkedBy.KNOCKS
    assert found.p == pytest.approx(1 / 252)
    # What lies within the knocks' own half second is in no arm: 9 times, three events each at 0.17 s.
    assert EVENTS - 3 * 9 - 3 <= found.moved.judged + found.still.judged <= EVENTS - 2 * 9


def test_knocks_that_are_not_three_are_told_and_nothing_is_guessed():
    reading = made_reading(_moved_skips(_stretches(5), 2, 0))
    found = gathering_by_knocks(_with_knocks(reading, [3, 3, 4, 3, 3, 2, 3, 3, 3]))
    assert found.verdict is WiggleVerdict.NOT_SHOWN
    assert whys_of(found) == [Why.KNOCKS_UNCLEAR, Why.KNOCKS_UNCLEAR, Why.MARK_AGAIN]
    assert [dict(r.figures) for r in found.reasons[:2]] == [{"at_s": 17.5, "count": 4}, {"at_s": 35.5, "count": 2}]
    assert whys_of(gathering_by_knocks(reading)) == [Why.NO_KNOCKS]


def _struck(times, seconds=96.0):
    """Twelve stretches of 8 s, skips in the moved ones only; groups as (start, count, alike)."""
    reading = made_reading(_moved_skips(_stretches(6, 8.0), 2, 0, events=565))
    return replace(
        reading,
        seconds=seconds,
        knocks=tuple(KnockGroup(from_s=t, to_s=t + 0.6, count=c, alike=alike) for t, c, alike in sorted(times)),
    )


CHANGES = tuple((8.0 * k, 3, True) for k in range(1, 12))


def _instead(at_s, *groups):
    return [*(change for change in CHANGES if change[0] != at_s), *groups]


def test_the_stretches_compared_are_told():
    found = gathering_by_knocks(_struck(CHANGES))
    assert found.verdict is WiggleVerdict.GATHERS
    assert [s.moved for s in found.stretches] == [False, True] * 6
    told = " ".join(" ".join(tell_wiggle(found, Words())).split())
    assert "groups of three knocks (11)" in told
    assert "Still: 0–8, 17–24, 33–40, 49–56, 65–72, 81–88 s. Moved: 9–16, 25–32, 41–48, 57–64, 73–80, 89–96 s." in told


# A lone knock, none at all, or three unlike the rest where a change is due: all that follows would be turned round.
@pytest.mark.parametrize("at_s", [8.0, 40.0, 88.0])
@pytest.mark.parametrize(
    ("count", "alike", "whys"),
    [
        (0, True, [Why.STRETCH_LONG]),
        (1, True, [Why.KNOCKS_UNCLEAR]),
        (3, False, [Why.STRETCH_LONG, Why.KNOCKS_UNLIKE]),
    ],
)
def test_a_change_that_was_not_heard_as_three_is_not_passed_over(at_s, count, alike, whys):
    found = gathering_by_knocks(_struck(_instead(at_s, *([(at_s, count, alike)] if count else []))))
    assert found.verdict is WiggleVerdict.NOT_SHOWN
    assert whys_of(found) == [*whys, Why.MARK_AGAIN]
    if count:
        assert dict(found.reasons[-2].figures) == {"at_s": at_s, "count": count}
    else:
        # By hand: from the end of the knocks before to the first of those after; the usual one is 8 s less 0.6 s.
        start = at_s - 8.0 + (0.6 if at_s > 8.0 else 0.0)
        figures = {"from_s": start, "to_s": at_s + 8.0, "seconds": at_s + 8.0 - start, "usual": 7.4}
        assert dict(found.reasons[0].figures) == pytest.approx(figures)


def test_a_change_marked_twice_is_told():
    found = gathering_by_knocks(_struck([*CHANGES, (43.0, 3, True)]))
    assert found.verdict is WiggleVerdict.NOT_SHOWN
    # The cut stretch lasts 7.4 s in all; its parts with those beside them 10.4 and 12.4 s, over 1.4 times 7.4 s.
    figures = {"from_s": 40.6, "to_s": 48.0, "seconds": 7.4, "usual": 7.4}
    assert dict(found.reasons[0].figures) == pytest.approx(figures)
    assert whys_of(found) == [Why.STRETCHES_SHORT, Why.MARK_AGAIN]


def test_bumps_where_no_change_is_due_keep_no_test_from_its_answer():
    # Alone or unlike the knocks, in stretches of the usual length; the last stretch may end early.
    bumps = [(3.0, 1, True), (20.0, 1, True), (28.0, 2, False), (44.0, 3, False), (89.5, 1, True)]
    for seconds in (96.0, 92.0):
        found = gathering_by_knocks(_struck([*CHANGES, *bumps], seconds))
        assert found.verdict is WiggleVerdict.GATHERS
        assert found.marks == 11


def test_stretches_kept_by_hand_are_even_enough():
    # In turn 9.3 and 6.7 s apart, less 0.6 s of knocks: the usual is 7.4 s, half as much again 11.1 s.
    starts = [8.0 * k + (1.3 if k % 2 else 0.0) for k in range(1, 12)]
    assert gathering_by_knocks(_struck([(t, 3, True) for t in starts])).verdict is not WiggleVerdict.NOT_SHOWN


UNCOUNTED = (
    (ReasonCode.TWO_CANDIDATES, [Why.MOVED_NOT_COUNTED, Why.ORDER_UNKNOWN]),
    (ReasonCode.FAINT, [Why.MOVED_NOT_COUNTED]),
)


@pytest.mark.parametrize(("code", "whys"), UNCOUNTED)
def test_a_wiggle_over_a_recording_that_was_not_counted_says_so(code, whys):
    made = _struck(CHANGES)
    silent = replace(made, verdict=Verdict.CANNOT_TELL, reasons=(Note(code=code),), engine=Engine(),
                     quality=replace(made.quality, separation=None))  # fmt: skip
    for found in (find_gathering(silent, _stretches(6, 8.0)), gathering_by_knocks(silent)):
        assert (found.verdict, whys_of(found)) == (WiggleVerdict.NOT_SHOWN, whys)
        told = " ".join(" ".join(tell_wiggle(found, Words())).split())
        assert f"made.wav could not be counted: {Words().say(Brief(code.value))}." in told
        assert not any(words in told for words in ("0 of 0", "Nothing skipped", "Too few"))
        assert ("--firing-order" in told) is (Why.ORDER_UNKNOWN in whys)
    known = replace(silent, engine=Engine(cylinders=4))
    assert whys_of(gathering_by_knocks(known)) == [Why.MOVED_NOT_COUNTED]


def test_uncounted_and_unclear_are_told_together():
    made = _struck(_instead(40.0))
    silent = replace(made, reasons=(Note(code=ReasonCode.FAINT),), quality=replace(made.quality, separation=1.0))
    assert whys_of(gathering_by_knocks(silent)) == [Why.MOVED_NOT_COUNTED, Why.STRETCH_LONG, Why.MARK_AGAIN]
    # Too low a separation is a reason by itself.
    told = replace(silent, reasons=(Note(code=ReasonCode.SKIPS_FOUND),))
    assert gathering_by_knocks(told).reasons[0].figures["reason"] is ReasonCode.WEAK_SEPARATION


def test_what_may_be_another_tick_denies_nothing():
    stretches = _stretches(5)
    even, gathered = (made_reading(_moved_skips(stretches, *skips)) for skips in ((1, 1), (2, 0)))
    assert find_gathering(even, stretches).verdict is WiggleVerdict.DOES_NOT
    doubt = {"verdict": Verdict.CANNOT_TELL, "reasons": (Note(code=ReasonCode.MAY_BE_NEIGHBOUR),)}
    found = find_gathering(replace(even, engine=Engine(), **doubt), stretches)
    assert found.verdict is WiggleVerdict.TOO_FEW
    assert whys_of(found) == [Why.NOT_MORE_WHILE_MOVED, Why.WHOSE_TICK, Why.ORDER_UNKNOWN]
    assert find_gathering(replace(gathered, **doubt), stretches).verdict is WiggleVerdict.GATHERS


def test_what_is_not_moved_is_still():
    spans = [(s.from_s, s.to_s, s.moved) for s in still_between([(20, 30), (5, 10)], 40.0)]
    assert spans == [(0, 5, False), (5, 10, True), (10, 20, False), (20, 30, True), (30, 40, False)]
    assert [s.moved for s in still_between([(0, 5), (5, 40)], 40.0)] == [True, True]
    with pytest.raises(ParameterError, match="ends at 41 s"):
        still_between([(20, 41)], 40.0)


def _wiggled(knocks):
    """Twelve stretches of 6 s; while the odd ones last, one tick in each second is left out."""
    engine = Engine(cylinders=3, cylinder=1, firing_order=(1, 2, 3))
    due = 0.133 * np.arange(540)
    listed = tuple(int(n) for n in np.flatnonzero((due // 6 % 2 == 1) & (due % 6 > 1.5)) if n % 12 == 0)
    scene = Scene(
        seconds=72.0, sr=24_000, seed=4, rpm=900.0, engine=engine, tick_db=22.0, skipping=Skipping.LISTED,
        skip_events=listed, knocks=knocks, wander=0.003,
    )  # fmt: skip
    recording, _ = simulate(scene)
    return read([recording], engine=engine, rpm=900.0)


def test_knocks_in_sound_mark_the_wiggle_test():
    reading = _wiggled(tuple((6.0 * k, 3) for k in range(1, 12)))
    assert [group.count for group in reading.knocks] == [3] * 11
    found = gathering_by_knocks(reading)
    assert found.verdict is WiggleVerdict.GATHERS
    assert found.still.episodes == 0


@pytest.mark.parametrize("count", [0, 1])
def test_a_change_not_knocked_three_times_turns_nothing_round(count):
    # Before, the changes at 30 and 60 s were passed over: moved and still changed sides in between, and the finding was
    # that nothing gathers.
    changes = {6.0 * k: 3 for k in range(1, 12)} | {30.0: count, 60.0: count}
    found = gathering_by_knocks(_wiggled(tuple((at, n) for at, n in changes.items() if n)))
    assert found.verdict is WiggleVerdict.NOT_SHOWN
    whys = [Why.KNOCKS_UNCLEAR if count else Why.STRETCH_LONG] * 2
    assert whys_of(found) == [*whys, Why.MARK_AGAIN]
    # A knock is timed to its bump's margin of 15 ms, and told to a tenth of a second.
    starts = [reason.figures["at_s" if count else "to_s"] for reason in found.reasons[:2]]
    assert starts == pytest.approx([30.0, 60.0] if count else [36.0, 66.0], abs=0.051)


def skipped_places(reading):
    return np.array([state.value == "skipped" for state in reading.events.state])


def test_even_skips_do_not_gather():
    stretches = _stretches(5)
    found = find_gathering(made_reading(_moved_skips(stretches, 1, 1)), stretches)
    assert found.verdict is WiggleVerdict.DOES_NOT


def test_what_handling_hides_denies_nothing():
    stretches = [Stretch(from_s=8.0 * k, to_s=8.0 * (k + 1), moved=k % 2 == 1) for k in range(12)]
    made = made_reading(np.isin(np.arange(570) % 40, (5,)))
    assert find_gathering(made, stretches).verdict is WiggleVerdict.DOES_NOT
    # Six in ten ticks while moved are lost, ten in a row with their skip, and some in each stretch are left.
    moved = (made.events.time_s // 8).astype(int) % 2 == 1
    lost = moved & (np.arange(570) // 10 % 5 < 3)
    states = tuple(State.UNJUDGED if hide else state for hide, state in zip(lost, made.events.state, strict=True))
    found = find_gathering(replace(made, events=replace(made.events, state=states)), stretches)
    assert found.moved_unjudged > 0.5
    assert (found.verdict, whys_of(found)) == (WiggleVerdict.TOO_FEW, [Why.MOVED_UNJUDGED])


@pytest.mark.parametrize(
    ("each", "verdict", "p"),
    [
        # Three of six moved ones are left: too few, for of the 84 ways to name three of nine one alone is 1.2 %.
        (6, WiggleVerdict.TOO_FEW, None),
        # Five of eight are left: of the 1,287 ways to name five of thirteen only the true one is as extreme.
        (8, WiggleVerdict.GATHERS, 1 / 1287),
    ],
)
def test_a_stretch_in_which_nothing_was_judged_is_none(each, verdict, p):
    stretches = _stretches(each)
    made = made_reading(_moved_skips(stretches, 2, 0, events=570))
    hidden = np.isin(made.events.time_s // 6, (1, 5, 9))
    states = tuple(State.UNJUDGED if hide else state for hide, state in zip(hidden, made.events.state, strict=True))
    found = find_gathering(replace(made, events=replace(made.events, state=states)), stretches)
    assert (found.verdict, found.p) == (verdict, pytest.approx(p))
    assert [s.from_s for s in found.stretches if s.moved] == [6.0 * k for k in range(3, 2 * each, 2) if k not in (5, 9)]
    assert found.moved_unjudged == pytest.approx(3 / each, abs=0.01)
    if p is None:
        assert dict(found.reasons[0].figures) == {"moved": 3, "still": 6, "needed": 5}


def test_a_lean_to_the_moved_stretches_denies_nothing():
    # 2 in each of four moved stretches, 1 in each still one: of 252 ways to name five, p lies between 0.005 and 0.05.
    stretches = _stretches(5)
    even, twice = (_moved_skips(stretches, n, 1) for n in (1, 2))
    last = [k for k, s in enumerate(stretches) if s.moved][-1]
    time = 0.1 + 0.17 * np.arange(EVENTS)
    train = np.where(time >= stretches[last].from_s, even, twice)
    found = find_gathering(made_reading(train), stretches)
    assert 0.005 <= found.p < 0.05
    assert (found.verdict, found.reasons[0].why) == (WiggleVerdict.TOO_FEW, Why.MOVING_UNCLEAR)


def test_a_few_moments_deny_nothing():
    # Nine of them, spread evenly: a fault of the wiring would as often as not look the same.
    stretches = _stretches(5)
    train = _moved_skips(stretches, 1, 1)
    train[np.flatnonzero(train)[-1]] = False
    found = find_gathering(made_reading(train), stretches)
    assert found.moved.episodes + found.still.episodes == 9
    assert (found.verdict, found.reasons[0].figures["needed"]) == (WiggleVerdict.TOO_FEW, 10)


@pytest.mark.parametrize(("each", "moved"), [(4, 2), (5, 0)])
def test_too_few_stretches_or_skips(each, moved):
    stretches = _stretches(each)
    assert find_gathering(made_reading(_moved_skips(stretches, moved, 0)), stretches).verdict is WiggleVerdict.TOO_FEW


@pytest.mark.parametrize(
    "stretches",
    [
        [Stretch(from_s=5, to_s=5, moved=True)],
        [Stretch(from_s=-1, to_s=5, moved=True)],
        [Stretch(from_s=0, to_s=5, moved=True), Stretch(from_s=4, to_s=8, moved=False)],
    ],
)
def test_impossible_stretches_are_refused(stretches):
    with pytest.raises(ParameterError, match="expected"):
        find_gathering(made_reading(NONE), stretches)


def test_a_stretch_beyond_the_recording_is_refused():
    # 353 ticks at 0.17 s are 60.01 s.
    for moved, told in ((True, "a moved stretch ends at 60.02 s"), (False, "a still stretch ends at 60.02 s")):
        stretches = [Stretch(from_s=0, to_s=5, moved=not moved), Stretch(from_s=5, to_s=60.02, moved=moved)]
        with pytest.raises(ParameterError, match=told):
            find_gathering(made_reading(NONE), stretches)
