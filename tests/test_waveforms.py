import numpy as np
import pytest
from scipy import signal

from injsound.sound.waveforms import aic_pick, align_clicks, cut, peak_place

SR = 48_000


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
