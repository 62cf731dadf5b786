"""English for the report's page and for what the commands print around their results."""

from injsound.engine import Injection
from injsound.show.words.keys import CaseFile, Page, Screen
from injsound.show.words.table import Table
from injsound.trouble_codes import TroubleKind

SCREENS: Table = {
    Page: {
        Page.TITLE: "Injector report",
        Page.COMPLAINT: "Complaint",
        Page.FOUND: "What was found",
        Page.EVIDENCE: "Evidence",
        Page.COMPARED: "The injectors beside each other, on equal scales",
        Page.LISTEN: "Listen",
        Page.LISTEN_SKIP: "around a missing tick, at {time} s",
        Page.LISTEN_SOUND: "a stretch without one, at {time} s",
        Page.QUARTER: "quarter speed",
        Page.CANNOT: "What this cannot tell",
        Page.CANNOT_TEXT: (
            "A click does not prove that the injector flows or seals. A recording made while the engine ran well"
            " clears nothing. No injector with a bench-confirmed skip has been tested with this method yet."
        ),
        Page.CAUTIONS: "Cautions",
        Page.FILES: "Files",
        Page.MADE: "made {date} with injsound {version}",
        Page.NOTHING_YET: "The injectors have not been compared yet.",
        Page.ODD_COUNTED: (
            "The injector at cylinder {odd} left out {skipped} of {judged} ticks, those of the other cylinders"
            " {elsewhere} of {others}."
        ),
        Page.RECORDINGS: "Every recording",
        Page.COMES_NEXT: "What comes next",
    },
    Screen: {
        Screen.PROGRESS: "{number} of {count}: {file}",
        Screen.READ: "read {file}",
        Screen.LEFT_OUT: (
            "left out, as of another speed, condition or stage than most, or not shaking while others did: {files}"
        ),
        Screen.SECOND_OPINION: "second opinion: librosa prepares itself, once, up to 15 s",
        Screen.PICTURE: "picture: {file}",
        Screen.INTERVAL: "interval",
        Screen.INTERVAL_LINE: "{interval} ms between ticks at {rpm} rpm, {injection}",
        Screen.SCATTERED: "scattered",
        Screen.SCATTERED_LINE: "{time} ({ticks} ticks): under {rate} % with 95 % confidence, if none is missing",
        Screen.BURSTS: "in bursts",
        Screen.BURSTS_LINE: "{time} ({ticks} ticks): the same for skips that come five in a row",
        Screen.SIMULATED: "{file}: {skipped} of {due} ticks left out, {rpm} rpm",
        Screen.CASE_MADE: "made {file}",
        Screen.CASE_ENTRY: "{file}: cylinder {cylinder}, {condition}, {stage}, shaking {shaking}",
        Screen.CASE_INJECTOR: "injector {injector}",
        Screen.CASE_SPEED: "{rpm} rpm",
        Screen.CASE_ADDED: "added: {added}; the others were not, for what is said above",
        Screen.CASE_CORRECT: "wrong? correct it in {file}",
        Screen.WATCHING: "watching {folder}: every new recording is answered; Ctrl-C stops",
        Screen.REPORT: "report: {file}",
        Screen.BATCH_DONE: "{count} read; of {files} in the table {failed} could not be used: {file}",
        Screen.DEMO_STORY: (
            "Two practice cases, from the first recording to the repair. The recordings are simulated; no real engine"
            " made them."
        ),
        Screen.DEMO_READ: "{count} recordings: {verdicts}",
        Screen.DEMO_FOUND: "found",
    },
    CaseFile: {
        CaseFile.TOP: "A case of injsound. Edit it freely: comments stay.",
        CaseFile.CODES: "As read before anything is cleared or disconnected.",
        CaseFile.MISFIRES: "counters by cylinder; those after a swap go into [codes_swapped]",
        CaseFile.CHECKS: "true once done:",
        CaseFile.CODES_SAVED: "codes, freeze frame and counters are entered above",
        CaseFile.QUICK: "what opens nothing: plug, lead or coil swapped, connectors, coil resistance",
        CaseFile.DRIVE: "test light or current clamp: the odd injector is driven",
        CaseFile.LEAKS: "after the repair: joints dry with the key on, running and hot",
        CaseFile.REPAIR: "After the repair:",
        CaseFile.RESTARTS: "restarts with the fault, of how many made; clean ones since the repair",
        CaseFile.OUTCOME: "what was found on the bench or after the part",
    },
    Injection: {Injection.SEQUENTIAL: "sequential injection", Injection.BATCH: "batch injection"},
    # Wording of SAE J2012 / ISO 15031-6 as carried by python-OBD ``codes.py``.
    TroubleKind: {
        TroubleKind.MISFIRE: "Cylinder {cylinder} Misfire Detected",
        TroubleKind.RANDOM_MISFIRE: "Random/Multiple Cylinder Misfire Detected",
        TroubleKind.CIRCUIT: "Injector Circuit/Open",
        TroubleKind.CYLINDER_CIRCUIT: "Injector Circuit/Open - Cylinder {cylinder}",
        TroubleKind.CIRCUIT_LOW: "Cylinder {cylinder} Injector Circuit Low",
        TroubleKind.CIRCUIT_HIGH: "Cylinder {cylinder} Injector Circuit High",
        TroubleKind.BALANCE: "Cylinder {cylinder} Contribution/Balance",
        TroubleKind.LOW_FUEL: "Misfire Detected with Low Fuel",
        TroubleKind.NO_CYLINDER: "Single Cylinder Misfire (Cylinder not Specified)",
        TroubleKind.LEAN: "System Too Lean (Bank {bank}): fuel pressure and air leaks come before a single injector",
        TroubleKind.RICH: "System Too Rich (Bank {bank}): fuel pressure and a leaking injector, which still ticks",
        TroubleKind.OTHER: "not about misfire, injector or mixture: kept",
    },
}
