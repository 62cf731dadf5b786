"""The noise that ticks stand in: steady, with every firing's rumble and hiss, or a given background."""

import numpy as np

from injsound.simulate.crank import phases_of
from injsound.simulate.scene import Scene
from injsound.values import CycleClock, FloatArray

# Levels of a scene are told over the noise above this.
_ABOVE_HZ = 1_500.0


def engine_noise(scene: Scene, clock: CycleClock, rng: np.random.Generator) -> FloatArray:
    """Steady broadband noise of rms 1 above 1.5 kHz, and combustion: rumble and hiss that rise at each firing.

    Parameters
    ----------
    scene : Scene
        Settings.
    clock : CycleClock
        Time against cycle.
    rng : Generator
        Randomness of all noise.

    Returns
    -------
    ndarray, shape (n,)
        The scene's length [rms of the steady noise above 1.5 kHz].
    """
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
    phases = np.array(list(phases_of(scene).values()))
    whole, places = np.floor(turned), np.append(phases, 1.0 + phases[0])
    firings: FloatArray = np.interp(turned - whole, places, np.arange(len(places))) + whole * len(phases)
    return firings


def fitted_background(background: FloatArray, scene: Scene) -> FloatArray:
    """A given background, looped to length, rms 1 above 1.5 kHz.

    Parameters
    ----------
    background : ndarray, shape (m,)
        Samples at the scene's rate [unitless].
    scene : Scene
        Settings.

    Returns
    -------
    ndarray, shape (n,)
        The scene's length [rms above 1.5 kHz].
    """
    from scipy import signal

    n = round(scene.seconds * scene.sr)
    looped = np.resize(np.asarray(background, dtype=float), n)
    high = signal.sosfilt(signal.butter(4, _ABOVE_HZ, "high", fs=scene.sr, output="sos"), looped)
    fitted: FloatArray = looped / high.std()
    return fitted
