"""Real idling engines with injector ticks placed over their own sound, some left out.

The engines are takes of UrbanSound8K (J. Salamon, C. Jacoby, J. P. Bello, 2014) named ``idle_*_0.wav`` and the aircraft
engine of the folder named in INJSOUND_REAL_AUDIO; none is part of this project.
"""

import os
from pathlib import Path

import numpy as np
import soundfile
from scipy import signal

from injsound.engine import Engine
from injsound.simulate import Scene, Truth
from injsound.simulate.clicks import add_strikes, injector_clicks
from injsound.sound import onsets, quality
from injsound.sound.clock import time_at
from injsound.sound.turning import cycle
from injsound.values import Recording

ENGINE = Engine()
# Cycle length of each take, from its firing line or the spacing of its own ticks [s].
_CYCLES_S = {
    "idle_143970_0.wav": 0.1328,
    "idle_107228_0.wav": 0.267,
    "idle_39847_0.wav": 0.216,
    "idle_106015_0.wav": 4 / 47,
    "engine_idle_900rpm.flac": 120 / 900,
}
# Level [dB] and kind of the ticks placed over a take; none is the engine as it is.
TICKS = [(0, None), *((db, tick) for db in (18, 12, 8) for tick in ("doublet", "valve click"))]


def takes(folder: str) -> list[str]:
    """Paths of the takes found in a folder and in the one of real recordings."""
    folders = [Path(f) for f in (folder, os.environ.get("INJSOUND_REAL_AUDIO", "")) if f]
    return [str(f / name) for f in folders for name in _CYCLES_S if (f / name).exists()]


def place(take: str, *, db: float, tick: str | None, seed: int) -> tuple[Recording, Truth, float]:
    """Lay ticks over a take at one phase of its cycle; returns the cycle's length too [s]."""
    y, sr = soundfile.read(take)
    y = y if y.ndim == 1 else y[:, 0]
    length_s = _CYCLES_S[Path(take).name]
    recording = Recording(y=y.astype(np.float32), sr=sr, file=take)
    strength = onsets.onset_strength(recording, bandwidth_hz=quality.judge_quality(recording).bandwidth_hz)
    clock = cycle.lock_cycle(strength, interval_s=length_s, profile=None).clock
    rng = np.random.default_rng([seed, int(db), len(tick or "")])
    cycles = np.arange(np.ceil(clock.cycles[0]), np.floor(clock.cycles[-1])) + rng.uniform()
    due = time_at(clock, cycles)
    due = due[(due > 0.06) & (due < len(y) / sr - 0.1)]
    skipped = rng.random(len(due)) < 0.04
    skipped[rng.choice(len(due), 3, replace=False)] = True
    heard = due + 30e-6 * rng.standard_normal(len(due))
    if tick is not None:
        above = signal.sosfilt(signal.butter(4, 1_500, "high", fs=sr, output="sos"), y).std()
        ticks = _ticks(tick, len(y), sr, heard[~skipped], rng)
        y = y + ticks * above * 10 ** (db / 20)
    nothing = np.zeros(len(due), dtype=bool)
    truth = Truth(
        scene=Scene(seconds=len(y) / sr, sr=sr),
        due_s=due if tick else due[:0],
        skipped=skipped if tick else skipped[:0],
        weak=nothing if tick else nothing[:0],
        hidden=nothing if tick else nothing[:0],
        heard_s=np.where(skipped, np.nan, heard),
        open_time_ms=np.full(len(due), np.nan),
        cycle_start_s=due,
        rpm=120 / length_s,
        spans=(),
    )
    return Recording(y=(0.9 * y / np.abs(y).max()).astype(np.float32), sr=sr, file=take), truth, length_s


def _ticks(kind, samples, sr, at_s, rng):
    """Ticks of peak 1 at given times."""
    y = np.zeros(samples)
    if kind == "doublet":
        gap_s = rng.uniform(0.0018, 0.0045)
        clicks = injector_clicks(rng)
        level = (1 + 0.1 * rng.standard_normal(len(at_s))) / max(click.peak(sr) for click in clicks)
        for click, later in zip(clicks, (0.0, gap_s), strict=True):
            add_strikes(y, sr, click, at_s + later, level, 0.15, rng)
        return y
    one = _valve_click(sr, int(rng.integers(11)))
    for first in np.round(at_s * sr).astype(int):
        y[first : first + len(one)] += one[: max(0, samples - first)] * (1 + 0.1 * rng.standard_normal())
    return y


def _valve_click(sr, number):
    path = Path(os.environ["INJSOUND_REAL_AUDIO"]) / f"valve_click_{number:02d}.flac"
    y, own_sr = soundfile.read(path)
    high = signal.butter(4, 1_500, "high", fs=own_sr, output="sos")
    one = signal.resample_poly(signal.sosfilt(high, y if y.ndim == 1 else y[:, 0]), sr // 50, own_sr // 50)
    peak = int(np.abs(one).argmax())
    one = one[max(0, peak - int(0.004 * sr)) : peak + int(0.015 * sr)]
    return one / np.abs(one).max()
