"""The open time against constructed truth: clicks laid into noise at exact times, with what is taken for a close click.

A stethoscope's tube gives everything again; a close click bounces; a valve keeps an angle, not a distance in time.
"""

from dataclasses import replace

import numpy as np
import pytest

from injsound.simulate.chain import respond
from injsound.simulate.clicks import add_strikes, injector_clicks, valve_click
from injsound.simulate.scene import Chain
from injsound.sound.filters import whitened
from injsound.sound.opening.doublet import find_strikes, quiet_weights
from injsound.sound.opening.echo import cut_without, find_echo
from injsound.sound.opening.opentime import measure_gaps

_SR = 48_000
_SECONDS = 45
_PROMISED_MS = 0.1


def _ticks(
    seed, *, gap_ms, close_db, tick_db=16.0, bounce=0.0, tube=None, valve_db=None, chain=Chain.STETHOSCOPE, alone=False
):
    """Samples, their whitened form and when the open clicks strike."""
    rng = np.random.default_rng(seed)
    y = np.zeros(_SECONDS * _SR)
    at = np.cumsum(0.16 + 0.002 * rng.standard_normal(int(_SECONDS / 0.161) - 2))
    opens, closes = injector_clicks(rng)
    quieter = 10 ** (close_db / 20) * opens.peak(_SR) / closes.peak(_SR)
    level = 10 ** (tick_db / 20) / max(opens.peak(_SR), quieter * closes.peak(_SR))
    heights = level * 10 ** (rng.standard_normal((2, len(at))) / 20)
    add_strikes(y, _SR, opens, at, heights[0], 0.15, rng)
    if not alone:
        seat = at + gap_ms * 1e-3 + 15e-6 * rng.standard_normal(len(at))
        add_strikes(y, _SR, closes, seat, quieter * heights[1], 0.15, rng)
        if bounce:
            add_strikes(y, _SR, closes, seat + 0.0006, bounce * quieter * heights[1], 0.15, rng)
    if valve_db is not None:
        valve = valve_click(rng)
        loud = 10 ** (valve_db / 20) * level * opens.peak(_SR) / valve.peak(_SR)
        late = 0.0035 + 0.0003 * rng.standard_normal(len(at))
        add_strikes(y, _SR, replace(valve, rise_s=0.0), at + late, np.full(len(at), loud), 0.15, rng)
    y += rng.standard_normal(len(y)) / 0.97  # rms 1 above 1.5 kHz of 24
    if tube is not None:
        delay, share = round(tube[0] * 1e-3 * _SR), tube[1]
        for k in range(delay, len(y), delay):  # each stretch gets the echo of the one before, which holds its own
            stop = min(k + delay, len(y))
            y[k:stop] += share * y[k - delay : stop - delay]
    y = respond(y, _SR, chain).astype(np.float32)
    return y, whitened(y, _SR), at


def _read(y, white, at):
    return measure_gaps(y, white, _SR, 0.0, at + 20e-6 * np.random.default_rng(1).standard_normal(len(at)))


@pytest.mark.parametrize("chain", [Chain.STETHOSCOPE, Chain.CONTACT, Chain.PHONE])
@pytest.mark.parametrize(("gap_ms", "close_db"), [(1.8, 0.0), (2.6, -6.0), (3.7, 6.0), (4.9, -10.0), (6.0, -3.0)])
def test_the_gap_is_that_of_the_strikes(gap_ms, close_db, chain):
    y, white, at = _ticks(7, gap_ms=gap_ms, close_db=close_db, bounce=0.4, chain=chain)
    gaps = _read(y, white, at)
    assert np.nanmedian(gaps.event_gap_s) * 1e3 == pytest.approx(gap_ms, abs=_PROMISED_MS)
    assert gaps.open_offset_s * 1e3 == pytest.approx(0.0, abs=_PROMISED_MS)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_tubes_echo_is_not_the_close_click(seed):
    # The echo, 9 dB under the open click, is louder than the close click, 12 dB under it.
    y, white, at = _ticks(seed, gap_ms=4.6, close_db=-12.0, tick_db=20.0, tube=(2.9, -0.35))
    gaps = _read(y, white, at)
    assert np.nanmedian(gaps.event_gap_s) * 1e3 == pytest.approx(4.6, abs=_PROMISED_MS)


def test_an_echo_is_measured_and_taken_out():
    y, white, at = _ticks(4, gap_ms=4.6, close_db=-6.0, tube=(2.9, -0.35))
    echo = find_echo(y, white, _SR, 0.0, at)
    assert echo.delay_s * 1e3 == pytest.approx(round(2.9 * 48) / 48, abs=0.011)  # on the sample
    assert echo.share == pytest.approx(-0.35, rel=1 / 3)  # as `doublet` allows for
    with_echo, without = (
        cut_without(e, white, _SR, 0.0, at + 0.0029, 0.0002, 0.001).mean(axis=0) for e in (None, echo)
    )
    assert np.linalg.norm(without) < 0.5 * np.linalg.norm(with_echo)


def test_no_echo_is_found_where_there_is_no_tube():
    y, white, at = _ticks(5, gap_ms=2.6, close_db=-3.0)
    assert find_echo(y, white, _SR, 0.0, at) is None


def test_a_lone_click_in_a_tube_has_no_open_time():
    y, white, at = _ticks(6, gap_ms=0.0, close_db=-60.0, tube=(3.4, -0.4), alone=True)
    gaps = _read(y, white, at)
    assert np.isnan(gaps.gap_s)
    assert np.isnan(gaps.event_gap_s).all()


def test_a_valve_beside_the_tick_is_not_the_close_click():
    # Fainter, but it rings longer; it comes 0.3 ms to and fro against the tick.
    y, white, at = _ticks(8, gap_ms=5.2, close_db=-3.0, valve_db=-12.0)
    gaps = _read(y, white, at)
    assert np.nanmedian(gaps.event_gap_s) * 1e3 == pytest.approx(5.2, abs=_PROMISED_MS)


def test_two_close_clicks_alike_give_no_open_time():
    # As where a fellow that opens at the same moment closes a millisecond and a half later.
    y, _, at = _ticks(9, gap_ms=2.6, close_db=-8.0)
    z, _, _ = _ticks(9, gap_ms=4.1, close_db=-8.0)
    both = y + z
    gaps = _read(both, whitened(both, _SR), at)
    assert np.isnan(gaps.gap_s)


def test_the_louder_click_may_be_the_close_one():
    # Matched at the close click: time is told from the open click all the same.
    y, white, at = _ticks(10, gap_ms=3.1, close_db=6.0)
    gaps = _read(y, white, at + 0.0031)
    assert np.nanmedian(gaps.event_gap_s) * 1e3 == pytest.approx(3.1, abs=_PROMISED_MS)
    assert gaps.open_offset_s * 1e3 == pytest.approx(-3.1, abs=_PROMISED_MS)


def test_a_bounce_goes_with_its_strike():
    _, white, at = _ticks(11, gap_ms=3.1, close_db=0.0, bounce=0.4)
    rows = cut_without(None, white, _SR, 0.0, at, 0.01, 0.01)
    strikes = find_strikes(rows, quiet_weights(rows, _SR), _SR, zero=480)
    places = sorted((s.place - 480) / 48 for s in strikes[:2])
    assert places == pytest.approx([0.0, 3.1], abs=0.3)
    assert not any(abs((s.place - 480) / 48 - 3.7) < 0.3 for s in strikes)
