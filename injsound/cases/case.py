"""A case folder: ``case.toml``, which a person may read and edit, and the recordings beside it.

Every mistake in the file is reported at once, with its place, what was expected and the nearest known key.
"""

import math
import os
import tomllib
from codecs import BOM_UTF8
from collections.abc import Mapping
from dataclasses import dataclass, field
from difflib import get_close_matches
from pathlib import Path
from typing import Any

from injsound.cases.names import circumstances_named, condition_named, cylinder_named
from injsound.diagnoses import FreezeFrame, Misfires, Shaking, Stage
from injsound.engine import MAX_RPM, MIN_RPM, Engine, Injection, parse_firing_order
from injsound.errors import InjsoundError, ParameterError
from injsound.languages import Language
from injsound.trouble_codes import read_trouble_code

FILE_NAME = "case.toml"
CHECKS = ("codes_saved", "quick", "drive", "leaks")
# Only names are asked here; what a file holds decides how it is read.
SOUND_SUFFIXES = frozenset(
    {"wav", "flac", "aiff", "aif", "caf", "mp3", "ogg", "opus", "m4a", "mp4", "mov", "3gp", "webm", "aac", "amr"}
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One recording of a case and how it was made.

    Parameters
    ----------
    file : str
        Path inside the case folder.
    cylinder : int
        Where the probe was.
    injector, connector : str
        Labels of the parts, apart from the cylinder.
    stage : Stage
        Before, swapped or after.
    condition : str
        Such as "cold"; never mixed in one comparison.
    shaking : Shaking
        Whether the engine shook while it was recorded.
    rpm : float or None
        By the tachometer [1/min].
    soak_minutes, seconds_since_restart : float or None
        Standing before the start [min], time since the restart [s].
    coolant_c, load_percent, pulse_width_ms : float or None
        By the scan tool: coolant temperature [degree Celsius], load [%], injection pulse [ms].
    probe, note : str
        Where the probe sat; anything else.
    moved : tuple of (float, float)
        Stretches in which the wiring was moved [s].
    still : tuple of (float, float)
        Stretches in which it was not [s].
    """

    file: str
    cylinder: int
    injector: str = ""
    connector: str = ""
    stage: Stage = Stage.BEFORE
    condition: str = ""
    shaking: Shaking = Shaking.UNKNOWN
    rpm: float | None = None
    soak_minutes: float | None = None
    seconds_since_restart: float | None = None
    coolant_c: float | None = None
    load_percent: float | None = None
    pulse_width_ms: float | None = None
    probe: str = ""
    note: str = ""
    moved: tuple[tuple[float, float], ...] = ()
    still: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One repair job.

    Parameters
    ----------
    folder : Path
        Where it lies.
    complaint : str
        In the owner's words.
    language : Language or None
        Of its report; None leaves it to whoever makes the report.
    engine : Engine
        The same for all recordings.
    codes, pending : tuple of str
        Trouble codes as read before anything was cleared.
    freeze_frame : FreezeFrame
        The moment at which the code was set.
    counters : mapping of int to int
        Misfire counters by cylinder, before anything was cleared [unitless].
    swapped : Misfires
        Codes and counters after a swap.
    checks : mapping of str to bool
        What was done: codes_saved, quick, drive, leaks.
    faulty_restarts : tuple of int or None
        Restarts with the fault, of how many, before the repair.
    clean_restarts : int
        Restarts without it since.
    repaired : int or None
        Cylinder of the repair.
    outcome : str
        What was found on the bench or after the part.
    entries : tuple of Entry
        Its recordings, in order.
    """

    folder: Path
    complaint: str = ""
    language: Language | None = None
    engine: Engine = field(default_factory=Engine)
    codes: tuple[str, ...] = ()
    pending: tuple[str, ...] = ()
    freeze_frame: FreezeFrame = field(default_factory=FreezeFrame)
    counters: Mapping[int, int] = field(default_factory=dict)
    swapped: Misfires = field(default_factory=Misfires)
    checks: Mapping[str, bool] = field(default_factory=dict)
    faulty_restarts: tuple[int, int] | None = None
    clean_restarts: int = 0
    repaired: int | None = None
    outcome: str = ""
    entries: tuple[Entry, ...] = ()


class CaseError(InjsoundError):
    """Mistakes in a case, all of them, one a line."""


# --- reading --------------------------------------------------------------------------------------------------------


def load_case(folder: str | os.PathLike[str]) -> Case:
    """Read and check a case.

    Parameters
    ----------
    folder : path
        Folder with ``case.toml``.

    Returns
    -------
    Case
        Its values.

    Raises
    ------
    CaseError
        With every mistake in the file.
    """
    return checked(folder, read_file(folder))


def read_file(folder: str | os.PathLike[str]) -> bytes:
    """What a case's file holds.

    Parameters
    ----------
    folder : path
        Folder with ``case.toml``.

    Returns
    -------
    bytes
        As they are.

    Raises
    ------
    CaseError
        If there is no such file or it cannot be read.
    """
    path = Path(folder) / FILE_NAME
    try:
        return path.read_bytes()
    except FileNotFoundError:
        raise CaseError(f"{path}: no such file; make a case with: injsound case new {folder}") from None
    except OSError as error:
        raise CaseError(f"{path}: cannot be read ({error.strerror or error}); expected a file") from None


def checked(folder: str | os.PathLike[str], data: bytes) -> Case:
    """Check what a case's file holds, or shall hold.

    Parameters
    ----------
    folder : path
        Folder of the case.
    data : bytes
        Its file.

    Returns
    -------
    Case
        Its values.

    Raises
    ------
    CaseError
        With every mistake.
    """
    path = Path(folder) / FILE_NAME
    try:
        values = tomllib.loads(data.removeprefix(BOM_UTF8).decode("utf-8"))  # some editors put the mark before it
    except UnicodeDecodeError as error:
        raise CaseError(f"{path}: byte {error.start + 1} is no text in UTF-8; save the file as UTF-8") from None
    except tomllib.TOMLDecodeError as error:
        raise CaseError(f"{path}: {error}; correct that line") from None
    checker = _Checker(str(path))
    case = checker.case(Path(folder), values)
    if checker.mistakes:
        raise CaseError("\n".join(checker.mistakes))
    return case


_TOP = {
    "complaint",
    "language",
    "engine",
    "codes",
    "codes_swapped",
    "checks",
    "restarts",
    "repair",
    "recording",
    "outcome",
}
_ENGINE = {"cylinders", "firing_order", "firing_angles", "injection"}
_CODES = {"stored", "pending", "freeze_frame", "misfires"}
_CODES_SWAPPED = _CODES - {"freeze_frame"}
_FREEZE_FRAME = {"rpm", "coolant_c", "load_percent"}
_RESTARTS = {"faulty", "made", "clean_since"}
_TEXT = {"injector", "connector", "condition", "probe", "note"}
# What a scan tool or a watch can show; an engine's own speeds stand in ``engine``.
_BOUNDS = {
    "rpm": (MIN_RPM, MAX_RPM),
    "soak_minutes": (0.0, math.inf),
    "seconds_since_restart": (0.0, math.inf),
    "coolant_c": (-60.0, 200.0),
    "load_percent": (0.0, 1000.0),
    "pulse_width_ms": (0.0, 100.0),
}
_RECORDING = {"file", "cylinder", "stage", "shaking", "moved", "still"} | _TEXT | set(_BOUNDS)
_KINDS = {"str": "text", "bool": "true or false", "dict": "a table", "list": "a list"}


class _Checker:
    """Takes values out of a table and notes every mistake with its place."""

    def __init__(self, path: str) -> None:
        self.path = path
        self.mistakes: list[str] = []

    def say(self, place: str, what: str) -> None:
        self.mistakes.append(f"{self.path}: {place}: {what}")

    def known(self, values: Mapping[str, Any], keys: set[str], place: str) -> None:
        for key in values:
            if key not in keys:
                near = get_close_matches(key, keys, 1)
                hint = f"did you mean {near[0]!r}?" if near else f"known are {', '.join(sorted(keys))}"
                self.say(place or "top level", f"unknown key {key!r}; {hint}")

    def take(self, values: Mapping[str, Any], key: str, kind: type | tuple[type, ...], default: Any, place: str) -> Any:
        value = values.get(key, default)
        if value is default:
            return default
        if not isinstance(value, kind) or (isinstance(value, bool) and kind is not bool):
            kinds = kind if isinstance(kind, tuple) else (kind,)
            names = " or ".join(dict.fromkeys(_KINDS.get(kind.__name__, "a number") for kind in kinds))
            self.say(f"{place}{key}", f"is {value!r}; expected {names}")
            return default
        return value

    def number(self, values: Mapping[str, Any], key: str, place: str) -> float | None:
        value: float | None = self.take(values, key, (int, float), None, place)
        least, most = _BOUNDS[key]
        if value is None or least <= value <= most:
            return value
        expected = f"{least:g} or more" if math.isinf(most) else f"{least:g} to {most:g}"
        self.say(f"{place}{key}", f"is {value:g}; expected {expected}")
        return None

    def table(self, values: Mapping[str, Any], key: str, keys: set[str]) -> Mapping[str, Any]:
        table: Mapping[str, Any] = self.take(values, key, dict, {}, "")
        self.known(table, keys, f"[{key}]")
        return table

    def choice(self, values: Mapping[str, Any], key: str, kind: Any, default: Any, place: str) -> Any:
        value = values.get(key, default)
        try:
            return kind(value)
        except ValueError:
            self.say(f"{place}{key}", f"is {value!r}; expected {', '.join(repr(k.value) for k in kind)}")
            return default

    def case(self, folder: Path, values: Mapping[str, Any]) -> Case:
        self.known(values, _TOP, "")
        engine = self.engine(self.table(values, "engine", _ENGINE))
        codes = self.table(values, "codes", _CODES)
        swapped, place = self.table(values, "codes_swapped", _CODES_SWAPPED), "[codes_swapped] "
        checks = self.table(values, "checks", set(CHECKS))
        restarts = self.table(values, "restarts", _RESTARTS)
        repair = self.table(values, "repair", {"cylinder"})
        outcome = self.table(values, "outcome", {"found"})
        rows = self.take(values, "recording", list, [], "")
        self.has(repaired := self.take(repair, "cylinder", int, None, "[repair] "), engine, "[repair] cylinder")
        entries = [self.entry(row, f"[[recording]] {k}", engine, folder) for k, row in enumerate(rows, 1)]
        self.once(rows)
        return Case(
            folder=folder,
            complaint=self.take(values, "complaint", str, "", ""),
            language=self.choice(values, "language", Language, None, "") if "language" in values else None,
            engine=engine,
            codes=self.texts(codes, "stored"),
            pending=self.texts(codes, "pending"),
            freeze_frame=self.freeze_frame(codes),
            counters=self.counters(codes, "[codes] ", engine),
            swapped=Misfires(
                codes=self.texts(swapped, "stored", place) + self.texts(swapped, "pending", place),
                counts=self.counters(swapped, place, engine),
            ),
            checks={key: self.take(checks, key, bool, False, "[checks] ") for key in CHECKS},
            faulty_restarts=self.restarts(restarts),
            clean_restarts=self.take(restarts, "clean_since", int, 0, "[restarts] "),
            repaired=repaired,
            outcome=self.take(outcome, "found", str, "", "[outcome] "),
            entries=tuple(entry for entry in entries if entry is not None),
        )

    def texts(self, values: Mapping[str, Any], key: str, place: str = "[codes] ") -> tuple[str, ...]:
        found = [str(code).upper().strip() for code in self.take(values, key, list, [], place)]
        for code in found:
            try:
                read_trouble_code(code)
            except ParameterError as error:
                self.say(f"{place}{key}", str(error))
        return tuple(found)

    def freeze_frame(self, codes: Mapping[str, Any]) -> FreezeFrame:
        frame = self.take(codes, "freeze_frame", dict, {}, "[codes] ")
        self.known(frame, _FREEZE_FRAME, "[codes] freeze_frame")
        return FreezeFrame(**{key: self.number(frame, key, "[codes] freeze_frame ") for key in sorted(_FREEZE_FRAME)})

    def counters(self, codes: Mapping[str, Any], place: str, engine: Engine) -> Mapping[int, int]:
        counts = {}
        for key, count in self.take(codes, "misfires", dict, {}, place).items():
            whole = isinstance(count, int) and not isinstance(count, bool) and count >= 0
            if key.isdecimal() and 1 <= int(key) <= (engine.cylinders or 12) and whole:
                counts[int(key)] = count
            else:
                expected = "expected a cylinder and its count, such as 2 = 154"
                self.say(f"{place}misfires", f"has {key} = {count!r}; {expected}")
        return counts

    def restarts(self, values: Mapping[str, Any]) -> tuple[int, int] | None:
        faulty = self.take(values, "faulty", int, None, "[restarts] ")
        made = self.take(values, "made", int, None, "[restarts] ")
        if faulty is None or made is None:
            return None
        if not 0 < faulty <= made:
            self.say("[restarts]", f"{faulty} faulty of {made} made; expected at least one, no more than made")
            return None
        return faulty, made

    def engine(self, values: Mapping[str, Any]) -> Engine:
        order = self.take(values, "firing_order", str, "", "[engine] ")
        angles = self.take(values, "firing_angles", list, [], "[engine] ")
        if not all(isinstance(angle, int | float) and not isinstance(angle, bool) for angle in angles):
            self.say("[engine] firing_angles", f"is {angles!r}; expected degrees such as [0, 90, 240, 330, 480, 570]")
            angles = []
        try:
            return Engine(
                cylinders=self.take(values, "cylinders", int, None, "[engine] "),
                firing_order=parse_firing_order(order) if order else None,
                injection=self.choice(values, "injection", Injection, Injection.SEQUENTIAL, "[engine] "),
                firing_angles=tuple(map(float, angles)) or None,
            )
        except ParameterError as error:
            self.say("[engine]", str(error))
            return Engine()

    def entry(self, row: Any, place: str, engine: Engine, folder: Path) -> Entry | None:
        if not isinstance(row, dict):
            self.say(place, "expected a table with file and cylinder")
            return None
        self.known(row, _RECORDING, place)
        file, cylinder = (
            self.take(row, key, kind, None, f"{place} ") for key, kind in (("file", str), ("cylinder", int))
        )
        if file is None or cylinder is None:
            missing = " and ".join(key for key, value in (("file", file), ("cylinder", cylinder)) if value is None)
            self.say(place, f"has no {missing}: add it")
            return None
        if not _inside(folder, file):
            self.say(f"{place} file", f"is {file!r}, outside the case folder; copy it into the folder")
        self.has(cylinder, engine, f"{place} cylinder")
        numbers: dict[str, Any] = {key: self.number(row, key, f"{place} ") for key in _BOUNDS}
        texts = {key: self.take(row, key, str, "", f"{place} ") for key in _TEXT}
        texts["condition"] = condition_named(texts["condition"])
        return Entry(
            file=file,
            cylinder=cylinder,
            stage=self.choice(row, "stage", Stage, Stage.BEFORE, f"{place} "),
            shaking=self.choice(row, "shaking", Shaking, Shaking.UNKNOWN, f"{place} "),
            moved=self.stretches(row, "moved", place),
            still=self.stretches(row, "still", place),
            **numbers,
            **texts,
        )

    def once(self, rows: list[Any]) -> None:
        files = [row.get("file") if isinstance(row, dict) else None for row in rows]
        for k, file in enumerate(files, 1):
            if file is not None and (first := files.index(file) + 1) < k:
                self.say(f"[[recording]] {k} file", f"is {file!r}, as in [[recording]] {first}; list each file once")

    def has(self, cylinder: int | None, engine: Engine, place: str) -> None:
        if cylinder is not None and not 1 <= cylinder <= (engine.cylinders or cylinder):
            count = "counted from 1" if engine.cylinders is None else f"the engine has {engine.cylinders}"
            self.say(place, f"is {cylinder}; {count}")

    def stretches(self, row: Mapping[str, Any], key: str, place: str) -> tuple[tuple[float, float], ...]:
        found = []
        for pair in self.take(row, key, list, [], f"{place} "):
            right = isinstance(pair, list) and len(pair) == 2 and all(isinstance(t, int | float) for t in pair)
            if not right or not 0 <= pair[0] < pair[1]:
                self.say(f"{place} {key}", f"has {pair!r}; expected [start, end] in seconds")
                continue
            found.append((float(pair[0]), float(pair[1])))
        return tuple(found)


def _inside(folder: Path, file: str) -> bool:
    return (folder / file).resolve().is_relative_to(folder.resolve())


# --- names ----------------------------------------------------------------------------------------------------------


def entry_from_name(file: str) -> Entry | None:
    """What a file's name says: "cyl2 cold 900 rpm before.m4a" is cylinder 2, cold, at 900 rpm, before; Spanish too.

    Parameters
    ----------
    file : str
        Path inside the case folder.

    Returns
    -------
    Entry or None
        None for what is no sound file or names no cylinder.
    """
    path = Path(file)
    cylinder = cylinder_named(path.stem)
    if path.suffix[1:].casefold() not in SOUND_SUFFIXES or cylinder is None:
        return None
    return Entry(file=file, cylinder=cylinder, **circumstances_named(path.stem))  # type: ignore[arg-type]  # its fields


def unlisted(case: Case) -> list[Entry]:
    """Sound files in the folder that the case does not name yet, as far as their names tell.

    Parameters
    ----------
    case : Case
        The case.

    Returns
    -------
    list of Entry
        In the order of the names.
    """
    known = {entry.file for entry in case.entries}
    names = sorted(path.name for path in case.folder.iterdir() if path.is_file())
    found = [entry_from_name(name) for name in names if name not in known]
    return [entry for entry in found if entry is not None]
