"""What several recordings together say: their circumstances, and the result types of compare, swap, wiggle and verify.

Like ``results.py``: frozen, codes with figures, no arithmetic. Every verdict has a member for "not shown".
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from injsound.results import Figure, Reading


class Stage(StrEnum):
    """When a recording was made."""

    BEFORE = "before"
    SWAPPED = "swapped"
    AFTER = "after"


class Condition(StrEnum):
    """Common names of the engine's condition; a case may name others."""

    COLD = "cold"
    WARM_RESTART = "warm restart"
    WARM_IDLE = "warm idle"
    WARM = "warm"
    HOT = "hot"


class Shaking(StrEnum):
    """Whether the engine shook while it was recorded: a reading made while it ran well clears nothing."""

    YES = "yes"
    NO = "no"
    UNKNOWN = "unknown"


class Placing(StrEnum):
    """Where in the firing order the tick of a recording lies, once the engine's common sound has laid all over one."""

    AT_PLACE = "at its place"
    NEIGHBOUR = "at another's place"
    SILENT = "silent at its place"
    NOT_SHOWN = "not shown"


class Measure(StrEnum):
    """By what an injector stands out of its fellows."""

    SKIPS = "skips"
    STEADINESS = "steadiness"
    OPEN_TIME = "open time"


class CompareVerdict(StrEnum):
    """Which injector of one engine is the odd one."""

    ODD_ONE = "odd one"
    SEVERAL = "several"
    NONE = "none"
    NOT_SHOWN = "not shown"


class SwapVerdict(StrEnum):
    """Where the fault went when two injectors, or their connectors, changed places."""

    FOLLOWS_INJECTOR = "follows the injector"
    STAYS_WITH_CYLINDER = "stays with the cylinder"
    BOTH = "both"
    NEITHER = "neither"
    NOT_SHOWN = "not shown"


class Exchange(StrEnum):
    """What changed places in a swap."""

    INJECTORS = "injectors"
    CONNECTORS = "connectors"
    ASSUMED = "assumed"
    """No labels say it: taken as injectors."""


class WiggleVerdict(StrEnum):
    """Whether skips gather while the wiring is moved."""

    GATHERS = "gathers while moved"
    DOES_NOT = "does not gather"
    TOO_FEW = "too few"
    NOT_SHOWN = "not shown"
    """The recording could not be counted, or its marks are not sure."""


class GapKind(StrEnum):
    """Whose open time it is, by two speeds."""

    SOLENOID = "solenoid"
    MECHANICAL = "mechanical"
    NOT_SHOWN = "not shown"


class MarkedBy(StrEnum):
    """What says where the wiring was moved and where not."""

    TIMES = "times"
    CASE = "case"
    KNOCKS = "knocks"


class VerifyVerdict(StrEnum):
    """Whether the repair is shown to be good."""

    GOOD = "good within the bound"
    STILL_SKIPPING = "still skipping"
    NOT_ENOUGH = "not enough recorded"


class Why(StrEnum):
    """Reasons of a finding; the figures of each are listed beside it."""

    MORE_EPISODES = "more episodes"  # cylinder, episodes, others, p
    TICK_BY_TICK = "tick by tick"  # skipped, judged, others_skipped, others_judged, p: a description, no evidence
    STANDS_APART = "stands apart"  # cylinder, measure, value, others, low, high
    OPENS_SHORT = "opens short"  # cylinder, measure, value, low, high, volts: a lead
    OPENS_LONG = "opens long"  # cylinder, measure, value, low, high: a lead
    OPEN_TIMES_UNLIKE = "open times unlike"  # coolant or pulse width differ: those are not compared
    NONE_STANDS_OUT = "none stands out"  # cylinders
    NOTHING_SKIPS = "nothing skips"  # seconds
    SILENT = "silent"  # cylinder: nothing ticks there
    NEIGHBOUR_RECORDED = "neighbour recorded"  # file, cylinder, neighbour: the tick heard is the neighbour's
    IN_ORDER = "in order"  # cylinders: their ticks stand apart as the firing order says
    TOO_FEW_RECORDINGS = "too few recordings"  # count, needed
    NOT_COUNTED = "not counted"  # file, reason: no verdict was reached on it
    ORDER_HELPS = "order helps"  # the firing order may tell whose tick it is
    SKIPS_BY_ITSELF = "skips by itself"  # cylinder, skipped, judged: not told from its fellows, but no sound one
    NOT_MEASURED = "not measured"  # file, reason: its steadiness and open time may not be this injector's
    CONDITIONS_DIFFER = "conditions differ"  # conditions
    SPEEDS_DIFFER = "speeds differ"  # rpm_low, rpm_high
    LENGTHS_DIFFER = "lengths differ"  # seconds_short, seconds_long
    CELL_MISSING = "cell missing"  # cylinder, stage
    ENGINES_DIFFER = "engines differ"  # cylinders, firing order or injection mode
    NOTHING_MOVED = "nothing moved"  # the same labels in both stages
    BOTH_MOVED = "both moved"  # injectors and connectors: nothing is told apart
    LABELS_UNCLEAR = "labels unclear"  # before, after
    SAME_RECORDING = "same recording"  # file, other
    NO_FAULT_BEFORE = "no fault before"  # episodes: nothing to follow
    DIFFERENCE_UNCLEAR = "difference unclear"  # p
    MISFIRE_MOVED = "misfire moved"  # cylinder, other: by code or counter
    MISFIRE_STAYED = "misfire stayed"  # cylinder
    SECOND_AGREES = "second agrees"  # the control unit's misfires go with the sound
    SECOND_CONTRADICTS = "second contradicts"
    UNLIKE_FREEZE_FRAME = "unlike freeze frame"  # rpm, coolant_c, load_percent at which the code was set
    RAN_WELL = "ran well"  # file: it did not shake while recorded
    GAP_HOLDS = "gap holds"  # rpm_low, rpm_high
    GAP_FALLS = "gap falls"  # rpm_low, rpm_high
    GAP_FITS_BOTH = "gap fits both"  # rpm_low, rpm_high
    GAP_FITS_NEITHER = "gap fits neither"  # rpm_low, rpm_high
    ONE_SPEED = "one speed"  # rpm_low, rpm_high
    SPEEDS_TOO_CLOSE = "speeds too close"  # rpm_low, rpm_high: both would give about the same gap
    NO_OPEN_TIME = "no open time"  # rpm, count, needed: too few gaps measured at that speed
    MORE_WHILE_MOVED = "more while moved"  # moved, still, p
    NOT_MORE_WHILE_MOVED = "not more while moved"  # moved, still, p
    MOVING_UNCLEAR = "moving unclear"  # moved, still, p, needed: neither clearly more nor clearly not
    MOVED_UNJUDGED = "moved unjudged"  # percent: so much of what was moved could not be judged
    TOO_FEW_STRETCHES = "too few stretches"  # moved, still, needed
    KNOCKS_UNCLEAR = "knocks unclear"  # at_s, count: three mark a change, these are not three
    KNOCKS_UNLIKE = "knocks unlike"  # at_s, count: where a change is due, but unlike the other knocks
    STRETCH_LONG = "stretch long"  # from_s, to_s, seconds, usual: a change may be missing in it
    STRETCHES_SHORT = "stretches short"  # from_s, to_s, seconds, usual: two; a change may be marked twice
    MARK_AGAIN = "mark again"  # what to do about unclear marks
    NO_KNOCKS = "no knocks"  # no stretch is marked
    MOVED_NOT_COUNTED = "moved not counted"  # file, reason: nothing in it could be counted
    WHOSE_TICK = "whose tick"  # reason: what was counted may not be this injector's
    ORDER_UNKNOWN = "order unknown"  # neither cylinders nor firing order: where the neighbours tick is not known
    SKIPS_LEFT = "skips left"  # cylinder, episodes
    TICK_IN_DOUBT = "tick in doubt"  # file, cylinder, reason: it does not vouch for that injector
    BOUND = "bound"  # judged, rate_high
    SIBLING_SKIPS = "sibling skips"  # cylinder
    SIBLINGS_NOT_RECORDED = "siblings not recorded"  # cylinders: recorded before the repair, not since
    FELLOWS_NEEDED = "fellows needed"  # count, needed: recorded since the repair
    INSIDE_FELLOWS = "inside fellows"  # measure, value, low, high
    OUTSIDE_FELLOWS = "outside fellows"  # measure, value, low, high
    RESTARTS_NEEDED = "restarts needed"  # clean, needed
    LEAKS_NOT_CHECKED = "leaks not checked"


class Todo(StrEnum):
    """A step of the job."""

    SAVE_CODES = "save codes"
    QUICK_CHECKS = "quick checks"
    RECORD_SHAKING = "record while it shakes"
    RECORD_EACH = "record each"
    SAY_SHAKING = "say whether it shook"
    RECORD_AGAIN = "record again"
    RECORD_OTHERS = "record the others"
    RECORD_REST = "record the rest"
    RECORD_MORE = "record more"
    LOOK_ELSEWHERE = "look elsewhere"
    PROVE_DRIVE = "prove the drive"
    WIGGLE = "wiggle"
    REPAIR_WIRING = "repair the wiring"
    SWAP = "swap"
    REPAIR_BOTH = "repair both"
    SWAP_BACK = "swap back"
    NAME_EXCHANGE = "name what changed places"
    TESTS_DISAGREE = "wiggle and swap disagree"
    REPLACE = "replace the injector"
    VERIFY = "verify"
    CHECK_LEAKS = "check for leaks"
    RESTART_MORE = "restart more"
    RECORD_SINCE = "record since the repair"
    RECORD_FELLOWS = "record fellows"
    RECORD_ALIKE = "record alike"
    FIND_FAULT = "find a recording of the fault"
    SIBLING_FAULTY = "sibling faulty"
    OUT_OF_LINE = "out of line"
    STILL_FAULTY = "still faulty"
    ROAD_TEST = "road test"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Reason:
    """A reason with its figures.

    Parameters
    ----------
    why : Why
        What is said.
    figures : mapping of str to number or str
        The figures named beside the reason's definition.
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
    """

    episodes: int
    blocks: int
    expected_false: float = 0.0
    missed_share: float = 0.0
    skipped: int = 0
    judged: int = 0


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

    ``marks`` are groups of three knocks, where they mark; ``stretches`` those compared, none where nothing is shown.
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
