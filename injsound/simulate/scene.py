"""The settings of a practice recording and the truth that comes with it."""

from dataclasses import dataclass, field
from enum import StrEnum
from math import inf, isfinite

import numpy as np
import numpy.typing as npt

from injsound.engine import Engine
from injsound.errors import ParameterError
from injsound.values import FloatArray, Span

BoolArray = npt.NDArray[np.bool_]
# As long as a recording may be that is read (``sound/sources.py``, which this room may not know).
_LONGEST_S = 7200.0


class Skipping(StrEnum):
    """How an injector skips."""

    NONE = "none"
    SCATTERED = "scattered"
    BURSTS = "bursts"
    EVERY_NTH = "every nth"
    DEAD = "dead"
    LISTED = "listed"


class Chain(StrEnum):
    """What lies between the injector's body and the samples."""

    FLAT = "flat"
    STETHOSCOPE = "stethoscope"
    CONTACT = "contact disc"
    PHONE = "phone"


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """Every setting of a practice recording.

    Parameters
    ----------
    seconds : float
        Length [s].
    sr : int
        Sampling rate [Hz].
    seed : int
        All randomness follows from it, 0 or more; each effect draws from a generator of its own [unitless].
    engine : Engine
        Cylinders, own cylinder, firing order, injection mode, firing angles.
    engine_seed : int or None
        Recordings with the same one are of one engine: valves, pump and injection angle are the same; None makes an
        engine from the seed [unitless].
    begins_at : float
        How far the engine has turned when the recording begins [cycles].
    rpm : float
        Mean engine speed [1/min].
    rpm_profile : tuple of (float, float)
        Time [s] and speed [1/min] of a ramp's corners; empty for a constant speed.
    wander, wander_s : float
        Relative standard deviation of the slow speed wander [unitless] and its time constant [s].
    unevenness : float
        Relative standard deviation of the speed from firing to firing [unitless].
    sag : float
        Relative slow-down after a skip [unitless], recovering within about half a second.
    tick_db : float
        Peak of the louder of the open and close tick over the rms of the broadband noise above 1.5 kHz [dB].
    open_time_ms : float
        Gap from open to close tick, more than 0 [ms].
    scatter_us, gap_scatter_us : float
        Standard deviations of the event's and the gap's own timing [us].
    trim, trim_s : float
        How far the open time swings to both sides of itself, as a share of it [unitless], as where the control unit
        trims the pulse (common practice, no source), and the time of one swing [s].
    level_spread_db, level_drift_db : float
        Standard deviation of the level from tick to tick, and its change from start to end [dB].
    strike : float
        Relative standard deviation with which each mode is struck anew every time [unitless].
    weak_share, weak_db : float
        Share of ticks that come out faint [unitless], and by how much [dB].
    weak_contact_ms : float
        How long the blow of a faint tick presses, which takes its high notes; 0 is as short as all others [ms].
    skipping : Skipping
        Pattern of the skips.
    skip_rate : float
        Share of events skipped, for scattered ones and bursts [unitless].
    burst : int
        Skips in a row, for bursts; the n of every n-th [unitless].
    skip_events : tuple of int
        Skipped events, for listed ones, counted from 0 [unitless].
    mode_change_s : float
        Until then every injector ticks once per revolution [s].
    fuel_cut_s : tuple of (float, float)
        Stretches in which no injector ticks [s].
    silence_s : tuple of (float, float)
        Stretches in which the whole engine is silent [s].
    dead : tuple of int
        Cylinders, other than the own one, whose injectors never tick.
    neighbour_db, neighbour_spread_db : float
        Level of the nearest neighbour's tick under the own one, and loss per further place along the rail [dB].
    valves : int
        Valve ticks per cylinder and cycle [unitless].
    valve_db : float
        Level of a valve tick against the own tick [dB].
    valve_spread_db : float
        Loss of a valve tick per place along the head between its cylinder and the probe [dB].
    valve_variety : float
        How far the valves of one kind differ from cylinder to cylinder: 1 makes each a body of its own, 0 makes them
        all alike [unitless].
    path_db : float
        Standard deviation of what the way from a valve to the probe does to each of its modes [dB].
    pump_lobes : int
        Strokes of a cam-driven pump per cycle [unitless].
    pump_db : float
        Level of a pump stroke against the own tick [dB].
    rumble_db : float
        Combustion below 800 Hz against the noise [dB].
    hiss_db : float
        Broadband noise of combustion, rising at each firing, against the steady noise [dB].
    peak : float
        Highest sample of the finished recording, before gain control and clipping [unitless].
    chain : Chain
        Response from body to sample.
    agc_db, agc_attack_s, agc_release_s : float
        How far the phone's automatic gain pulls down a loud moment [dB], and its time constants [s]; 0 is off.
    suppression_db, suppression_s : float
        How far noise suppression takes everything down [dB] and its time constant [s]; 0 is off.
    clip : float
        Level at which samples clip [unitless]; 0 is off.
    drops, repeats : int
        Buffers of 20 ms lost (zero) or played twice [unitless].
    bumps, spikes, bursts_of_speech : int
        Knocks on the probe, electrical spikes, stretches of speech-like sound [unitless].
    slips_s : tuple of (float, float)
        Stretches in which the probe has lost contact [s].
    knocks : tuple of (float, int)
        Groups of knocks on bare metal: when each starts [s] and how many [unitless].
    """

    seconds: float = 60.0
    sr: int = 48_000
    seed: int = 0
    engine: Engine = field(default_factory=lambda: Engine(cylinders=6, cylinder=2, firing_order=(1, 5, 3, 6, 2, 4)))
    engine_seed: int | None = None
    begins_at: float = 0.0
    rpm: float = 700.0
    rpm_profile: tuple[tuple[float, float], ...] = ()
    wander: float = 0.01
    wander_s: float = 1.5
    unevenness: float = 0.0
    sag: float = 0.0
    tick_db: float = 20.0
    open_time_ms: float = 2.8
    scatter_us: float = 30.0
    gap_scatter_us: float = 10.0
    trim: float = 0.0
    trim_s: float = 1.5
    level_spread_db: float = 1.0
    level_drift_db: float = 0.0
    strike: float = 0.15
    weak_share: float = 0.0
    weak_db: float = 8.0
    weak_contact_ms: float = 0.0
    skipping: Skipping = Skipping.NONE
    skip_rate: float = 0.04
    burst: int = 5
    skip_events: tuple[int, ...] = ()
    mode_change_s: float = 0.0
    fuel_cut_s: tuple[tuple[float, float], ...] = ()
    silence_s: tuple[tuple[float, float], ...] = ()
    dead: tuple[int, ...] = ()
    neighbour_db: float = -10.0
    neighbour_spread_db: float = 3.0
    valves: int = 2
    valve_db: float = -8.0
    valve_spread_db: float = 0.0
    valve_variety: float = 1.0
    path_db: float = 0.0
    pump_lobes: int = 0
    pump_db: float = -8.0
    rumble_db: float = 15.0
    hiss_db: float = -6.0
    peak: float = 0.5
    chain: Chain = Chain.FLAT
    agc_db: float = 0.0
    agc_attack_s: float = 0.005
    agc_release_s: float = 0.3
    suppression_db: float = 0.0
    suppression_s: float = 2.0
    clip: float = 0.0
    drops: int = 0
    repeats: int = 0
    bumps: int = 0
    spikes: int = 0
    bursts_of_speech: int = 0
    slips_s: tuple[tuple[float, float], ...] = ()
    knocks: tuple[tuple[float, int], ...] = ()

    def __post_init__(self) -> None:
        if not 0 < self.seconds <= _LONGEST_S or self.sr < 2_000:
            raise ParameterError(
                f"seconds is {self.seconds:g} and rate {self.sr} Hz; expected more than 0 s, up to"
                f" {_LONGEST_S:g} s, and 2000 Hz or more: correct it"
            )
        if not isfinite(self.tick_db) or not 0 < self.open_time_ms < inf:
            raise ParameterError(
                f"tick is {self.tick_db:g} dB and open time {self.open_time_ms:g} ms; expected numbers, the open time"
                " more than 0 ms: correct them"
            )
        if self.seed < 0 or (self.engine_seed or 0) < 0:
            raise ParameterError(f"seed is {min(self.seed, self.engine_seed or 0)}; expected 0 or more: correct it")
        if not 0 <= self.trim < 1 or not self.trim_s > 0:
            raise ParameterError(
                f"trim is {self.trim:g} over {self.trim_s:g} s; expected 0 up to 1, and more than 0 s: correct it"
            )
        if self.burst < 1 or not 0 <= self.skip_rate <= 1:
            raise ParameterError(f"burst is {self.burst} and skip rate {self.skip_rate:g}; expected 1 or more, 0 to 1")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Truth:
    """What the simulator did.

    Parameters
    ----------
    scene : Scene
        The settings.
    due_s : ndarray, shape (n,)
        When each open tick was due by the crank [s].
    skipped, weak, hidden : ndarray of bool, shape (n,)
        Left out; faint; inside a stretch that the simulator damaged.
    heard_s : ndarray, shape (n,)
        When the open tick came, own scatter included; nan where skipped [s].
    open_time_ms : ndarray, shape (n,)
        Gap of each event; nan where skipped [ms].
    cycle_start_s : ndarray, shape (m,)
        When each engine cycle started [s].
    rpm : float
        Mean speed [1/min].
    spans : tuple of Span
        Damage done, and stretches in which no event is due.
    """

    scene: Scene
    due_s: FloatArray
    skipped: BoolArray
    weak: BoolArray
    hidden: BoolArray
    heard_s: FloatArray
    open_time_ms: FloatArray
    cycle_start_s: FloatArray
    rpm: float
    spans: tuple[Span, ...]
