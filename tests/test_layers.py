"""The import table: who may know whom. A wrong import fails by name."""

import ast
from pathlib import Path

import pytest

import injsound

ROOT = Path(injsound.__file__).parent
SHARED = {"sound.clock", "sound.filters", "sound.signals", "sound.waveforms"}
# What is said of one recording, and of several.
ONE = {"codes", "values", "results"}
SEVERAL = ONE | {"job_codes", "diagnoses"}
BASE = {"errors", "engine", "states"} | ONE | SHARED
MODULES = {
    ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__"): path
    for path in ROOT.rglob("*.py")
}
STAGES = {name for name in MODULES if name.startswith("sound.")} - BASE
LANGUAGE_ROOMS = ("show.words.english", "show.words.spanish")
CODES = {"engine", "trouble_codes", "codes", "job_codes", "show.words.keys", "show.words.table"}
# A module's own row, else that of its floor; None: anything.
FLOORS = {"sound", "findings", "cases", "show"}
ALLOWED = {
    "__init__": None,
    "errors": set(),
    "files": {"errors"},
    "languages": set(),
    "engine": {"errors"},
    "trouble_codes": {"errors"},
    "codes": set(),
    "job_codes": {"codes"},
    "control_unit": set(),
    "values": {"codes"},
    "results": {"errors", "engine", "codes", "values"},
    "states": {"codes", "results"},
    "sound.clock": {"values"},
    "sound.filters": {"values"},
    "sound.signals": {"values"},
    "sound.waveforms": {"values", "sound.filters"},
    "sound": BASE,
    # A stage may have helpers in rooms of their own, as a rule in its folder.
    "sound.decoding.audio": BASE | {"sound.decoding.decoders", "sound.decoding.sources"},
    "sound.decoding.decoders": BASE | {"sound.decoding.packets", "sound.decoding.sources"},
    "sound.decoding.packets": BASE | {"sound.decoding.sources"},
    "sound.timing.scatter": BASE | {"sound.timing.scatter_model"},
    "sound.second_click": BASE | {"sound.rises"},
    "sound.own.candidates": BASE | {"sound.second_click"},
    "sound.own.ticks": BASE
    | {
        "sound.own.candidates",
        "sound.own.faint",
        "sound.own.likeness",
        "sound.own.prominence",
        "sound.own.whose",
        "sound.rises",
        "sound.second_click",
        "sound.own.slots",
    },
    "sound.own.likeness": BASE | {"sound.own.candidates"},
    "sound.own.slots": BASE | {"sound.own.candidates", "sound.own.likeness"},
    "sound.own.prominence": BASE | {"sound.own.candidates", "sound.second_click"},
    "sound.own.whose": BASE | {"sound.own.candidates", "sound.own.likeness", "sound.own.prominence"},
    "sound.turning.cycle": BASE | {"sound.turning.folding", "sound.turning.lengths"},
    "sound.turning.lengths": BASE | {"sound.turning.folding"},
    "sound.turning.engine_speed": BASE
    | {"sound.turning.cycle", "sound.turning.folding", "sound.turning.lengths", "sound.turning.orders"},
    "sound.own.faint": BASE | {"sound.own.candidates", "sound.lateness", "sound.own.partner", "sound.second_click"},
    "sound.own.partner": BASE | {"sound.own.candidates", "sound.second_click"},
    "sound.opening.opentime": BASE
    | {
        "sound.opening.doublet",
        "sound.opening.echo",
        "sound.opening.parted",
        "sound.second_click",
        "sound.opening.trimmed",
    },
    "sound.opening.echo": BASE | {"sound.second_click"},
    "sound.opening.parted": BASE | {"sound.second_click"},
    "sound.opening.pair": BASE | {"sound.matching.events", "sound.opening.parted", "sound.second_click"},
    "sound.opening.trimmed": BASE | {"sound.second_click"},
    "sound.opening.doublet": BASE | {"sound.opening.echo", "sound.second_click"},
    "sound.matching.dull": BASE | {"sound.matching.laws"},
    "sound.matching.events": BASE | {"sound.matching.kinds", "sound.lateness"},
    "sound.matching.kinds": BASE | {"sound.matching.laws"},
    "findings.proportions": {"errors"},
    "findings.trains": {"errors", "codes", "values", "findings.proportions"},
    "diagnoses": {"values", "results", "job_codes"},
    "findings.verdict": ONE | {"states", "findings.proportions", "findings.trains"},
    "findings.episodes": SEVERAL | {"engine", "states", "findings.proportions", "findings.verdict"},
    "findings": SEVERAL | {"errors", "engine", "findings.episodes"},
    "findings.compare": SEVERAL
    | {"findings.alike", "findings.episodes", "findings.fellows", "findings.opening", "findings.places"},
    "findings.opening": SEVERAL | {"findings.episodes"},
    "findings.crank": SEVERAL | {"findings.episodes", "sound.turning.alignment", "sound.clock"},
    "findings.overheard": SEVERAL | {"engine", "findings.crank"},
    "findings.places": SEVERAL
    | {
        "engine",
        "findings.crank",
        "findings.overheard",
        "findings.verdict",
        "sound.turning.alignment",
        "sound.clock",
    },
    "findings.alike": SEVERAL,
    "findings.freeze": {"control_unit", "job_codes", "diagnoses", "findings.alike"},
    "findings.two_speed": SEVERAL | {"errors", "findings.alike", "findings.opening"},
    "findings.misfires": {
        "control_unit",
        "trouble_codes",
        "job_codes",
        "diagnoses",
        "findings.episodes",
        "findings.proportions",
    },
    "findings.reversal": {"job_codes", "diagnoses", "findings.alike", "findings.episodes", "findings.swap"},
    "findings.swap": {
        "control_unit",
        "values",
        "job_codes",
        "diagnoses",
        "findings.alike",
        "findings.episodes",
        "findings.misfires",
    },
    "findings.wiggle": SEVERAL | {"errors", "states", "findings.episodes", "findings.marks", "findings.verdict"},
    "findings.verify": SEVERAL
    | {
        "errors",
        "findings.alike",
        "findings.compare",
        "findings.episodes",
        "findings.fellows",
        "findings.opening",
        "findings.proportions",
        "findings.verdict",
    },
    "cases.case": {"control_unit", "errors", "engine", "job_codes", "diagnoses", "languages", "cases.names"},
    "cases.case_file": {
        "control_unit",
        "errors",
        "engine",
        "trouble_codes",
        "job_codes",
        "diagnoses",
        "languages",
        "cases.case",
        "cases.names",
    },
    "cases.adding": {
        "engine",
        "errors",
        "job_codes",
        "files",
        "languages",
        "sound.decoding.audio",
        "cases.case",
        "cases.case_file",
    },
    "cases.names": {"engine", "errors", "job_codes"},
    "cases.guide": SEVERAL | {"engine", "trouble_codes", "cases.case"},
    "cases.store": {
        "engine",
        "errors",
        "results",
        "diagnoses",
        "files",
        "record",
        "runs",
        "sound.decoding.audio",
        "cases.case",
    },
    "cases.evidence": SEVERAL
    | {
        "control_unit",
        "errors",
        "cases.case",
        "cases.store",
        "findings.compare",
        "findings.freeze",
        "findings.marks",
        "findings.places",
        "findings.reversal",
        "findings.swap",
        "findings.two_speed",
        "findings.verify",
        "findings.wiggle",
    },
    "cases.many": {"engine", "errors", "files", "record", "results", "runs", "cases.case"},
    "cases": set(),
    "show": set(),
    "show.words": set(),
    "show.words.cautions": {"languages"},
    "show.words.keys": set(),
    "show.words.table": set(),
    "show.words.languages": {"languages", "show.words.english", "show.words.spanish", "show.words.table"},
    **{
        name: CODES | {"languages", "show.words.cautions"} | {f"{name}.{p}" for p in ("findings", "reading", "screens")}
        for name in LANGUAGE_ROOMS
    },
    "show.text": SEVERAL | {"engine", "trouble_codes", "languages", "show.words.keys", "show.words.languages"},
    "show.reading_text": ONE | {"show.text", "show.words.keys"},
    "show.blocks": {"show.text"},
    "show.findings_text": SEVERAL | {"show.blocks", "show.text", "show.words.keys"},
    "show.case_text": {"job_codes", "diagnoses", "cases.guide", "show.findings_text", "show.text", "show.words.keys"},
    "show.clips": {"values", "sound.decoding.audio"},
    "show.report": SEVERAL
    | {
        "__init__",
        "cases.case",
        "cases.guide",
        "show.case_text",
        "show.clips",
        "show.findings_text",
        "show.plot",
        "show.plot_compared",
        "show.reading_text",
        "show.text",
        "show.words.keys",
        "sound.signals",
        "states",
    },
    "show.plot_compared": {"codes", "diagnoses", "states", "show.ink", "show.panels", "show.text", "show.words.keys"},
    "show.drawing": {"results", "show.plot", "show.text"},
    "show.ink": {"values"},
    "show.panels": ONE | {"show.ink", "show.text", "show.words.keys"},
    "show.plot": {"codes", "results", "show.ink", "show.panels", "show.reading_text", "show.text", "show.words.keys"},
    "record": BASE | {"files"},
    "heard": BASE | {"sound.turning.cycle", "sound.matching.events", "sound.knocks", "sound.own.ticks"},
    "concluding": BASE | {"findings.trains", "findings.verdict", "heard", "sound.own.ticks"},
    "joining": BASE | {"concluding", "findings.verdict", "heard", "sound.knocks"},
    "pictures": BASE | {"sound.turning.alignment", "sound.turning.cycle", "sound.matching.events", "sound.own.ticks"},
    "beside": BASE | {"sound.matching.company", "sound.turning.cycle", "sound.own.ticks"},
    "counting": BASE | {"beside", "heard", "pictures"} | STAGES,
    "reading": BASE | {"counting", "heard", "joining", "pictures"} | STAGES,
    "runs": BASE | {"__init__", "reading", "sound.decoding.audio", "sound.onsets", "sound.decoding.sources"},
    "demonstration": BASE
    | {
        "diagnoses",
        "files",
        "cases.case",
        "cases.case_file",
        "cases.evidence",
        "cases.guide",
        "cases.store",
        "show.case_text",
        "show.report",
        "show.text",
        "show.words.keys",
    },
    "simulate": {"errors", "engine", "files", "codes", "values"},
    "cli": None,
    "cli_cases": None,
    "cli_check": None,
    "cli_compare": None,
    "cli_findings": None,
    "cli_options": {"engine", "errors", "files", "languages", "show.text"},
    "cli_recordings": None,
    "cli_watch": None,
    "__main__": None,
}
# Libraries that only one room may know, and whether it may do so while it is itself imported.
KEPT = {
    "matplotlib": ({"show.ink", "show.panels", "show.plot", "show.plot_compared"}, False),
    "av": ({"sound.decoding.packets", "simulate"}, True),
    "soundfile": ({"sound.decoding.decoders", "simulate", "show.clips"}, True),
    "click": ({"cli", *(name for name in MODULES if name.startswith("cli_"))}, True),
    "jinja2": ({"show.report"}, False),
    "tomlkit": ({"cases.adding"}, False),
}
# Their import takes as long as a reading, so a command does without them; a simulated engine may wait.
SLOW, MAY_WAIT = ("scipy.signal", "scipy.stats"), "simulate"


def imports(tree):
    """Every imported name, dotted, and whether the import runs with the module: not in a function, not for types."""
    later = [n for n in ast.walk(tree) if isinstance(n, ast.FunctionDef | ast.Lambda) or _for_types(n)]
    inside = {id(node) for part in later for node in ast.walk(part)}
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "relative import"
            names = [f"{node.module}.{alias.name}" for alias in node.names]
        else:
            continue
        yield from ((name, id(node) not in inside) for name in names)


def _for_types(node):
    return isinstance(node, ast.If) and isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING"


def known_module(name):
    """The longest part of a dotted name that is one of our modules, without the package; None for others' names."""
    parts = name.split(".")[1:]
    return next((m for k in range(len(parts), 0, -1) if (m := ".".join(parts[:k])) in MODULES), None)


@pytest.mark.parametrize("module", sorted(MODULES))
def test_imports_keep_to_the_table(module):
    floor = module.split(".")[0]
    rows = [".".join(module.split(".")[:k]) for k in range(4, 0, -1)]
    allowed = ALLOWED[next(row for row in rows if row in ALLOWED)]
    if allowed is not None and floor == "simulate":  # one room that is a folder
        allowed = allowed | {name for name in MODULES if name.split(".")[0] == floor}
    for name, on_import in imports(ast.parse(MODULES[module].read_text(encoding="utf-8"))):
        if name.split(".")[0] == "injsound":
            ours = known_module(name)
            assert allowed is None or ours is None or ours in allowed | FLOORS, f"{module} may not import {ours}"
        rooms, at_once = KEPT.get(name.split(".")[0], ({module}, True))
        assert {module, floor} & rooms, f"{module} may not import {name}"
        assert at_once or not on_import, f"{module} imports {name} outside a function"
        assert floor == MAY_WAIT or not name.startswith(SLOW), f"{module} may not import {name}: it takes too long"


def test_imports_are_read_wherever_they_stand():
    found = list(imports(ast.parse("import av\ndef f():\n    from injsound.sound import signals")))
    assert found == [("av", True), ("injsound.sound.signals", False)]
    found = list(imports(ast.parse("if TYPE_CHECKING:\n    import av\nif DEBUG:\n    import numpy")))
    assert found == [("av", False), ("numpy", True)]
    assert known_module("injsound.sound.signals") == "sound.signals"
    assert known_module("injsound.results.Jitter") == "results"
    assert known_module("numpy.linalg") is None


def test_stages_and_findings_do_not_know_each_other():
    assert STAGES
    assert not STAGES & ALLOWED["sound"]
    assert {name for name in ALLOWED["findings"] if name.startswith("findings.")} == {"findings.episodes"}
