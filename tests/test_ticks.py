"""Whose tick it is: clicks laid into noise at exact times, all of the other injectors'."""

import numpy as np
import pytest

from injsound.simulate.chain import respond
from injsound.simulate.clicks import add_strikes, injector_clicks
from injsound.simulate.scene import Chain
from injsound.sound.filters import whitened
from injsound.sound.onsets import onset_strength
from injsound.sound.own.candidates import measure_candidate
from injsound.sound.own.prominence import stand
from injsound.sound.own.ticks import Found, choose_tick
from injsound.values import CycleClock, Recording

_SR = 48_000
_FOUR, _GAP_S = (0.25, 0.5, 0.75), 0.004
_CYCLE_S, _CYCLES = 0.19, 230
_PLACES = tuple(k / 8 for k in range(1, 8))


def _seven_of_eight(seed, *, bounce_ms):
    """Samples and clock: seven doublets, the loudest 3 to 6 dB over the rest, the close click 4 dB over the open."""
    rng = np.random.default_rng(seed)
    y = np.zeros(round((_CYCLES + 5) * _CYCLE_S * _SR))
    at = np.cumsum(_CYCLE_S + 0.002 * rng.standard_normal(_CYCLES))
    opens, closes = injector_clicks(rng)
    for place in _PLACES:
        level_db = 20.0 if place == 0.5 else 17.0 - rng.uniform(0, 3)
        heights = 10 ** ((level_db + rng.standard_normal((2, _CYCLES))) / 20)
        struck = at + place * np.diff(np.append(at, at[-1] + _CYCLE_S))
        seat = struck + 0.006 + 15e-6 * rng.standard_normal(_CYCLES)
        add_strikes(y, _SR, opens, struck, 10 ** (-4 / 20) * heights[0] / opens.peak(_SR), 0.15, rng)
        add_strikes(y, _SR, closes, seat, heights[1] / closes.peak(_SR), 0.15, rng)
        if bounce_ms:
            again = seat + bounce_ms * 1e-3 + 15e-6 * rng.standard_normal(_CYCLES)
            add_strikes(y, _SR, closes, again, 0.95 * heights[1] / closes.peak(_SR), 0.15, rng)
    return _heard(y, rng), _clock(at)


def _one_of_three(seed, *, hiss_db, second_db=-60.0):
    """One neighbour's doublet, and a second's; where it and the third tick, a hiss of 3 ms comes and goes."""
    rng = np.random.default_rng(seed)
    y, at = _doublets({_FOUR[0]: 18.0, _FOUR[1]: second_db}, rng, wander_s=0.0002)
    length = np.diff(np.append(at, at[-1] + _CYCLE_S))
    for place in _FOUR[1:] if second_db < 0 else _FOUR[2:]:
        for start in np.round((at + place * length + 0.0005 * rng.standard_normal(_CYCLES)) * _SR).astype(int):
            y[start : start + 144] += 10 ** (hiss_db / 20) * rng.standard_normal(144)
    return _heard(y, rng), _clock(at)


def _doublets(levels_db, rng, *, wander_s=0.002):
    """Samples and starts of the cycles: at each phase a doublet, open and close 4 ms apart, of a level [dB]."""
    y = np.zeros(round((_CYCLES + 5) * _CYCLE_S * _SR))
    at = np.cumsum(_CYCLE_S + wander_s * rng.standard_normal(_CYCLES))
    opens, closes = injector_clicks(rng)
    length = np.diff(np.append(at, at[-1] + _CYCLE_S))
    for place, level_db in levels_db.items():
        for click, later in ((opens, 0.0), (closes, _GAP_S)):
            heights = 10 ** ((level_db + rng.standard_normal(_CYCLES)) / 20) / click.peak(_SR)
            add_strikes(y, _SR, click, at + place * length + later, heights, 0.15, rng)
    return y, at


def _heard(y, rng):
    return respond(y + rng.standard_normal(len(y)), _SR, Chain.STETHOSCOPE).astype(np.float32)


def _clock(at):
    times = np.concatenate([[at[0] - _CYCLE_S], at, [at[-1] + _CYCLE_S]]) - 0.03
    return CycleClock(times_s=times, cycles=np.arange(_CYCLES + 2.0))


def _chosen(y, clock, fellows):
    strength = onset_strength(Recording(y=y, sr=_SR, file="laid"), bandwidth_hz=_SR / 2)
    return choose_tick(y, whitened(y, _SR), _SR, 0.0, strength, clock, fellows=fellows)


@pytest.mark.parametrize("bounce_ms", [0.0, 2.0, 7.2])
@pytest.mark.parametrize("seed", range(1, 5))
def test_a_silent_injector_has_no_tick_of_its_own_among_its_neighbours(seed, bounce_ms):
    # What follows a close click as far as the open click goes before it makes the gap point the wrong way.
    y, clock = _seven_of_eight(seed, bounce_ms=bounce_ms)
    choice = _chosen(y, clock, _PLACES)
    assert choice.found in {Found.TWO, Found.OWN_SILENT}
    assert len(choice.slots) >= 4


@pytest.mark.parametrize("seed", range(1, 5))
def test_a_tick_is_not_surely_the_own_one_where_a_hiss_could_hide_the_others(seed):
    # 12 dB over the background, the hiss hides ticks 3 dB under the one that is heard.
    hidden = _chosen(*_one_of_three(seed, hiss_db=12.0), _FOUR)
    assert not hidden.sure
    # With nothing else in the cycle one is sure, of a click that is higher than a valve's.
    bare = _chosen(*_one_of_three(seed, hiss_db=-60.0), _FOUR)
    assert bare.sure == (bare.own.centre_hz > 4_500)


@pytest.mark.parametrize("seed", range(1, 5))
def test_one_faint_neighbour_does_not_make_a_tick_the_own_one(seed):
    # The second is 10 dB under the first; the hiss at the third's place could hide a louder one.
    hidden = _chosen(*_one_of_three(seed, hiss_db=12.0, second_db=8.0), _FOUR)
    assert len(hidden.slots) == 1
    assert not hidden.sure
    bare = _chosen(*_one_of_three(seed, hiss_db=-60.0, second_db=4.0), _FOUR)
    assert bare.sure == (bare.own.centre_hz > 4_500)


def _standing(levels_db, seed):
    """How the tick at phase 0 stands among those at the quarters."""
    rng = np.random.default_rng(seed)
    y, at = _doublets(levels_db, rng)
    white, clock = whitened(_heard(y, rng), _SR), _clock(at)
    # The clock of these sounds starts 30 ms before the first cycle.
    place = 0.03 / _CYCLE_S
    own = measure_candidate(y, white, _SR, 0.0, clock, phase=place)
    return stand(white, _SR, 0.0, clock, own, tuple(place + quarter for quarter in _FOUR))


@pytest.mark.parametrize("seed", range(1, 5))
def test_a_tick_stands_over_its_neighbours_by_their_difference_in_level(seed):
    # Powers of one waveform differ as the levels do; what noise adds is subtracted.
    standing = _standing({0.0: 20.0, 0.25: 8.0, 0.5: 12.0, 0.75: 10.0}, seed)
    assert standing.over_db == pytest.approx(8.0, abs=1.0)
    # Nothing else is in the cycle but noise: 0.19 s in steps of 0.1 ms, less 8 clicks' surroundings of 2 to 2.4 ms, of
    # which five steps are one rise.
    assert standing.chances.max() == pytest.approx(5 / (5 + 1650), rel=0.05)
    # Each place by its own level.
    np.testing.assert_allclose(standing.places_db, [-12.0, -8.0, -10.0], atol=1.5)


@pytest.mark.parametrize("seed", range(1, 5))
@pytest.mark.parametrize("silent", [0.25, 0.5, 0.75])
def test_an_empty_place_may_be_anywhere_in_the_cycle(seed, silent):
    levels_db = {0.0: 20.0, 0.25: 8.0, 0.5: 12.0, 0.75: 10.0}
    del levels_db[silent]
    # What is at the empty place is noise, which is as sharp as 0.8 of 100 places of noise in one scene of 125.
    chances = _standing(levels_db, seed).chances
    assert chances[_FOUR.index(silent)] > 0.008
    assert np.delete(chances, _FOUR.index(silent)).max() < 0.004


def test_the_one_place_that_is_left_out_is_the_silent_injectors():
    # Three neighbours within 3 dB; what would be the fourth is this injector's. What noise there is at its place is
    # among the highest twentieth of the rest one time in twenty: then nothing is said.
    found = []
    for seed in range(1, 7):
        rng = np.random.default_rng(seed)
        y, at = _doublets({0.0: 18.0, 0.25: 16.0, 0.75: 15.0}, rng)
        choice = _chosen(_heard(y, rng), _clock(at), _FOUR)
        found.append(choice.found)
        if choice.found is Found.OWN_SILENT:
            # Half a cycle after the first, which is 30 ms after the clock's start; the others at the other quarters.
            assert choice.empty % 1 == pytest.approx(0.5 + 0.03 / _CYCLE_S, abs=0.003)
            assert len(choice.others) == 3
    assert set(found) <= {Found.OWN_SILENT, Found.TWO}
    assert found.count(Found.OWN_SILENT) >= 4


@pytest.mark.parametrize("seed", range(1, 5))
@pytest.mark.parametrize("own_db", [24.0, 18.0])
def test_a_place_without_a_tick_beside_a_louder_one_or_a_faint_one_is_no_silent_injector(seed, own_db):
    # 8 dB over its neighbours the probe is on this one, and the silent one another; one 4 dB fainter is not silent.
    levels_db = {0.0: own_db, 0.25: 16.0, 0.75: 15.0}
    rng = np.random.default_rng(seed)
    y, at = _doublets(levels_db if own_db > 20 else levels_db | {0.5: 11.0}, rng)
    assert _chosen(_heard(y, rng), _clock(at), _FOUR).found is not Found.OWN_SILENT


def _ringing(y, at_s, hz, peak, *, decay_s=0.0005):
    """Adds clicks that ring at one frequency, down to a third in half a millisecond."""
    t = np.arange(round(0.004 * _SR)) / _SR
    click = peak * np.exp(-t / decay_s) * np.sin(2 * np.pi * hz * t)
    for start in np.round(at_s * _SR).astype(int):
        y[start : start + len(click)] += click


@pytest.mark.parametrize("seed", range(1, 5))
def test_a_far_louder_click_in_the_order_of_the_ticks_is_asked_though_it_is_low(seed):
    # Where the close click's gap varies with the pulse it is no partner: a lone click at 3 kHz could be a valve's.
    rng = np.random.default_rng(seed)
    y = rng.standard_normal(round((_CYCLES + 5) * _CYCLE_S * _SR))
    at = np.cumsum(_CYCLE_S + 0.0002 * rng.standard_normal(_CYCLES))
    length = np.diff(np.append(at, at[-1] + _CYCLE_S))
    _ringing(y, at, 3_000, 22.0)
    for quarter in _FOUR[:2]:
        _ringing(y, at + quarter * length, 7_000, 12.0)
    choice = _chosen(y.astype(np.float32), _clock(at), _FOUR)
    assert choice.own.phase == pytest.approx(0.03 / _CYCLE_S, abs=0.005)
    assert choice.only_by_skips
    assert not choice.sure
    # It hears the next two of the three others.
    assert max(choice.standing.chances[:2]) < 0.02
    assert choice.standing.chances[2] > 0.05


def _steady_cycles(rng):
    y = rng.standard_normal(round((_CYCLES + 5) * _CYCLE_S * _SR))
    at = np.cumsum(_CYCLE_S + 0.0002 * rng.standard_normal(_CYCLES))
    return y, at, np.diff(np.append(at, at[-1] + _CYCLE_S))


@pytest.mark.parametrize("seed", range(1, 5))
def test_a_low_lone_click_that_hardly_moves_may_be_the_own_one(seed):
    # Louder thuds move by 0.35 ms; beside them a click at 3 kHz moves by 0.13: the injector may be ticking.
    rng = np.random.default_rng(seed)
    y, at, length = _steady_cycles(rng)
    for quarter in (0.0, *_FOUR[1:]):
        _ringing(y, at + quarter * length + 0.00035 * rng.standard_normal(_CYCLES), 2_500, 25.0)
    _ringing(y, at + _FOUR[0] * length + 0.00013 * rng.standard_normal(_CYCLES), 3_000, 14.0)
    assert _chosen(y.astype(np.float32), _clock(at), _FOUR).found is not Found.ENGINE_ONLY


@pytest.mark.parametrize("seed", range(1, 5))
def test_of_two_candidates_the_far_louder_one_is_asked(seed):
    # At no neighbour's place; the fainter one is higher and steadier, which speaks for it a little more.
    rng = np.random.default_rng(seed)
    y, at, length = _steady_cycles(rng)
    _ringing(y, at + 0.3 * length, 8_000, 9.0)
    _ringing(y, at + 0.00009 * rng.standard_normal(_CYCLES), 4_800, 20.0)
    choice = _chosen(y.astype(np.float32), _clock(at), _FOUR)
    assert choice.own.phase == pytest.approx(0.03 / _CYCLE_S, abs=0.005)


@pytest.mark.parametrize("seed", range(1, 5))
def test_so_short_a_click_is_an_injectors_only_with_its_partner(seed):
    # 85 % of its energy within some 0.25 ms: alone it may be pick-up, or a note that starts at once.
    rng = np.random.default_rng(seed)
    y, at, _ = _steady_cycles(rng)
    _ringing(y, at, 9_000, 30.0, decay_s=0.00022)
    alone = _chosen(y.astype(np.float32), _clock(at), _FOUR)
    assert alone.found is not Found.OWN
    _ringing(y, at + 0.003, 9_000, 30.0, decay_s=0.00022)
    assert _chosen(y.astype(np.float32), _clock(at), _FOUR).found is Found.OWN


def test_beside_twins_at_all_places_it_stands_as_far_as_their_levels_say():
    rng = np.random.default_rng(3)
    y, at = _doublets({0.0: 24.0, 0.25: 16.0, 0.5: 15.0, 0.75: 14.0}, rng)
    standing = _chosen(_heard(y, rng), _clock(at), _FOUR).standing
    assert standing.over_db == pytest.approx(8.0, abs=1.0)
    np.testing.assert_allclose(standing.places_db, [-8.0, -9.0, -10.0], atol=1.0)
    assert max(standing.chances) < 0.01
