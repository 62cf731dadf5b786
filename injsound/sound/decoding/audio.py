"""Decode a recording into overlapping chapters of one channel; with ``decoders.py`` the only place that reads sound.

Time is counted in samples from the first decoded one, never taken from time stamps; time stamps only tell where
samples are missing. Two decoders give the same stream of pieces, and one builder makes chapters of it.
"""

import contextlib
import hashlib
import os
from collections.abc import Iterable, Iterator
from itertools import chain
from pathlib import Path

import numpy as np
import numpy.typing as npt
from numpy.lib.stride_tricks import sliding_window_view
from scipy import fft, ndimage

from injsound.codes import SpanKind, WarningCode
from injsound.errors import ParameterError, RecordingError
from injsound.sound.decoding import sources
from injsound.sound.decoding.decoders import open_stream
from injsound.sound.filters import convolved, high_passed
from injsound.sound.signals import true_runs
from injsound.values import SHORTEST_CHAPTER_S, Figure, FloatArray, Note, Recording, Span

MIN_SECONDS = 5.0
MIN_RATE = 8000
# The fastest converters in common use (common practice, no source); more is a damaged header.
MAX_RATE = 384_000
# A step of 16 bits: below it there is nothing but digital silence and its codec's rounding.
SILENCE_STEP = 2.0**-15
# 100 dB over full scale: no microphone's sample, so a damaged one.
MAX_SAMPLE = 1e5
# A chapter's new part at least this long, and all of it SHORTEST_CHAPTER_S, else it is joined to the chapter before.
REST_FRACTION = 1 / 6
# Channels are compared over this long: long enough for an engine that is started in the recording, short enough to
# keep all channels in memory.
CHOOSE_FROM_S = 60.0
# Samples of all channels meanwhile: 64 MB.
_MAX_COMPARED = 2**24
# Ticks are 2 to 5 ms long and lie above most of an engine's rumble (common practice, no source).
CLICK_FRAME_S = 0.002
CLICK_BAND_HZ = 1500.0
# The filter's ring, down to exp(-2 pi 0.707 1500 t) < 1e-11.
CLICK_RING_S = 0.004
# A channel is taken instead of the first when what repeats stands out by this much more over what does not; one that is
# spoilt counts for as much less.
CLEAR_LEAD_DB = 3.0
# Windows in which clicks must repeat, at lags of firings and cycles at 200 to 3,000 1/min; noise reaches a tenth.
REPEAT_WINDOW_S, REPEAT_LAGS_S, SYLLABLE_S, LEAST_REPEATING = 2.4, (0.04, 0.6), 0.05, 0.01
# A channel clicks where the energy of the loudest frames rises by so much; one that repeats nearly as well after one
# period of 100 or 120 Hz and after two (in frames) carries the mains.
LEAST_CLICK_DB, BUZZ_SHARE, MAINS_FRAMES = 2.0, 0.8, ((4, 6), (8, 11))
# Channels whose click energy rises and falls together less than this carry different sounds.
SAME_SOUND_CORRELATION = 0.5
# At one sample in a hundred at full scale a channel counts as spoilt.
CLIPPED_SHARE, CLIPPED_LEVEL = 0.01, 0.99


def chapters(
    path: str | os.PathLike[str], *, channel: int | None = None, chapter_s: float = 180.0, overlap_s: float = 2.0
) -> Iterator[Recording]:
    """Decode a file chapter by chapter, in memory bounded by one chapter.

    Channels are never added together: opposite phases would cancel. Holes in the stream and samples that are not
    numbers become zeros inside a span of kind ``GAP``. Sound after a lasting change of rate or channels is left out
    with the warning ``CUT_OFF``, as is all that follows damage that cannot be passed.

    Parameters
    ----------
    path : path-like
        Any file a phone makes; read by its content, not by its name.
    channel : int or None
        Channel counted from 1; None takes the one whose clicks repeat most clearly, over the first 60 s [unitless].
    chapter_s : float
        Length of a chapter; a rest shorter than a sixth of it, or with the overlap than 1 s, is joined to the last
        one [s].
    overlap_s : float
        How much of a chapter's end the next one starts with [s].

    Yields
    ------
    Recording
        Chapters in order, the last one ``final``.

    Raises
    ------
    ParameterError
        If a setting cannot be used.
    RecordingError
        If the file cannot be used. Too long, too short or silent throughout may only show after chapters were given.
    """
    if channel is not None and channel < 1:
        raise ParameterError(f"channel is {channel}; expected 1 or more: channels are counted from 1")
    if not SHORTEST_CHAPTER_S <= chapter_s <= sources.MAX_SECONDS or not 0 <= overlap_s <= chapter_s / 2:
        raise ParameterError(
            f"chapter of {chapter_s:g} s with overlap {overlap_s:g} s; expected a chapter of {SHORTEST_CHAPTER_S:g} to "
            f"{sources.MAX_SECONDS:g} s and an overlap of at most half of it: change one"
        )
    return _chapters(Path(path), channel, chapter_s, overlap_s)


def check_sound(path: str | os.PathLike[str]) -> None:
    """Say at once whether a file holds sound that can be decoded; how much of it, only reading tells.

    Parameters
    ----------
    path : path-like
        The file.

    Raises
    ------
    RecordingError
        If it cannot be opened or holds none.
    """
    with contextlib.ExitStack() as stack:
        open_stream(Path(path), stack)


def sha256(path: str | os.PathLike[str]) -> str:
    """Hash of a file's bytes, by which a recording is known whatever its name.

    Parameters
    ----------
    path : path-like
        The file.

    Returns
    -------
    str
        SHA-256 in hexadecimal.

    Raises
    ------
    RecordingError
        If the file cannot be read.
    """
    with sources.readable(Path(path)), sources.open_file(Path(path)) as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _chapters(path: Path, channel: int | None, chapter_s: float, overlap_s: float) -> Iterator[Recording]:
    with contextlib.ExitStack() as stack:
        stream = open_stream(path, stack)
        if stream.sr > MAX_RATE:
            raise RecordingError(
                f"{sources.name_of(path)}: the sample rate is {stream.sr} Hz; expected {MAX_RATE} Hz or less: "
                "the file is damaged, copy it again",
                code="not audio",
            )
        if stream.sr < MIN_RATE:
            raise RecordingError(
                f"{sources.name_of(path)}: the sample rate is {stream.sr} Hz; expected {MIN_RATE} Hz or more, as "
                "ticks lie above 1.5 kHz: record with a better setting",
                code="sample rate too low",
            )
        pieces = _one_channel(stream, channel)
        yield from _build(stream, pieces, size=round(chapter_s * stream.sr), overlap=round(overlap_s * stream.sr))


def _build(stream: sources.Stream, pieces: Iterable[sources.Piece], *, size: int, overlap: int) -> Iterator[Recording]:
    """Fill chapters of ``size`` samples; each is given once enough of the next one is there."""
    room = size + max(1, round(size * REST_FRACTION), round(SHORTEST_CHAPTER_S * stream.sr) - overlap)
    held, filled, start, total = np.empty(room, dtype=np.float32), 0, 0, 0
    gaps: list[tuple[int, int]] = []
    low, high = np.inf, -np.inf
    for piece in pieces:
        y, bad = _without_bad_samples(piece)
        _add_ranges(gaps, bad + total)
        total += len(y)
        sources.refuse_too_long(stream.path, total / stream.sr)
        if not piece.missing and len(y):
            low, high = min(low, float(y.min())), max(high, float(y.max()))
        while len(y):
            part, y = np.split(y, [room - filled])
            held[filled : filled + len(part)] = part
            filled += len(part)
            if filled == room:
                yield _chapter(stream, held[:size], start, gaps)
                start += size - overlap
                filled = room - (size - overlap)
                held = np.concatenate([held[-filled:], np.empty(room - filled, dtype=np.float32)])
                gaps = [gap for gap in gaps if gap[1] > start]
    _check_end(stream.path, total / stream.sr, high - low)
    if stream.cut_off:
        stream.notes.append(Note(code=WarningCode.CUT_OFF, figures={"seconds": round(total / stream.sr, 2)}))
    yield _chapter(stream, held[:filled], start, gaps, final=True)


def _chapter(
    stream: sources.Stream, y: FloatArray, start: int, gaps: Iterable[tuple[int, int]], *, final: bool = False
) -> Recording:
    sr, inside = stream.sr, [(max(a, start), min(b, start + len(y))) for a, b in gaps]
    return Recording(
        y=y,
        sr=sr,
        start_s=start / sr,
        file=str(stream.path),
        codec=stream.codec,
        channel=stream.channel,
        channels=stream.channels,
        gaps=tuple(Span(from_s=a / sr, to_s=b / sr, kind=SpanKind.GAP) for a, b in inside if a < b),
        warnings=tuple(stream.notes),
        final=final,
    )


def _without_bad_samples(piece: sources.Piece) -> tuple[FloatArray, npt.NDArray[np.intp]]:
    """Put zeros for what is no sound; also give the ranges of the zeros, shape (n, 2)."""
    y = piece.y
    if piece.missing:
        return y, np.array([[0, len(y)]])
    bad = ~(np.abs(y) <= MAX_SAMPLE)  # also catches nan
    if not bad.any():
        return y, np.empty((0, 2), dtype=np.intp)
    return np.where(bad, np.float32(0), y), true_runs(bad)


def _add_ranges(ranges: list[tuple[int, int]], more: npt.NDArray[np.intp]) -> None:
    """Append ranges in order, joined where they touch."""
    for a, b in more.tolist():
        if ranges and ranges[-1][1] >= a:
            ranges[-1] = (ranges[-1][0], b)
        else:
            ranges.append((a, b))


def _check_end(path: Path, seconds: float, swing: float) -> None:
    if seconds < MIN_SECONDS:
        raise RecordingError(
            f"{sources.name_of(path)}: the recording is {seconds:.1f} s; expected {MIN_SECONDS:g} s or more: "
            "record again for 60 s or more",
            code="too short",
        )
    if not swing >= SILENCE_STEP:  # nan where nothing but holes was read
        raise RecordingError(
            f"{sources.name_of(path)}: {seconds:.1f} s of digital silence; expected the sound of an engine: "
            "check that the microphone is plugged in and allowed, then record again",
            code="no sound",
        )


# Which channel


def _one_channel(stream: sources.Stream, channel: int | None) -> Iterator[sources.Piece]:
    """Settle the stream's channel and give its pieces, shape (n,)."""
    if channel is not None and channel > stream.channels:
        raise RecordingError(
            f"{sources.name_of(stream.path)}: there is no channel {channel}; the recording has "
            f"{stream.channels}: choose one of these, or leave it out",
            code="no such channel",
        )
    first: list[sources.Piece] = []
    if channel is None and stream.channels > 1:
        enough = min(CHOOSE_FROM_S * stream.sr, _MAX_COMPARED / stream.channels)
        for piece in stream.pieces:
            first.append(piece)
            enough -= piece.y.shape[1]
            if enough <= 0:
                break
        channel, notes = _better_channel(first, stream.sr)
        stream.notes.extend(notes)
    stream.channel = channel or 1
    row = stream.channel - 1
    pieces = chain(_handed_over(first), stream.pieces)
    return (sources.Piece(np.ascontiguousarray(piece.y[row]), piece.missing) for piece in pieces)


def _handed_over(pieces: list[sources.Piece]) -> Iterator[sources.Piece]:
    """Give each piece and let go of it."""
    pieces.reverse()
    while pieces:
        yield pieces.pop()


def _better_channel(pieces: list[sources.Piece], sr: int) -> tuple[int, list[Note]]:
    """Find the channel whose clicks repeat most clearly, counted from 1, and what to say about the others."""
    if not pieces:
        return 1, []
    y = np.concatenate([piece.y for piece in pieces], axis=1)
    y = np.where(np.abs(y) <= MAX_SAMPLE, y, np.float32(0))
    energy = _click_energy_db(y, sr)
    if not energy.shape[1]:
        return 1, []
    clear = _clear_db(y, energy)
    best = int(np.argmax(clear))
    if clear[best] == -np.inf:
        return 1, []
    lead = float(clear[best] - np.delete(clear, best).max())
    if clear[best] - clear[0] < CLEAR_LEAD_DB:
        best = 0
    figures: dict[str, Figure] = {"channel": best + 1, "channels": len(y)}
    if lead >= CLEAR_LEAD_DB:
        figures["lead_db"] = round(lead, 1) if np.isfinite(lead) else None
        return best + 1, [Note(code=WarningCode.CHANNEL_CHOSEN, figures=figures)]
    if min(_correlation(energy[best], other) for other in energy) < SAME_SOUND_CORRELATION:
        return best + 1, [Note(code=WarningCode.CHANNELS_DIFFER, figures=figures)]
    return best + 1, []


def _clear_db(y: FloatArray, energy: FloatArray) -> FloatArray:
    """What repeats over what does not, of each channel's clicks; a spoilt channel counts for less.

    The loudest clicks alone would tell nothing: talk and knocks are louder still, and nearest to the phone.
    """
    repeating = np.array([_repeating_share(one) for one in energy])
    clear = 10 * np.log10(repeating / (1 - repeating))
    spoilt = np.mean(np.abs(y) >= CLIPPED_LEVEL, axis=1) > CLIPPED_SHARE
    silent = np.ptp(y, axis=1) < SILENCE_STEP
    return np.where(silent, -np.inf, clear - CLEAR_LEAD_DB * spoilt)


def _repeating_share(energy: FloatArray) -> float:
    """Autocorrelation of the click energy at the best lag of an engine's firings or cycles, in the usual window."""
    width, shortest, longest = (round(s / CLICK_FRAME_S) for s in (REPEAT_WINDOW_S, *REPEAT_LAGS_S))
    # What rises faster than a syllable.
    quick = np.maximum(energy - ndimage.uniform_filter1d(energy, round(SYLLABLE_S / CLICK_FRAME_S)), 0.0)
    if len(quick) < width or np.percentile(quick, 99) < LEAST_CLICK_DB:
        return LEAST_REPEATING
    windows = sliding_window_view(quick, width)[:: width // 2]
    spectra = fft.rfft(windows - windows.mean(axis=1, keepdims=True), 2 * width)
    lags = fft.irfft(np.abs(spectra) ** 2, 2 * width)[:, :width] * (width / (width - np.arange(width)))
    lags /= np.maximum(lags[:, :1], 1e-12)
    best = np.median(lags[:, shortest:longest].max(axis=1))
    # The mains hum and buzz at twice 50 or 60 Hz, far sooner than any engine's firings.
    buzz = np.median(np.minimum(*(lags[:, first:after].max(axis=1) for first, after in MAINS_FRAMES)))
    return float(np.clip(best if buzz < BUZZ_SHARE * best else 0.0, LEAST_REPEATING, 1 - LEAST_REPEATING))


def _click_energy_db(y: FloatArray, sr: int) -> FloatArray:
    """Measure the energy above 1.5 kHz in frames of 2 ms, shape (channels, frames) [dB]."""
    size = round(CLICK_FRAME_S * sr)
    count = y.shape[1] // size
    strike = np.zeros(round(CLICK_RING_S * sr))
    strike[0] = 1.0
    ring = high_passed(strike, sr, above_hz=CLICK_BAND_HZ, order=2).astype(np.float32)
    energy = np.array([np.square(convolved(one, ring)[: count * size]).reshape(count, size).mean(axis=1) for one in y])
    return 10 * np.log10(energy + SILENCE_STEP**2 / 12)  # no quieter than the rounding to 16 bits


def _correlation(a: FloatArray, b: FloatArray) -> float:
    a, b = a - a.mean(), b - b.mean()
    power = float(np.dot(a, a) * np.dot(b, b))
    return float(np.dot(a, b)) / power**0.5 if power > 0 else 1.0
