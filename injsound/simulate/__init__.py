"""Practice recordings of an engine with known truth.

``Scene`` holds every setting, ``simulate`` makes the samples and the ``Truth``, ``write`` stores both. Stages are
functions of the scene and of a random generator of their own, so that switching one effect on changes no other.
"""

import json
import os
from dataclasses import asdict
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np

from injsound.codes import SpanKind
from injsound.engine import EVENTS_PER_CYCLE
from injsound.errors import InjsoundError
from injsound.files import together
from injsound.simulate.chain import disturb, lose_buffers, process, respond, speech_like
from injsound.simulate.clicks import injector_clicks
from injsound.simulate.crank import engine_rng, inside, own_cylinder, phases_of, times_at, turn
from injsound.simulate.noise import engine_noise, fitted_background
from injsound.simulate.scene import BoolArray, Chain, Scene, Skipping, Truth
from injsound.simulate.sounds import add_extra, add_fellows, add_own, add_pump, add_valves
from injsound.values import CycleClock, FloatArray, Recording, Span

__all__ = ["Chain", "Scene", "Skipping", "Truth", "simulate", "speech_like", "truth_to_json", "write"]

# A tick whose open-to-close stretch touches damage cannot be judged.
_TICK_AFTER_S = 0.004
_WRITE_FRAMES = 65_536


def simulate(scene: Scene, *, background: FloatArray | None = None) -> tuple[Recording, Truth]:
    """Make a practice recording.

    Parameters
    ----------
    scene : Scene
        Settings.
    background : ndarray, shape (n,), optional
        Sound to use in place of the simulated noise and combustion, at the scene's rate [unitless].

    Returns
    -------
    recording : Recording
        One chapter of float samples.
    truth : Truth
        What was done.
    """
    (phase_rng, crank_rng, event_rng, body_rng, fellow_rng, valve_rng, pump_rng, noise_rng, damage_rng) = (
        np.random.default_rng(scene.seed).spawn(9)
    )
    own_phase = _own_phase(scene, phase_rng)
    clock, due_cycles, skipped = turn(scene, own_phase, crank_rng)
    due = times_at(clock, due_cycles)
    running = ~inside(due, (*scene.fuel_cut_s, *scene.silence_s))
    noise = engine_noise(scene, clock, noise_rng) if background is None else fitted_background(background, scene)
    open_click, close_click = injector_clicks(body_rng)
    level = 10 ** (scene.tick_db / 20) / max(open_click.peak(scene.sr), close_click.peak(scene.sr))
    y: FloatArray = np.zeros(round((scene.seconds + 0.5) * scene.sr))
    heard, gap, weak = add_own(y, scene, due, running & ~skipped, (open_click, close_click), level, event_rng)
    add_extra(y, scene, clock, due_cycles, (open_click, close_click), level, event_rng)
    add_fellows(y, scene, clock, due_cycles, (open_click, close_click), level, fellow_rng)
    add_valves(y, scene, clock, valve_rng)
    add_pump(y, scene, clock, pump_rng)
    y = _silenced(y[: len(noise)] + noise, scene, noise_rng)
    y, spans = _through_chain(y, scene, damage_rng)
    spans += [Span(from_s=a, to_s=b, kind=SpanKind.ENGINE_SILENT) for a, b in (*scene.fuel_cut_s, *scene.silence_s)]
    kept = running & (due > 0.05) & (due < scene.seconds - 0.08)
    truth = Truth(
        scene=scene,
        due_s=due[kept],
        skipped=skipped[kept],
        weak=weak[kept],
        hidden=_touched(spans, due[kept], scene),
        heard_s=heard[kept],
        open_time_ms=gap[kept],
        cycle_start_s=times_at(clock, np.arange(np.ceil(clock.cycles[-1]))),
        rpm=_mean_rpm(clock, scene),
        spans=tuple(sorted(spans, key=lambda s: s.from_s)),
    )
    recording = Recording(y=y.astype(np.float32), sr=scene.sr, file="simulated", codec="simulated")
    return recording, truth


def _own_phase(scene: Scene, rng: np.random.Generator) -> float:
    """Where the own injector opens, from the recording's first moment on."""
    if scene.engine_seed is None:
        phase = float(rng.uniform(0.05, 0.95))
    else:
        phase = float(engine_rng(scene, 0).uniform()) + phases_of(scene)[own_cylinder(scene)]
    return float((phase - scene.begins_at) % (1 / EVENTS_PER_CYCLE[scene.engine.injection]))


def _mean_rpm(clock: CycleClock, scene: Scene) -> float:
    return float(120 * np.interp(scene.seconds, clock.times_s, clock.cycles) / scene.seconds)


def _silenced(y: FloatArray, scene: Scene, rng: np.random.Generator) -> FloatArray:
    for from_s, to_s in scene.silence_s:
        part = slice(round(from_s * scene.sr), round(to_s * scene.sr))
        y[part] = 0.3 * rng.standard_normal(len(y[part]))
    return y


def _through_chain(y: FloatArray, scene: Scene, rng: np.random.Generator) -> tuple[FloatArray, list[Span]]:
    disturb_rng, buffer_rng = rng.spawn(2)
    y = respond(y, scene.sr, scene.chain)
    y, spans = disturb(y / np.abs(y).max(), scene, disturb_rng)
    y, processed = process(y * scene.peak, scene)
    y, lost = lose_buffers(y, scene, buffer_rng)
    return y, spans + processed + lost


def _touched(spans: list[Span], due: FloatArray, scene: Scene) -> BoolArray:
    touched = np.zeros(len(due), dtype=bool)
    last = due + scene.open_time_ms * 1e-3 + _TICK_AFTER_S
    for span in spans:
        if span.kind is not SpanKind.ENGINE_SILENT:
            touched |= (due - 0.001 < span.to_s) & (last > span.from_s)
    return touched


# --- files ----------------------------------------------------------------------------------------------------------


def truth_to_json(truth: Truth) -> dict[str, Any]:
    """Truth as plain values.

    Parameters
    ----------
    truth : Truth
        What was done.

    Returns
    -------
    dict
        Scene, due events and spans.
    """
    events = [
        {
            "due_s": round(float(due), 6),
            "skipped": bool(skipped),
            "weak": bool(weak),
            "hidden": bool(hidden),
            "heard_s": None if np.isnan(heard) else round(float(heard), 7),
            "open_time_ms": None if np.isnan(gap) else round(float(gap), 4),
        }
        for due, skipped, weak, hidden, heard, gap in zip(
            truth.due_s, truth.skipped, truth.weak, truth.hidden, truth.heard_s, truth.open_time_ms, strict=True
        )
    ]
    spans = [{"from_s": round(s.from_s, 4), "to_s": round(s.to_s, 4), "kind": s.kind.value} for s in truth.spans]
    return {
        "simulated": True,
        "rpm": round(truth.rpm, 3),
        "scene": asdict(truth.scene),
        "events": events,
        "spans": spans,
    }


def write(
    path: str | os.PathLike[str],
    recording: Recording,
    truth: Truth,
    *,
    codec: str | None = None,
    bit_rate: int | None = None,
) -> None:
    """Write a practice recording, and its truth beside it.

    Parameters
    ----------
    path : path
        Sound file; its suffix names the container. WAV, FLAC and Ogg by libsndfile, the rest by FFmpeg.
    recording : Recording
        Samples.
    truth : Truth
        Goes into a file of the same name that ends in ``.truth.json``.
    codec : str or None
        FFmpeg's name of an encoder; None is the container's usual one.
    bit_rate : int or None
        Bits per second of a lossy codec [1/s].

    Raises
    ------
    InjsoundError
        If the folder cannot be written to or the format is unknown.
    """
    target = Path(path)
    beside = target.with_name(target.stem + ".truth.json")
    with together(target, beside) as (sound, text):
        _encode(sound, recording, codec, bit_rate)
        text.write_text(json.dumps(truth_to_json(truth), indent=1) + "\n", encoding="utf-8")


def _encode_plainly(path: Path, recording: Recording) -> None:
    import soundfile

    kind = "VORBIS" if path.suffix.lower() == ".ogg" else "PCM_16"
    try:
        with soundfile.SoundFile(path, "w", recording.sr, 1, kind) as file:
            for first in range(0, len(recording.y), _WRITE_FRAMES):  # libsndfile overflows its stack on long Vorbis
                file.write(recording.y[first : first + _WRITE_FRAMES])
    except soundfile.SoundFileError as error:  # libsndfile names no cause: nearly always the disk is full
        raise OSError(f"{str(error).rstrip('.')}, is the disk full?") from error


def _encode(path: Path, recording: Recording, codec: str | None, bit_rate: int | None) -> None:
    if codec is None and path.suffix.lower() in {".wav", ".flac", ".ogg"}:
        _encode_plainly(path, recording)
        return
    import av

    try:
        # Bit-exact: the same seed gives the same file, without a random stream number or the encoder's version.
        with av.open(str(path), "w", options={"fflags": "+bitexact"}) as container:
            stream = container.add_stream(codec or container.default_audio_codec, rate=recording.sr)
            assert isinstance(stream, av.AudioStream)
            stream.layout = "mono"
            if bit_rate:
                stream.bit_rate = bit_rate
            frame = av.AudioFrame.from_ndarray(recording.y[None, :], format="fltp", layout="mono")
            frame.sample_rate, frame.time_base, frame.pts = recording.sr, Fraction(1, recording.sr), 0
            stream.codec_context.open()
            resampler = av.AudioResampler(
                format=stream.codec_context.format,
                layout="mono",
                rate=stream.codec_context.sample_rate,
                frame_size=stream.codec_context.frame_size or None,
            )
            for part in [*resampler.resample(frame), *resampler.resample(None)]:
                container.mux(stream.encode(part))
            container.mux(stream.encode(None))
    except (av.FFmpegError, ValueError) as error:
        raise InjsoundError(
            f"cannot write {path.suffix or 'a file without suffix'}: {error}; expected a sound format such as .wav, "
            ".flac, .ogg or .m4a: name another"
        ) from error
