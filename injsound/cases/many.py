"""Every recording below a folder, in parallel, to one CSV and one JSON Lines file.

Resumable and independent of order: a recording whose hash and settings stand in the JSON Lines file is not read again,
and the CSV is made from that file at the end. For a cluster, set
joblib's backend around the call: docs/batch.md. In memory are the table's cells of every recording, and at most two
readings per process.
"""

import csv
import io
import json
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any, BinaryIO

from injsound.cases.case import is_sound_name
from injsound.engine import Engine
from injsound.errors import ParameterError, RecordingError
from injsound.files import clear_strays, keep_apart, make_folder, told, write_whole
from injsound.record import reading_to_json
from injsound.results import Failure
from injsound.runs import in_parallel, reading_key, run_file

LINES_NAME, TABLE_NAME = "results.jsonl", "results.csv"
# What may have passed by the next time: such a file is tried again.
_PASSING = frozenset({"memory", "missing", "unreadable"})
_COLUMNS = (
    "file", "sha256", "seconds", "verdict", "skipped", "judged", "due", "rate", "rate_low", "rate_high", "rpm",
    "open_time_ms", "reason", "next_step", "problem",
)  # fmt: skip


def read_folder(
    folder: str | os.PathLike[str],
    out: str | os.PathLike[str],
    *,
    engine: Engine,
    rpm: float | None = None,
    jobs: int | None = None,
) -> Iterator[tuple[str, str]]:
    """Read what is not in the results yet.

    Parameters
    ----------
    folder : path
        Searched to its bottom.
    out : path
        Where the two files go.
    engine : Engine
        The same for all.
    rpm : float or None
        Engine speed, the same for all [1/min].
    jobs : int or None
        Processes; all cores by default [unitless].

    Yields
    ------
    file, problem : str
        Each as it is done; the problem is empty where it could be used.

    Raises
    ------
    ParameterError
        If there is no such folder, or a result's name leads to a recording.
    InjsoundError
        If the results cannot be written.
    """
    from joblib import delayed

    # A process kept from an earlier call may work in another folder.
    root, target = Path(folder).absolute(), Path(out)
    if not root.is_dir():
        raise ParameterError(f"{folder} is no folder; expected one with recordings in it: check the name")
    make_folder(target)
    clear_strays(target)
    lines = target / LINES_NAME
    known = _known(lines)
    paths = sorted(p for p in root.rglob("*") if is_sound_name(p.name) and p.is_file())
    keep_apart([lines, target / TABLE_NAME], paths)
    keys = {f"{name} {_key(path, engine, rpm)}": path for path in paths if (name := path.relative_to(root))}
    due = [(path, key) for key, path in keys.items() if key not in known]
    with told(lines), lines.open("ab"):
        pass  # that it can be written shows before the long work
    calls = (delayed(_row)(str(path), str(path.relative_to(root)), key, engine, rpm) for path, key in due)
    for row in in_parallel(calls, jobs=jobs):
        _append(lines, row)
        known[row["key"]] = _cells(row)
        yield row["file"], row["problem"]
    # A name that is no text has its odd bytes as escapes.
    table = _table([known[key] for key in keys]).encode(errors="backslashreplace")
    write_whole(target / TABLE_NAME, table)


def count_table(out: str | os.PathLike[str]) -> tuple[int, int]:
    """Count the files in the table that `read_folder` has left, and those of them that could not be used.

    Parameters
    ----------
    out : path
        Where the table is.

    Returns
    -------
    files, failed : int
        Those that were read by an earlier run count as well [unitless].
    """
    table = Path(out) / TABLE_NAME
    with told(table), table.open(encoding="utf-8", newline="") as file:
        problems = [row["problem"] for row in csv.DictReader(file)]
    return len(problems), sum(map(bool, problems))


def _key(path: Path, engine: Engine, rpm: float | None) -> str:
    """A file that cannot even be read has a key of its own, so that it is tried again once it can."""
    try:
        return reading_key(path, engine=engine, rpm=rpm)
    except RecordingError as error:
        return error.code


def _append(lines: Path, row: dict[str, Any]) -> None:
    """Add a line; what a killed process left of one is ended first."""
    with told(lines), lines.open("a+b") as file:
        if file.tell() and not _ends_with_a_line(file):
            file.write(b"\n")
        file.write(json.dumps(row).encode() + b"\n")


def _ends_with_a_line(file: BinaryIO) -> bool:
    file.seek(-1, os.SEEK_END)
    return file.read(1) == b"\n"


def _row(path: str, name: str, key: str, engine: Engine, rpm: float | None) -> dict[str, Any]:
    result = run_file(path, engine=engine, rpm=rpm, name=name)
    if isinstance(result, Failure):
        return {"key": key, "file": name, "problem": result.message, "code": result.code, "reading": None}
    values = reading_to_json(result)
    values.pop("events", None)  # the table is for many: each event stands in the single reading
    return {"key": key, "file": name, "problem": "", "code": "", "reading": values}


def _known(lines: Path) -> dict[str, dict[str, Any]]:
    """Table cells of finished rows by key; what was cut off, and what failed for a passing reason, is read again."""
    found: dict[str, dict[str, Any]] = {}
    if lines.exists():
        with told(lines), lines.open("rb") as file:
            for line in file:
                try:
                    row = json.loads(line)
                    # Lines of an earlier version have no code: what failed in them is tried once more.
                    if not row["problem"] or row.get("code", "missing") not in _PASSING:
                        found[row["key"]] = _cells(row)
                except (ValueError, KeyError, TypeError, IndexError, AttributeError):
                    continue
    return found


def _table(rows: list[dict[str, Any]]) -> str:
    text = io.StringIO()
    writer = csv.DictWriter(text, _COLUMNS, lineterminator="\n", restval="")
    writer.writeheader()
    writer.writerows(sorted(rows, key=lambda cells: str(cells["file"])))
    return text.getvalue()


def _cells(row: dict[str, Any]) -> dict[str, Any]:
    reading = row["reading"]
    if reading is None:
        return {"file": row["file"], "problem": row["problem"]}
    skips, firing = reading["skips"], reading.get("firing") or {}
    return {
        "file": row["file"],
        **{key: reading[key] for key in ("sha256", "seconds", "verdict")},
        **{key: skips[key] for key in ("skipped", "judged", "due", "rate", "rate_low", "rate_high")},
        "rpm": firing.get("rpm"),
        "open_time_ms": (reading.get("open_time") or {}).get("median_ms"),
        "reason": reading["reasons"][0]["code"] if reading["reasons"] else "",
        "next_step": reading["next_step"]["code"],
    }
