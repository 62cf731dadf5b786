"""A case's file: ``case.toml``, which a person may read and edit, read and checked.

Every mistake in it is reported at once, with its place, what was expected and the nearest known key.
"""

import errno
import math
import os
import tomllib
from codecs import BOM_UTF8
from collections.abc import Callable, Mapping
from dataclasses import replace
from difflib import get_close_matches
from itertools import pairwise
from pathlib import Path
from typing import Any

from injsound.cases.case import CHECKS, FILE_NAME, Case, CaseError, CaseFolderError, Entry
from injsound.cases.names import condition_named
from injsound.control_unit import FreezeFrame, Misfires
from injsound.engine import LEAST_FOLLOWED_RPM, MAX_CYLINDERS, MAX_RPM, Engine, Injection, parse_firing_order
from injsound.errors import ParameterError
from injsound.job_codes import Shaking, Stage
from injsound.languages import Language
from injsound.trouble_codes import read_trouble_code

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
    "rpm": (LEAST_FOLLOWED_RPM, MAX_RPM),
    "soak_minutes": (0.0, math.inf),
    "seconds_since_restart": (0.0, math.inf),
    "coolant_c": (-60.0, 200.0),
    "load_percent": (0.0, 1000.0),
    "pulse_width_ms": (0.0, 100.0),
}
_RECORDING = {"file", "cylinder", "stage", "shaking", "moved", "still"} | _TEXT | set(_BOUNDS)
# Of a name in a mistake's place: enough to find it by.
_SHOWN_LETTERS = 40
# What the system says of a name that no file can have.
_NO_NAMES = frozenset({errno.ENAMETOOLONG, errno.EINVAL, errno.ELOOP})
_KINDS = {"str": "text", "bool": "true or false", "dict": "a table", "list": "a list"}


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
    CaseFolderError
        If there is no such file.
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
    CaseFolderError
        If there is no such file.
    CaseError
        If it cannot be read.
    """
    path = Path(folder) / FILE_NAME
    try:
        return path.read_bytes()
    except FileNotFoundError:
        raise CaseFolderError(f"{path}: no such file; make a case with: injsound case new {folder}") from None
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
            codes=self.trouble_codes(codes, "stored", "[codes] ", engine),
            pending=self.trouble_codes(codes, "pending", "[codes] ", engine),
            freeze_frame=self.freeze_frame(codes),
            counters=self.counters(codes, "[codes] ", engine),
            swapped=Misfires(
                codes=tuple(
                    code for key in ("stored", "pending") for code in self.trouble_codes(swapped, key, place, engine)
                ),
                counts=self.counters(swapped, place, engine),
            ),
            checks={key: self.take(checks, key, bool, False, "[checks] ") for key in CHECKS},
            faulty_restarts=self.restarts(restarts),
            clean_restarts=self.clean_restarts(restarts),
            repaired=repaired,
            outcome=self.take(outcome, "found", str, "", "[outcome] "),
            entries=tuple(entry for entry in entries if entry is not None),
        )

    def trouble_codes(self, values: Mapping[str, Any], key: str, place: str, engine: Engine) -> tuple[str, ...]:
        found = [str(code).upper().strip() for code in self.take(values, key, list, [], place)]
        for code in found:
            try:
                read_trouble_code(code, cylinders=engine.cylinders)
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
            if key.isdecimal() and 1 <= int(key) <= (engine.cylinders or MAX_CYLINDERS) and whole:
                counts[int(key)] = count
            else:
                expected = "expected a cylinder and its count, such as 2 = 154"
                self.say(f"{place}misfires", f"has {key} = {count!r}; {expected}")
        return counts

    def restarts(self, values: Mapping[str, Any]) -> tuple[int, int] | None:
        faulty = self.take(values, "faulty", int, None, "[restarts] ")
        made = self.take(values, "made", int, None, "[restarts] ")
        alone = {"faulty", "made"} & values.keys()
        if len(alone) == 1:
            self.say("[restarts]", f"has {alone.pop()} alone; expected faulty and made: add the other")
        elif not alone and "clean_since" in values:
            self.say("[restarts]", "has clean_since alone; expected faulty and made before the repair too: add them")
        if faulty is None or made is None:
            return None
        if not 0 < faulty <= made:
            self.say("[restarts]", f"{faulty} faulty of {made} made; expected at least one, no more than made")
            return None
        return faulty, made

    def clean_restarts(self, values: Mapping[str, Any]) -> int:
        clean: int = self.take(values, "clean_since", int, 0, "[restarts] ")
        if clean < 0:
            self.say("[restarts] clean_since", f"is {clean}; expected 0 or more")
        return max(0, clean)

    def engine(self, values: Mapping[str, Any]) -> Engine:
        """The engine of what is right; a mistake in one value hides none in the others, nor in the recordings."""
        order = self.take(values, "firing_order", str, "", "[engine] ")
        angles = self.angles(values)
        engine = Engine(injection=self.choice(values, "injection", Injection, Injection.SEQUENTIAL, "[engine] "))
        cylinders = self.take(values, "cylinders", int, None, "[engine] ")
        engine = self.with_known(engine, lambda: {"cylinders": cylinders})
        if order:
            engine = self.with_known(
                engine, lambda: {"firing_order": parse_firing_order(order, cylinders=engine.cylinders)}
            )
        if angles and (engine.firing_order or not order):
            engine = self.with_known(engine, lambda: {"firing_angles": angles})
        return engine

    def with_known(self, engine: Engine, known: Callable[[], dict[str, Any]]) -> Engine:
        try:
            return replace(engine, **known())
        except ParameterError as error:
            self.say("[engine]", str(error))
            return engine

    def angles(self, values: Mapping[str, Any]) -> tuple[float, ...]:
        angles = self.take(values, "firing_angles", list, [], "[engine] ")
        if not all(map(_is_number, angles)):
            self.say("[engine] firing_angles", f"is {angles!r}; expected degrees such as [0, 90, 240, 330, 480, 570]")
            return ()
        return tuple(map(float, angles))

    def entry(self, row: Any, place: str, engine: Engine, folder: Path) -> Entry | None:
        if not isinstance(row, dict):
            self.say(place, "expected a table with file and cylinder")
            return None
        if isinstance(row.get("file"), str):
            place = f"{place} ({_shown(row['file'])})"
        self.known(row, _RECORDING, place)
        if missing := " and ".join(key for key in ("file", "cylinder") if key not in row):
            self.say(place, f"has no {missing}: add it")
        file, cylinder = (
            self.take(row, key, kind, None, f"{place} ") for key, kind in (("file", str), ("cylinder", int))
        )
        if file is not None and (fault := _fault_of_name(folder, file)):
            self.say(f"{place} file", f"is {fault}")
        self.has(cylinder, engine, f"{place} cylinder")
        told = self.circumstances(row, place)
        return None if file is None or cylinder is None else Entry(file=file, cylinder=cylinder, **told)

    def circumstances(self, row: Mapping[str, Any], place: str) -> dict[str, Any]:
        texts = {key: self.take(row, key, str, "", f"{place} ") for key in _TEXT}
        texts["condition"] = condition_named(texts["condition"])
        moved, still = (self.stretches(row, key, place) for key in ("moved", "still"))
        for (start, end), (after, last) in pairwise(sorted(moved + still)):
            if after < end:
                both = f"[{start:g}, {end:g}] and [{after:g}, {last:g}]"
                self.say(f"{place} moved, still", f"overlap, {both}; expected one after the other")
        return {
            "stage": self.choice(row, "stage", Stage, Stage.BEFORE, f"{place} "),
            "shaking": self.choice(row, "shaking", Shaking, Shaking.UNKNOWN, f"{place} "),
            "moved": moved,
            "still": still,
            **{key: self.number(row, key, f"{place} ") for key in _BOUNDS},
            **texts,
        }

    def once(self, rows: list[Any]) -> None:
        files = [row.get("file") if isinstance(row, dict) else None for row in rows]
        for k, file in enumerate(files, 1):
            if file is not None and (first := files.index(file) + 1) < k:
                self.say(f"[[recording]] {k} file", f"is {file!r}, as in [[recording]] {first}; list each file once")

    def has(self, cylinder: int | None, engine: Engine, place: str) -> None:
        if cylinder is not None and not 1 <= cylinder <= (engine.cylinders or MAX_CYLINDERS):
            known = engine.cylinders
            most = f"expected 1 to {MAX_CYLINDERS}" if known is None else f"the engine has {known}"
            self.say(place, f"is {cylinder}; {most}")

    def stretches(self, row: Mapping[str, Any], key: str, place: str) -> tuple[tuple[float, float], ...]:
        found = []
        for pair in self.take(row, key, list, [], f"{place} "):
            right = isinstance(pair, list) and len(pair) == 2 and all(map(_is_number, pair))
            if not right or not 0 <= pair[0] < pair[1] < math.inf:
                self.say(f"{place} {key}", f"has {pair!r}; expected [start, end] in seconds")
                continue
            found.append((float(pair[0]), float(pair[1])))
        return tuple(found)


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _shown(file: str) -> str:
    """A file's name for a mistake's place: one line, however long it is and whatever it holds."""
    short = file if len(file) <= _SHOWN_LETTERS else f"{file[:_SHOWN_LETTERS]}..."
    return short if short.isprintable() else ascii(short)


def _fault_of_name(folder: Path, file: str) -> str:
    """What is wrong with a recording's name, whether or not there is such a file; empty where nothing is."""
    path = folder / file
    try:
        if not path.resolve().is_relative_to(folder.resolve()):
            return f"{file!r}, outside the case folder; copy it into the folder"
        path.is_file()
    except (OSError, ValueError, RuntimeError) as error:  # the last: links that lead to each other
        if not isinstance(error, OSError) or error.errno in _NO_NAMES:
            return f"{_shown(file)!r}, a name that no file can have; correct it"
    return ""
