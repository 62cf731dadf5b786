"""The words of a repair job: how recordings were made, the verdicts and reasons of several together, the job's steps.

Each reason lists its figures. Every verdict has a member for "not shown".
"""

from enum import StrEnum

from injsound.codes import Told


class Stage(StrEnum):
    """When a recording was made."""

    BEFORE = "before"
    SWAPPED = "swapped"
    BACK = "changed back"
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


class Reversal(StrEnum):
    """Whether the fault went back when the swap was undone."""

    WENT_BACK = "went back"
    DID_NOT = "did not go back"
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


class Why(Told):
    """Reasons of a finding."""

    MORE_EPISODES = "more episodes", "cylinder", "episodes", "others", "p"
    TICK_BY_TICK = "tick by tick", "skipped", "judged", "others_skipped", "others_judged", "p"  # no evidence
    STANDS_APART = "stands apart", "cylinder", "measure", "value", "low", "high"
    OPENS_SHORT = "opens short", "cylinder", "measure", "value", "low", "high", "volts"  # a lead
    OPENS_LONG = "opens long", "cylinder", "measure", "value", "low", "high"  # a lead
    # It strays so much from event to event, theirs so much: another sound than the close click may have been measured.
    OPEN_TIME_DOUBTED = "open time doubted", "cylinder", "value", "low", "high", "spread_us", "usual_us"
    OPEN_TIME_FAR = "open time far", "cylinder", "value", "low", "high"  # farther off than injectors come to be
    OPEN_TIME_LACKING = "open time lacking", "cylinders"
    OPEN_TIMES_UNLIKE = "open times unlike"  # coolant or pulse width differ: those are not compared
    NONE_STANDS_OUT = "none stands out", "cylinders"
    NOTHING_SKIPS = "nothing skips", "seconds"
    SKIPS_PLACED = "skips placed", "episodes", "others", "p"  # where a swap's verdict puts the fault, and in the others
    SKIPS_GONE = "skips gone", "episodes", "others", "p"  # before a swap, and in both recordings after it
    PLACE_UNCLEAR = "place unclear"  # the four recordings of a swap fit no verdict clearly
    SILENT = "silent", "cylinder"  # nothing ticks there
    NEIGHBOUR_RECORDED = "neighbour recorded", "file", "cylinder", "neighbour"  # the tick heard is the neighbour's
    IN_ORDER = "in order", "cylinders"  # their ticks stand apart as the firing order says
    TOO_FEW_CYLINDERS = "too few cylinders", "count", "needed"
    NOT_TWO_CYLINDERS = "not two cylinders", "cylinders"
    NOT_COUNTED = "not counted", "file", "reason"  # no verdict was reached on it
    SPEED_TYPED = "speed typed", "rpm_given", "rpm_heard"  # which does not fit the sound
    ORDER_HELPS = "order helps"  # the firing order may tell whose tick it is
    ALONE_UNHEARD = "alone unheard", "cylinder"  # every other one's tick stands out
    SKIPS_BY_ITSELF = "skips by itself", "cylinder", "skipped", "judged"  # not told from its fellows, but no sound one
    NOT_MEASURED = "not measured", "file", "reason"  # its steadiness and open time may not be this injector's
    CONDITIONS_DIFFER = "conditions differ", "conditions"
    SPEEDS_DIFFER = "speeds differ", "rpm_low", "rpm_high"
    LENGTHS_DIFFER = "lengths differ", "seconds_short", "seconds_long"
    CELL_MISSING = "cell missing", "cylinder", "stage"
    ENGINES_DIFFER = "engines differ"  # cylinders, firing order or injection mode
    NOTHING_MOVED = "nothing moved"  # the same labels in both stages
    BOTH_MOVED = "both moved"  # injectors and connectors: nothing is told apart
    LABELS_UNCLEAR = "labels unclear", "before", "after"
    SAME_RECORDING = "same recording", "file", "other"
    NO_FAULT_BEFORE = "no fault before", "episodes"  # nothing to follow
    DIFFERENCE_UNCLEAR = "difference unclear", "p"
    MISFIRE_MOVED = "misfire moved", "cylinder", "other"  # by code or counter
    MISFIRE_STAYED = "misfire stayed", "cylinder"
    SECOND_AGREES = "second agrees"  # the control unit's misfires go with the sound
    SECOND_CONTRADICTS = "second contradicts"
    UNLIKE_FREEZE_FRAME = "unlike freeze frame", "rpm", "coolant_c", "load_percent"  # at which the code was set
    RAN_WELL = "ran well", "file"  # it did not shake while recorded
    GAP_HOLDS = "gap holds", "rpm_low", "rpm_high"
    GAP_FALLS = "gap falls", "rpm_low", "rpm_high"
    GAP_FITS_BOTH = "gap fits both", "rpm_low", "rpm_high"
    GAP_FITS_NEITHER = "gap fits neither", "rpm_low", "rpm_high"
    ONE_SPEED = "one speed", "rpm_low", "rpm_high"
    SPEEDS_TOO_CLOSE = "speeds too close", "rpm_low", "rpm_high"  # both would give about the same gap
    NO_OPEN_TIME = "no open time", "rpm", "count", "needed"  # too few gaps measured at that speed
    MORE_WHILE_MOVED = "more while moved", "moved", "still", "p"
    NOT_MORE_WHILE_MOVED = "not more while moved", "moved", "still", "p"
    MOVING_UNCLEAR = "moving unclear", "moved", "still", "p", "needed"  # neither clearly more nor clearly not
    MOVED_UNJUDGED = "moved unjudged", "percent"  # so much of what was moved could not be judged
    TOO_FEW_STRETCHES = "too few stretches", "moved", "still", "needed"  # those in which a tick was judged
    KNOCKS_UNCLEAR = "knocks unclear", "at_s", "count"  # three mark a change, these are not three
    KNOCKS_UNLIKE = "knocks unlike", "at_s", "count"  # where a change is due, but unlike the other knocks
    STRETCH_LONG = "stretch long", "from_s", "to_s", "seconds", "usual"  # a change may be missing in it
    STRETCHES_SHORT = "stretches short", "from_s", "to_s", "seconds", "usual"  # two; a change may be marked twice
    MARK_AGAIN = "mark again"  # what to do about unclear marks
    NO_KNOCKS = "no knocks"  # no stretch is marked
    MOVED_NOT_COUNTED = "moved not counted", "file", "reason"  # nothing in it could be counted
    WHOSE_TICK = "whose tick", "reason"  # what was counted may not be this injector's
    ORDER_UNKNOWN = "order unknown"  # neither cylinders nor firing order: where the neighbours tick is not known
    SKIPS_LEFT = "skips left", "cylinder", "episodes"
    TICK_IN_DOUBT = "tick in doubt", "file", "cylinder", "reason"  # it does not vouch for that injector
    BOUND = "bound", "judged", "rate_high"
    SIBLING_SKIPS = "sibling skips", "cylinder"
    SIBLINGS_NOT_RECORDED = "siblings not recorded", "cylinders"  # recorded before the repair, not since
    FELLOWS_NEEDED = "fellows needed", "count", "needed"  # recorded since the repair
    INSIDE_FELLOWS = "inside fellows", "measure", "value", "low", "high"
    OUTSIDE_FELLOWS = "outside fellows", "measure", "value", "low", "high"
    RESTARTS_NEEDED = "restarts needed", "clean", "needed"
    TICKS_SHORT = "ticks short", "judged", "needed"
    LEAKS_NOT_CHECKED = "leaks not checked"


class Todo(StrEnum):
    """A step of the job."""

    SAVE_CODES = "save codes"
    READ_CODES = "read codes"
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
    CHECK_PINS = "check the pins"
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
