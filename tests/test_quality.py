"""What may not be judged: every kind of damage is found where the simulator did it, and nothing in a clean engine."""

from dataclasses import replace

import numpy as np
import pytest

from injsound.codes import SpanKind, WarningCode
from injsound.engine import Engine
from injsound.simulate import Scene, simulate
from injsound.sound.quality import END_S, judge_quality
from injsound.values import Recording, Span

SCENE = Scene(seed=5, seconds=20.0, rpm=700.0, tick_db=18.0, engine=Engine(cylinders=4))


def _judge(scene):
    recording, truth = simulate(scene)
    return judge_quality(recording, interval_s=120 / scene.rpm), truth


def _kinds(quality):
    return {span.kind for span in quality.spans}


def test_a_clean_engine_hides_nothing_but_its_end():
    quality, _ = _judge(SCENE)
    (end,) = quality.spans
    assert end.kind is SpanKind.END
    assert end.to_s - end.from_s == pytest.approx(END_S)
    assert not quality.warnings


@pytest.mark.parametrize(
    ("settings", "kind", "share"),
    [
        ({"bumps": 4}, SpanKind.BUMP, 1.0),
        ({"drops": 6}, SpanKind.SILENCE, 1.0),
        ({"repeats": 6}, SpanKind.REPEATED, 1.0),
        ({"bursts_of_speech": 3}, SpanKind.LOUD, 0.6),
        ({"slips_s": ((8.0, 11.0),)}, SpanKind.SLIPPED, 1.0),
    ],
)
def test_damage_is_found_where_it_was_done(settings, kind, share):
    quality, truth = _judge(replace(SCENE, **settings))
    done = [span for span in truth.spans if span.kind is kind]
    found = [span for span in quality.spans if span.kind is kind]
    middles = np.array([(span.from_s + span.to_s) / 2 for span in done])
    hit = [any(span.from_s <= middle <= span.to_s for span in found) for middle in middles]
    assert np.mean(hit) >= share
    # Nothing is called damage that lies a tenth of a second or more away from any.
    for span in found:
        assert any(span.from_s < d.to_s + 0.1 and span.to_s > d.from_s - 0.1 for d in truth.spans), span


def test_long_clipping_hides_and_short_clipping_warns():
    recording, _ = simulate(SCENE)
    loud = replace(
        recording, y=np.clip(recording.y, -0.25 * np.abs(recording.y).max(), 0.25 * np.abs(recording.y).max())
    )
    quality = judge_quality(loud, interval_s=120 / 700)
    (note,) = [note for note in quality.warnings if note.code is WarningCode.CLIPPED]
    assert note.figures["count"] == len(quality.clipped) > 0
    assert note.figures["seconds"] == pytest.approx(sum(s.to_s - s.from_s for s in quality.clipped), abs=0.001)
    y = recording.y.copy()
    top = np.abs(y).max()
    y[48_000:48_480] = top  # 10 ms at the rail
    quality = judge_quality(replace(recording, y=y), interval_s=120 / 700)
    (clipped,) = [span for span in quality.spans if span.kind is SpanKind.CLIPPED]
    assert clipped.from_s == pytest.approx(1.0, abs=0.002)
    assert clipped.to_s == pytest.approx(1.01, abs=0.002)


def test_a_spike_is_no_tick_and_a_tick_no_spike():
    recording, truth = simulate(SCENE)
    y = recording.y.copy()
    at = [3.1, 7.7, 12.345]
    y[(np.array(at) * recording.sr).astype(int)] += 5 * np.abs(y).max()
    quality = judge_quality(replace(recording, y=y), interval_s=120 / 700)
    spikes = [span for span in quality.spans if span.kind is SpanKind.SPIKE]
    assert len(spikes) == len(at)
    ticks = truth.heard_s[np.isfinite(truth.heard_s)]
    for span in spikes:
        assert any(span.from_s <= t <= span.to_s for t in at)
        assert span.to_s - span.from_s < 0.003
    assert len(ticks) > 100


def test_holes_of_the_file_are_spans_and_a_warning():
    recording, _ = simulate(SCENE)
    gap = Span(from_s=5.0, to_s=5.2, kind=SpanKind.GAP)
    y = recording.y.copy()
    y[round(5.0 * recording.sr) : round(5.2 * recording.sr)] = 0
    quality = judge_quality(replace(recording, y=y, gaps=(gap,)), interval_s=120 / 700)
    assert SpanKind.GAP in _kinds(quality)
    (note,) = [note for note in quality.warnings if note.code is WarningCode.GAPS]
    assert note.figures == {"count": 1, "seconds": 0.2}


def test_noise_suppression_and_pumped_gain_are_named():
    quality, _ = _judge(replace(SCENE, seconds=40.0, suppression_db=40.0))
    assert WarningCode.NOISE_SUPPRESSION in {note.code for note in quality.warnings}
    quality, _ = _judge(replace(SCENE, seconds=40.0, agc_db=15.0, bumps=5))
    assert WarningCode.GAIN_PUMPED in {note.code for note in quality.warnings}
    assert SpanKind.GAIN in _kinds(quality)


@pytest.mark.parametrize("codec", ["amrnb", "amr_wb", "speex"])
def test_a_speech_codec_is_named_and_gives_no_timing(codec):
    recording, _ = simulate(replace(SCENE, sr=8_000))
    codes = {note.code for note in judge_quality(replace(recording, codec=codec)).warnings}
    assert {WarningCode.SPEECH_CODEC, WarningCode.NO_TIMING} <= codes


def test_bandwidth_is_where_the_sound_ends():
    rng = np.random.default_rng(0)
    spectrum = np.fft.rfft(rng.standard_normal(20 * 48_000))
    spectrum[np.fft.rfftfreq(20 * 48_000, 1 / 48_000) > 7_000] = 0
    y = np.fft.irfft(spectrum).astype(np.float32)
    y += 1e-4 * rng.standard_normal(len(y)).astype(np.float32)
    narrow = judge_quality(Recording(y=0.1 * y, sr=48_000, file="narrow"))
    assert narrow.bandwidth_hz == pytest.approx(7_000, abs=1_000)  # the cliff is looked for in steps of 1 kHz
    wide = judge_quality(Recording(y=0.1 * rng.standard_normal(len(y)).astype(np.float32), sr=48_000, file="wide"))
    assert wide.bandwidth_hz == 24_000


def test_a_whine_over_a_falling_spectrum_is_no_end_of_the_band():
    # An alternator at 2.2 kHz, 25 dB over hiss that falls evenly to half the rate: "the recording ends at 2153 Hz".
    rng = np.random.default_rng(2)
    n = 48_000 * 10
    spectrum = np.fft.rfft(rng.standard_normal(n))
    f = np.fft.rfftfreq(n, 1 / 48_000)
    hiss = np.fft.irfft(spectrum * 10 ** (-10 / 20 * f / 24_000), n)
    wander = np.cumsum(rng.standard_normal(n)) * 1e-3
    y = hiss + 1.0 * np.sin(2 * np.pi * 2_200 * np.arange(n) / 48_000 + wander)
    assert judge_quality(Recording(y=(0.05 * y).astype(np.float32), sr=48_000, file="whine")).bandwidth_hz == 24_000


def test_a_resonance_is_no_end_of_the_band():
    # 26 dB within 1 kHz beside a resonance at 2 kHz, and on down by 3 dB per kHz to a floor: no codec leaves that.
    rng = np.random.default_rng(2)
    spectrum = np.fft.rfft(rng.standard_normal(20 * 48_000))
    khz = np.fft.rfftfreq(20 * 48_000, 1 / 48_000) / 1e3
    fall_db = np.interp(khz, [0, 2, 3, 10, 24], [0, 0, 26, 47, 50])
    y = np.fft.irfft(spectrum * 10 ** (-fall_db / 20)).astype(np.float32)
    assert judge_quality(Recording(y=0.1 * y, sr=48_000, file="resonance")).bandwidth_hz == 24_000


def test_a_band_that_a_codec_fills_now_and_then_is_no_background():
    rng = np.random.default_rng(1)
    block, blocks = 960, 1_000  # 20 ms
    f = np.fft.rfftfreq(block, 1 / 48_000)
    top = np.where(rng.random(blocks) < 0.1, 21_500, 18_000)  # one block in ten reaches higher
    spectrum = np.fft.rfft(rng.standard_normal((blocks, block))) * (f <= top[:, None])
    y = np.fft.irfft(spectrum, block).ravel().astype(np.float32)
    quality = judge_quality(Recording(y=0.1 * y, sr=48_000, file="holes"))
    assert quality.bandwidth_hz == pytest.approx(18_000, abs=1_000)
