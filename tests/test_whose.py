"""Whether the probe is on the injector that ticks so: each ground by itself, at its limit.

The limits are measured, not published (docs/methods.md); these tests hold what each of them is for.
"""

import numpy as np
import pytest

from injsound.sound.own.candidates import Candidate
from injsound.sound.own.likeness import is_solenoids, may_be_valve
from injsound.sound.own.prominence import Standing
from injsound.sound.own.whose import is_under_probe, left_out


def _click(*, centre_hz=7_000.0, gap_s=0.003, scatter_s=0.00008, level=15.0):
    return Candidate(
        phase=0.2,
        amplitude=level,
        level=level,
        separation=20.0,
        scatter_s=scatter_s,
        centre_hz=centre_hz,
        length_s=0.001,
        gap_s=gap_s,
        template=np.ones(8) / np.sqrt(8),
        lead_s=0.001,
    )


def _standing(over_db, chances, places_db=None):
    places_db = [-over_db] * len(chances) if places_db is None else places_db
    return Standing(over_db=over_db, places_db=np.array(places_db, float), chances=np.array(chances, float))


def _sure(own, standing, *, told=True, least_s=0.00008):
    return is_under_probe(own, standing, least_s=least_s, told=told)


def test_the_surer_all_places_tick_the_less_a_tick_must_stand_over_them():
    # 13 dB less 6.5 for each decade of the emptiest place's chance: 6.5 dB at 0.1, 4 in any case.
    own = _click()
    assert _sure(own, _standing(6.6, [0.1, 0.01, 0.01]))
    assert not _sure(own, _standing(6.4, [0.1, 0.01, 0.01]))
    assert _sure(own, _standing(4.1, [0.001, 0.001, 0.001]))
    assert not _sure(own, _standing(3.9, [0.001, 0.001, 0.001]))
    # Three of four doublets sound and the fourth may be chance: one of the three may be this.
    assert not _sure(own, _standing(8.0, [0.5, 0.003, 0.003]))


def test_a_low_tick_must_stand_further_over_them():
    low, perhaps, surely = _click(centre_hz=3_500.0), [0.03, 0.01, 0.01], [0.019, 0.01, 0.01]
    assert _sure(_click(), _standing(5.9, perhaps))
    assert not _sure(low, _standing(9.9, perhaps))
    assert _sure(low, _standing(10.1, perhaps))
    assert _sure(low, _standing(6.1, surely))
    assert not _sure(low, _standing(5.9, surely))


def test_a_place_that_falls_far_behind_the_next_may_be_empty_however_sharp_its_little_is():
    chances = [0.003, 0.003, 0.02]
    assert _sure(_click(), _standing(5.0, chances, [-5.0, -9.0, -20.0]))
    assert not _sure(_click(), _standing(5.0, chances, [-5.0, -9.0, -22.0]))


def test_where_places_may_be_empty_a_solenoids_click_stands_alone():
    empty = [0.6, 0.25, 0.9]
    assert _sure(_click(), _standing(9.1, empty))
    assert not _sure(_click(), _standing(8.9, empty))
    # The second of two neighbours may be far along the rail; of four and more two are about as near as each other.
    assert _sure(_click(), _standing(15.1, empty[:2]))
    assert not _sure(_click(), _standing(14.9, empty[:2]))
    assert _sure(_click(), _standing(7.1, [*empty, 0.5]))
    assert not _sure(_click(), _standing(6.9, [*empty, 0.5]))
    # A lone click, and one as low as valves are, may be something else's.
    assert not _sure(_click(gap_s=np.nan), _standing(15.0, empty))
    assert not _sure(_click(centre_hz=4_000.0), _standing(15.0, empty))


def test_the_neighbours_of_a_loud_tick_would_be_heard():
    # At level 25 one 15 dB under it is matched at 4: where none shows, it may be no injector's tick at all.
    nowhere, somewhere = [0.6, 0.5, 0.9], [0.6, 0.2, 0.9]
    loud = _click(level=25.0)
    assert not _sure(loud, _standing(14.0, nowhere))
    assert _sure(loud, _standing(15.5, nowhere))
    assert _sure(loud, _standing(14.0, somewhere))


def test_far_over_places_that_sound_on_the_whole_a_low_tick_is_sure():
    # A decade of chance each on average, one of them none.
    low = _click(centre_hz=3_000.0)
    assert _sure(low, _standing(10.1, [0.02, 0.03, 0.9]))
    assert not _sure(low, _standing(9.9, [0.02, 0.03, 0.9]))
    assert not _sure(low, _standing(10.1, [0.2, 0.2, 0.9]))


def test_without_places_it_must_stand_over_all_of_the_cycle():
    # 7 dB at level 10 and more, 9 under it; the same where the places are guessed from what ticks.
    assert _sure(_click(), _standing(7.1, []))
    assert not _sure(_click(), _standing(6.9, []))
    assert not _sure(_click(level=9.0), _standing(8.9, []))
    assert not _sure(_click(), _standing(6.9, [0.001, 0.001]), told=False)
    assert _sure(_click(), _standing(7.1, [0.001, 0.001]), told=False)


def test_a_click_that_moves_as_valves_do_is_nobodys():
    far = _standing(20.0, [0.001, 0.001])
    assert not _sure(_click(gap_s=np.nan, centre_hz=4_800.0, scatter_s=0.00014), far)
    assert not _sure(_click(centre_hz=3_500.0, scatter_s=0.00016), far)
    assert _sure(_click(centre_hz=6_000.0, scatter_s=0.00016), far)


def test_on_a_rough_engine_a_solenoids_click_moves_as_little_as_the_steadiest():
    rough = _click(scatter_s=0.0003)
    assert is_solenoids(rough, least_s=0.00026)
    assert not is_solenoids(rough, least_s=0.0002)
    assert not may_be_valve(rough)


@pytest.mark.parametrize("empty", [0, 1, 2])
def test_the_place_left_out_is_silent_while_all_others_sound_alike(empty):
    places, chances, places_db = (0.3, 0.55, 0.8), [0.01, 0.01, 0.01], [-1.0, -2.0, -3.0]
    chances[empty], places_db[empty] = 0.4, -25.0
    assert left_out(_standing(1.0, chances, places_db), places) == places[empty]
    # Not where it comes up as sharply, nor beside a place that may be chance too, nor where one is the loudest by far.
    assert left_out(_standing(1.0, [0.01, 0.01, 0.01], places_db), places) is None
    assert left_out(_standing(1.0, [max(c, 0.1) for c in chances], places_db), places) is None
    assert left_out(_standing(4.0, chances, [db - 4.0 for db in places_db]), places) is None
