"""What happens between the injector's body and the samples: sensor, hands, phone."""

import numpy as np

from injsound.codes import SpanKind
from injsound.simulate.scene import BoolArray, Chain, Scene
from injsound.values import FloatArray, Span

_BUFFER_S = 0.02
_SETTLE_S = 0.6


def respond(y: FloatArray, sr: int, chain: Chain) -> FloatArray:
    """Filter by the sensor's response.

    Parameters
    ----------
    y : ndarray, shape (n,)
        Signal [unitless].
    sr : int
        Sampling rate [Hz].
    chain : Chain
        Sensor.

    Returns
    -------
    ndarray, shape (n,)
        Filtered signal.

    References
    ----------
    A stethoscope loses the high range increasingly with frequency: Abella, Formolo and Penney, JASA 91(4), 2224, 1992;
    contact discs resonate at 2 to 7 kHz, phones cut the lows: common practice, no source.
    """
    from scipy import signal

    top = 0.45 * sr
    if chain is Chain.STETHOSCOPE:
        y = signal.sosfilt(signal.butter(1, min(2_500, top), fs=sr, output="sos"), y)
    if chain is Chain.CONTACT:
        b, a = signal.iirpeak(min(4_200, 0.8 * top), 3.0, fs=sr)
        y = 0.5 * y + signal.lfilter(b, a, y)
    if chain is Chain.PHONE:
        y = signal.sosfilt(signal.butter(2, [150, min(15_000, top)], "band", fs=sr, output="sos"), y)
    return y


def disturb(y: FloatArray, scene: Scene, rng: np.random.Generator) -> tuple[FloatArray, list[Span]]:
    """Knocks, speech-like sound, electrical spikes and a slipping probe.

    Parameters
    ----------
    y : ndarray, shape (n,)
        Signal, peak 1 [unitless].
    scene : Scene
        Settings.
    rng : Generator
        Randomness, one child per effect.

    Returns
    -------
    y : ndarray, shape (n,)
        Disturbed signal.
    spans : list of Span
        What was done where.
    """
    y = y.copy()
    bump_rng, speech_rng, spike_rng, slip_rng, knock_rng = rng.spawn(5)
    spans = _bumps(y, scene, bump_rng) + _speech(y, scene, speech_rng) + _spikes(y, scene, spike_rng)
    spans += _knocks(y, scene, knock_rng)
    for from_s, to_s in scene.slips_s:
        first, last = round(from_s * scene.sr), round(to_s * scene.sr)
        y[first:last] = 0.02 * y[first:last] + 0.003 * slip_rng.standard_normal(len(y[first:last]))
        spans.append(Span(from_s=from_s, to_s=to_s, kind=SpanKind.SLIPPED))
    return y, spans


def _places(scene: Scene, count: int, length_s: float, rng: np.random.Generator) -> FloatArray:
    """Starts that do not overlap, away from both ends [s]."""
    room = (scene.seconds - 4.0) / max(count, 1)
    return 2.0 + (np.arange(count) + rng.uniform(0, 0.6, count)) * room if room > length_s else np.zeros(0)


def _bumps(y: FloatArray, scene: Scene, rng: np.random.Generator) -> list[Span]:
    spans = []
    for start in _places(scene, scene.bumps, 0.3, rng):
        n = round(0.15 * scene.sr)
        t = np.arange(n) / scene.sr
        thud = 4.0 * np.exp(-t / 0.03) * np.sin(2 * np.pi * rng.uniform(60, 140) * t)
        crackle = 1.5 * np.exp(-t / 0.012) * rng.standard_normal(n)
        first = round(start * scene.sr)
        y[first : first + n] += (thud + crackle)[: len(y) - first]
        spans.append(Span(from_s=float(start), to_s=float(start) + 0.06, kind=SpanKind.BUMP))
    return spans


def _knocks(y: FloatArray, scene: Scene, rng: np.random.Generator) -> list[Span]:
    """Groups of knocks on the same metal, 0.25 to 0.45 s apart, each struck anew."""
    frequency, damping = rng.uniform(150, 5_000, 8), rng.uniform(0.01, 0.04, 8)
    decay = np.minimum(1 / (2 * np.pi * frequency * damping), 0.02)
    t = np.arange(round(0.1 * scene.sr)) / scene.sr
    spans = []
    for start, count in scene.knocks:
        for at in start + np.r_[0.0, np.cumsum(rng.uniform(0.25, 0.45, count - 1))]:
            weight = rng.uniform(0.6, 1.0, 8)
            ring = weight[:, None] * np.exp(-t / decay[:, None]) * np.sin(2 * np.pi * frequency[:, None] * t)
            first = round(float(at) * scene.sr)
            knock = rng.uniform(4.0, 8.0) * ring.sum(axis=0) / np.abs(ring.sum(axis=0)).max()
            y[first : first + len(t)] += knock[: len(y) - first]
            spans.append(Span(from_s=float(at), to_s=float(at) + 0.06, kind=SpanKind.BUMP))
    return spans


def _speech(y: FloatArray, scene: Scene, rng: np.random.Generator) -> list[Span]:
    spans = []
    for start in _places(scene, scene.bursts_of_speech, 1.2, rng):
        words = speech_like(1.0, scene.sr, rng)
        first = round(start * scene.sr)
        y[first : first + len(words)] += 2.0 * words[: len(y) - first]
        spans.append(Span(from_s=float(start), to_s=float(start) + 1.0, kind=SpanKind.LOUD))
    return spans


def speech_like(seconds: float, sr: int, rng: np.random.Generator) -> FloatArray:
    """Voiced syllables and hisses, about four a second.

    Parameters
    ----------
    seconds : float
        Length [s].
    sr : int
        Sampling rate [Hz].
    rng : Generator
        Randomness of the words.

    Returns
    -------
    ndarray, shape (n,)
        Signal, peak 1 [unitless].
    """
    from scipy import signal

    t = np.arange(round(seconds * sr)) / sr
    pitch = 120 * (1 + 0.1 * np.sin(2 * np.pi * 0.7 * t + rng.uniform(0, 6)))
    voice = signal.sawtooth(2 * np.pi * np.cumsum(pitch) / sr)
    formants = [signal.lfilter(*signal.iirpeak(f, 5.0, fs=sr), voice) for f in (550, 1_500, min(2_500, 0.4 * sr))]
    hiss = np.diff(rng.standard_normal(t.size), prepend=0)
    gate_s, n = 0.24, int(np.ceil(seconds / 0.24))
    on = np.interp(t, np.arange(2 * n) * gate_s / 2, np.ravel([rng.uniform(0.4, 1, n), np.zeros(n)], order="F"))
    hissing = np.repeat(rng.random(n) < 0.3, round(gate_s * sr) + 1)[: t.size]
    words = on * np.where(hissing, 0.3 * hiss, sum(formants))
    scaled: FloatArray = words / np.abs(words).max()
    return scaled


def _spikes(y: FloatArray, scene: Scene, rng: np.random.Generator) -> list[Span]:
    spans = []
    for start in _places(scene, scene.spikes, 0.01, rng):
        first = round(start * scene.sr)
        y[first : first + 2] += np.array([1.6, -0.8])[: len(y) - first]
        spans.append(Span(from_s=float(start), to_s=float(start) + 0.0005, kind=SpanKind.SPIKE))
    return spans


def process(y: FloatArray, scene: Scene) -> tuple[FloatArray, list[Span]]:
    """The phone's automatic gain, noise suppression and clipping.

    Parameters
    ----------
    y : ndarray, shape (n,)
        Signal [unitless].
    scene : Scene
        Settings.

    Returns
    -------
    y : ndarray, shape (n,)
        Processed signal.
    spans : list of Span
        Where ticks are hidden by it.
    """
    spans: list[Span] = []
    if scene.agc_db:
        gain = _agc_gain(y, scene)
        y = y * gain
        spans += _stretches(gain < 10 ** (-6 / 20), scene.sr, SpanKind.GAIN)
    if scene.suppression_db:
        t = np.arange(len(y)) / scene.sr
        y = y * 10 ** (-scene.suppression_db / 20 * (1 - np.exp(-t / scene.suppression_s)))
        y = np.round(y * 2**12) / 2**12  # what is left drowns in the converter's steps
    if scene.clip:
        clipped = np.abs(y) > scene.clip
        y = np.clip(y, -scene.clip, scene.clip)
        spans += _stretches(clipped, scene.sr, SpanKind.CLIPPED)
    return y, spans


def _agc_gain(y: FloatArray, scene: Scene) -> FloatArray:
    """Gain that falls fast after a moment over the usual peak and comes back slowly."""
    block = max(1, round(0.001 * scene.sr))
    n = len(y) // block
    level = np.abs(y[: n * block]).reshape(n, block).max(axis=1)
    usual = np.quantile(level, 0.995)
    wanted = np.clip(20 * np.log10(np.maximum(level / usual, 1e-6)), 0, scene.agc_db)
    up, down = np.exp(-0.001 / scene.agc_attack_s), np.exp(-0.001 / scene.agc_release_s)
    held, drop = np.empty(n), 0.0
    for i, w in enumerate(wanted):  # one step a millisecond: a peak holder has no closed form
        keep = up if w > drop else down
        drop = w + (drop - w) * keep
        held[i] = drop
    gain: FloatArray = np.interp(np.arange(len(y)), (np.arange(n) + 0.5) * block, 10 ** (-held / 20))
    return gain


def lose_buffers(y: FloatArray, scene: Scene, rng: np.random.Generator) -> tuple[FloatArray, list[Span]]:
    """Zero some buffers and play others twice, as a busy phone does.

    Parameters
    ----------
    y : ndarray, shape (n,)
        Signal [unitless].
    scene : Scene
        Settings.
    rng : Generator
        Randomness.

    Returns
    -------
    y : ndarray, shape (n,)
        Same length.
    spans : list of Span
        Lost and repeated stretches.
    """
    y = y.copy()
    drop_rng, repeat_rng = rng.spawn(2)
    n, spans = round(_BUFFER_S * scene.sr), []
    for start in _places(scene, scene.drops, 0.1, drop_rng):
        first = round(start * scene.sr)
        y[first : first + n] = 0.0
        spans.append(Span(from_s=float(start), to_s=float(start) + _BUFFER_S, kind=SpanKind.SILENCE))
    for start in _places(scene, scene.repeats, 0.1, repeat_rng):
        first = round((start + 0.5) * scene.sr)
        y[first : first + n] = y[first - n : first]
        from_s = first / scene.sr
        spans.append(Span(from_s=from_s, to_s=from_s + _BUFFER_S, kind=SpanKind.REPEATED))
    return y, spans


def _stretches(where: BoolArray, sr: int, kind: SpanKind) -> list[Span]:
    """Spans over true samples, joined over 5 ms."""
    index = np.flatnonzero(where)
    if not index.size:
        return []
    cuts = np.flatnonzero(np.diff(index) > 0.005 * sr)
    firsts, lasts = index[np.r_[0, cuts + 1]], index[np.r_[cuts, index.size - 1]]
    return [Span(from_s=a / sr, to_s=(b + 1) / sr, kind=kind) for a, b in zip(firsts, lasts, strict=True)]
