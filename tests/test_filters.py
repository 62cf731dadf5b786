import numpy as np
import pytest
from scipy import signal

from injsound.codes import SpanKind
from injsound.sound.filters import convolved, high_passed, muted, whitened
from injsound.values import Span

SR = 48_000


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


@pytest.mark.parametrize("n", [300, 4_801, 50_000])
def test_convolution_is_numpys(n):
    rng = np.random.default_rng(5)
    y, kernel = rng.standard_normal(n), rng.standard_normal(192)
    made = convolved(y, kernel)
    np.testing.assert_allclose(made[: n + 191], np.convolve(y, kernel), atol=1e-9)
    np.testing.assert_allclose(made[n + 191 :], 0.0, atol=1e-9)


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
