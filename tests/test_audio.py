"""Decoding: every trap met with phones' files, on files written here with a known click at a known sample."""

import hashlib
import io
import os
import struct
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import audio_files
import numpy as np
import pytest
import soundfile as sf
from audio_files import FORMATS, Format, clicks, offset_of_click

from injsound.codes import SpanKind, WarningCode
from injsound.engine import Engine
from injsound.errors import ParameterError, RecordingError
from injsound.runs import run_file
from injsound.sound.decoding import audio, packets, sources
from injsound.sound.decoding.audio import chapters, sha256
from injsound.values import SHORTEST_CHAPTER_S

# How far a decoded click may lie from its sample: none where nothing is lost. AMR-NB itself moves a click by up to
# 0.6 ms (measured); in 3gp FFmpeg's muxer also cuts 50 samples for a look-ahead of 40 (3GPP TS 26.090, from memory).
LOSSLESS = {"wav", "flac", "aiff", "caf", "alac"}
OFFSETS = {kind: 0 if kind in LOSSLESS else 3 for kind in FORMATS} | {"amr": 5, "3gp": 15}
CODECS = {
    "wav": "pcm_s16le",
    "flac": "flac",
    "aiff": "pcm_s16le",
    "caf": "pcm_s16le",
    "vorbis": "vorbis",
    "mp3": "mp3",
    "opus": "opus",
    "m4a": "aac",
    "alac": "alac",
    "mp4": "aac",
    "mov": "aac",
    "webm": "opus",
    "adts": "aac",
    "amr": "amr_nb",
    "3gp": "amr_nb",
}
M4A_48K = Format("m4a", 48000, "ipod", "aac")
WEBM_48K = Format("webm", 48000, "webm", "libopus")


def one(path, **settings):
    (recording,) = chapters(path, **settings)
    return recording


def codes(recording):
    return [note.code for note in recording.warnings]


def refusal(path, **settings):
    with pytest.raises(RecordingError) as caught:
        list(chapters(path, **settings))
    assert "\n" not in str(caught.value)
    return caught.value


def wav(path, y, sr=8000, **settings):
    sf.write(path, np.asarray(y).T, sr, **settings)
    return path


# Where the click is


@pytest.mark.parametrize("kind", FORMATS)
def test_click_is_where_it_was_put(tmp_path, kind):
    form = FORMATS[kind]
    y = clicks(form.sr, 6.0, (1.0, 5.0))
    recording = one(audio_files.write(tmp_path / f"a.{form.ending}", y, kind))
    sr = recording.sr
    assert recording.codec == CODECS[kind]
    assert recording.y.dtype == np.float32
    assert sr == (48000 if kind in ("opus", "webm") else form.sr)  # Opus always decodes at 48 kHz (RFC 6716)
    assert recording.start_s == 0
    assert recording.final
    assert recording.gaps == ()
    assert recording.warnings == ()
    assert abs(len(recording.y) / sr - 6.0) < 0.07  # a packet of padding at most
    for time_s in (1.0, 5.0):
        assert abs(offset_of_click(recording.y, sr, time_s)) <= OFFSETS[kind]


@pytest.mark.parametrize("sr", [44100, 48000])
def test_phone_memo_at_its_usual_rates(tmp_path, sr):
    y = clicks(sr, 6.0, (1.0, 5.0))
    recording = one(audio_files.write(tmp_path / "a.m4a", y, M4A_48K, sr=sr))
    assert [offset_of_click(recording.y, sr, time_s) for time_s in (1.0, 5.0)] == [0, 0]
    assert recording.y[round(5.0 * sr)] == pytest.approx(0.6, abs=0.06)


@pytest.mark.parametrize("kind", ["m4a", "mp3", "webm"])
def test_content_decides_and_the_ending_does_not(tmp_path, kind):
    y = clicks(FORMATS[kind].sr, 6.0, (1.0,))
    written = audio_files.write(tmp_path / f"a.{FORMATS[kind].ending}", y, kind)
    for ending in ("wav", "raw", "jpg"):
        assert one(written.rename(tmp_path / f"b.{ending}")).codec == CODECS[kind]
        written = tmp_path / f"b.{ending}"


@pytest.mark.parametrize("ending", ["raw", "mp3", ""])
def test_wav_under_another_ending(tmp_path, ending):
    y = clicks(8000, 6.0, (1.0,))
    path = wav(tmp_path / "a.wav", y).rename(tmp_path / f"b.{ending}")
    assert one(path).codec == "pcm_s16le"


def test_time_stamps_that_start_late_shift_nothing(tmp_path):
    y = clicks(48000, 6.0, (1.0, 5.0))[np.newaxis]
    path = tmp_path / "a.webm"
    audio_files.write_packets(path, y, WEBM_48K, sr=48000, first_pts=48 * 44)
    recording = one(path)
    assert recording.gaps == ()
    assert abs(offset_of_click(recording.y, 48000, 5.0)) <= 3


# Holes


@pytest.mark.parametrize("lost", [1, 2, 25])
def test_lost_packets_in_webm_become_marked_silence(tmp_path, lost):
    y = clicks(48000, 6.0, (1.0, 3.0, 5.0))[np.newaxis]
    path = tmp_path / "a.webm"
    audio_files.write_packets(path, y, WEBM_48K, sr=48000, without=range(100, 100 + lost))  # 20 ms each
    recording = one(path)
    assert len(recording.y) == 6 * 48000
    (gap,) = recording.gaps
    assert gap.kind is SpanKind.GAP
    assert gap.to_s - gap.from_s == pytest.approx(0.02 * lost)
    assert abs(gap.from_s - 2.0) < 0.01  # the coder's look-ahead of 6.5 ms
    assert not recording.y[round(gap.from_s * 48000) : round(gap.to_s * 48000)].any()
    assert [abs(offset_of_click(recording.y, 48000, time_s)) <= 3 for time_s in (1.0, 3.0, 5.0)] == [True] * 3


def test_damaged_aac_packet_becomes_marked_silence(tmp_path):
    y = clicks(16000, 6.0, (1.0, 5.0), noise=0.02)
    path = audio_files.write(tmp_path / "a.aac", y, "adts")
    data = bytearray(path.read_bytes())
    packet = 0
    for _ in range(47):  # ISO/IEC 13818-7: the length of an ADTS frame is 13 bits from bit 30
        packet += (int.from_bytes(data[packet + 3 : packet + 6]) >> 5) & 0x1FFF
    data[packet + 7 : packet + 47] = b"\xff" * 40
    path.write_bytes(data)
    recording = one(path)
    assert len(recording.gaps) == 1
    assert recording.gaps[0].from_s == pytest.approx(46 * 1024 / 16000)  # the first packet is priming
    assert recording.gaps[0].to_s == pytest.approx(47 * 1024 / 16000)
    assert abs(offset_of_click(recording.y, 16000, 5.0)) <= 3


def test_damaged_flac_goes_on_after_the_damage(tmp_path):
    y = clicks(8000, 6.0, (1.0, 5.0), noise=0.05)
    path = wav(tmp_path / "a.flac", y)
    whole = one(path).y
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 0x10
    path.write_bytes(data)
    recording = one(path)
    assert len(recording.y) == len(whole)
    (gap,) = recording.gaps
    kept = np.ones(len(whole), dtype=bool)
    kept[round(gap.from_s * 8000) : round(gap.to_s * 8000)] = False
    assert kept.mean() > 0.8
    np.testing.assert_array_equal(recording.y[kept], whole[kept])
    assert not recording.y[~kept].any()


def test_samples_that_are_no_numbers_become_marked_silence(tmp_path):
    y = clicks(8000, 6.0, (1.0,))
    y[16000:16080], y[24000], y[32000] = np.nan, np.inf, 1e30
    recording = one(wav(tmp_path / "a.wav", y, subtype="FLOAT"))
    assert np.isfinite(recording.y).all()
    assert not recording.y[16000:16080].any()
    spans = [(gap.from_s, gap.to_s) for gap in recording.gaps]
    np.testing.assert_allclose(spans, [(2.0, 2.01), (3.0, 3.000125), (4.0, 4.000125)])


class Frame:
    """What the clock of time stamps looks at."""

    def __init__(self, pts, samples, time_base):
        self.pts, self.samples, self.time_base = pts, samples, time_base


def holes(stamps_s, *, samples=960, sr=48000, tick=1e-3):
    clock = packets._StampClock(sr)
    frames = [Frame(None if s is None else round(s / tick), samples, Fraction(1, round(1 / tick))) for s in stamps_s]
    return [clock.missing_before(frame) for frame in frames]


def test_stamps_of_a_slow_clock_and_rounding_are_no_holes():
    times = 0.02 * np.arange(30_000) * (1 + 100e-6)  # ten minutes, 60 ms apart at the end
    assert not any(holes(times))


def test_stamps_that_shake_are_no_holes():
    times = 0.02 * np.arange(3000) + np.random.default_rng(3).uniform(-0.006, 0.006, 3000)
    assert not any(holes(times))


def test_one_damaged_stamp_is_no_hole():
    times = list(0.02 * np.arange(100))
    times[50] = 86_400.0
    assert not any(holes(times))


def test_stamps_that_start_again_are_no_hole():
    assert not any(holes([*(0.02 * np.arange(200)), *(0.02 * np.arange(200))]))


def test_missing_stamps_are_counted_on():
    times = list(0.02 * np.arange(100))
    times[30:60] = [None] * 30
    assert not any(holes(times))
    del times[60:65]
    assert sum(holes(times)) == 5 * 960


# Channels


def test_opposite_phase_stereo_does_not_vanish(tmp_path):
    y = clicks(16000, 6.0, (1.0, 5.0))
    for kind in ("wav", "m4a"):
        recording = one(audio_files.write(tmp_path / f"a.{kind}", np.stack([y, -y]), kind, sr=16000))
        assert np.abs(recording.y).max() == pytest.approx(0.6, abs=0.06)
        assert (recording.channel, recording.channels, recording.warnings) == (1, 2, ())


def test_equal_channels_gain_nothing_and_need_no_word(tmp_path):
    y = clicks(8000, 6.0, (1.0,))
    recording = one(wav(tmp_path / "a.wav", [y, y], subtype="FLOAT"))
    np.testing.assert_array_equal(recording.y, y)
    assert (recording.channel, recording.channels, recording.warnings) == (1, 2, ())


@pytest.mark.parametrize("better", [1, 2, 3])
def test_channel_in_which_ticks_stand_out_is_taken(tmp_path, better):
    times = tuple(np.arange(0.2, 5.9, 0.1))
    y = [clicks(8000, 6.0, times if channel == better else (), noise=0.02, seed=channel) for channel in (1, 2, 3)]
    recording = one(wav(tmp_path / "a.wav", y, subtype="FLOAT"))
    np.testing.assert_array_equal(recording.y, y[better - 1])
    (note,) = recording.warnings
    assert note.code is WarningCode.CHANNEL_CHOSEN
    assert (note.figures["channel"], note.figures["channels"]) == (better, 3)
    assert note.figures["lead_db"] > 6


def test_silent_and_spoilt_channels_are_not_taken(tmp_path):
    times = tuple(np.arange(0.2, 5.9, 0.1))
    spoilt = np.clip(40 * clicks(8000, 6.0, times, noise=0.02), -1, 1)
    y = [np.zeros(48000), spoilt, clicks(8000, 6.0, times, noise=0.05)]
    assert one(wav(tmp_path / "a.wav", y)).channel == 3


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_talk_beside_one_microphone_does_not_make_it_the_better_one(tmp_path, seed):
    # The second microphone hears the ticks 12 dB fainter, and syllables far louder than any tick.
    rng = np.random.default_rng(seed)
    times = tuple(np.arange(0.2, 19.9, 0.17))
    near, far = (clicks(16_000, 20.0, times, noise=0.05, seed=seed + k) for k in (0, 10))
    talk = np.zeros_like(far)
    for start in np.sort(rng.uniform(0.2, 19.5, 50)):
        n = int(rng.uniform(0.08, 0.25) * 16_000)
        talk[int(start * 16_000) :][:n] += (np.hanning(n) * rng.standard_normal(n))[: len(talk) - int(start * 16_000)]
    y = [near, 0.25 * far + 0.5 * talk + 0.04 * rng.standard_normal(len(far))]
    assert one(wav(tmp_path / "a.wav", y, sr=16_000)).channel == 1
    assert one(wav(tmp_path / "b.wav", y[::-1], sr=16_000)).channel == 2


@pytest.mark.parametrize("other", ["whine", "hum", "buzz"])
def test_an_idle_input_is_not_taken_for_what_it_carries(tmp_path, other):
    t = np.arange(20 * 16_000) / 16_000
    idle = {
        "whine": 0.001 * np.sin(2 * np.pi * 1_777 * t),
        "hum": 0.002 * sum(np.cos(2 * np.pi * 100 * k * t) for k in range(1, 40)) / 40,
        "buzz": 0.002 * (t % 0.01 < 0.0005) * np.sin(2 * np.pi * 3_000 * t),
    }[other] + 1e-5 * np.random.default_rng(1).standard_normal(len(t))
    engine = clicks(16_000, 20.0, tuple(np.arange(0.2, 19.9, 0.17)), noise=0.05)
    assert one(wav(tmp_path / "a.wav", [engine, idle], sr=16_000)).channel == 1
    assert one(wav(tmp_path / "b.wav", [idle, engine], sr=16_000)).channel == 2


def test_a_channel_whose_clicks_are_cut_flat_is_still_the_better_one(tmp_path):
    times = tuple(np.arange(0.2, 19.9, 0.1))
    near = np.clip(8 * clicks(8_000, 20.0, times, noise=0.01, seed=1), -1, 1)
    assert np.mean(np.abs(near) >= 0.99) > 0.01
    assert one(wav(tmp_path / "a.wav", [near, clicks(8_000, 20.0, times, noise=0.3, seed=2)])).channel == 1


def test_channels_with_different_sounds_none_better(tmp_path):
    y = [clicks(8000, 6.0, tuple(np.arange(start, 5.9, 0.1)), noise=0.02, seed=4) for start in (0.2, 0.25)]
    recording = one(wav(tmp_path / "a.wav", y))
    assert recording.channel == 1
    assert codes(recording) == [WarningCode.CHANNELS_DIFFER]


def test_channel_by_number(tmp_path):
    y = [clicks(8000, 6.0, (1.0,)), clicks(8000, 6.0, (2.0,), seed=2)]
    path = wav(tmp_path / "a.wav", y, subtype="FLOAT")
    for number in (1, 2):
        recording = one(path, channel=number)
        np.testing.assert_array_equal(recording.y, y[number - 1])
        assert (recording.channel, recording.warnings) == (number, ())
    error = refusal(path, channel=3)
    assert error.code == "no such channel"
    assert "no channel 3; the recording has 2" in str(error)
    with pytest.raises(ParameterError, match="channel is 0"):
        chapters(path, channel=0)


def test_channel_is_chosen_once_for_all_chapters(tmp_path, monkeypatch):
    monkeypatch.setattr(audio, "CHOOSE_FROM_S", 10.0)
    ticks, noise = clicks(8000, 20.0, tuple(np.arange(0.2, 19, 0.1))), clicks(8000, 20.0, (), noise=0.05)
    y = np.concatenate([[noise, ticks], [ticks, noise]], axis=1)
    parts = list(chapters(wav(tmp_path / "a.wav", y), chapter_s=10))
    assert len(parts) > 3
    assert {part.channel for part in parts} == {2}


def test_several_sound_tracks(tmp_path):
    import av

    with av.open(str(tmp_path / "a.mka"), "w", format="matroska") as file:
        streams = [file.add_stream("pcm_s16le", rate=8000, layout="mono") for _ in range(2)]
        for number, stream in enumerate(streams):
            y = (32767 * clicks(8000, 6.0, (1.0 + number,))).astype(np.int16)
            frame = av.AudioFrame.from_ndarray(y[np.newaxis], format="s16", layout="mono")
            frame.sample_rate = 8000
            file.mux(stream.encode(frame))
    recording = one(tmp_path / "a.mka")
    assert offset_of_click(recording.y, 8000, 1.0) == 0
    assert [(note.code, note.figures) for note in recording.warnings] == [(WarningCode.ANOTHER_STREAM, {"streams": 2})]


def test_eight_packed_planes_are_refused(tmp_path):
    import av

    y = np.repeat(clicks(16000, 6.0, (1.0,))[np.newaxis], 8, axis=0)
    with av.open(str(tmp_path / "a.m4a"), "w", format="ipod") as file:
        stream = file.add_stream("aac", rate=16000, layout="7.1")
        for at in range(0, 95_000, 1024):
            packed = np.ascontiguousarray(y[:, at : at + 1024].T).reshape(1, -1)
            frame = av.AudioFrame.from_ndarray(packed, format="flt", layout="7.1")
            frame.sample_rate, frame.pts = 16000, at
            file.mux(stream.encode(frame))
        file.mux(stream.encode(None))
    error = refusal(tmp_path / "a.m4a")
    assert error.code == "too many channels"
    assert "8 channels; expected 7" in str(error)


# Samples


@pytest.mark.parametrize(
    ("subtype", "codec", "step"),
    [
        ("PCM_U8", "pcm_u8", 2**-7),
        ("PCM_16", "pcm_s16le", 2**-15),
        ("PCM_24", "pcm_s24le", 2**-23),
        ("PCM_32", "pcm_s32le", 2**-23),
        ("FLOAT", "pcm_f32le", 0),
        ("DOUBLE", "pcm_f64le", 0),
        ("ULAW", "pcm_mulaw", 2**-5),
    ],
)
def test_full_scale_is_one_whatever_the_sample_format(tmp_path, subtype, codec, step):
    y = clicks(8000, 6.0, (1.0,))
    recording = one(wav(tmp_path / "a.wav", y, subtype=subtype))
    assert recording.codec == codec
    np.testing.assert_allclose(recording.y, y, atol=step, rtol=0)


@pytest.mark.parametrize(
    ("codec", "form", "dtype", "full"),
    [
        ("pcm_u8", "u8", np.uint8, 128),
        ("pcm_s16le", "s16", np.int16, 2**15),
        ("pcm_s32le", "s32", np.int32, 2**31),
        ("pcm_f32le", "flt", np.float32, 1),
        ("pcm_f64le", "dbl", np.float64, 1),
    ],
)
def test_full_scale_is_one_by_ffmpeg_too(tmp_path, codec, form, dtype, full):
    import av

    y = np.stack([clicks(8000, 6.0, (1.0,)), clicks(8000, 6.0, (2.0,), seed=2)]).astype(float)
    packed = y.T.reshape(1, -1) * full
    packed = (packed + 128 if form == "u8" else packed).astype(dtype)
    with av.open(str(tmp_path / "a.mka"), "w", format="matroska") as file:
        stream = file.add_stream(codec, rate=8000, layout="stereo")
        frame = av.AudioFrame.from_ndarray(packed, format=form, layout="stereo")
        frame.sample_rate = 8000
        file.mux(stream.encode(frame))
    recording = one(tmp_path / "a.mka", channel=2)
    assert recording.codec == codec
    np.testing.assert_allclose(recording.y, y[1], atol=1 / 128 if form == "u8" else 4e-5, rtol=0)


def test_samples_over_full_scale_are_kept(tmp_path):
    y = 3 * clicks(16000, 6.0, (1.0,))
    assert one(wav(tmp_path / "a.wav", y, sr=16000, subtype="FLOAT")).y.max() == pytest.approx(1.8, abs=0.02)
    tone = 1.3 * np.sin(2 * np.pi * 440 * np.arange(96_000) / 16000)
    assert one(audio_files.write(tmp_path / "a.m4a", tone, "m4a")).y.max() == pytest.approx(1.3, abs=0.05)


# Chapters


def test_chapters_join_to_the_whole(tmp_path):
    y = clicks(8000, 100.0, tuple(np.arange(1.0, 99.0)))
    y[200_000:320_000] = np.nan  # from 25 to 40 s, across a border
    path = wav(tmp_path / "a.wav", y, subtype="FLOAT")
    parts = list(chapters(path, chapter_s=30, overlap_s=2))
    assert [(part.start_s, len(part.y) / 8000) for part in parts] == [(0, 30), (28, 30), (56, 30), (84, 16)]
    assert [part.final for part in parts] == [False, False, False, True]
    for before, after in pairwise(parts):
        np.testing.assert_array_equal(before.y[-16_000:], after.y[:16_000])
    joined = np.concatenate([parts[0].y, *(part.y[16_000:] for part in parts[1:])])
    np.testing.assert_array_equal(joined, np.nan_to_num(y))
    assert [[(gap.from_s, gap.to_s) for gap in part.gaps] for part in parts] == [[(25, 30)], [(28, 40)], [], []]


@pytest.mark.parametrize(("seconds", "lengths"), [(30, [30]), (34.9, [34.9]), (35, [30, 7]), (62.9, [30, 34.9])])
def test_short_rest_goes_to_the_chapter_before(tmp_path, seconds, lengths):
    path = wav(tmp_path / "a.wav", clicks(8000, seconds, (1.0,)))
    assert [len(part.y) / 8000 for part in chapters(path, chapter_s=30, overlap_s=2)] == lengths


@pytest.mark.parametrize(("chapter_s", "overlap_s"), [(1, 0), (1, 0.5), (1.5, 0.2), (4, 0)])
def test_no_chapter_is_too_short_to_be_read(tmp_path, chapter_s, overlap_s):
    for seconds in (5.0, 5.2, 5.8, 8.7):
        path = wav(tmp_path / f"{seconds:g}.wav", clicks(8000, seconds, (1.0,)))
        lengths = [len(part.y) / 8000 for part in chapters(path, chapter_s=chapter_s, overlap_s=overlap_s)]
        assert min(lengths) >= SHORTEST_CHAPTER_S
        assert sum(lengths) - overlap_s * (len(lengths) - 1) == pytest.approx(seconds)


@pytest.mark.parametrize("kind", ["m4a", "mp3", "webm"])
def test_chapters_of_a_compressed_file_join_to_the_whole(tmp_path, kind):
    y = clicks(FORMATS[kind].sr, 25.0, (1.0, 20.0), noise=0.02)
    path = audio_files.write(tmp_path / f"a.{kind}", y, kind)
    whole = one(path)
    parts = list(chapters(path, chapter_s=7, overlap_s=0))
    assert len(parts) == 4
    np.testing.assert_array_equal(np.concatenate([part.y for part in parts]), whole.y)


def test_chapters_are_decoded_as_they_are_asked_for(tmp_path):
    path = wav(tmp_path / "a.wav", clicks(8000, 60.0, (1.0,)))
    parts = chapters(path, chapter_s=10)
    next(parts)
    parts.close()
    with pytest.raises(StopIteration):
        next(parts)


@pytest.mark.parametrize("settings", [{"chapter_s": 0}, {"overlap_s": -1}, {"chapter_s": 10, "overlap_s": 6}])
def test_impossible_chapters(settings):
    with pytest.raises(ParameterError, match="expected a chapter"):
        chapters("a.wav", **settings)


# Files that end early


@pytest.mark.parametrize("kind", ["wav", "flac", "aiff", "caf", "vorbis", "mp3", "opus", "webm", "adts", "amr"])
def test_cut_off_recording_is_used_as_far_as_it_goes(tmp_path, kind):
    form = FORMATS[kind]
    y = clicks(form.sr, 16.0, (1.0, 5.0), noise=0.02)
    path = audio_files.write(tmp_path / f"a.{form.ending}", y, kind)
    data = path.read_bytes()
    path.write_bytes(data[: int(0.6 * len(data)) + 3])
    recording = one(path)
    seconds = len(recording.y) / recording.sr
    assert 7.0 < seconds < 12.0
    assert recording.gaps == ()
    assert abs(offset_of_click(recording.y, recording.sr, 5.0)) <= OFFSETS[kind]
    (note,) = recording.warnings
    assert note.code is WarningCode.CUT_OFF
    assert note.figures["seconds"] == pytest.approx(seconds, abs=0.01)


@pytest.mark.parametrize("length", [0, 0xFFFFFFFF])
def test_wav_whose_length_was_never_written(tmp_path, length):
    path = wav(tmp_path / "a.wav", clicks(8000, 6.0, (1.0,)))
    data = bytearray(path.read_bytes())
    for at in (4, data.index(b"data") + 4):
        data[at : at + 4] = struct.pack("<I", length)
    path.write_bytes(data)
    recording = one(path)
    assert len(recording.y) == 48000
    assert offset_of_click(recording.y, 8000, 1.0) == 0
    assert recording.warnings == ()


@pytest.mark.parametrize("kind", ["m4a", "mov", "3gp"])
def test_recording_that_was_not_finished(tmp_path, kind):
    path = audio_files.write(tmp_path / f"a.{kind}", clicks(FORMATS[kind].sr, 6.0, (1.0,)), kind)
    data = path.read_bytes()
    path.write_bytes(data[: len(data) // 2])
    error = refusal(path)
    assert error.code == "not finished"
    assert "the recording was not finished" in str(error)


def test_lasting_change_of_rate_ends_the_recording(tmp_path, monkeypatch):
    monkeypatch.setattr(packets, "MAX_BAD_PACKETS", 10)
    first = audio_files.write(tmp_path / "a.aac", clicks(16000, 8.0, (5.0,)), "adts").read_bytes()
    then = audio_files.write(tmp_path / "b.aac", clicks(8000, 8.0, (1.0,)), "adts", sr=8000).read_bytes()
    path = tmp_path / "c.aac"
    path.write_bytes(first + then)
    recording = one(path)
    assert recording.sr == 16000
    assert len(recording.y) / 16000 == pytest.approx(8.0, abs=0.2)
    assert codes(recording) == [WarningCode.CUT_OFF]


# What is refused


def test_limits_of_length(tmp_path):
    error = refusal(wav(tmp_path / "short.wav", clicks(8000, 4.9, (1.0,))))
    assert (error.code, "is 4.9 s; expected 5 s or more" in str(error)) == ("too short", True)
    assert len(one(wav(tmp_path / "ok.wav", clicks(8000, 5.0, (1.0,)))).y) == 40_000


def test_over_two_hours_by_the_header(tmp_path):
    with sf.SoundFile(tmp_path / "long.wav", "w", samplerate=8000, channels=1, subtype="PCM_U8") as file:
        for _ in range(121):
            file.write(np.zeros(8000 * 60, dtype=np.int16))
    error = refusal(tmp_path / "long.wav")
    assert (error.code, "over 121 min; expected 120 min at most" in str(error)) == ("too long", True)


def test_over_the_limit_where_no_header_tells(tmp_path, monkeypatch):
    monkeypatch.setattr(sources, "MAX_SECONDS", 20.0)
    path = audio_files.write(tmp_path / "a.aac", clicks(16000, 30.0, (1.0,)), "adts")
    assert refusal(path, chapter_s=5.0).code == "too long"


def test_sample_rate_too_low(tmp_path):
    error = refusal(wav(tmp_path / "a.wav", clicks(7999, 6.0, (1.0,)), sr=7999))
    assert (error.code, "7999 Hz; expected 8000 Hz or more" in str(error)) == ("sample rate too low", True)


def test_sample_rate_of_a_damaged_header(tmp_path):
    error = refusal(wav(tmp_path / "a.wav", clicks(8000, 6.0, (1.0,)), sr=500_000))
    assert (error.code, "500000 Hz; expected 384000 Hz or less" in str(error)) == ("not audio", True)


@pytest.mark.parametrize(("kind", "level"), [("wav", 0.0), ("wav", 0.25), ("m4a", 0.0), ("mp3", 0.0), ("webm", 0.0)])
def test_digital_silence_throughout(tmp_path, kind, level):
    path = audio_files.write(tmp_path / f"a.{kind}", np.full(96_000, level), kind, sr=16000)
    error = refusal(path)
    assert (error.code, "6.0 s of digital silence" in str(error)) == ("no sound", True)


def test_video_without_sound(tmp_path):
    import av

    with av.open(str(tmp_path / "a.mp4"), "w") as file:
        audio_files._add_pictures(file, audio_files._add_picture_stream(file), seconds=6)
    assert refusal(tmp_path / "a.mp4").code == "no sound"


@pytest.mark.parametrize(
    ("name", "content", "code", "words"),
    [
        ("empty.m4a", b"", "empty", "0 bytes"),
        ("text.m4a", b"bring the blue van round\n" * 50, "not audio", "found text"),
        ("letters.m4a", "naïve café\n".encode() * 500, "not audio", "found text"),
        ("list.m4a", b"#EXTM3U\n#EXTINF:9,\nother.wav\n", "not audio", "found text"),
        ("photo.m4a", b"\xff\xd8\xff\xe0" + bytes(500), "not audio", "a JPEG picture"),
        ("shot.wav", b"\x89PNG\r\n\x1a\n" + bytes(500), "not audio", "a PNG picture"),
        ("random.mp3", np.random.default_rng(1).bytes(5000), "not audio", "no sound that can be decoded"),
        ("riff.wav", b"RIFF" + bytes(100), "not audio", "no sound that can be decoded"),
    ],
)
def test_what_is_no_recording(tmp_path, name, content, code, words):
    path = tmp_path / name
    path.write_bytes(content)
    error = refusal(path)
    assert error.code == code
    assert str(error).startswith(f"{path}: ")
    assert words in str(error)
    assert "expected a sound recording" in str(error)


def test_a_playlist_never_opens_the_file_it_names(tmp_path):
    wav(tmp_path / "other.wav", clicks(8000, 6.0, (1.0,)))
    path = tmp_path / "list.txt"
    path.write_text("ffconcat version 1.0\nfile other.wav\n", encoding="utf-8")
    assert refusal(path).code == "not audio"


def test_missing_file_folder_and_pipe(tmp_path):
    assert refusal(tmp_path / "a.wav").code == "missing"
    assert refusal(tmp_path).code == "folder"
    assert refusal(tmp_path / ("x" * 300)).code == "unreadable"
    assert refusal("a\0b").code == "unreadable"
    if hasattr(os, "mkfifo"):
        os.mkfifo(tmp_path / "pipe")
        assert refusal(tmp_path / "pipe").code == "not a file"


def test_file_that_may_not_be_read(tmp_path, monkeypatch):
    path = wav(tmp_path / "a.wav", clicks(8000, 6.0, (1.0,)))

    def refuse(*_):
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", refuse)  # the file mode does not stop a superuser
    error = refusal(path)
    assert (error.code, "Permission denied" in str(error)) == ("unreadable", True)
    with pytest.raises(RecordingError, match="Permission denied"):
        sha256(path)


# Names and tags


@pytest.mark.parametrize("kind", ["wav", "m4a"])
@pytest.mark.parametrize(
    "name",
    ["cold start 2", 'it\'s "here"', "🚐🔧", "Škoda č. 2", "x" * 200, "-i", "-", "pipe:0", "a:b", "%03d", "line\nfeed"],
)
def test_any_file_name(tmp_path, monkeypatch, kind, name):
    written = audio_files.write(tmp_path / f"a.{kind}", clicks(FORMATS[kind].sr, 6.0, (1.0,)), kind)
    written.rename(tmp_path / name)
    monkeypatch.chdir(tmp_path)
    recording = one(name)
    assert recording.file == name
    assert round(len(recording.y) / recording.sr, 1) == 6.0
    written.with_name(name).write_bytes(b"no sound")
    refusal(name)


@pytest.mark.parametrize("kind", ["wav", "m4a"])
def test_name_that_is_not_unicode(tmp_path, kind):
    written = audio_files.write(tmp_path / f"a.{kind}", clicks(FORMATS[kind].sr, 6.0, (1.0,)), kind)
    name = tmp_path / os.fsdecode(b"caf\xe9")
    try:
        written.rename(name)
    except OSError:
        pytest.skip("this file system only takes Unicode names")
    assert round(len(one(name).y) / FORMATS[kind].sr, 1) == 6.0


def test_tag_that_is_not_unicode(tmp_path):
    path = tmp_path / "a.m4a"
    audio_files.write_packets(path, clicks(16000, 6.0, (1.0,))[np.newaxis], FORMATS["m4a"], sr=16000, title="QQQQQQ")
    data = path.read_bytes()
    assert b"QQQQQQ" in data
    path.write_bytes(data.replace(b"QQQQQQ", b"\xe9\xff\xe9\xff\xe9\xff"))
    assert round(len(one(path).y) / 16000, 1) == 6.0


@pytest.mark.skipif(not Path("/proc/self/mem").exists(), reason="a file that opens and cannot be read, as Linux has it")
def test_a_disk_that_fails_while_it_is_read_is_one_files_failure(tmp_path):
    (tmp_path / "a.wav").symlink_to("/proc/self/mem")  # its first byte is no memory: reading ends in EIO
    failure = run_file(tmp_path / "a.wav", engine=Engine())
    assert (failure.code, failure.file) == ("unreadable", str(tmp_path / "a.wav"))
    assert "cannot be read to its end (Input/output error)" in failure.message


@pytest.mark.parametrize(
    "ask", [sha256, sources._has_index, packets._ogg_ended, sources.read_through, audio.check_sound]
)
def test_every_look_into_a_file_tells_a_failing_disk(tmp_path, monkeypatch, ask):
    class Failing(io.RawIOBase):
        def readable(self):
            return True

        seekable = readable

        def readinto(self, _):
            raise OSError(5, "Input/output error")

        def seek(self, *_):
            return 0

    (tmp_path / "a.m4a").write_bytes(bytes(100))
    monkeypatch.setattr(Path, "open", lambda *_: io.BufferedReader(Failing()))
    with pytest.raises(RecordingError, match="Input/output error") as raised:
        ask(tmp_path / "a.m4a")
    assert raised.value.code == "unreadable"


def test_hash_is_that_of_the_bytes(tmp_path):
    path = tmp_path / "a"
    path.write_bytes(b"abc")
    # FIPS 180-4 example, SHA-256 of "abc".
    assert sha256(path) == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert sha256(path) == hashlib.sha256(b"abc").hexdigest()
    with pytest.raises(RecordingError, match="no such file"):
        sha256(tmp_path / "b")


# Real recordings


def test_real_clock_ticks_at_its_rate():
    folder = os.environ.get("INJSOUND_REAL_AUDIO")
    if not folder:
        pytest.skip("INJSOUND_REAL_AUDIO names no folder of real recordings")
    recording = one(Path(folder) / "clock_375ms.flac")
    whole, sr = sf.read(Path(folder) / "clock_375ms.flac", dtype="float32")
    assert recording.sr == sr
    np.testing.assert_array_equal(recording.y, whole)
