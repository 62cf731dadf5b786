from itertools import product

import numpy as np
import pytest
from scipy import signal

from injsound.results import CycleClock, Span, SpanKind
from injsound.sound.signals import (
    aic_pick,
    align_clicks,
    best_path,
    convolved,
    cut,
    cycle_at,
    high_passed,
    muted,
    peak_place,
    time_at,
    whitened,
)

SR = 48_000


def test_clock_goes_both_ways():
    clock = CycleClock(times_s=np.array([1.0, 2.0, 4.0]), cycles=np.array([0.0, 10.0, 20.0]))
    times = np.array([0.5, 1.5, 3.0, 5.0])
    # By hand: 10 cycles/s until 2 s, then 5; outside, the speed over all knots goes on, 20 cycles in 3 s.
    np.testing.assert_allclose(cycle_at(clock, times), [-10 / 3, 5.0, 15.0, 20 + 20 / 3])
    np.testing.assert_allclose(time_at(clock, cycle_at(clock, times)), times)


def test_cut_moves_by_fractions_of_a_sample():
    t = np.arange(4_800) / SR
    y = np.sin(2 * np.pi * 3_000 * t).astype(np.float32)
    rows = cut(y, SR, 0.0, np.array([0.05, 0.05 + 0.3 / SR]), 0.002, 0.002)
    expected = np.sin(2 * np.pi * 3_000 * (0.05 + 0.3 / SR))
    assert rows[1, round(0.002 * SR)] == pytest.approx(expected, abs=0.01)


def test_what_reaches_beyond_the_signal_is_silent():
    y = np.arange(1.0, 11.0, dtype=np.float32)
    rows = cut(y, 1_000, 0.0, np.array([0.001, 0.009, 0.030, -0.020]), 0.003, 0.003)
    expected = [[0, 0, 1, 2, 3, 4], [7, 8, 9, 10, 0, 0], [0] * 6, [0] * 6]
    np.testing.assert_array_equal(rows, expected)


@pytest.mark.parametrize(("order", "above_hz", "sr"), [(2, 1_200, 8_000), (4, 1_500, 48_000), (4, 1_500, 96_000)])
def test_high_pass_is_scipys(order, above_hz, sr):
    rows = np.random.default_rng(0).standard_normal((3, 1_440))
    expected = signal.sosfilt(signal.butter(order, above_hz, "high", fs=sr, output="sos"), rows, axis=1)
    np.testing.assert_allclose(high_passed(rows, sr, above_hz=above_hz, order=order), expected, atol=1e-12)


def test_whitened_noise_is_white_with_unit_variance():
    rng = np.random.default_rng(0)
    b, a = signal.iirpeak(4_000, 2.0, fs=SR)
    coloured = 0.01 * (rng.standard_normal(SR * 5) + 3 * signal.lfilter(b, a, rng.standard_normal(SR * 5)))
    white = whitened(coloured.astype(np.float32), SR)
    f, power = signal.welch(white, SR, nperseg=512)
    inside = (f > 2_000) & (f < 22_000)
    assert power[inside].std() / power[inside].mean() < 0.2
    assert power[inside].mean() * SR / 2 == pytest.approx(1.0, abs=0.15)


def test_peak_between_samples():
    x = np.arange(20.0)
    place, value = peak_place(-((x[None, :] - 7.3) ** 2))
    assert place[0] == pytest.approx(7.3)
    assert value[0] == pytest.approx(-0.09)


def test_peak_of_rows_too_short_for_a_parabola():
    for width in (1, 2):
        place, value = peak_place(np.arange(3.0 * width).reshape(3, width))
        np.testing.assert_array_equal(place, [width - 1] * 3)
        np.testing.assert_array_equal(value, np.arange(1, 4) * width - 1.0)


@pytest.mark.parametrize("circular", [True, False])
def test_best_path_is_the_best_of_all_paths(circular):
    rng = np.random.default_rng(4)
    cost = np.array([0.4, 0.0, 0.3])
    for _ in range(20):
        score = rng.random((6, 4))

        def worth(path, score=score):
            steps = np.diff(path)
            if circular:
                steps = (steps + 1) % 4 - 1
            if np.abs(steps).max() > 1:
                return -np.inf
            return score[np.arange(6), path].sum() - cost[steps + 1].sum()

        found = best_path(score, cost, circular=circular)
        assert worth(found) == pytest.approx(max(worth(np.array(path)) for path in product(range(4), repeat=6)))


@pytest.mark.parametrize("n", [300, 4_801, 50_000])
def test_convolution_is_numpys(n):
    rng = np.random.default_rng(5)
    y, kernel = rng.standard_normal(n), rng.standard_normal(192)
    made = convolved(y, kernel)
    np.testing.assert_allclose(made[: n + 191], np.convolve(y, kernel), atol=1e-9)
    np.testing.assert_allclose(made[n + 191 :], 0.0, atol=1e-9)


def test_aic_finds_a_step_in_variance():
    # Variance step 1 to 25 at sample 500 of 800: median error 0, 95 % within 3 samples (AIC picker of Maeda, 1985, as
    # restated in ObsPy's aic_simple; figures recomputed).
    rng = np.random.default_rng(1)
    errors = [
        aic_pick(np.concatenate([rng.standard_normal(500), 5 * rng.standard_normal(300)])) - 500 for _ in range(200)
    ]
    assert abs(np.median(errors)) <= 1
    assert np.quantile(np.abs(errors), 0.95) <= 5


def _burst(n, centre, *, sr=192_000):
    t = (np.arange(n) - centre) / sr
    return np.cos(2 * np.pi * 6_000 * t) * np.exp(-(t**2) / (2 * 0.0001**2))


def test_matched_filter_reaches_the_timing_bound():
    # Gaussian burst, 6 kHz, s = 0.1 ms, E/N0 = 20 dB: bound 1.8435 us (Kay, Estimation Theory, 1993, 3.11, from
    # memory).
    rng = np.random.default_rng(2)
    clean = _burst(400, 200.0)
    template = clean[40:-40] / np.linalg.norm(clean)
    sigma = np.sqrt(np.sum(clean**2) / 200)  # 2E/N0 = E / sigma^2 = 200
    rows = clean + sigma * rng.standard_normal((4_000, 400))
    place, _ = peak_place(signal.fftconvolve(rows, template[::-1][None, :], mode="valid", axes=1))
    error_us = (place - 40) / 192_000 * 1e6
    assert np.sqrt(np.mean(error_us**2)) == pytest.approx(1.8435, rel=0.05)


def test_nearest_sample_costs_what_arithmetic_says():
    # Ts / sqrt(12) at 48 kHz: 6.014 us.
    offset = np.random.default_rng(3).uniform(0, 1, 200_000)
    error_us = (np.round(offset) - offset) / 48_000 * 1e6
    assert error_us.std() == pytest.approx(6.014, rel=0.02)


def test_detection_follows_theory():
    # Pd at Pfa 1e-3 and d = 4 is 0.81853; AUC at d = 2 is 0.92135 (Green and Swets, 1966, from memory; recomputed).
    rng = np.random.default_rng(4)
    noise, tick = rng.standard_normal(400_000), rng.standard_normal(400_000)
    assert np.mean(tick + 4 > np.quantile(noise, 1 - 1e-3)) == pytest.approx(0.81853, abs=0.01)
    assert np.mean(tick + 2 > noise) == pytest.approx(0.921350, abs=0.01)


def test_clicks_are_aligned_to_a_fraction_of_a_sample():
    rng = np.random.default_rng(5)
    true = rng.uniform(-20, 20, 200)
    rows = np.stack([_burst(240, 120 + shift, sr=SR) for shift in true]) + 0.02 * rng.standard_normal((200, 240))
    clicks = align_clicks(rows, SR, reach_s=0.0015)
    error = clicks.place - clicks.place.mean() - (true - true.mean())
    assert error.std() < 0.1


def test_a_muted_span_is_silent_and_the_rest_untouched():
    y = np.ones(1_000, dtype=np.float32)
    spans = [Span(from_s=10.2, to_s=10.4, kind=SpanKind.BUMP), Span(from_s=10.95, to_s=12.0, kind=SpanKind.BUMP)]
    quiet = muted(y, 1_000, 10.0, spans)
    assert quiet.dtype == np.float32
    np.testing.assert_array_equal(np.flatnonzero(quiet == 0), np.r_[203:397, 953:997])
    np.testing.assert_array_equal(quiet[:200], 1)
    np.testing.assert_array_equal(quiet[400:950], 1)
    # The edges fall and rise by half a cosine: at the middle of three samples by half.
    assert quiet[201] == pytest.approx(0.5)
    assert quiet[398] == pytest.approx(0.5)
