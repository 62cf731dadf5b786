"""Practice recordings of an engine with known truth.

``Scene`` holds every setting, ``simulate`` makes the samples and the ``Truth``, ``write`` stores both. Stages are
functions of the scene and of a random generator of their own, so that switching one effect on changes no other.
"""

import json
import os
from dataclasses import asdict, replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np

from injsound.engine import EVENTS_PER_CYCLE, cylinder_phases
from injsound.errors import InjsoundError
from injsound.files import together
from injsound.results import CycleClock, FloatArray, Recording, Span, SpanKind
from injsound.simulate.chain import disturb, lose_buffers, process, respond, speech_like
from injsound.simulate.clicks import Click, add_strikes, injector_clicks, neighbour_click, valve_click, varied
from injsound.simulate.crank import turn
from injsound.simulate.scene import BoolArray, Chain, Scene, Skipping, Truth

__all__ = ["Chain", "Scene", "Skipping", "Truth", "simulate", "speech_like", "truth_to_json", "write"]

_ABOVE_HZ = 1_500.0
# A tick whose open-to-close stretch touches damage cannot be judged.
_TICK_AFTER_S = 0.004
_VALVE_SCATTER_S = 0.0002
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
    due = _time(clock, due_cycles)
    running = ~_inside(due, (*scene.fuel_cut_s, *scene.silence_s))
    noise = _noise(scene, clock, noise_rng) if background is None else _fitted(background, scene)
    open_click, close_click = injector_clicks(body_rng)
    level = 10 ** (scene.tick_db / 20) / max(open_click.peak(scene.sr), close_click.peak(scene.sr))
    y: FloatArray = np.zeros(round((scene.seconds + 0.5) * scene.sr))
    heard, gap, weak = _own_ticks(y, scene, due, running & ~skipped, (open_click, close_click), level, event_rng)
    _own_extra(y, scene, clock, due_cycles, (open_click, close_click), level, event_rng)
    _fellows(y, scene, clock, due_cycles, (open_click, close_click), level, fellow_rng)
    _valves(y, scene, clock, valve_rng)
    _pump(y, scene, clock, pump_rng)
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
        cycle_start_s=_time(clock, np.arange(np.ceil(clock.cycles[-1]))),
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
        phase = float(_engine_rng(scene, 0).uniform()) + _phases(scene)[_own(scene)]
    return float((phase - scene.begins_at) % (1 / EVENTS_PER_CYCLE[scene.engine.injection]))


def _engine_rng(scene: Scene, part: int) -> np.random.Generator:
    """Randomness of a part of the engine that all its recordings share."""
    return np.random.default_rng((scene.engine_seed or 0, part))


def _phases(scene: Scene) -> dict[int, float]:
    """Place of each cylinder in the cycle, in the order of firing; that of their numbers where none is given."""
    n = scene.engine.cylinders or 1
    return cylinder_phases(scene.engine) or {k + 1: k / n for k in range(n)}


def _own(scene: Scene) -> int:
    return scene.engine.cylinder or next(iter(_phases(scene)))


def _turned(scene: Scene, clock: CycleClock, phase: float) -> FloatArray:
    """Every time the crank is at a phase, counted from the recording's first moment [cycles]."""
    turned = np.arange(np.ceil(clock.cycles[-1] + scene.begins_at)) + phase - scene.begins_at
    return turned[turned >= 0]


def _time(clock: CycleClock, cycles: FloatArray) -> FloatArray:
    times: FloatArray = np.interp(cycles, clock.cycles, clock.times_s, right=clock.times_s[-1] + 1.0)
    return times


def _inside(times: FloatArray, stretches: tuple[tuple[float, float], ...]) -> BoolArray:
    inside = np.zeros(len(times), dtype=bool)
    for from_s, to_s in stretches:
        inside |= (times >= from_s) & (times < to_s)
    return inside


def _mean_rpm(clock: CycleClock, scene: Scene) -> float:
    return float(120 * np.interp(scene.seconds, clock.times_s, clock.cycles) / scene.seconds)


def _noise(scene: Scene, clock: CycleClock, rng: np.random.Generator) -> FloatArray:
    """Steady broadband noise of rms 1 above 1.5 kHz, and combustion: rumble and hiss that rise at each firing."""
    from scipy import signal

    n = round(scene.seconds * scene.sr)
    steady_rng, rumble_rng, hiss_rng, strength_rng = rng.spawn(4)
    high = signal.butter(4, _ABOVE_HZ, "high", fs=scene.sr, output="sos")
    steady = steady_rng.standard_normal(n)
    steady /= signal.sosfilt(high, steady).std()
    turned = np.interp(np.arange(n) / scene.sr, clock.times_s, clock.cycles) + scene.begins_at
    firing = _firings(scene, turned)
    strength = 1 + 0.1 * strength_rng.standard_normal(int(firing[-1]) + 2)
    since = firing % 1.0
    burst = strength[firing.astype(int)] * np.exp(-4 * since) * np.minimum(since / 0.06, 1)
    band = signal.butter(3, [30, min(800, 0.4 * scene.sr)], "band", fs=scene.sr, output="sos")
    rumble = signal.sosfilt(band, rumble_rng.standard_normal(n) * burst)
    hiss = hiss_rng.standard_normal(n) * burst
    noise: FloatArray = (
        steady
        + 10 ** (scene.rumble_db / 20) * rumble / rumble.std()
        + 10 ** (scene.hiss_db / 20) * hiss / signal.sosfilt(high, hiss).std()
    )
    return noise


def _firings(scene: Scene, turned: FloatArray) -> FloatArray:
    """How many cylinders have fired, and how far the crank is on the way to the next."""
    if scene.engine.firing_angles is None:
        return turned * (scene.engine.cylinders or 4)
    phases = np.array(list(_phases(scene).values()))
    whole, places = np.floor(turned), np.append(phases, 1.0 + phases[0])
    firings: FloatArray = np.interp(turned - whole, places, np.arange(len(places))) + whole * len(phases)
    return firings


def _fitted(background: FloatArray, scene: Scene) -> FloatArray:
    """A given background, looped to length, rms 1 above 1.5 kHz."""
    from scipy import signal

    n = round(scene.seconds * scene.sr)
    looped = np.resize(np.asarray(background, dtype=float), n)
    high = signal.sosfilt(signal.butter(4, _ABOVE_HZ, "high", fs=scene.sr, output="sos"), looped)
    fitted: FloatArray = looped / high.std()
    return fitted


def _own_ticks(
    y: FloatArray,
    scene: Scene,
    due: FloatArray,
    there: BoolArray,
    clicks: tuple[Click, Click],
    level: float,
    rng: np.random.Generator,
) -> tuple[FloatArray, FloatArray, BoolArray]:
    """Strike the own injector; returns heard times, gaps and which ticks were weak."""
    scatter_rng, level_rng, weak_rng, strike_rng = rng.spawn(4)
    n = len(due)
    heard = due + scene.scatter_us * 1e-6 * scatter_rng.standard_normal(n)
    trim = 1 + scene.trim * np.sin(2 * np.pi * due / scene.trim_s)
    gap = scene.open_time_ms * 1e-3 * trim + scene.gap_scatter_us * 1e-6 * scatter_rng.standard_normal(n)
    weak = (weak_rng.random(n) < scene.weak_share) & there
    db = scene.level_spread_db * level_rng.standard_normal(n) + scene.level_drift_db * due / scene.seconds
    # A skipped event is struck with no force, so that all others are struck as they would be without it.
    strength = level * 10 ** ((db - scene.weak_db * weak) / 20) * there
    add_strikes(y, scene.sr, clicks[0], heard, strength, scene.strike, strike_rng)
    add_strikes(y, scene.sr, clicks[1], heard + gap, strength, scene.strike, strike_rng)
    return np.where(there, heard, np.nan), np.where(there, gap * 1e3, np.nan), weak


def _own_extra(
    y: FloatArray,
    scene: Scene,
    clock: CycleClock,
    due_cycles: FloatArray,
    clicks: tuple[Click, Click],
    level: float,
    rng: np.random.Generator,
) -> None:
    """The second tick per cycle of the first seconds after a start."""
    if not scene.mode_change_s:
        return
    extra = _time(clock, due_cycles + 0.5)
    extra = extra[extra < scene.mode_change_s]
    gap = scene.open_time_ms * 1e-3
    for click, later in zip(clicks, (0.0, gap), strict=True):
        add_strikes(y, scene.sr, click, extra + later, np.full(len(extra), level), scene.strike, rng)


def _fellows(
    y: FloatArray,
    scene: Scene,
    clock: CycleClock,
    due_cycles: FloatArray,
    clicks: tuple[Click, Click],
    level: float,
    rng: np.random.Generator,
) -> None:
    """The other injectors, at their places in the cycle, weaker the further along the rail."""
    engine, phases, own = scene.engine, _phases(scene), _own(scene)
    for cylinder in sorted(phases):
        body_rng, event_rng = rng.spawn(2)
        if cylinder == own or cylinder in scene.dead:
            continue
        places = abs(cylinder - own)
        db = scene.neighbour_db - scene.neighbour_spread_db * (places - 1) + body_rng.normal(0, 1.0)
        phase = (phases[cylinder] - phases[own]) % 1.0
        if engine.injection.value == "batch":
            phase %= 0.5
        at = _time(clock, np.concatenate([due_cycles[:1] - 1, due_cycles]) + phase)
        if scene.mode_change_s and engine.injection.value == "sequential":
            extra = _time(clock, due_cycles + phase + 0.5)
            at = np.concatenate([at, extra[extra < scene.mode_change_s]])
        at = at[~_inside(at, (*scene.fuel_cut_s, *scene.silence_s))]
        at = at + scene.scatter_us * 1e-6 * event_rng.standard_normal(len(at))
        strength = level * 10 ** (db / 20) * (1 + 0.08 * event_rng.standard_normal(len(at)))
        for click, later in zip(clicks, (0.0, scene.open_time_ms * 1e-3), strict=True):
            far = neighbour_click(click, body_rng)
            far_level = strength * click.peak(scene.sr) / far.peak(scene.sr)
            add_strikes(y, scene.sr, far, at + later, far_level, scene.strike, event_rng)


def _valves(y: FloatArray, scene: Scene, clock: CycleClock, rng: np.random.Generator) -> None:
    """Valves, at angles that are the same for every cylinder."""
    angle_rng, body_rng, event_rng = rng.spawn(3)
    if scene.engine_seed is not None:
        angle_rng, body_rng = _engine_rng(scene, 1), _engine_rng(scene, 2)
    path_rng, kind_rng = event_rng.spawn(1)[0], body_rng.spawn(1)[0]
    own_peak = _own_peak(scene)
    for angle in angle_rng.uniform(0, 1, scene.valves):
        kind = valve_click(kind_rng)
        for cylinder, phase in _phases(scene).items():
            click = varied(kind, valve_click(body_rng), scene.valve_variety)
            at = _time(clock, _turned(scene, clock, angle + phase))
            at = at[~_inside(at, scene.silence_s)]
            at = at + _VALVE_SCATTER_S * event_rng.standard_normal(len(at))
            db = scene.valve_db + body_rng.normal(-3, 3 * scene.valve_variety)
            db -= scene.valve_spread_db * abs(cylinder - _own(scene))
            strength = (
                own_peak * 10 ** (db / 20) / click.peak(scene.sr) * (1 + 0.2 * event_rng.standard_normal(len(at)))
            )
            way = 10 ** (scene.path_db * path_rng.standard_normal(len(click.weight)) / 20)
            add_strikes(y, scene.sr, replace(click, weight=click.weight * way), at, strength, 0.3, event_rng)


def _own_peak(scene: Scene) -> float:
    """Peak of the own tick [rms of the noise above 1.5 kHz]."""
    return float(10 ** (scene.tick_db / 20))


def _pump(y: FloatArray, scene: Scene, clock: CycleClock, rng: np.random.Generator) -> None:
    """A cam-driven pump's control valve."""
    if not scene.pump_lobes:
        return
    body_rng = rng if scene.engine_seed is None else _engine_rng(scene, 3)
    click = valve_click(body_rng)
    phases = body_rng.uniform() + np.arange(scene.pump_lobes) / scene.pump_lobes
    at = _time(clock, np.sort(np.concatenate([_turned(scene, clock, phase) for phase in phases])))
    strength = np.full(len(at), _own_peak(scene) * 10 ** (scene.pump_db / 20) / click.peak(scene.sr))
    add_strikes(y, scene.sr, click, at, strength, 0.2, rng)


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
