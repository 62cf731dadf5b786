"""Heard and absent as two kinds of match, on numbers drawn from known laws."""

import numpy as np
import pytest

from injsound.sound.matching.events import match_events
from injsound.sound.matching.kinds import apart_from_other_sound, place_odds, two_kinds

_SR = 24_000


def _matches(rng, *, heard, skipped, heard_level, absent_level):
    """Values of events, those that lack their tick, and what chance gives elsewhere."""
    events = heard + skipped
    gone = np.zeros(events, dtype=bool)
    gone[rng.choice(events, skipped, replace=False)] = True
    value = np.where(gone, rng.normal(absent_level, 0.8, events), rng.normal(heard_level, 1.2, events))
    return value, gone, rng.gumbel(1.7, 0.5, (8, 120)), np.ones(events, dtype=bool)


def _waves(rng, value, template):
    return value[:, None] * template + rng.standard_normal((len(value), len(template)))


def test_chance_level_is_skipped_and_usual_level_is_heard():
    value, gone, around, usable = _matches(
        np.random.default_rng(1), heard=200, skipped=12, heard_level=9.0, absent_level=2.0
    )
    kinds = two_kinds(value, around, np.zeros(212), None, usable)
    assert list(kinds.skip_probability >= 0.5) == list(gone)
    assert kinds.heard_mean == pytest.approx(9.0, abs=0.3)
    assert kinds.absent_place == pytest.approx(1.7, abs=0.2)  # where it was drawn


def test_a_sound_at_two_of_eight_distances_does_not_raise_chance():
    value, gone, around, usable = _matches(
        np.random.default_rng(2), heard=200, skipped=12, heard_level=9.0, absent_level=2.0
    )
    around[:2] += 6.0
    kinds = two_kinds(value, around, np.zeros(212), None, usable)
    assert kinds.absent_place == pytest.approx(1.7, abs=0.3)
    assert list(kinds.skip_probability >= 0.5) == list(gone)


def test_faint_ticks_far_over_chance_are_heard():
    # 8 dB under their fellows is 0.4 of the level: 6.4 of 16, nine scales of chance over it.
    rng = np.random.default_rng(3)
    value, _, around, usable = _matches(rng, heard=200, skipped=8, heard_level=16.0, absent_level=6.4)
    kinds = two_kinds(value, around, np.full(208, -1.0), None, usable)
    assert not np.any(kinds.skip_probability >= 0.5)


def test_a_partner_at_the_same_moment_is_what_is_absent():
    # The partner matches at 4.5 where chance is 1.7: half way to the ticks, but a group of its own.
    rng = np.random.default_rng(4)
    value, gone, around, usable = _matches(rng, heard=480, skipped=25, heard_level=12.0, absent_level=4.5)
    template = np.sin(np.arange(60) / 3) / np.linalg.norm(np.sin(np.arange(60) / 3))
    kinds = two_kinds(value, around, np.full(505, -1.0), None, usable)
    beside = apart_from_other_sound(kinds, value, _waves(rng, value, template), template, usable, partner=True)
    assert np.sum((beside.skip_probability >= 0.5) != gone) <= 1
    assert beside.absent_place == pytest.approx(4.5, abs=0.5)
    # Without a partner a group with the tick's own waveform is faint ticks.
    alone = apart_from_other_sound(kinds, value, _waves(rng, value, template), template, usable, partner=False)
    assert alone is kinds


def test_place_odds_far_off_are_chance_and_on_the_spot_are_a_tick():
    stray = np.random.default_rng(5).normal(0, 3e-4, 960)
    odds = place_odds(np.array([0.0, 2e-3]), stray, 5e-5, 2.2e-3)
    assert odds[0] < -1
    assert odds[1] > 3


@pytest.mark.parametrize("wrong_ms", [-3.1, -2.4, 2.4, 3.1])
def test_a_clock_far_off_counts_the_same(wrong_ms):
    rng = np.random.default_rng(6)
    due = 0.1 + 0.17 * np.arange(120) + 1e-4 * rng.standard_normal(120)
    skipped = np.zeros(120, dtype=bool)
    skipped[[20, 50, 51, 90]] = True
    y = rng.standard_normal(round(21 * _SR)).astype(np.float32)
    ring = 9 * np.sin(2 * np.pi * 5_000 * np.arange(40) / _SR) * np.exp(-np.arange(40) / 12)
    struck = due + 1e-4 * rng.standard_normal(120)
    for at in struck[~skipped]:
        for click, level in ((at, 1.0), (at + 0.0028, 0.8)):
            first = round(click * _SR)
            y[first : first + 40] += level * ring
    tick = np.concatenate([ring, np.zeros(round(0.0028 * _SR) - 40), 0.8 * ring])
    found = match_events(
        y,
        _SR,
        0.0,
        due + wrong_ms * 1e-3,
        np.ones(120, dtype=bool),
        click=tick / np.linalg.norm(tick),
        lead_s=0.0,
        gap_s=0.0028,
    )
    assert list(np.flatnonzero(found.skip_probability >= 0.5)) == list(np.flatnonzero(skipped))
    # By the tick's mean waveform, however that lies: all alike.
    late = (found.heard_s - struck)[~skipped]
    assert np.abs(late - np.median(late)).max() < 1e-4


def test_a_bang_over_the_first_tick_spoils_neither_the_usual_level_nor_the_mean():
    # One sample row twenty times as loud as a tick, as where a file begins with a click.
    rng = np.random.default_rng(8)
    value, gone, around, usable = _matches(rng, heard=200, skipped=8, heard_level=12.0, absent_level=2.0)
    value[0], gone[0] = 200.0, False
    kinds = two_kinds(value, around, np.zeros(208), None, usable)
    assert kinds.usual[1] == pytest.approx(12.0, abs=1.5)
    assert list(kinds.skip_probability >= 0.5) == list(gone)


def test_ticks_of_uneven_levels_are_told_nearly_as_well_as_by_the_best_threshold():
    # Levels spread by 30 %, as a logarithm, over noise of one: a normal law calls every twentieth missing tick heard.
    values, truth, calls = [], [], []
    for seed in range(10):
        rng = np.random.default_rng(seed)
        gone = np.zeros(420, dtype=bool)
        gone[rng.choice(420, 20, replace=False)] = True
        heard = 12.0 * np.exp(0.3 * rng.standard_normal(420)) + rng.standard_normal(420)
        value = np.where(gone, rng.gumbel(1.7, 0.5, 420), heard)
        kinds = two_kinds(value, rng.gumbel(1.7, 0.5, (8, 120)), np.zeros(420), None, np.ones(420, dtype=bool))
        values, truth, calls = [*values, *value], [*truth, *gone], [*calls, *(kinds.skip_probability >= 0.5)]
    wrong = np.sum(np.array(calls) != truth)
    # The threshold that turns out best on all 4,200: no rule that knows less can be held to more.
    best = min(np.sum((np.array(values) < at) != truth) for at in np.arange(2.0, 8.0, 0.05))
    assert best >= 5
    assert wrong <= best + 2


@pytest.mark.parametrize(("missing", "weak_missing"), [(60, 0), (5, 12)])
def test_where_enough_ticks_are_missing_they_show_what_is_absent(missing, weak_missing):
    # Elsewhere now and then a loud sound is met, at the tick's own place none: ticks half as loud stand out there.
    rng = np.random.default_rng(4)
    around = rng.gumbel(2.5, 0.9, (8, 120))
    groups = rng.normal(12.0, 1.2, 400), rng.normal(5.5, 0.2, 12), rng.gumbel(1.2, 0.3, missing)
    value = np.concatenate(groups)
    kinds = two_kinds(value, around, np.zeros(len(value)), None, np.ones(len(value), dtype=bool))
    called = kinds.skip_probability >= 0.5
    assert [int(part.sum()) for part in np.split(called, np.cumsum([400, 12]))] == [0, weak_missing, missing]
