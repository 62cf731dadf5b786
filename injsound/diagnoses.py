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
    Reversal,
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
        Skips that lie close together count once [unitless].
    blocks : int
        Judged time in units of one episode's reach [unitless].
    expected_false : float
        Episodes expected from wrong calls alone [unitless].
    missed_share : float
        Share of true skips that were probably called heard [unitless].
    skipped, judged : int
        The events themselves, for description [unitless].
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
        Probability of standing out as much by chance, corrected for all looks together [unitless].
    steadiness_us, open_time_ms, open_spread_ms : float or None
        Its cycle-to-cycle jitter [us], its median open time and how far that strays from event to event [ms].
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
    open_spread_ms: float | None = None
    coolant_c: float | None = None
    pulse_width_ms: float | None = None
    silent: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Comparison:
    """Result of `findings.compare.compare_injectors`.

    Parameters
    ----------
    verdict : CompareVerdict
        Whether one is odd, several, none, or not shown.
    odd : tuple of int
        Cylinders that stand out.
    sides : tuple of Side
        One per cylinder.
    reasons : tuple of Reason
        Evidence first, then what is told beside it and what stands against it.
    condition : str
        The engine's, as the recordings name it; empty where they name several or none.
    record_s : float or None
        How much longer to record each; None where that would not help [s].
    places : tuple of Place
        One per recording given; empty where they were not laid over one crank.
    files : tuple of str
        Recordings that count; empty where none may be compared.
    """

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
    """Result of `findings.swap.find_fault`.

    Parameters
    ----------
    verdict : SwapVerdict
        Where the fault went.
    cells : mapping of (int, Stage) to Arm
        Skips by cylinder, before the swap and after it; of recordings that were counted.
    reasons : tuple of Reason
        Evidence, or why nothing is shown.
    p_injector, p_cylinder : float or None
        Probability that chance alone puts the skips with the injector, and with its circuit; None where the four cells
        were not compared [unitless].
    record_s : float or None
        How much longer to record each; None where that would not help [s].
    exchange : Exchange
        What changed places by the labels.
    faulty : int or None
        Cylinder that skipped before the swap.
    second : tuple of Reason
        What the control unit's misfires say.
    reversal : Reversal or None
        Whether the fault went back with the parts; None where that was not recorded, or no fault was placed.
    undone : mapping of int to Arm
        Skips by cylinder once they were changed back.
    open_questions : tuple of Reason
        Why it is not shown whether the fault went back.
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
    reversal: Reversal | None = None
    undone: Mapping[int, Arm] = field(default_factory=dict)
    open_questions: tuple[Reason, ...] = ()


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

    Parameters
    ----------
    verdict : WiggleVerdict
        Whether skips gather while the wiring is moved.
    moved, still : Arm
        Skips of both sides, as they were tested.
    moved_unjudged, still_unjudged : float
        Share of each side's ticks that could not be judged [unitless].
    p : float or None
        Probability of so much more while moved by chance, one-sided; None where too little was recorded to ask
        [unitless].
    reasons : tuple of Reason
        Evidence, or why nothing is shown.
    marked_by : MarkedBy
        What says where it was moved.
    marks : int
        Groups of three knocks, where they mark [unitless].
    stretches : tuple of Stretch
        Those compared, each with a judged tick; none where nothing is shown.
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

    Parameters
    ----------
    verdict : GapKind
        Whose gap it is.
    cylinder : int
        Whose recordings.
    slow, fast : AtSpeed
        The gap at the lower speed and at the higher.
    solenoid_ms, mechanical_ms : tuple of float or None
        From where to where the faster gap would lie were it the one or the other; None where not known [ms].
    reasons : tuple of Reason
        Evidence, or why nothing is shown.
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
    """Result of `findings.verify.verify_repair`.

    Parameters
    ----------
    verdict : VerifyVerdict
        Whether the repair is shown to be good.
    before, after : Arm or None
        Skips of the repaired cylinder; ``before`` is None where nothing was counted, ``after`` is empty then.
    rate_high : float or None
        Share of ticks that may still be missing, one-sided at 95 %; None where none was judged [unitless].
    row : float
        Skips in a bad moment before the repair, where none is left; 0 where ticks dropped out singly [unitless].
    change, change_low, change_high : float or None
        Share missing after, less that before, with its 95 % limits; None where either was not counted [unitless].
    restarts_needed : int or None
        Clean restarts that show a fault of the start gone; None where restarts do not matter [unitless].
    reasons : tuple of Reason
        What keeps it from being good, or the bound; then what lies in line with its fellows.
    record_s : float or None
        How much longer to record since the repair; None where nothing is missing or that would not help [s].
    """

    verdict: VerifyVerdict
    before: Arm | None
    after: Arm
    rate_high: float | None
    row: float
    change: float | None
    change_low: float | None
    change_high: float | None
    restarts_needed: int | None
    reasons: tuple[Reason, ...]
    record_s: float | None

    @property
    def rate_high_in_rows(self) -> float | None:
        """Share of ticks that may still be missing if what is left comes in such rows; None without one [unitless]."""
        return min(1.0, self.rate_high * self.row) if self.row and self.rate_high is not None else None


@dataclass(frozen=True, slots=True, kw_only=True)
class Findings:
    """What the recordings of a case say together; None where nothing was recorded for it.

    Parameters
    ----------
    takes : tuple of Take
        Recordings as their fellows leave them.
    unlike : Reason or None
        That none was made as the engine ran when its code was set.
    comparison : Comparison or None
        Of the injectors before any swap.
    two_speed : tuple of TwoSpeedFinding
        By cylinder.
    wiggle : WiggleFinding or None
        Of the first recording that shows something.
    swap : SwapFinding or None
        Of the two cylinders that changed parts.
    verification : VerifyFinding or None
        Of the repaired cylinder.
    """

    takes: tuple[Take, ...] = ()
    unlike: Reason | None = None
    comparison: Comparison | None = None
    two_speed: tuple[TwoSpeedFinding, ...] = ()
    wiggle: WiggleFinding | None = None
    swap: SwapFinding | None = None
    verification: VerifyFinding | None = None
