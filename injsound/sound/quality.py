"""What may not be judged in a chapter, and what to tell the person about the recording.

A span is as long as what it hides and no longer. An engine is loud, regular and full of clicks: whatever recurs is the
engine, and only what stands far out of the chapter's own habits is damage.

A tick that clips for a moment is still heard: only clipping of more than ``LONG_CLIP_S`` makes a span, the rest is a
warning.
"""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import fft, ndimage

from injsound.codes import SpanKind, WarningCode
from injsound.sound.signals import robust_spread
from injsound.values import Figure, FloatArray, Note, Quality, Recording, Span

BoolArray = npt.NDArray[np.bool_]

# The end of a lossy file is padding and fade-out: AAC's window is 43 ms (a vendor's file-format documentation).
END_S = 0.05
LONG_CLIP_S = 0.002
# A microphone's noise makes exact zeros rare: so many in a row are no sound.
_SILENCE_S = 0.003
_BLOCK_S = 0.001
# A knock on the probe throws the sound this far over the loudest of a usual cycle.
_BUMP_RATIO = 3.0
_LOUD_RATIO = 1.6
_LOUD_S = 0.15
_PUMPED_DB = 5.0
_SLIPPED_DB = 10.0
_SLIPPED_S = 0.5
_FADE_DB = 10.0
# A spike's second difference stands this far over the chapter's median one.
_SPIKE_RATIO = 48.0
# A sample in so many tells the median of a chapter's millions; a prime, so that it goes with no tone's period.
_SPARSE = 17
# Under this peak nothing clips; this share of the highest sample is at the rail; fewer than so many samples in the
# middle of three there are chance.
_LEAST_RAIL, _AT_RAIL, _FEWEST_AT_RAIL = 0.05, 0.997, 20
_SPEECH_CODECS = frozenset({"amrnb", "amrwb", "amr_nb", "amr_wb", "speex", "gsm", "qcelp", "evrc"})
_NARROW_HZ = 6_000.0
# The band ends where the level has fallen by this much.
_EDGE_DB = 6.0
# Eight in ten bins of what a codec leaves above lie so close together (measured: 0 to 9 dB; resonances 24), or it fell
# by more than a resonance does within 1 kHz (Opus 60 dB, resonances 22).
_MOST_OF_FLOOR, _EVEN_FLOOR_DB, _CLIFF_DB = (0.1, 0.9), 15.0, 35.0
_QUIET_DB = -50.0
# Repeated buffers: the block that equals the one before it, 5 to 100 ms long.
_REPEAT_S = (0.005, 0.1)


def judge_quality(recording: Recording, *, interval_s: float | None = None) -> Quality:
    """Find stretches in which a tick could hide, and say what is wrong with the recording.

    Parameters
    ----------
    recording : Recording
        One chapter.
    interval_s : float or None
        Engine cycle by the tachometer, or as an earlier chapter told it; a quarter second is taken without it [s].

    Returns
    -------
    Quality
        Spans and clipped stretches in file time, warnings, bandwidth.

    References
    ----------
    Thresholds and what they find: docs/methods.md, 'What may not be judged'.
    """
    y, sr = recording.y, recording.sr
    blocks = _Blocks.of(y, sr, interval_s or 0.25)
    found: dict[WarningCode, list[tuple[float, float, SpanKind]]] = {
        WarningCode.CLIPPED: _clipped(y, sr),
        WarningCode.DROPOUTS: _silent(y, sr),
        WarningCode.REPEATED: _repeated(y, sr),
        WarningCode.BUMPS: _bumps(blocks),
        WarningCode.LOUD_SOUNDS: _loud(blocks),
        WarningCode.PROBE_SLIPPED: _slipped(blocks),
        WarningCode.SPIKES: _spikes(y, sr),
    }
    found[WarningCode.GAIN_PUMPED] = _pumped(blocks, found[WarningCode.BUMPS])
    start = recording.start_s
    clipped = _in_file(found[WarningCode.CLIPPED], start)
    hiding = (
        stretch
        for code, stretches in found.items()
        for stretch in stretches
        if code is not WarningCode.CLIPPED or stretch[1] - stretch[0] > LONG_CLIP_S
    )
    spans = [*_in_file(hiding, start), *recording.gaps]
    found[WarningCode.GAPS] = [(gap.from_s, gap.to_s, gap.kind) for gap in recording.gaps]
    if recording.final:
        length = start + len(y) / sr
        spans.append(Span(from_s=length - END_S, to_s=length, kind=SpanKind.END))
    bandwidth = _bandwidth(y, sr)
    warnings = [_count(code, stretches) for code, stretches in found.items() if stretches]
    warnings += _about_file(recording, bandwidth, blocks)
    return Quality(
        spans=tuple(sorted(spans, key=lambda s: (s.from_s, s.to_s))),
        warnings=tuple(warnings),
        bandwidth_hz=bandwidth,
        clipped=clipped,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Blocks:
    """Levels per millisecond.

    ``low`` and ``high`` are the peak below and the rms above 1.5 kHz; ``floor`` is the lower quarter of ``high`` over
    one engine cycle: the sound between the ticks.
    """

    step_s: float
    low: FloatArray
    high: FloatArray
    floor: FloatArray
    cycle: int

    @classmethod
    def of(cls, y: FloatArray, sr: int, interval_s: float) -> "_Blocks":
        n = max(1, round(_BLOCK_S * sr))
        count = len(y) // n
        step = n / sr
        smooth = ndimage.uniform_filter1d(y, max(3, round(sr / 3_000)))
        low = np.abs(smooth[: count * n]).reshape(count, n).max(axis=1)
        high = np.sqrt(np.mean((y[: count * n] - smooth[: count * n]).reshape(count, n) ** 2, axis=1))
        cycle = max(8, round(interval_s / step))
        floor = ndimage.percentile_filter(high[::4], 25, size=max(3, cycle // 4))
        return cls(step_s=step, low=low, high=high, floor=np.repeat(floor, 4)[:count], cycle=cycle)


Stretches = list[tuple[float, float, SpanKind]]


def _in_file(stretches: Iterable[tuple[float, float, SpanKind]], start_s: float) -> tuple[Span, ...]:
    return tuple(Span(from_s=start_s + a, to_s=start_s + b, kind=kind) for a, b, kind in stretches)


def _stretches(
    where: BoolArray, step_s: float, kind: SpanKind, *, join_s: float = 0.0, margin_s: float = 0.0, least_s: float = 0.0
) -> Stretches:
    """Stretches over true entries; gaps shorter than `join_s` are bridged, short ones dropped, a margin added."""
    index = np.flatnonzero(where)
    if not index.size:
        return []
    cuts = np.flatnonzero(np.diff(index) > max(1.0, join_s / step_s))
    firsts, lasts = index[np.r_[0, cuts + 1]], index[np.r_[cuts, index.size - 1]] + 1
    return [
        (max(0.0, float(a) * step_s - margin_s), float(b) * step_s + margin_s, kind)
        for a, b in zip(firsts, lasts, strict=True)
        if (b - a) * step_s >= least_s
    ]


def _clipped(y: FloatArray, sr: int) -> Stretches:
    """Runs of at least three equal samples at the rail, wherever the rail lies."""
    rail = float(np.abs(y).max())
    if rail < _LEAST_RAIL:
        return []
    near = np.abs(y) >= _AT_RAIL * rail
    run = near & np.roll(near, 1) & np.roll(near, -1)
    # A single loud peak comes near its own maximum for three samples now and then; clipping does it all the time.
    if run.sum() < _FEWEST_AT_RAIL:
        return []
    return _stretches(ndimage.binary_dilation(run, iterations=1), 1 / sr, SpanKind.CLIPPED, join_s=0.001)


def _silent(y: FloatArray, sr: int) -> Stretches:
    """Stretches of nothing: a dropped buffer, or one that a codec filled with next to nothing."""
    n = max(1, round(_BLOCK_S * sr))
    count = len(y) // n
    level = np.abs(y[: count * n]).reshape(count, n).max(axis=1)
    usual = float(np.median(level))
    return _stretches(
        level <= max(1e-3 * usual, 2.0**-17), n / sr, SpanKind.SILENCE, join_s=0.002, margin_s=0.001, least_s=_SILENCE_S
    )


def _repeated(y: FloatArray, sr: int) -> Stretches:
    """Blocks that equal the block before them sample by sample, as when a buffer is played twice."""
    low, high = (round(s * sr) for s in _REPEAT_S)
    found: Stretches = []
    for place, lag in _twins(y, low, high):
        same = y[place - lag - low : place - lag + high] == y[place - low : place + high]
        before, after = same[:low][::-1], same[low:]
        first = place - (int(np.argmin(before)) if not before.all() else low)
        last = place + (int(np.argmin(after)) if not after.all() else len(after))
        apart = not found or first / sr > found[-1][1]
        if apart and last - first >= low and np.ptp(y[first:last]) > 0:
            found.append((first / sr - 0.001, last / sr + 0.001, SpanKind.REPEATED))
    return found


def _twins(y: FloatArray, low: int, high: int) -> list[tuple[int, int]]:
    """Places whose samples were all there a while before, as (place, lag), in order.

    Fingerprints of four samples; only those that begin with six zero bits are kept, so that both copies keep the same
    places.
    """
    keys = np.ascontiguousarray(y, dtype=np.float32).view(np.uint32)
    mixed = keys[:-3] * np.uint32(0x9E3779B1)
    mixed ^= keys[1:-2] * np.uint32(0x85EBCA77)
    mixed ^= keys[3:] * np.uint32(0xC2B2AE3D)
    places = np.flatnonzero(mixed < 2**26)
    places = places[(places > high + low) & (places < len(y) - high)]
    order = places[np.argsort(mixed[places], kind="stable")]
    lag = np.diff(order)
    twin = (mixed[order[1:]] == mixed[order[:-1]]) & (lag >= low) & (lag <= high)
    found = sorted(zip(order[1:][twin].tolist(), lag[twin].tolist(), strict=True))
    return [(place, lag) for place, lag in found if y[place] != y[place + 1]]


def _bumps(blocks: _Blocks) -> Stretches:
    """Moments far over the loudest that the engine does, below 1.5 kHz or above."""
    over = np.zeros(len(blocks.low), dtype=bool)
    for level in (blocks.low, blocks.high):
        usual = _usual_peak(level, blocks.cycle)
        over |= level > _BUMP_RATIO * usual
    return _stretches(over, blocks.step_s, SpanKind.BUMP, join_s=0.05, margin_s=0.015)


def _usual_peak(level: FloatArray, cycle: int) -> FloatArray:
    """Median over some seconds of each cycle's highest value: what the engine does every time."""
    count = len(level) // cycle
    if count < 3:
        return np.full(len(level), max(float(level.max()), 1e-9))
    peaks = level[: count * cycle].reshape(count, cycle).max(axis=1)
    usual = ndimage.median_filter(peaks, size=min(41, count), mode="nearest")
    peak: FloatArray = np.maximum(np.interp(np.arange(len(level)), (np.arange(count) + 0.5) * cycle, usual), 1e-9)
    return peak


def _loud(blocks: _Blocks) -> Stretches:
    """Speech and the like: for a while the sound between the ticks is as loud as the engine's loudest."""
    envelope = ndimage.uniform_filter1d(blocks.low, max(3, round(0.05 / blocks.step_s)))
    usual = ndimage.median_filter(envelope[::16], size=max(3, round(6.0 / (16 * blocks.step_s))), mode="nearest")
    usual = np.repeat(usual, 16)[: len(envelope)]
    spread = robust_spread(envelope / np.maximum(usual, 1e-9) - 1)
    over = envelope > np.maximum(_LOUD_RATIO, 1 + 6 * spread) * np.maximum(usual, 1e-9)
    return _stretches(over, blocks.step_s, SpanKind.LOUD, join_s=0.2, margin_s=0.03, least_s=_LOUD_S)


def _pumped(blocks: _Blocks, bumps: Stretches) -> Stretches:
    """After a thud: as long as the sound between the ticks stays under its usual level."""
    found: Stretches = []
    usual = float(np.median(blocks.floor))
    low = blocks.floor < usual * 10 ** (-_PUMPED_DB / 20)
    for _, end, _ in bumps:
        first = round(end / blocks.step_s)
        half = blocks.cycle // 2
        after = low[min(first + half, len(low) - 1) :]
        length = int(np.argmin(after)) if not after.all() else len(after)
        if length:
            found.append((end, end + (length + half) * blocks.step_s, SpanKind.GAIN))
    return found


def _slipped(blocks: _Blocks) -> Stretches:
    """The probe has lost contact: everything above 1.5 kHz far down for a while, and not for good."""
    smooth = ndimage.median_filter(blocks.high[::8], size=max(3, round(0.3 / (8 * blocks.step_s))), mode="nearest")
    usual = float(np.median(smooth))
    low = np.repeat(smooth < usual * 10 ** (-_SLIPPED_DB / 20), 8)[: len(blocks.high)]
    if low.mean() > 0.4:
        return []
    return _stretches(low, blocks.step_s, SpanKind.SLIPPED, join_s=0.2, margin_s=0.05, least_s=_SLIPPED_S)


def _spikes(y: FloatArray, sr: int) -> Stretches:
    """One to three samples wide, with nothing before and no ring-down after: not a sound but a pick-up."""
    nothing = np.float32(0)
    jump = np.abs(np.diff(y, n=2, prepend=nothing, append=nothing))
    usual = float(np.median(jump[::_SPARSE]))
    peak = np.flatnonzero(jump > _SPIKE_RATIO * max(usual, 1e-9))
    if not peak.size or peak.size > len(y) // 200:
        return []
    firsts = peak[np.r_[True, np.diff(peak) > round(0.001 * sr)]]
    lone = []
    for first in firsts:
        around = jump[max(0, first - 24) : first + 48]
        top = around.max()
        if np.count_nonzero(around > 0.25 * top) <= 5 and np.count_nonzero(around > 0.08 * top) <= 8:
            lone.append(first)
    return [(float(first - 2) / sr - 0.0005, float(first + 4) / sr + 0.0005, SpanKind.SPIKE) for first in lone]


def _bandwidth(y: FloatArray, sr: int) -> float:
    """Highest frequency at which the recording carries more than its floor.

    A lossy codec or a telephone band leaves a cliff: the level there falls by 20 dB within 1 kHz and stays down, where
    nothing is left but an even floor, or it falls by far more. A resonance falls as steeply, but what lies beyond falls
    on. The usual level, not the mean: a codec fills its highest bands now and then, where it has bits to spare, and
    against such a background every burst of it would pass for a tick. A whine is a peak and no edge: the middle of half
    a kilohertz leaves edges where they are.
    """
    n = 1024
    frames = np.lib.stride_tricks.sliding_window_view(y, n)[:: max(n // 2, len(y) // 2_000)]
    power = np.median(np.abs(fft.rfft(frames * np.hanning(n).astype(np.float32), axis=1)) ** 2, axis=0)
    per_khz = max(2, round(1_000 * n / sr))
    power = ndimage.median_filter(power, max(5, per_khz // 2))
    level = 10 * np.log10(np.maximum(ndimage.uniform_filter1d(power, 5), 1e-20))
    for k in range(len(level) - 1 - per_khz, 2 * per_khz, -1):
        above = level[k + per_khz :]
        fall_db = level[k] - level[k + per_khz]
        floor_db = float(np.ptp(np.quantile(above, _MOST_OF_FLOOR)))
        if fall_db > 20 and above.max() < level[k] - 15 and (floor_db < _EVEN_FLOOR_DB or fall_db > _CLIFF_DB):
            # The foot of the cliff; its edge is the last place as loud as the 2 kHz before it.
            before = level[max(0, k - 2 * per_khz) : k + 1]
            edge = k + 1 - len(before) + int(np.flatnonzero(before >= np.median(before) - _EDGE_DB)[-1])
            return float(edge * sr / n)
    return sr / 2


def _count(code: WarningCode, stretches: Stretches) -> Note:
    seconds = round(sum(b - a for a, b, _ in stretches), 3)
    return Note(code=code, figures={"count": len(stretches), "seconds": seconds})


def _about_file(recording: Recording, bandwidth: float, blocks: _Blocks) -> list[Note]:
    """Warnings about the whole chapter."""
    notes = []
    if recording.codec in _SPEECH_CODECS:
        figures: dict[str, Figure] = {"codec": recording.codec, "bandwidth_hz": round(bandwidth)}
        notes.append(Note(code=WarningCode.SPEECH_CODEC, figures=figures))
        notes.append(Note(code=WarningCode.NO_TIMING, figures={"codec": recording.codec}))
    elif bandwidth < _NARROW_HZ:
        notes.append(Note(code=WarningCode.NARROW_BAND, figures={"bandwidth_hz": round(bandwidth)}))
    level = 20 * np.log10(max(float(np.quantile(np.abs(recording.y), 0.999)), 1e-9))
    if level < _QUIET_DB:
        notes.append(Note(code=WarningCode.QUIET, figures={"level_db": round(level, 1)}))
    fade = _fade_db(blocks)
    if recording.start_s == 0 and fade > _FADE_DB:
        notes.append(Note(code=WarningCode.NOISE_SUPPRESSION, figures={"fade_db": round(fade, 1)}))
    return notes


def _fade_db(blocks: _Blocks) -> float:
    """How far the sound above 1.5 kHz falls from the first second to what follows, where it falls for good."""
    second = max(1, round(1.0 / blocks.step_s))
    if len(blocks.high) < 10 * second:
        return 0.0
    whole = blocks.high[: len(blocks.high) // second * second].reshape(-1, second)
    level = 20 * np.log10(np.maximum(np.quantile(whole, 0.9, axis=1), 1e-9))
    later = level[5:]
    return float(level[0] - np.median(later)) if later.max() < level[0] - 0.5 * _FADE_DB else 0.0
