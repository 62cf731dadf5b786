"""English for one reading, for terminal, picture and report."""

from injsound.codes import Neighbours, Pattern, ReasonCode, SpanKind, State, StepCode, Verdict, WarningCode
from injsound.languages import Language
from injsound.show.words.cautions import CAUTIONS
from injsound.show.words.keys import Brief, Often, Panel, Phrase
from injsound.show.words.table import Table

READING: Table = {
    Phrase: {
        Phrase.DECIMAL_MARK: ".",
        Phrase.UNDER: "under {value}",
        Phrase.BY_CHANCE: "by chance in {p} of cases",
        Phrase.CHANCE_EXPLAINS: "no more than chance brings",
        Phrase.CAUTION: CAUTIONS[Language.ENGLISH],
        Phrase.EVIDENCE_ONLY: "This is evidence for a qualified technician, not a repair order.",
        Phrase.CLICK_IS_NOT_FLOW: "A click does not prove that the injector flows or seals.",
        Phrase.CYLINDER: "cylinder {cylinder}",
        Phrase.THIS_INJECTOR: "injector",
        Phrase.MISSING: "missing",
        Phrase.PATTERN: "pattern",
        Phrase.NEIGHBOURS: "neighbours",
        Phrase.WHY: "why",
        Phrase.NEXT: "next",
        Phrase.NOTE: "note",
        Phrase.SKIPPING_LINE: "Skipping: {skipped} of {judged} ticks missing ({rate}; 95 % range {low} to {high})",
        Phrase.STEADY_LINE: (
            "Steady: no tick missing out of {judged}; fewer than {high} skip one by one, with 95 % confidence"
        ),
        Phrase.STEADY_CALLS_LINE: (
            "Steady: {skipped} of {judged} ticks seem missing, no more than could be mistakes; at most {high} skip,"
            " with 95 % confidence"
        ),
        Phrase.NO_TICK_LINE: "No tick of this injector: {why}",
        Phrase.CANNOT_TELL_LINE: "Cannot tell: {why}",
        Phrase.COUNT: "{skipped} of {judged} ticks, {rate} (95 % range {low} to {high})",
        Phrase.COUNT_NONE: "0 of {judged} ticks (under {high} with 95 % confidence)",
        Phrase.COUNT_SOFT: "{least} to {most} of {judged} ticks",
        Phrase.COUNT_NOTHING: "not counted",
        Phrase.UNJUDGED: "; {unjudged} more could not be judged",
        Phrase.SPEED: "speed",
        Phrase.SPEED_LINE: "{rpm} rpm ({low} to {high}); wanders by {wander}, from cycle to cycle by {variation}",
        Phrase.SPEED_OTHER: "or {rpm} rpm, if the injectors open {often}",
        Phrase.TIMING: "tick timing",
        Phrase.TIMING_LINE: "interval varies by {period} ms, from one to the next by {change} ms ({count} intervals)",
        Phrase.TIMING_ENGINE: "most of it is the engine's speed (ratio {ratio})",
        Phrase.TIMING_TICK: "most of it is the tick itself (ratio {ratio})",
        Phrase.OWN_SCATTER: "own scatter",
        Phrase.OWN_SCATTER_LINE: "{own} µs against the engine's cycle (95 % range {low} to {high} µs)",
        Phrase.OWN_SCATTER_HIDDEN: "hidden by the engine's own unevenness; at most {high} µs",
        Phrase.OPEN_TIME: "open time",
        Phrase.OPEN_TIME_LINE: "{median} ms from open to close tick, varies by {spread} ms, {drift} ({count} ticks)",
        Phrase.DRIFT: "drift {drift} ms",
        Phrase.NO_DRIFT: "no drift",
        Phrase.WEAK: "weak",
        Phrase.WEAK_LINE: "{weak} of {judged} ticks at under half the usual level; they count as heard",
        Phrase.MARGIN: "margin",
        Phrase.MARGIN_LINE: "tick {db} dB over the noise; heard and missing {separation} standard deviations apart",
        Phrase.WRONG_CALLS: "mistakes",
        Phrase.WRONG_CALLS_LINE: (
            "about {false} of the ticks called missing may have been there, about {missed} of those called heard may"
            " have been missing"
        ),
    },
    Often: {
        Often.EVERY_REVOLUTION: "once per revolution",
        Often.EVERY_SECOND: "every second revolution",
    },
    Panel: {
        Panel.AXIS_CYCLE: "engine's cycle (degrees of crank)",
        Panel.AXIS_TIME: "time (s)",
        Panel.AXIS_AROUND: "from the due tick (ms)",
        Panel.AXIS_TICK: "time from the open tick (ms)",
        Panel.ROWS: "Every engine cycle, top to bottom",
        Panel.CLOSE: "Around this tick",
        Panel.EVENTS: "Tick by tick",
        Panel.TICK: "Mean tick",
        Panel.OPEN: "open",
        Panel.CLOSES: "close",
        Panel.SKIP: "missing",
        Panel.WEAK: "weak",
        Panel.UNJUDGED: "not judged",
        Panel.LEVEL: "level (dB)",
        Panel.NOTHING: "nothing to draw",
        Panel.EMPTY: "its place: no tick",
        Panel.OTHERS: "the others",
        Panel.EITHER: "either may be its tick",
        Panel.ODD: "stands out",
        Panel.COUNT: "{skipped} of {judged} missing",
    },
    Verdict: {
        Verdict.STEADY: "steady",
        Verdict.SKIPPING: "skipping",
        Verdict.NO_TICK: "no tick",
        Verdict.CANNOT_TELL: "cannot tell",
    },
    Pattern: {
        Pattern.NONE: "none",
        Pattern.SCATTERED: "scattered, one here and one there",
        Pattern.BURSTS: "in bursts, several close together",
        Pattern.REGULAR: "regular, as if counted",
        Pattern.TOO_FEW: "too few to say",
    },
    Neighbours: {
        Neighbours.HEARD: "the engine's other sounds were there",
        Neighbours.NOT_HEARD: "the engine's other sounds were missing too",
        Neighbours.NOT_CHECKED: "could not be checked, none can be heard clearly",
    },
    State: {
        State.HEARD: "heard",
        State.WEAK: "weak",
        State.SKIPPED: "missing",
        State.UNJUDGED: "not judged",
    },
    SpanKind: {
        SpanKind.GAP: "hole in the file",
        SpanKind.SILENCE: "lost sound",
        SpanKind.REPEATED: "played twice",
        SpanKind.CLIPPED: "overloaded",
        SpanKind.BUMP: "knock or rub",
        SpanKind.LOUD: "loud sound",
        SpanKind.GAIN: "gain turned down",
        SpanKind.SPIKE: "electrical spike",
        SpanKind.SLIPPED: "probe slipped",
        SpanKind.END: "end",
        SpanKind.NO_LOCK: "cycle lost",
        SpanKind.NOT_COUNTED: "not counted",
        SpanKind.ENGINE_SILENT: "whole engine silent",
        SpanKind.ONCE_PER_REVOLUTION: "twice per cycle",
    },
    ReasonCode: {
        ReasonCode.SKIPS_FOUND: (
            "{skipped} of {judged} due ticks were missing; about {expected_false} of them could be mistakes."
        ),
        ReasonCode.NO_SKIPS: "All {judged} judged ticks were heard.",
        ReasonCode.FEW_CALLS: "{skipped} of {judged} ticks seem missing; about {expected_false} could be mistakes.",
        ReasonCode.TOO_FEW_EVENTS: (
            "No tick is missing, but {judged} ticks are too few: to show a fault of 5 % that comes in bursts takes"
            " {needed}."
        ),
        ReasonCode.MISSES_POSSIBLE: "The ticks are so faint that a missing one could pass as heard.",
        ReasonCode.WEAK_OR_MISSING: (
            "{weak} of {judged} ticks were so soft that another sound at their place may have passed for them: they may"
            " be weak, or missing."
        ),
        ReasonCode.ONE_STRETCH: (
            "All {skipped} missing ticks lie in one stretch of {seconds} s, as when the engine slows from speed with"
            " its fuel cut off."
        ),
        ReasonCode.MOSTLY_MISSING: (
            "{skipped} of {judged} ticks seem missing: what ticks now and then may be another sound of the engine."
        ),
        ReasonCode.UNCERTAIN_CALLS: (
            "{skipped} of {judged} ticks seem missing; by the count about {expected_false} of these are mistakes, and"
            " now and then a disturbance hides a tick unnoticed: too close to say."
        ),
        ReasonCode.WEAK_SEPARATION: (
            "Heard and missing ticks sound too much alike: margin {separation}, {needed} is needed."
        ),
        ReasonCode.FAINT: "The engine is heard, but no tick stands out from it.",
        ReasonCode.NO_LOCK: "The engine's cycle could not be followed.",
        ReasonCode.NOT_A_RECORDING_OF_AN_ENGINE: "Nothing in the recording repeats as an idling engine does.",
        ReasonCode.SPEED_UNKNOWN: "This injector's place seems silent, but the engine's speed was not given.",
        ReasonCode.OWN_PLACE_SILENT: "The other injectors tick at their places; at this one's place there is nothing.",
        ReasonCode.ENGINE_TICKS_ONLY: "There are ticks, but like those of valves: none has an open and a close click.",
        ReasonCode.TWO_CANDIDATES: "Two ticks in the cycle could be this injector's, and nothing tells which.",
        ReasonCode.MAY_BE_NEIGHBOUR: (
            "All {judged} judged ticks were heard, but so little louder than what sounds at the other injectors' turns"
            " that they may be a neighbour's and this injector silent."
        ),
        ReasonCode.PARTNER_HIDES: "Injectors that open together tick together: a partner may hide a missing tick.",
        ReasonCode.MANY_UNJUDGED: "{unjudged} of {due} ticks lie where the sound is damaged or disturbed.",
        ReasonCode.TICKS_FADE: (
            "The phone's noise suppression took the sound away: it falls by {fade_db} dB and stays down."
        ),
        ReasonCode.SPEECH_CODEC: "The file was squeezed for speech ({codec}): the clicks are mostly gone.",
        ReasonCode.RPM_CONTRADICTED: "The speed given is {rpm_given} rpm; the sound repeats as at {rpm_heard} rpm.",
        ReasonCode.TICK_UNLIKE_INJECTOR: "The tick found may be a valve's: it has no second click.",
    },
    Brief: {
        Brief.TOO_FEW_EVENTS: "too few ticks for a small fault",
        Brief.MISSES_POSSIBLE: "so faint that a missing tick could pass as heard",
        Brief.WEAK_OR_MISSING: "some so soft that they may be missing",
        Brief.ONE_STRETCH: "all missing in one stretch: was the fuel cut?",
        Brief.MOSTLY_MISSING: "what ticks now and then may be another sound",
        Brief.UNCERTAIN_CALLS: "the holes could be mistakes",
        Brief.WEAK_SEPARATION: "heard and missing ticks sound too much alike",
        Brief.FAINT: "no tick stands out from the engine's sound",
        Brief.NO_LOCK: "no engine cycle found to count against",
        Brief.NOT_A_RECORDING_OF_AN_ENGINE: "no idling engine is heard",
        Brief.SPEED_UNKNOWN: "its place cannot be told without the engine speed",
        Brief.OWN_PLACE_SILENT: "nothing ticks at its place, the others tick",
        Brief.ENGINE_TICKS_ONLY: "only ticks like those of valves",
        Brief.TWO_CANDIDATES: "two clicks could be this injector's",
        Brief.MAY_BE_NEIGHBOUR: "the tick may be a neighbour's",
        Brief.PARTNER_HIDES: "a partner may hide a missing tick",
        Brief.MANY_UNJUDGED: "too much of the sound is disturbed",
        Brief.TICKS_FADE: "the phone's noise suppression took the ticks away",
        Brief.SPEECH_CODEC: "the file was squeezed for speech",
        Brief.RPM_CONTRADICTED: "the sound does not fit the engine speed given",
        Brief.TICK_UNLIKE_INJECTOR: "the tick found may be a valve's",
    },
    WarningCode: {
        WarningCode.CLIPPED: "overloaded ({count}×, {seconds} s in all): move the probe or turn the level down",
        WarningCode.GAPS: "holes in the file ({count}, {seconds} s in all): not judged there",
        WarningCode.DROPOUTS: "sound lost ({count}×, {seconds} s in all): close other apps, record again if often",
        WarningCode.REPEATED: "stretches recorded twice ({count}, {seconds} s in all): close other apps",
        WarningCode.BUMPS: "knocks or rubs ({count}, {seconds} s in all): clamp the probe, keep hands off",
        WarningCode.LOUD_SOUNDS: "loud sounds ({count}, {seconds} s in all): no talking, fan and radio off",
        WarningCode.GAIN_PUMPED: (
            "the phone turned its gain down ({count}×, {seconds} s in all): keep knocks away from it"
        ),
        WarningCode.NOISE_SUPPRESSION: "the phone's noise suppression faded the sound by {fade_db} dB: switch it off",
        WarningCode.NARROW_BAND: (
            "the recording ends at {bandwidth_hz} Hz: use a plain recorder, not a call or a headset"
        ),
        WarningCode.SPEECH_CODEC: "squeezed for speech ({codec}, up to {bandwidth_hz} Hz): send it as a file instead",
        WarningCode.SPIKES: "electrical spikes ({count}): keep lead and phone away from coils and injector leads",
        WarningCode.PROBE_SLIPPED: "the probe lost contact ({count}×, {seconds} s in all): clamp it",
        WarningCode.QUIET: (
            "very quiet, its loudest at {level_db} dB of full scale: press the probe on, raise the level"
        ),
        WarningCode.CUT_OFF: "the file breaks off after {seconds} s: what came was used",
        WarningCode.CHANNEL_CHOSEN: "channel {channel} of {channels} was used, the clearer one",
        WarningCode.CHANNELS_DIFFER: (
            "the {channels} channels differ; channel {channel} was used: check another with --channel"
        ),
        WarningCode.ANOTHER_STREAM: "the file holds {streams} sound tracks; the first was used",
        WarningCode.CYCLE_LOST: "for {seconds} s the engine's cycle could not be followed: nothing was counted there",
        WarningCode.NOT_COUNTED: "for {seconds} s no tick could be told as this injector's: nothing was counted there",
        WarningCode.RPM_ESTIMATED: "no rpm was given; the sound repeats as at about {rpm} rpm",
        WarningCode.RPM_CONTRADICTED: (
            "{rpm_given} rpm was given, the sound repeats as at {rpm_heard} rpm: check the tachometer"
        ),
        WarningCode.NEIGHBOUR_COINCIDES: (
            "injectors that open together tick at the same instant: one can hide the other's missing tick"
        ),
        WarningCode.NEIGHBOURS_NOT_HEARD: (
            "the engine's other sounds are too faint to check whether it stumbled as a whole"
        ),
        WarningCode.ENGINE_SILENT: (
            "the whole engine fell silent ({count}×, {seconds} s in all): no tick was due then"
        ),
        WarningCode.MODE_CHANGED: (
            "for {seconds} s the injector ticks twice per cycle, as after a start: not judged there"
        ),
        WarningCode.ENGINE_UNEVEN: "the engine's own unevenness hides the tick's scatter",
        WarningCode.NO_TIMING: "{codec} does not keep time well enough for timing figures",
        WarningCode.SECOND_OPINION: (
            "second opinion (librosa's onset detection): {agree} ticks agree, {differ} differ; it calls {skipped} of"
            " {judged} missing"
        ),
        WarningCode.NO_SECOND_OPINION: (
            "no second opinion: librosa's onset detection hears only {heard} of {judged} ticks here, too few to judge"
            " by; that says nothing against the count"
        ),
    },
    StepCode: {
        StepCode.RECORD_LONGER: "Record again the same way, in one go and at least {seconds} s longer.",
        StepCode.RECORD_AGAIN_CLOSER: "Record again with the probe clamped on the injector's body, 60 s or more.",
        StepCode.RECORD_UNPROCESSED: (
            "Switch noise suppression off, record with a plain recorder and send it as a file."
        ),
        StepCode.RECORD_UNDISTURBED: "Record again with the probe clamped, hands off and nobody talking.",
        StepCode.RECORD_AT_ONE_SPEED: "Record again at one speed, with the pedal left alone, 60 s or more.",
        StepCode.RECORD_OWN_INJECTOR: (
            "Record again with the probe on this injector's own body, then each neighbour the same way to compare."
        ),
        StepCode.RECORD_SPREAD: "Record each partner as well, each with the probe on its own body.",
        StepCode.GIVE_RPM: "Read the engine speed while it is recorded, and give it with the recording (--rpm).",
        StepCode.CHECK_MODE: (
            "Does it open once per revolution, with its partners? Then give --injection batch. Else record again with"
            " the probe on this injector's own body."
        ),
        StepCode.CHECK_RPM: "Check the engine speed and the injection mode: {rpm_given} rpm given, {rpm_heard} heard.",
        StepCode.COMPARE_OTHERS: (
            "Record the other injectors the same way. If only this one skips, exchanging it with another shows"
            " whether the fault goes with the injector or stays with its wiring."
        ),
        StepCode.MOVE_WIRING: (
            "Check its connector and wiring: record it again, the wiring moved in turns (injsound wiggle). If that"
            " shows nothing, try an injector known to be good."
        ),
        StepCode.RECORD_IN_FAULT: "If the engine ran well while this was recorded, record again when it runs badly.",
        StepCode.RECORD_FOR_GOAL: (
            "If the engine ran well while this was recorded, record again when it runs badly. To show under 1 %,"
            " record {seconds} s."
        ),
        StepCode.CHECK_DRIVE: (
            "Check that this injector is driven (test light or current clamp at its connector), then record a fellow"
            " injector the same way."
        ),
    },
}
