"""A second click under the first one's ring, against constructed truth: a ring keeps its distance, a needle does not.

Each click is heard through walls that give it back for milliseconds, as noise that dies away: no ring of a few modes
that a prediction could take out.
"""

import numpy as np
import pytest

from injsound.simulate.clicks import add_strikes, injector_clicks
from injsound.sound.filters import whitened
from injsound.sound.matching.events import match_events
from injsound.sound.opening.opentime import measure_gaps
from injsound.sound.opening.pair import find_pair
from injsound.sound.opening.parted import part_clicks
from injsound.sound.waveforms import cut, unit

_SR = 48_000
_SECONDS = 45
_PROMISED_MS = 0.1
_SIDE_S = 0.011


def _ticks(seed, *, gap_ms, close_db, moves_us, walls=0.5, tick_db=20.0, missing=()):
    """Samples, their whitened form, when the clicks strike, and how late each close click does [us]."""
    rng = np.random.default_rng(seed)
    at = np.cumsum(0.16 + 0.002 * rng.standard_normal(int(_SECONDS / 0.161) - 2))
    opens, closes = injector_clicks(rng)
    moves = moves_us * 1e-6 * rng.standard_normal(len(at))
    y = rng.standard_normal(_SECONDS * _SR) / 0.97  # rms 1 above 1.5 kHz of 24
    for click, when, db in ((opens, at, tick_db), (closes, at + gap_ms * 1e-3 + moves, tick_db + close_db)):
        struck = np.zeros(len(y))
        heights = 10 ** (db / 20) / click.peak(_SR) * 10 ** (0.5 * rng.standard_normal(len(at)) / 20)
        heights[list(missing)] = 0.0
        add_strikes(struck, _SR, click, when, heights, 0.05, rng)
        t = np.arange(round(0.010 * _SR)) / _SR
        back = walls * 0.3 * rng.standard_normal(len(t)) * np.exp(-t / 0.002) * (t > 0.0004)
        back[0] = 1.0
        y += np.convolve(struck, back)[: len(y)]
    y = y.astype(np.float32)
    return y, whitened(y, _SR), at, moves * 1e6


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize(("gap_ms", "close_db"), [(1.9, -3.0), (2.8, -6.0), (3.6, 0.0), (4.6, 3.0)])
def test_a_close_click_under_the_open_ones_ring_is_found(gap_ms, close_db, seed):
    y, white, at, _ = _ticks(seed, gap_ms=gap_ms, close_db=close_db, moves_us=60.0)
    gaps = measure_gaps(y, white, _SR, 0.0, at)
    assert gaps.gap_s * 1e3 == pytest.approx(gap_ms, abs=_PROMISED_MS)
    assert gaps.open_offset_s * 1e3 == pytest.approx(0.0, abs=_PROMISED_MS)


@pytest.mark.parametrize("seed", [4, 5, 6])
def test_matched_at_the_close_click_time_is_told_from_the_open_one(seed):
    y, white, at, moves_us = _ticks(seed, gap_ms=3.3, close_db=5.0, moves_us=60.0)
    gaps = measure_gaps(y, white, _SR, 0.0, at + 0.0033 + moves_us * 1e-6)
    assert gaps.gap_s * 1e3 == pytest.approx(3.3, abs=_PROMISED_MS)
    assert gaps.open_offset_s * 1e3 == pytest.approx(-3.3, abs=_PROMISED_MS)


def test_each_events_gap_goes_with_its_close_click():
    _, white, at, moves_us = _ticks(7, gap_ms=2.8, close_db=-3.0, moves_us=60.0)
    rows = cut(white, _SR, 0.0, at, _SIDE_S, _SIDE_S)
    parted = part_clicks(rows, _SR, zero=round(_SIDE_S * _SR))
    assert parted is not None
    error = (parted.late_s * 1e6 - moves_us)[parted.clear]
    assert parted.clear.mean() > 0.9
    assert np.median(np.abs(error - np.median(error))) < 10.0  # half a sample


@pytest.mark.parametrize("seed", [8, 9, 10])
def test_a_ring_alone_has_no_second_click(seed):
    _, white, at, _ = _ticks(seed, gap_ms=2.8, close_db=-80.0, moves_us=60.0)
    rows = cut(white, _SR, 0.0, at, _SIDE_S, _SIDE_S)
    assert part_clicks(rows, _SR, zero=round(_SIDE_S * _SR)) is None


@pytest.mark.parametrize("seed", [11, 12, 13])
def test_what_moves_as_a_valve_does_is_no_second_click(seed):
    _, white, at, _ = _ticks(seed, gap_ms=3.5, close_db=-3.0, moves_us=250.0)
    rows = cut(white, _SR, 0.0, at, _SIDE_S, _SIDE_S)
    assert part_clicks(rows, _SR, zero=round(_SIDE_S * _SR)) is None


def test_the_parts_are_the_clicks():
    # Least squares on rows made of two known waveforms, without noise, gives them back.
    rng = np.random.default_rng(14)
    _, white, at, _ = _ticks(14, gap_ms=2.8, close_db=-3.0, moves_us=60.0)
    rows = cut(white, _SR, 0.0, at, _SIDE_S, _SIDE_S)
    parted = part_clicks(rows, _SR, zero=round(_SIDE_S * _SR))
    assert parted is not None
    held, second = np.zeros((2, 1056))
    held[500:700], second[640:840] = rng.standard_normal((2, 200)) * np.hanning(200)
    n = 2048
    turn = np.exp(-2j * np.pi * np.fft.rfftfreq(n, 1 / _SR) * parted.late_s[:, None])
    moved = np.fft.irfft(np.fft.rfft(second, n) * turn, n, axis=1)[:, :1056]
    made = parted.held_height[:, None] * held + parted.height[:, None] * moved
    back = np.fft.irfft(np.fft.rfft(made, n, axis=1)
                        * np.exp(-2j * np.pi * np.fft.rfftfreq(n, 1 / _SR) * parted.held_late_s[:, None]),
                        n, axis=1)[:, :1056]  # fmt: skip
    for found, true in zip(parted.means(back, _SR), (held, second), strict=True):
        assert np.corrcoef(found, true)[0, 1] > 0.97


@pytest.mark.parametrize("seed", [16, 17, 18, 19])
def test_clicks_matched_where_they_are_tell_more_than_at_one_gap(seed):
    missing = list(range(20, 270, 17))
    _, white, at, _ = _ticks(seed, gap_ms=2.8, close_db=0.0, moves_us=60.0, walls=0.2, tick_db=17.0, missing=missing)
    there = np.setdiff1d(np.arange(len(at)), missing)
    found = find_pair(white, _SR, 0.0, at[there])
    assert found is not None
    pair, off_s = found
    assert off_s == pytest.approx(0.0, abs=0.0005)
    assert pair.gap_s == pytest.approx(0.0028, abs=0.0005)
    usable = np.ones(len(at), dtype=bool)
    settings = {"click": unit(pair.first + pair.second), "lead_s": pair.lead_s, "gap_s": pair.gap_s}
    held = match_events(white, _SR, 0.0, at + off_s, usable, **settings)
    each = match_events(white, _SR, 0.0, at + off_s, usable, **settings, pair=pair)
    assert each.separation > 1.2 * held.separation
    assert np.array_equal(np.flatnonzero(each.skip_probability >= 0.5), missing)
