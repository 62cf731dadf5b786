"""What one recording says of an injector: a `Reading`, and the results that it is made of.

Results are frozen, hold arrays read-only and compute nothing. Times are seconds from the first decoded sample of the
file; phases are cycles of 720 degrees (0 up to 1). Reasons, warnings and next steps are codes with figures: ``show/``
turns them into sentences.
"""

from dataclasses import dataclass, field

import numpy as np

from injsound.codes import Neighbours, Pattern, State, Verdict
from injsound.engine import Engine
from injsound.values import FloatArray, KnockGroup, Note, Span, freeze_arrays

SCHEMA = 1


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Events:
    """The due events of one injector, one row each.

    Parameters
    ----------
    time_s : ndarray, shape (n,)
        When the open tick was due [s].
    state : tuple of State, length n
        What became of each.
    skip_probability : ndarray, shape (n,)
        Probability that the event was skipped; nan where unjudged [unitless].
    heard_at_s : ndarray, shape (n,)
        When the tick was heard; nan where it was not, or too faintly to be timed [s].
    level_db : ndarray, shape (n,)
        Level of the tick relative to full scale; nan where not heard, or too faintly [dB].
    open_time_ms : ndarray, shape (n,)
        Gap between open and close tick; nan where not found [ms].
    neighbours : tuple of Neighbours, length n
        Were the engine's other sounds there in that cycle.
    """

    time_s: FloatArray
    state: tuple[State, ...]
    skip_probability: FloatArray
    heard_at_s: FloatArray
    level_db: FloatArray
    open_time_ms: FloatArray
    neighbours: tuple[Neighbours, ...]

    def __post_init__(self) -> None:
        freeze_arrays(self)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Firing:
    """Speed and interval.

    Parameters
    ----------
    interval_s : float
        Mean interval between this injector's ticks [s].
    rpm, rpm_low, rpm_high : float
        Mean, lowest and highest engine speed, over cycles smoothed by 10 [1/min].
    wander_percent : float
        Standard deviation of the smoothed speed over its mean [%].
    cycle_variation_percent : float
        Standard deviation of the cycle length about its 10-cycle trend over its mean [%].
    events_per_revolution : float
        0.5 sequential, 1.0 batch [1/revolution].
    """

    interval_s: float
    rpm: float
    rpm_low: float
    rpm_high: float
    events_per_revolution: float
    wander_percent: float | None = None
    cycle_variation_percent: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Skips:
    """The count.

    Parameters
    ----------
    due, judged, skipped : int
        Events due, events judged, events called skipped [unitless].
    rate : float or None
        skipped / judged [unitless].
    rate_low, rate_high : float or None
        Limits at ``confidence``; with no skips ``rate_high`` is the one-sided bound and ``rate_low`` 0 [unitless].
    confidence : float
        0.95 [unitless].
    pattern : Pattern
        How the skips lie in time.
    pattern_p : float or None
        Exact two-sided p-value of the runs test [unitless].
    expected_false, expected_missed : float
        How many of the skip calls are expected to be wrong, and how many skips were probably called heard [unitless].
    """

    due: int
    judged: int
    skipped: int
    rate: float | None
    rate_low: float | None
    rate_high: float | None
    confidence: float
    pattern: Pattern
    pattern_p: float | None
    expected_false: float
    expected_missed: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Jitter:
    """Timing of the heard ticks, skip intervals excluded; None where a figure cannot be given.

    In a `Reading` that of the first chapter that was counted, of three minutes and a half at most: it is long enough.

    Parameters
    ----------
    time_interval_error_us : float or None
        RMS of heard time against the 10-cycle trend [us].
    period_us : float or None
        Standard deviation of the interval, trend removed [us].
    cycle_to_cycle_us : float or None
        RMS of the difference of adjacent intervals [us].
    own_scatter_us, own_scatter_low_us, own_scatter_high_us : float or None
        The tick's own scatter against the engine's cycle, with its 95 % interval [us].
    engine_unevenness_us : float or None
        What the engine's own unevenness leaves at the tick's place [us].
    ratio : float or None
        cycle_to_cycle_us / period_us; 1.73 for scatter of the tick, 1.41 or less for the engine [unitless].
    lag1 : float or None
        Correlation of adjacent intervals; -0.5 for scatter of the tick [unitless].
    alternation_us : float or None
        Half the mean difference of odd and even ticks [us].
    count : int
        Intervals used [unitless].
    """

    time_interval_error_us: float | None = None
    period_us: float | None = None
    cycle_to_cycle_us: float | None = None
    own_scatter_us: float | None = None
    own_scatter_low_us: float | None = None
    own_scatter_high_us: float | None = None
    engine_unevenness_us: float | None = None
    ratio: float | None = None
    lag1: float | None = None
    alternation_us: float | None = None
    count: int = 0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OpenTime:
    """Gap between open and close tick.

    Parameters
    ----------
    median_ms, spread_ms, drift_ms : float or None
        Median, scaled median absolute deviation, last fifth minus first fifth [ms].
    count : int
        Events with a gap [unitless].
    """

    median_ms: float | None = None
    spread_ms: float | None = None
    drift_ms: float | None = None
    count: int = 0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class QualityFigures:
    """How good the evidence is.

    Parameters
    ----------
    tick_over_noise_db : float or None
        Peak of the tick over the rms of the noise above 1.5 kHz [dB].
    separation : float or None
        Distance of heard from missing ticks in standard deviations [unitless].
    unjudged_seconds : float
        Length of all spans that may not be judged, joined [s].
    bandwidth_hz : float or None
        Highest frequency with sound [Hz].
    warnings : tuple of Note
        Codes with figures.
    """

    tick_over_noise_db: float | None
    separation: float | None
    unjudged_seconds: float
    bandwidth_hz: float | None
    warnings: tuple[Note, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Picture:
    """What a stored reading needs to be drawn again.

    Parameters
    ----------
    rows : ndarray of float32, shape (n_cycles, n_bins)
        Click energy over the cycle, one row a cycle, own tick at ``own_phases`` [unitless].
    row_times_s : ndarray, shape (n_cycles,)
        Time at which each row starts [s].
    profile : ndarray, shape (n_bins,)
        Mean of the rows [unitless].
    own_phases : tuple of float
        Where this injector's open tick lies in the row; two in batch mode [cycles].
    mean_tick : ndarray, shape (n,)
        Mean waveform of the heard ticks, band-passed, peak 1; empty where there is none [unitless].
    mean_tick_s : ndarray, shape (n,)
        Time of each sample of ``mean_tick`` from the open tick [s].
    halves : ndarray of float32, shape (2, n_bands, 720)
        Mean onset strength per band and degree of crank over odd and over even cycles, from where the rows start;
        empty where it was not kept [unitless].
    candidates : tuple of float
        Where in the row the ticks lie that could be this injector's: its own, or those between which the recording
        cannot tell [cycles].
    empty_phases : tuple of float
        Where this injector would tick but is silent, where that place is known [cycles].
    others_phases : tuple of float
        Where the others tick then [cycles].
    """

    rows: FloatArray
    row_times_s: FloatArray
    profile: FloatArray
    own_phases: tuple[float, ...]
    mean_tick: FloatArray
    mean_tick_s: FloatArray
    halves: FloatArray = field(default_factory=lambda: np.zeros((2, 0, 720), dtype=np.float32))
    candidates: tuple[float, ...] = ()
    empty_phases: tuple[float, ...] = ()
    others_phases: tuple[float, ...] = ()

    def __post_init__(self) -> None:
        freeze_arrays(self)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class NeighbourPlaces:
    """What is heard at the other injectors' places, seen from the tick taken for the own one.

    Parameters
    ----------
    over_db : float
        That tick's mean power over that of the loudest of them [dB].
    chances : tuple of float
        Probability of so sharp a rise at each of them if nothing ticks there, in the order in which they tick after the
        own one [unitless].
    """

    over_db: float
    chances: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Reading:
    """Everything one recording says about one injector.

    Parameters
    ----------
    file : str
        The name the person gave.
    sha256 : str
        Of the file's bytes, in hexadecimal; empty where none was given.
    seconds : float
        Length of the recording [s].
    sample_rate_hz : int
        As decoded [Hz].
    codec : str
        Such as ``"pcm_s16le"``, ``"aac"``, ``"amrnb"``.
    channel : int
        Which was used, counted from 1 [unitless].
    engine : Engine
        What was told of the engine.
    verdict : Verdict
        What it shows.
    reasons : tuple of Note
        Why, the first one first; codes with figures.
    next_step : Note
        The one thing to do next.
    firing : Firing or None
        Speed and interval; None where fewer than ten cycles were followed.
    alternatives : tuple of Firing
        The same interval read with the other injection mode; empty where a speed was typed.
    events : Events
        Every event that was due, in order.
    spans : tuple of Span
        Stretches that may not be judged, or in which nothing was due; sorted by start, may overlap [s].
    skips : Skips
        The count.
    jitter : Jitter
        Timing of the heard ticks.
    open_time : OpenTime
        From the open to the close tick, over all events.
    neighbours : Neighbours
        Were the engine's other sounds there where ticks are missing; with none missing, could they be heard at all.
    quality : QualityFigures
        How good the evidence is.
    picture : Picture or None
        What a picture is drawn from; None where no cycle was followed, or none was kept.
    knocks : tuple of KnockGroup
        Knocks and bumps by groups, in order.
    neighbour_places : NeighbourPlaces or None
        What is heard at the other injectors' places; None where these are not known, or no tick was taken for the own
        one.
    """

    file: str
    sha256: str
    seconds: float
    sample_rate_hz: int
    codec: str
    channel: int
    engine: Engine
    verdict: Verdict
    reasons: tuple[Note, ...]
    next_step: Note
    firing: Firing | None
    alternatives: tuple[Firing, ...]
    events: Events
    spans: tuple[Span, ...]
    skips: Skips
    jitter: Jitter
    open_time: OpenTime
    neighbours: Neighbours
    quality: QualityFigures
    picture: Picture | None
    knocks: tuple[KnockGroup, ...] = ()
    neighbour_places: NeighbourPlaces | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Failure:
    """A file that could not be read as a recording.

    Parameters
    ----------
    file : str
        The name the person gave.
    code : str
        Stable word for programs.
    message : str
        One line for a person.
    """

    file: str
    code: str
    message: str
