"""What several recordings together say: how each was made, and the results of compare, swap, wiggle and verify.

Like ``results.py``: frozen, codes with figures, no arithmetic.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

from injsound.job_codes import (
    CompareVerdict,
    Exchange,
    GapKind,
    MarkedBy,
    Measure,
    Placing,
    Shaking,
    Stage,
    SwapVerdict,
    VerifyVerdict,
    Why,
    WiggleVerdict,
)
from injsound.results import Reading
from injsound.values import Figure


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Reason:
    """A reason with its figures.

    Parameters
    ----------
    why : Why
        What is said.
    figures : mapping of str to number or str
        Those that the reason lists.
    """

    why: Why
    figures: Mapping[str, Figure] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Misfires:
    """What the control unit says of misfires at one stage.

    Parameters
    ----------
    codes : tuple of str
        Stored and pending trouble codes.
    counts : mapping of int to int
        Misfire counters by cylinder [unitless].
    """

    codes: tuple[str, ...] = ()
    counts: Mapping[int, int] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class FreezeFrame:
    """The moment at which a code was set, as the control unit kept it; None where not entered.

    Parameters
    ----------
    rpm, coolant_c, load_percent : float or None
        Speed [1/min], coolant temperature [degree Celsius], calculated load [%].
    """

    rpm: float | None = None
    coolant_c: float | None = None
    load_percent: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Place:
    """Where the tick of one recording lies among its fellows'.

    Parameters
    ----------
    placing : Placing
        What was found.
    neighbour : int or None
        Whose place the tick lies at, where it is another's.
    off_ms : float or None
        From that place to the tick [ms].
    contrast : float or None
        How many times worse its sound fits the others' at the next best place [unitless].
    """

    placing: Placing
    neighbour: int | None = None
    off_ms: float | None = None
    contrast: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Take:
    """A reading and how it was made.

    Parameters
    ----------
    reading : Reading
        What the recording says.
    cylinder : int
        Where the probe was.
    injector, connector : str
        Labels of the parts, apart from the cylinder.
    stage : Stage
        Before, swapped or after.
    condition : str
        Such as "cold", "warm idle", "warm restart"; never mixed in one comparison.
    shaking : Shaking
        Whether the engine shook while it was recorded.
    coolant_c, load_percent, pulse_width_ms : float or None
        By the scan tool: coolant temperature [degree Celsius], load [%], injection pulse [ms].
    place : Place or None
        Whose tick it holds, once it was laid over one crank with its fellows.
    """

    reading: Reading
    cylinder: int
    injector: str = ""
    connector: str = ""
    stage: Stage = Stage.BEFORE
    condition: str = ""
    shaking: Shaking = Shaking.UNKNOWN
    coolant_c: float | None = None
    load_percent: float | None = None
    pulse_width_ms: float | None = None
    place: Place | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Arm:
    """One side of a test: time blocks, and those in which a skip episode began.

    Parameters
    ----------
    episodes : int
        Skips that lie close together count once.
    blocks : int
        Judged time in units of one episode's reach.
    expected_false : float
        Episodes expected from wrong calls alone.
    missed_share : float
        Share of true skips that were probably called heard.
    skipped, judged : int
        The events themselves, for description.
    judged_s : float
        How long the judged ones last together; of a silent place the whole recording [s].
    """

    episodes: int
    blocks: int
    expected_false: float = 0.0
    missed_share: float = 0.0
    skipped: int = 0
    judged: int = 0
    judged_s: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Side:
    """One cylinder in a comparison.

    Parameters
    ----------
    cylinder : int
        Which.
    arm : Arm or None
        Its skips; None where the recording could not be counted.
    p : mapping of Measure to float
        Probability of standing out as much by chance, corrected for all looks together.
    steadiness_us, open_time_ms : float or None
        Its timing figure and its median open time.
    coolant_c, pulse_width_ms : float or None
        As entered: coolant temperature [degree Celsius], injection pulse [ms].
    silent : bool
        Whether nothing ticks there.
    """

    cylinder: int
    arm: Arm | None
    p: Mapping[Measure, float]
    steadiness_us: float | None = None
    open_time_ms: float | None = None
    coolant_c: float | None = None
    pulse_width_ms: float | None = None
    silent: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Comparison:
    """Result of `findings.compare.compare_injectors`; ``places`` one per recording, ``files`` those that count."""

    verdict: CompareVerdict
    odd: tuple[int, ...]
    sides: tuple[Side, ...]
    reasons: tuple[Reason, ...]
    condition: str
    record_s: float | None
    places: tuple[Place, ...] = ()
    files: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SwapFinding:
    """Result of `findings.swap.find_fault`; ``cells`` by cylinder and stage.

    ``p_injector`` and ``p_cylinder`` are the probabilities that chance alone puts the skips with the injector, or with
    its circuit; ``faulty`` is the cylinder that skipped before; ``second`` is what the control unit's misfires say.
    """

    verdict: SwapVerdict
    cells: Mapping[tuple[int, Stage], Arm]
    reasons: tuple[Reason, ...]
    p_injector: float | None
    p_cylinder: float | None
    record_s: float | None
    exchange: Exchange = Exchange.INJECTORS
    faulty: int | None = None
    second: tuple[Reason, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Stretch:
    """A stretch of a recording.

    Parameters
    ----------
    from_s, to_s : float
        Start and end [s].
    moved : bool
        Whether the wiring was moved in it.
    """

    from_s: float
    to_s: float
    moved: bool


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WiggleFinding:
    """Result of `findings.wiggle.find_gathering`.

    ``marks`` are groups of three knocks, where they mark; ``stretches`` those compared, each with a judged tick, none
    where nothing is shown.
    """

    verdict: WiggleVerdict
    moved: Arm
    still: Arm
    moved_unjudged: float
    still_unjudged: float
    p: float | None
    reasons: tuple[Reason, ...]
    marked_by: MarkedBy = MarkedBy.TIMES
    marks: int = 0
    stretches: tuple[Stretch, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AtSpeed:
    """The open time at one speed.

    Parameters
    ----------
    rpm : float
        Engine speed [1/min].
    open_time_ms, error_ms : float or None
        Median gap and its standard error, that of reading two onsets included; None where too few were measured [ms].
    count : int
        Gaps measured [unitless].
    pulse_width_ms : float or None
        By the scan tool [ms].
    """

    rpm: float
    open_time_ms: float | None
    error_ms: float | None
    count: int
    pulse_width_ms: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TwoSpeedFinding:
    """Result of `findings.two_speed.compare_speeds`.

    ``solenoid_ms`` and ``mechanical_ms`` are from where to where the faster gap would lie were it the one or the other.
    """

    verdict: GapKind
    cylinder: int
    slow: AtSpeed
    fast: AtSpeed
    solenoid_ms: tuple[float, float] | None
    mechanical_ms: tuple[float, float] | None
    reasons: tuple[Reason, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class VerifyFinding:
    """Result of `findings.verify.verify_repair`; the change is after minus before, as a share of events."""

    verdict: VerifyVerdict
    before: Arm | None
    after: Arm
    rate_high: float | None
    change: float | None
    change_low: float | None
    change_high: float | None
    restarts_needed: int | None
    reasons: tuple[Reason, ...]
    record_s: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Findings:
    """What the recordings of a case say together; None where nothing was recorded for it.

    ``unlike`` says that none was made as the engine ran when its code was set.
    """

    takes: tuple[Take, ...] = ()
    unlike: Reason | None = None
    comparison: Comparison | None = None
    two_speed: tuple[TwoSpeedFinding, ...] = ()
    wiggle: WiggleFinding | None = None
    swap: SwapFinding | None = None
    verification: VerifyFinding | None = None
