"""Every result type, its words and codes.

Results are frozen, hold arrays read-only and compute nothing. Times are seconds from the first decoded sample of the
file; phases are cycles of 720 degrees (0 up to 1). Reasons, warnings and next steps are codes with figures: ``show/``
turns them into sentences.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from enum import StrEnum
from typing import Any

import numpy as np
import numpy.typing as npt

from injsound.engine import Engine

FloatArray = npt.NDArray[np.floating[Any]]
Figure = float | int | str | None
SCHEMA = 1
# In less no cycle repeats; every stage has a few thousand samples to look at.
SHORTEST_CHAPTER_S = 1.0
# So many knocks mark a change between still and moved.
KNOCKS_THAT_MARK = 3


class Verdict(StrEnum):
    """What the recording shows about the injector."""

    STEADY = "steady"
    SKIPPING = "skipping"
    NO_TICK = "no tick"
    CANNOT_TELL = "cannot tell"


class State(StrEnum):
    """What became of one due event."""

    HEARD = "heard"
    WEAK = "weak"
    SKIPPED = "skipped"
    UNJUDGED = "unjudged"


class Pattern(StrEnum):
    """How the skips lie in time."""

    NONE = "none"
    SCATTERED = "scattered"
    BURSTS = "bursts"
    REGULAR = "regular"
    TOO_FEW = "too few"


class Neighbours(StrEnum):
    """Whether the engine's other sounds were there where a tick was missing."""

    HEARD = "heard"
    NOT_HEARD = "not heard"
    NOT_CHECKED = "not checked"


class SpanKind(StrEnum):
    """A stretch of the recording with something to say about it. See ``UNJUDGED_KINDS``."""

    GAP = "gap"
    """Sound missing from the file's stream, filled with silence."""
    SILENCE = "digital silence"
    REPEATED = "repeated buffer"
    CLIPPED = "clipped"
    BUMP = "bump"
    """Handling, a knock on the probe, cable noise."""
    LOUD = "loud sound"
    """Speech or another burst louder than the engine."""
    GAIN = "gain pumped down"
    SPIKE = "electrical spike"
    SLIPPED = "probe slipped"
    END = "end of recording"
    NO_LOCK = "no lock"
    """The engine's cycle could not be followed here."""
    ENGINE_SILENT = "engine silent"
    """The whole engine fell silent together: no event is due."""
    ONCE_PER_REVOLUTION = "once per revolution"
    """Another injection mode, as in the first seconds after a start: no skip is counted."""


# In these spans a due event may not be judged; in ENGINE_SILENT no event is due at all.
UNJUDGED_KINDS = frozenset(SpanKind) - {SpanKind.ENGINE_SILENT}


class ReasonCode(StrEnum):
    """Why a verdict was reached; the figures of each are listed beside it."""

    SKIPS_FOUND = "skips found"  # skipped, judged, expected_false
    NO_SKIPS = "no skips"  # judged, rate_high
    FEW_CALLS = "few calls"  # skipped, judged, expected_false: no more than wrong calls alone would give
    TOO_FEW_EVENTS = "too few events"  # judged, needed
    MISSES_POSSIBLE = "misses possible"  # expected_missed, judged: a real fault could have been overlooked
    ONE_STRETCH = "one stretch"  # skipped, seconds: missing in one stretch only, as when fuel is cut off on overrun
    MOSTLY_MISSING = "mostly missing"  # skipped, judged: what ticks in the rest may be another sound
    UNCERTAIN_CALLS = "uncertain calls"  # skipped, expected_false: calls do not clearly exceed wrong calls
    WEAK_SEPARATION = "weak separation"  # separation, needed: heard and missing ticks look alike
    FAINT = "faint"  # the engine is heard, but no tick stands out of it
    NO_LOCK = "no lock"  # no repeating engine cycle was found
    NOT_A_RECORDING_OF_AN_ENGINE = "no engine"  # nothing repeats, nothing ticks
    OWN_PLACE_SILENT = "own place silent"  # neighbours' ticks are heard, nothing at the injector's own place
    ENGINE_TICKS_ONLY = "engine ticks only"  # ticks heard, but none like an injector's
    TWO_CANDIDATES = "two candidates"  # ratio: two ticks could be this injector's
    MAY_BE_NEIGHBOUR = "may be neighbour"  # judged: steady, but it may be a neighbour's tick beside a dead injector
    PARTNER_HIDES = "partner hides"  # partner ticks coincide and can hide a skip
    MANY_UNJUDGED = "many unjudged"  # unjudged, due
    TICKS_FADE = "ticks fade"  # fade_db: the phone's noise suppression takes the ticks away
    SPEECH_CODEC = "speech codec"  # codec, bandwidth_hz
    RPM_CONTRADICTED = "rpm contradicted"  # rpm_given, rpm_heard
    TICK_UNLIKE_INJECTOR = "tick unlike injector"  # the candidate may be a valve's


# Doubts whose tick it is: the other injectors' places, or their recordings, may settle them.
WHOSE_TICK = frozenset({ReasonCode.TWO_CANDIDATES, ReasonCode.MAY_BE_NEIGHBOUR})


class WarningCode(StrEnum):
    """Something about the recording the person should know."""

    CLIPPED = "clipped"  # seconds
    GAPS = "gaps"  # count, seconds
    DROPOUTS = "dropouts"  # count, seconds
    REPEATED = "repeated"  # count, seconds
    BUMPS = "bumps"  # count
    LOUD_SOUNDS = "loud sounds"  # count, seconds
    GAIN_PUMPED = "gain pumped"  # count, seconds
    NOISE_SUPPRESSION = "noise suppression"  # fade_db
    NARROW_BAND = "narrow band"  # bandwidth_hz
    SPEECH_CODEC = "speech codec"  # codec, bandwidth_hz
    SPIKES = "electrical spikes"  # count
    PROBE_SLIPPED = "probe slipped"  # count, seconds
    QUIET = "quiet"  # level_db
    CUT_OFF = "cut off"  # seconds: the file ended early, what came was used
    CHANNEL_CHOSEN = "channel chosen"  # channel, channels
    CHANNELS_DIFFER = "channels differ"  # channel, channels
    ANOTHER_STREAM = "another stream"  # streams: the file holds several sound tracks
    CYCLE_LOST = "cycle lost"  # seconds: the engine's cycle could not be followed there, nothing was counted
    RPM_ESTIMATED = "rpm estimated"  # rpm
    RPM_CONTRADICTED = "rpm contradicted"  # rpm_given, rpm_heard
    NEIGHBOUR_COINCIDES = "neighbour coincident"  # partners tick at the same instant (batch)
    NEIGHBOURS_NOT_HEARD = "neighbours not heard"  # the engine's other sounds could not be checked
    ENGINE_SILENT = "engine silent"  # count, seconds
    MODE_CHANGED = "mode changed"  # seconds
    ENGINE_UNEVEN = "engine uneven"  # unevenness_us: hides the tick's own scatter
    NO_TIMING = "no timing"  # codec: the codec does not keep time well enough for jitter
    SECOND_OPINION = "second opinion"  # skipped, judged, agree, differ
    NO_SECOND_OPINION = "no second opinion"  # heard, judged: too few of the ticks for an opinion


class StepCode(StrEnum):
    """The one next step."""

    RECORD_LONGER = "record longer"  # seconds
    RECORD_AGAIN_CLOSER = "record again closer"  # probe on the injector's body, clamped
    RECORD_UNPROCESSED = "record unprocessed"  # noise suppression / voice processing off
    RECORD_UNDISTURBED = "record undisturbed"  # hands still, quiet place
    RECORD_AT_ONE_SPEED = "record at one speed"  # the pedal left alone: no fuel cut-off
    RECORD_OWN_INJECTOR = "record own injector"  # the probe may be on a neighbour or a valve
    RECORD_SPREAD = "record spread"  # batch mode: crossed sound; record with a clamp or on the body
    CHECK_RPM = "check rpm"  # rpm_given, rpm_heard
    COMPARE_OTHERS = "compare others"  # record the other injectors the same way, then exchange two
    RECORD_IN_FAULT = "record in fault"  # steady here; record while it shakes
    RECORD_FOR_GOAL = "record for goal"  # seconds: the same, and how long for the bound asked for
    CHECK_DRIVE = "check drive"  # nothing ticks at its place: drive signal, connector, then a fellow's recording


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Note:
    """A code with its figures.

    Parameters
    ----------
    code : ReasonCode, WarningCode or StepCode
        What is said.
    figures : mapping of str to number or str
        The figures named beside the code's definition, in the unit the name ends with.
    """

    code: ReasonCode | WarningCode | StepCode
    figures: Mapping[str, Figure] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Span:
    """A stretch of time.

    Parameters
    ----------
    from_s, to_s : float
        Start and end, end excluded [s].
    kind : SpanKind
        What it is.
    """

    from_s: float
    to_s: float
    kind: SpanKind


@dataclass(frozen=True, slots=True, kw_only=True)
class KnockGroup:
    """Knocks or bumps close together; three alike mark a change between still and moved.

    Parameters
    ----------
    from_s, to_s : float
        From the first knock to the end of the last [s].
    count : int
        How many; a lone one may be handling [unitless].
    alike : bool
        Whether they sound like most knocks of the recording's groups of three.
    """

    from_s: float
    to_s: float
    count: int
    alike: bool = True


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Recording:
    """One chapter of a decoded file: one channel, bounded length.

    Parameters
    ----------
    y : ndarray of float32, shape (n,)
        Samples, full scale 1.0; decoders may pass it a little [unitless].
    sr : int
        Sampling rate [Hz].
    start_s : float
        Time of ``y[0]`` from the file's first decoded sample [s].
    file : str
        The name the person gave.
    codec : str
        Such as ``"pcm_s16le"``, ``"aac"``, ``"amrnb"``.
    channel, channels : int
        Which channel this is, counted from 1, of how many [unitless].
    gaps : tuple of Span
        Holes in the stream that were filled with zeros, in file time [s].
    warnings : tuple of Note
        What the decoder noticed about the file (the same on each chapter, or on the last one where met at the end).
    final : bool
        True for the last chapter.
    """

    y: FloatArray
    sr: int
    start_s: float = 0.0
    file: str = ""
    codec: str = ""
    channel: int = 1
    channels: int = 1
    gaps: tuple[Span, ...] = ()
    warnings: tuple[Note, ...] = ()
    final: bool = True

    def __post_init__(self) -> None:
        _freeze_arrays(self)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Quality:
    """What may not be judged in a chapter, and what to tell the person.

    Parameters
    ----------
    spans : tuple of Span
        Sorted by start; may overlap [s].
    warnings : tuple of Note
        Codes with figures.
    bandwidth_hz : float
        Highest frequency at which the recording still carries sound [Hz].
    """

    spans: tuple[Span, ...]
    warnings: tuple[Note, ...]
    bandwidth_hz: float

    @property
    def blind(self) -> tuple[Span, ...]:
        """Those whose sound says nothing of the ticks in them."""
        return tuple(span for span in self.spans if span.kind in UNJUDGED_KINDS)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OnsetStrength:
    """Band energies at a sub-millisecond hop, compressed.

    Parameters
    ----------
    bands : ndarray of float32, shape (n_bands, n_frames)
        ``log(1 + energy / median)`` per band [unitless].
    hop_s : float
        Time between frames [s].
    start_s : float
        Time of the centre of frame 0 [s].
    """

    bands: FloatArray
    hop_s: float
    start_s: float

    def __post_init__(self) -> None:
        _freeze_arrays(self)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CycleClock:
    """The map between time and engine cycle, linear between knots.

    Parameters
    ----------
    times_s : ndarray, shape (n_knots,)
        Strictly increasing times [s].
    cycles : ndarray, shape (n_knots,)
        Engine cycle (720 degrees) reached at each time, strictly increasing [cycles].
    """

    times_s: FloatArray
    cycles: FloatArray

    def __post_init__(self) -> None:
        _freeze_arrays(self)


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
        When the tick was heard; nan where it was not [s].
    level_db : ndarray, shape (n,)
        Level of the tick relative to full scale; nan where not heard [dB].
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
        _freeze_arrays(self)


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
        _freeze_arrays(self)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Reading:
    """Everything one recording says about one injector."""

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


def _freeze_arrays(result: object) -> None:
    for item in fields(result):  # type: ignore[arg-type]  # every caller is a dataclass instance
        value = getattr(result, item.name)
        if isinstance(value, np.ndarray) and value.flags.writeable:
            frozen = value.view()
            frozen.flags.writeable = False
            object.__setattr__(result, item.name, frozen)
