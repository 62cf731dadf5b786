"""The words of a reading: verdict, states, stretches, and the codes of its reasons, warnings and next steps.

Each code lists its figures; ``show/`` turns them into sentences.
"""

from enum import StrEnum
from typing import Self


class Told(StrEnum):
    """A code that is told with figures; it lists their names behind its value.

    Parameters
    ----------
    value : str
        The code.
    *figures : str
        Names of the figures that always come with it, kept as ``figures``.
    """

    figures: tuple[str, ...]

    def __new__(cls, value: str, *figures: str) -> Self:
        """The member of that value."""
        member = str.__new__(cls, value)
        member._value_ = value
        member.figures = figures
        return member


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
    NOT_COUNTED = "not counted"
    """The cycle was followed, but here it could not be told which tick is this injector's, or hardly any was free."""
    ENGINE_SILENT = "engine silent"
    """The whole engine fell silent together: no event is due."""
    ONCE_PER_REVOLUTION = "once per revolution"
    """Another injection mode, as in the first seconds after a start: no skip is counted."""


# In these spans a due event may not be judged; in ENGINE_SILENT no event is due at all.
UNJUDGED_KINDS = frozenset(SpanKind) - {SpanKind.ENGINE_SILENT}


class ReasonCode(Told):
    """Why a verdict was reached."""

    SKIPS_FOUND = "skips found", "skipped", "judged", "expected_false"
    NO_SKIPS = "no skips", "judged", "rate_high"
    FEW_CALLS = "few calls", "skipped", "judged", "expected_false"  # no more than wrong calls alone would give
    TOO_FEW_EVENTS = "too few events", "judged", "needed"
    MISSES_POSSIBLE = "misses possible", "expected_missed", "judged"  # a real fault could have been overlooked
    # Soft ones, of low notes alone: another sound at their place may have passed for them.
    WEAK_OR_MISSING = "weak or missing", "weak", "judged"
    ONE_STRETCH = "one stretch", "skipped", "seconds"  # missing in one stretch only, as when fuel is cut off on overrun
    MOSTLY_MISSING = "mostly missing", "skipped", "judged"  # what ticks in the rest may be another sound
    UNCERTAIN_CALLS = "uncertain calls", "skipped", "judged", "expected_false"  # not clearly more than wrong calls
    WEAK_SEPARATION = "weak separation", "separation", "needed"  # heard and missing ticks look alike
    FAINT = "faint"  # the engine is heard, but no tick stands out of it
    NO_LOCK = "no lock"  # no repeating engine cycle was found
    NOT_A_RECORDING_OF_AN_ENGINE = "no engine"  # nothing repeats, nothing ticks
    SPEED_UNKNOWN = "speed unknown"  # its place seems silent, but at half the speed another's would
    OWN_PLACE_SILENT = "own place silent"  # neighbours' ticks are heard, nothing at the injector's own place
    ENGINE_TICKS_ONLY = "engine ticks only"  # ticks heard, but none like an injector's
    TWO_CANDIDATES = "two candidates", "ratio"  # two ticks could be its own, by level; None where its fellows say so
    MAY_BE_NEIGHBOUR = "may be neighbour", "judged"  # steady, but it may be a neighbour's tick beside a dead injector
    PARTNER_HIDES = "partner hides"  # partner ticks coincide and can hide a skip
    MANY_UNJUDGED = "many unjudged", "unjudged", "due"
    TICKS_FADE = "ticks fade", "fade_db"  # the phone's noise suppression takes the ticks away
    SPEECH_CODEC = "speech codec", "codec", "bandwidth_hz"
    RPM_CONTRADICTED = "rpm contradicted", "rpm_given", "rpm_heard"
    TICK_UNLIKE_INJECTOR = "tick unlike injector"  # the candidate may be a valve's


# Doubts whose tick it is: the other injectors' places, or their recordings, may settle them.
WHOSE_TICK = frozenset({ReasonCode.TWO_CANDIDATES, ReasonCode.MAY_BE_NEIGHBOUR})


class WarningCode(Told):
    """Something about the recording the person should know."""

    CLIPPED = "clipped", "count", "seconds"
    GAPS = "gaps", "count", "seconds"
    DROPOUTS = "dropouts", "count", "seconds"
    REPEATED = "repeated", "count", "seconds"
    BUMPS = "bumps", "count", "seconds"
    LOUD_SOUNDS = "loud sounds", "count", "seconds"
    GAIN_PUMPED = "gain pumped", "count", "seconds"
    NOISE_SUPPRESSION = "noise suppression", "fade_db"
    NARROW_BAND = "narrow band", "bandwidth_hz"
    SPEECH_CODEC = "speech codec", "codec", "bandwidth_hz"
    SPIKES = "electrical spikes", "count", "seconds"
    PROBE_SLIPPED = "probe slipped", "count", "seconds"
    QUIET = "quiet", "level_db"
    CUT_OFF = "cut off", "seconds"  # the file ended early, what came was used
    CHANNEL_CHOSEN = "channel chosen", "channel", "channels", "lead_db"  # lead None where the others are silent
    CHANNELS_DIFFER = "channels differ", "channel", "channels"
    ANOTHER_STREAM = "another stream", "streams"  # the file holds several sound tracks
    CYCLE_LOST = "cycle lost", "seconds"  # the engine's cycle could not be followed there, nothing was counted
    NOT_COUNTED = "not counted", "seconds"  # no tick could be told there as this injector's
    RPM_ESTIMATED = "rpm estimated", "rpm"
    RPM_CONTRADICTED = "rpm contradicted", "rpm_given", "rpm_heard"
    NEIGHBOUR_COINCIDES = "neighbour coincident"  # partners tick at the same instant (batch)
    NEIGHBOURS_NOT_HEARD = "neighbours not heard"  # the engine's other sounds could not be checked
    ENGINE_SILENT = "engine silent", "count", "seconds"
    MODE_CHANGED = "mode changed", "count", "seconds"
    ENGINE_UNEVEN = "engine uneven", "unevenness_us"  # hides the tick's own scatter
    NO_TIMING = "no timing", "codec"  # the codec does not keep time well enough for jitter
    SECOND_OPINION = "second opinion", "skipped", "judged", "agree", "differ"
    NO_SECOND_OPINION = "no second opinion", "heard", "judged"  # too few of the ticks for an opinion


class StepCode(Told):
    """The one next step."""

    RECORD_LONGER = "record longer", "seconds"
    RECORD_AGAIN_CLOSER = "record again closer"  # probe on the injector's body, clamped
    RECORD_UNPROCESSED = "record unprocessed"  # noise suppression / voice processing off
    RECORD_UNDISTURBED = "record undisturbed"  # hands still, quiet place
    RECORD_AT_ONE_SPEED = "record at one speed"  # the pedal left alone: no fuel cut-off
    RECORD_OWN_INJECTOR = "record own injector"  # the probe may be on a neighbour or a valve
    RECORD_SPREAD = "record spread"  # batch mode: crossed sound; record with a clamp or on the body
    GIVE_RPM = "give rpm"  # nobody typed the engine's speed
    CHECK_MODE = "check mode"  # the same tick twice per cycle, as in batch injection
    CHECK_RPM = "check rpm", "rpm_given", "rpm_heard"
    COMPARE_OTHERS = "compare others"  # record the other injectors the same way, then exchange two
    MOVE_WIRING = "move wiring"  # the only injector skips: record while its wiring is moved, then try a good one
    RECORD_IN_FAULT = "record in fault"  # steady here; record while it shakes
    RECORD_FOR_GOAL = "record for goal", "seconds"  # the same, and how long for the bound asked for
    CHECK_DRIVE = "check drive"  # nothing ticks at its place: drive signal, connector, then a fellow's recording
