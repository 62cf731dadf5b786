"""English for what several recordings say together, and for the steps of the job."""

from injsound.job_codes import (
    CompareVerdict,
    Condition,
    Exchange,
    GapKind,
    MarkedBy,
    Measure,
    Shaking,
    Stage,
    SwapVerdict,
    Todo,
    VerifyVerdict,
    Why,
    WiggleVerdict,
)
from injsound.show.words.keys import Line
from injsound.show.words.table import Table

FINDINGS: Table = {
    Line: {
        Line.FREEZE_FRAME: "freeze frame",
        Line.COMPARE: "compare, {condition}",
        Line.CYLINDER: "cylinder",
        Line.ONE_CYLINDER: "cylinder {cylinders}",
        Line.CYLINDERS: "cylinders {cylinders}",
        Line.MOMENTS: "bad moments",
        Line.MISSING: "missing of judged",
        Line.OPEN_TIME: "open time",
        Line.CHANGE: "uneven by",
        Line.OF: "{skipped} of {judged}",
        Line.NO_CONDITION: "condition not given",
        Line.SWAP: "swap",
        Line.SWAP_BEFORE: "before: bad moments, missing",
        Line.SWAP_AFTER: "after",
        Line.CELL: "{episodes}, {skipped} of {judged}",
        Line.CROSSED_INJECTOR: (
            "The fault stayed with the injector when its connector was changed: the injector itself, or its plug."
        ),
        Line.CROSSED_CIRCUIT: "The fault went with the connector: wiring, connector or driver of cylinder {cylinder}.",
        Line.SWAP_UNDONE: "changed back",
        Line.PROOF: (
            "Heat, time and taking the connection apart changed as well: changing back and seeing the fault change"
            " back is the proof."
        ),
        Line.WENT_BACK: "Changed back, the fault is where it was at first: that is the proof.",
        Line.PAIR_FAULTY: (
            "Changed back, the fault is there again: it takes this injector and this connector together, as where pins"
            " and sockets fit badly."
        ),
        Line.DID_NOT_GO_BACK: (
            "Changed back, the fault did not come back with the parts: heat, time or taking the connection apart may"
            " have moved it. Order no part by this."
        ),
        Line.STAYED_AWAY: (
            "Changed back, neither skips: taking the connection apart has cured it for now. Suspect the connection."
        ),
        Line.BACK_NOT_SHOWN: "Not shown whether the fault went back when the parts were changed back.",
        Line.TWO_SPEED: "two speeds, cylinder {cylinder}",
        Line.AT_SPEED: "{rpm} rpm: {gap} ms from open to close tick, give or take {error} ms ({count} ticks)",
        Line.AT_SPEED_NONE: "{rpm} rpm: open time not measured",
        Line.FORETOLD: "At {rpm} rpm a solenoid would give {low} to {high} ms, a mechanism {lowest} to {highest} ms.",
        Line.WIGGLE: "wiggle",
        Line.MISTAKES: "mistakes, about",
        Line.NOT_JUDGED: "not judged",
        Line.MOVED: "moved",
        Line.STILL: "still",
        Line.STRETCHES: "Still: {still} s. Moved: {moved} s.",
        Line.FROM_TO: "{from_s}–{to_s}",
        Line.VERIFY: "verify",
        Line.VERIFY_AFTER: (
            "After the repair {skipped} of {judged} ticks were missing: at most {high}, with 95 % confidence."
        ),
        Line.VERIFY_AFTER_ROWS: (
            "After the repair {skipped} of {judged} ticks were missing: at most {high} may still be if they drop out"
            " singly, {high_in_rows} if {row} at a time as before, with 95 % confidence."
        ),
        Line.VERIFY_CHANGE: (
            "Before it {skipped} of {judged} were missing: a change of {change} % of all ticks (95 % range {low} to"
            " {high} %)."
        ),
        Line.RECORD_MORE: "Record {seconds} s more of each, in the same condition, while it shakes.",
        Line.RECORD_AFTER: "Record {seconds} s more since the repair, in the fault's own condition.",
        Line.NOT_FLOW: "A click does not prove that the injector flows or seals.",
        Line.NEXT: "next",
        Line.ENTER: "Once done, set {check} = true in case.toml.",
        Line.ENTER_RESTARTS: "Enter clean_since = {needed} under [restarts] in case.toml once all were clean.",
        Line.SILENT: "silent",
    },
    Condition: {
        Condition.COLD: "cold",
        Condition.WARM_RESTART: "warm restart",
        Condition.WARM_IDLE: "warm idle",
        Condition.WARM: "warm",
        Condition.HOT: "hot",
    },
    Stage: {Stage.BEFORE: "before", Stage.SWAPPED: "swapped", Stage.BACK: "changed back", Stage.AFTER: "after"},
    Shaking: {Shaking.YES: "yes", Shaking.NO: "no", Shaking.UNKNOWN: "not known"},
    Measure: {
        Measure.SKIPS: "skips",
        Measure.STEADINESS: "unsteadiness from tick to tick",
        Measure.OPEN_TIME: "open time",
    },
    CompareVerdict: {
        CompareVerdict.ODD_ONE: "Cylinder {odd} is the odd one.",
        CompareVerdict.SEVERAL: "Cylinders {odd} stand out.",
        CompareVerdict.NONE: "None stands out.",
        CompareVerdict.NOT_SHOWN: "Not shown which one is odd, if any.",
    },
    SwapVerdict: {
        SwapVerdict.FOLLOWS_INJECTOR: "The fault follows the injector.",
        SwapVerdict.STAYS_WITH_CYLINDER: "The fault stays with the cylinder: wiring, connector or driver.",
        SwapVerdict.BOTH: "The injector and the cylinder's wiring both show a fault.",
        SwapVerdict.NEITHER: (
            "Neither skips now. That is no repair: taking the connection apart may have cured it for the moment."
        ),
        SwapVerdict.NOT_SHOWN: "Not shown where the fault went.",
    },
    Exchange: {
        Exchange.INJECTORS: "Injectors exchanged, connectors left in place.",
        Exchange.CONNECTORS: (
            "Connectors crossed, injectors left in place. Only on port injection, where leads reach and the maker"
            " allows it: key off for each change, idle briefly, connect it back."
        ),
        Exchange.ASSUMED: (
            "No labels say what changed places: taken as injectors exchanged. With crossed connectors it means the"
            " opposite."
        ),
    },
    WiggleVerdict: {
        WiggleVerdict.GATHERS: "Skips gather while the wiring is moved.",
        WiggleVerdict.DOES_NOT: "Skips do not gather while the wiring is moved.",
        WiggleVerdict.TOO_FEW: "Too few to say.",
        WiggleVerdict.NOT_SHOWN: "Not shown whether skips gather while the wiring is moved.",
    },
    GapKind: {
        GapKind.SOLENOID: "The gap roughly holds: a solenoid's.",
        GapKind.MECHANICAL: "The gap falls in proportion to speed: a valve or a pump, no injector.",
        GapKind.NOT_SHOWN: "Not shown whether the gap is a solenoid's.",
    },
    MarkedBy: {
        MarkedBy.TIMES: "Still and moved by the times given.",
        MarkedBy.CASE: "Still and moved by the times in the case.",
        MarkedBy.KNOCKS: "Still and moved by groups of three knocks ({count}); the first stretch is still.",
    },
    VerifyVerdict: {
        VerifyVerdict.GOOD: "Good within the stated bound.",
        VerifyVerdict.STILL_SKIPPING: "Still skipping after the repair.",
        VerifyVerdict.NOT_ENOUGH: "Not enough yet to call it good.",
    },
    Why: {
        Why.MORE_EPISODES: ("Bad moments: {episodes} at cylinder {cylinder}, {others} elsewhere ({p})."),
        Why.TICK_BY_TICK: (
            "Tick by tick, only as a description: {skipped} of {judged} missing there, {others_skipped} of"
            " {others_judged} elsewhere ({p})."
        ),
        Why.STANDS_APART: "Cylinder {cylinder}: {measure} {value}, its fellows' {low} to {high}.",
        Why.OPENS_SHORT: (
            "Lead, no verdict: cylinder {cylinder}'s {measure} is short, {value}, its fellows' {low} to {high}. Voltage"
            " lost at its connector would do it (about {volts} V), slow opening or sticking."
        ),
        Why.OPENS_LONG: (
            "Lead, no verdict: cylinder {cylinder}'s {measure} is long, {value}, its fellows' {low} to {high}: slow"
            " closing or sticking."
        ),
        Why.OPEN_TIME_DOUBTED: (
            "No lead: at cylinder {cylinder} {value} ms were measured as open time, {low} to {high} ms at its fellows,"
            " but it strays by {spread_us} µs, theirs by {usual_us} µs: one of them may be an echo. Record it again,"
            " the probe moved a little."
        ),
        Why.OPEN_TIME_FAR: (
            "No lead: at cylinder {cylinder} {value} ms were measured as open time, {low} to {high} ms at its fellows:"
            " so far off it is another sound than the close click. Record it again, the probe moved a little."
        ),
        Why.OPEN_TIME_LACKING: "Open time was not measured at {cylinders}: it is not compared there.",
        Why.OPEN_TIMES_UNLIKE: ("Coolant or pulse width differ: open time is compared only where they are alike."),
        Why.NONE_STANDS_OUT: "All {cylinders} were recorded while it shook, and none skips more than the rest.",
        Why.NOTHING_SKIPS: "Nothing skipped.",
        Why.SKIPS_PLACED: "Bad moments: {episodes} where this puts the fault, {others} in the other recordings ({p}).",
        Why.SKIPS_GONE: "Bad moments: {episodes} before the swap, {others} in both recordings after it ({p}).",
        Why.PLACE_UNCLEAR: "The four recordings fit no answer clearly yet.",
        Why.SILENT: "Nothing ticks at cylinder {cylinder} while its fellows tick.",
        Why.NEIGHBOUR_RECORDED: (
            "{file} is left out: its tick lies at cylinder {neighbour}'s place in the order, not at {cylinder}'s."
            " Either the probe sat nearer to {neighbour}, or {cylinder} is dead: record {cylinder} again, the probe on"
            " its body."
        ),
        Why.IN_ORDER: "In the firing order by the engine's own sound: the ticks of {cylinders}.",
        Why.TOO_FEW_CYLINDERS: "Cylinders recorded so far: {count}; {needed} are needed.",
        Why.NOT_TWO_CYLINDERS: (
            "A swap takes the same two cylinders before and after it; these recordings are of {cylinders}."
        ),
        Why.NOT_COUNTED: "{file} could not be counted: {reason}. Record it again, if that can still be done.",
        Why.SPEED_TYPED: (
            "{rpm_given} rpm was given, the sound repeats as at {rpm_heard}: where the speed was mistyped, correct it;"
            " nothing need be recorded again."
        ),
        Why.ORDER_HELPS: (
            "With the firing order known this may be told without a new recording: give --firing-order, in a case"
            " firing_order under [engine]."
        ),
        Why.ALONE_UNHEARD: (
            "Lead, no verdict: every other injector's tick stands out, at cylinder {cylinder} none does. It may be"
            " silent: check that it is driven, before or with another recording of it."
        ),
        Why.SKIPS_BY_ITSELF: (
            "By its own recording cylinder {cylinder} skips: {skipped} of {judged} ticks are missing."
        ),
        Why.NOT_MEASURED: "Steadiness and open time of {file} are not compared: {reason}.",
        Why.CONDITIONS_DIFFER: "Conditions differ ({conditions}): only like with like can be compared.",
        Why.SPEEDS_DIFFER: "Speeds differ too much: {rpm_low} to {rpm_high} rpm.",
        Why.LENGTHS_DIFFER: "Lengths differ too much: {seconds_short} to {seconds_long} s.",
        Why.CELL_MISSING: "No recording of cylinder {cylinder}, {stage}.",
        Why.ENGINES_DIFFER: "The recordings are of different engines: cylinders, firing order or injection differ.",
        Why.NOTHING_MOVED: "By their labels nothing changed places.",
        Why.BOTH_MOVED: (
            "By their labels injectors and connectors changed places together: change one kind back, then record."
        ),
        Why.LABELS_UNCLEAR: (
            "Labels before: {before}; after: {after}. Expected the same two, crossed: correct them in the case."
        ),
        Why.SAME_RECORDING: "{file} and {other} are the same recording.",
        Why.NO_FAULT_BEFORE: "There was no clear fault before: nothing to follow.",
        Why.DIFFERENCE_UNCLEAR: "The difference is not clear yet ({p}).",
        Why.MISFIRE_MOVED: (
            "By the control unit the misfire was at cylinder {cylinder} before and at cylinder {other} after."
        ),
        Why.MISFIRE_STAYED: "By the control unit the misfire was at cylinder {cylinder} before and after.",
        Why.SECOND_AGREES: "That agrees with the sound.",
        Why.SECOND_CONTRADICTS: (
            "That contradicts the sound: misfire means combustion. Look at ignition and compression too, and repeat"
            " both."
        ),
        Why.UNLIKE_FREEZE_FRAME: (
            "The code was set at {rpm} rpm, coolant {coolant_c} °C, load {load_percent} %. No recording was made like"
            " that: the fault's own condition is not recorded yet."
        ),
        Why.RAN_WELL: "{file} was made while the engine ran well: it clears nothing.",
        Why.GAP_HOLDS: "Only a solenoid's gap stays like that from {rpm_low} to {rpm_high} rpm.",
        Why.GAP_FALLS: "Only a mechanical gap falls like that from {rpm_low} to {rpm_high} rpm.",
        Why.GAP_FITS_BOTH: "From {rpm_low} to {rpm_high} rpm it fits both: enter the pulse width at both speeds.",
        Why.GAP_FITS_NEITHER: (
            "From {rpm_low} to {rpm_high} rpm it fits neither: enter the pulse width at both speeds, or record again."
        ),
        Why.ONE_SPEED: "{rpm_low} and {rpm_high} rpm are one speed: hold 2000 rpm for the second recording.",
        Why.SPEEDS_TOO_CLOSE: (
            "{rpm_low} and {rpm_high} rpm are too close: hold a higher speed, or enter the pulse width at both."
        ),
        Why.NO_OPEN_TIME: "At {rpm} rpm {count} open times were measured; {needed} are needed: record again, closer.",
        Why.MORE_WHILE_MOVED: "Bad moments: {moved} while moved, {still} while still ({p}).",
        Why.NOT_MORE_WHILE_MOVED: "Bad moments: {moved} while moved, {still} while still ({p}).",
        Why.MOVING_UNCLEAR: (
            "Bad moments: {moved} while moved, {still} while still ({p}). To say that they do not gather takes"
            " {needed} of them or more, and not clearly more while moved: record longer, or go on to the swap."
        ),
        Why.MOVED_UNJUDGED: (
            "Of the ticks while moved {percent} % could not be judged for the noise of handling: too much for a no."
            " Move the wiring further from the probe, or more gently."
        ),
        Why.TOO_FEW_STRETCHES: (
            "Stretches in which ticks could be judged: {moved} moved, {still} still; {needed} of each are needed."
        ),
        Why.KNOCKS_UNCLEAR: "Knocks at {at_s} s: {count}, not three.",
        Why.KNOCKS_UNLIKE: "Knocks or bumps at {at_s} s: {count} that sound unlike the other knocks.",
        Why.STRETCH_LONG: (
            "From {from_s} to {to_s} s no three knocks were heard: {seconds} s, usual here are {usual} s. A change may"
            " be missing."
        ),
        Why.STRETCHES_SHORT: (
            "The two stretches from {from_s} to {to_s} s last {seconds} s together, usual here are {usual} s for one. A"
            " change may be marked twice."
        ),
        Why.MARK_AGAIN: (
            "One change too few or too many turns still and moved round: give the times, or record again with three"
            " knocks at each change."
        ),
        Why.NO_KNOCKS: "No group of knocks: give the times, or knock three times on metal at each change.",
        Why.MOVED_NOT_COUNTED: "{file} could not be counted: {reason}. Record it again.",
        Why.WHOSE_TICK: "The tick that was counted may be another's: {reason}.",
        Why.ORDER_UNKNOWN: (
            "Where the other injectors tick is not known: first give --firing-order, such as 1-3-4-2, or"
            " firing_order in case.toml."
        ),
        Why.SKIPS_LEFT: "Bad moments at cylinder {cylinder} since the repair: {episodes}.",
        Why.TICK_IN_DOUBT: "{file} does not vouch for cylinder {cylinder}: {reason}. Record it again, closer.",
        Why.BOUND: "{judged} ticks were judged, enough to show a fault of 1 %.",
        Why.SIBLING_SKIPS: "Cylinder {cylinder} skips too.",
        Why.SIBLINGS_NOT_RECORDED: "Recorded before the repair and not since: {cylinders}.",
        Why.FELLOWS_NEEDED: (
            "Other injectors recorded since the repair: {count}. At least {needed} tell what is usual on this engine."
        ),
        Why.INSIDE_FELLOWS: "In line with its fellows: {measure} {value}, expected {low} to {high}.",
        Why.OUTSIDE_FELLOWS: "Out of line with its fellows: {measure} {value}, expected {low} to {high}.",
        Why.RESTARTS_NEEDED: "Clean restarts so far: {clean}; {needed} are needed.",
        Why.TICKS_SHORT: (
            "{judged} ticks were judged since the repair: it takes about {needed} to show that no more than 1 % can be"
            " left."
        ),
        Why.LEAKS_NOT_CHECKED: "Joints must be checked for leaks with the key on, running and hot.",
    },
    Todo: {
        Todo.SAVE_CODES: (
            "Save the stored and pending codes ({codes}), freeze frame and misfire counters before anything is"
            " cleared or disconnected."
        ),
        Todo.READ_CODES: (
            "Read and save the stored and pending codes, freeze frame and misfire counters before anything is cleared"
            " or disconnected, and enter them under [codes] in case.toml."
        ),
        Todo.QUICK_CHECKS: (
            "Check first what opens no fuel line, key off: plug, lead or coil exchanged with another cylinder's; fit"
            " and pins of the connector; coil resistance against the vehicle's own figure and among its fellows, cold"
            " and hot."
        ),
        Todo.RECORD_SHAKING: "Record cylinder {cylinder} for 60 s or more while the engine shakes.",
        Todo.RECORD_EACH: "Record each injector for 60 s or more while the engine shakes, one after the other.",
        Todo.SAY_SHAKING: (
            'Recordings that do not say whether the engine shook: {count}. Where it did, write shaking = "yes" under'
            " the [[recording]] in case.toml; where it did not, record it again while it shakes."
        ),
        Todo.RECORD_AGAIN: "Record {file} again, under a new name: {reason}.",
        Todo.RECORD_OTHERS: "Record {cylinders} the same way, in the same condition.",
        Todo.RECORD_REST: (
            "Record the other injectors the same way, in the same condition: one alone compares with nothing."
        ),
        Todo.RECORD_MORE: "Record {seconds} s more in the same condition.",
        Todo.LOOK_ELSEWHERE: (
            "The injectors tick while it shakes: look at fuel pressure and its hold after key-off, balance, a leaking"
            " injector, air leaks, ignition, compression."
        ),
        Todo.PROVE_DRIVE: (
            "Check at cylinder {cylinder}'s connector that the injector is driven (test light or current clamp), and"
            " measure the voltage drop under load."
        ),
        Todo.WIGGLE: (
            "Wiggle test at cylinder {cylinder}, last of the tests with the rail on: six stretches still and six"
            " moved in turn, 8 s each; note the times, or knock three times at each change on metal away from"
            " injector, connector and harness. Hands clear of belts, fans and coils."
        ),
        Todo.REPAIR_WIRING: "Repair wiring, connector or driver of cylinder {cylinder}; then verify.",
        Todo.SWAP: (
            "Swap cylinders {cylinder} and {partner}: with the key off, cross their connectors where leads reach and"
            " the maker allows, or exchange their injectors, engine cold and pressure relieved. Record both again,"
            " swapped in the name, and write what moved: injector = or connector = under both recordings."
        ),
        Todo.REPAIR_BOTH: (
            "Repair the wiring of cylinder {cylinder} and replace the injector that sat there at first; then verify."
        ),
        Todo.SWAP_BACK: (
            "Change back what was swapped and record both cylinders again, with the words changed back in the names: if"
            " the fault comes back, that is the proof."
        ),
        Todo.CHECK_PINS: (
            "Order no part. Look at pins, sockets and seal where cylinder {cylinder}'s injector plugs in, and mend what"
            " is green, bent or loose. Then verify; if it shakes again, record it then."
        ),
        Todo.NAME_EXCHANGE: (
            "Say what changed places before any part is ordered, for it decides which: in case.toml, under the swapped"
            ' recording of cylinder {cylinder}, write injector = "{partner}" if the injectors were exchanged or'
            ' connector = "{partner}" if the connectors were crossed, and "{cylinder}" under that of cylinder'
            " {partner}."
        ),
        Todo.TESTS_DISAGREE: (
            "The wiggle test says wiring, the swap says injector: order no part yet. Change back, record both cylinders"
            " again, and repeat the wiggle test: the fault must go back with the injector, or it is a connection."
        ),
        Todo.REPLACE: (
            "Replace the injector that sat in cylinder {cylinder} at first, engine cold and pressure relieved, seals"
            " new; then verify, under [repair] the cylinder in which the new one sits."
        ),
        Todo.VERIFY: "Record cylinder {cylinder} and its fellows after the repair, in the fault's own condition.",
        Todo.CHECK_LEAKS: "Check the joints for leaks with the key on, running and hot.",
        Todo.RESTART_MORE: "Start the engine {more} more times in the fault's own condition: each must be clean of it.",
        Todo.RECORD_SINCE: (
            "Record {cylinders} after the repair too, in the fault's own condition: so far only recordings"
            " from before it are there."
        ),
        Todo.RECORD_FELLOWS: (
            "Record other injectors after the repair, in the same condition, {more} more: with {needed} of them it"
            " shows what is usual on this engine."
        ),
        Todo.RECORD_ALIKE: (
            "Record cylinder {cylinder} after the repair in the condition and at the speed of the recordings before it."
        ),
        Todo.FIND_FAULT: (
            "No recording from before the repair holds the fault, so none can be shown to be gone: add one that does,"
            " if there is one. Else only restarts in the fault's own condition and a road test can tell."
        ),
        Todo.SIBLING_FAULTY: (
            "Cylinder {cylinder} skips too: go on with it as with the first, from the check that it is driven."
        ),
        Todo.OUT_OF_LINE: (
            "Cylinder {cylinder} is out of line with its fellows by its {measure}: record it and them again, the probe"
            " on each injector's body. If that stays, check its connector, its drive and the part itself."
        ),
        Todo.STILL_FAULTY: "The repair did not cure it: go back to the comparison.",
        Todo.ROAD_TEST: (
            "Clear the codes once their freeze frame is saved, drive, and watch misfire counters, fuel trims and the"
            " joints for leaks: idle is not a road test."
        ),
    },
}
