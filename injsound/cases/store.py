"""The readings of a case, kept beside it by the sound's hash and the settings: ``results.json``, and arrays to draw."""

import json
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from pathlib import Path

from injsound.cases.case import Case, Entry
from injsound.diagnoses import Take
from injsound.engine import Engine
from injsound.errors import InjsoundError
from injsound.record import dumps, load_picture, reading_from_json, reading_to_json, save_picture, write_whole
from injsound.results import Failure, Reading
from injsound.runs import reading_key, run_file

RESULTS_NAME, ARRAYS_NAME = "results.json", "results_arrays"
Results = dict[str, Reading | Failure]


def read_case(case: Case, *, tell: Callable[[str], None] | None = None, jobs: int | None = None) -> Results:
    """Read what is new or changed in a case, in parallel, and keep it.

    Parameters
    ----------
    case : Case
        The case.
    tell : callable or None
        Told each file as it is done.
    jobs : int or None
        Processes; all cores by default [unitless].

    Returns
    -------
    dict of str to Reading or Failure
        By file, for every entry; a broken one never stops the rest.
    """
    kept = _load(case.folder / RESULTS_NAME)
    results: Results = {}
    due: list[tuple[str, Entry]] = []
    for entry in case.entries:
        key = _key(case, entry)
        if key is None:
            message = f"{entry.file}: no such file in the case folder; copy it there or correct its name"
            results[entry.file] = Failure(file=entry.file, code="missing", message=message)
        elif key in kept:
            results[entry.file] = _stored(kept[key], entry, _picture_path(case, key))
        else:
            due.append((key, entry))
    for key, entry, result in _read_new(case, due, jobs):
        results[entry.file] = result
        if isinstance(result, Reading):
            if result.picture is not None:
                path = _picture_path(case, key)
                path.parent.mkdir(exist_ok=True)
                save_picture(path, result.picture)
            kept[key] = reading_to_json(result)
            write_whole(case.folder / RESULTS_NAME, dumps({"schema": 1, "readings": kept}).encode())
        if tell is not None:
            tell(entry.file)
    return {entry.file: results[entry.file] for entry in case.entries}


def takes_of(case: Case, results: Mapping[str, Reading | Failure]) -> list[Take]:
    """The readings with their circumstances; failures left out.

    Parameters
    ----------
    case : Case
        The case.
    results : mapping of str to Reading or Failure
        As from ``read_case``.

    Returns
    -------
    list of Take
        In the case's order.
    """
    return [
        Take(
            reading=result,
            cylinder=entry.cylinder,
            injector=entry.injector,
            connector=entry.connector,
            stage=entry.stage,
            condition=entry.condition,
            shaking=entry.shaking,
            coolant_c=entry.coolant_c,
            load_percent=entry.load_percent,
            pulse_width_ms=entry.pulse_width_ms,
        )
        for entry in case.entries
        if isinstance(result := results[entry.file], Reading)
    ]


def _read_new(
    case: Case, due: list[tuple[str, Entry]], jobs: int | None
) -> Iterable[tuple[str, Entry, Reading | Failure]]:
    """Each as it is done, in whatever order."""
    from joblib import Parallel, delayed

    if not due:
        return ()
    run = Parallel(n_jobs=jobs or -1, return_as="generator_unordered")
    made: Iterable[tuple[str, Entry, Reading | Failure]] = run(delayed(_read_one)(case, *one) for one in due)
    return made


def _read_one(case: Case, key: str, entry: Entry) -> tuple[str, Entry, Reading | Failure]:
    path = case.folder / entry.file
    return key, entry, run_file(path, engine=_engine(case, entry), rpm=entry.rpm, name=entry.file)


def _engine(case: Case, entry: Entry) -> Engine:
    return replace(case.engine, cylinder=entry.cylinder)


def _key(case: Case, entry: Entry) -> str | None:
    path = case.folder / entry.file
    return reading_key(path, engine=_engine(case, entry), rpm=entry.rpm) if path.is_file() else None


def _load(path: Path) -> dict[str, dict[str, object]]:
    """What is kept; nothing where the file is missing or not ours: everything is then read again."""
    try:
        values = json.loads(path.read_text(encoding="utf-8"))
        kept = values["readings"]
    except (OSError, ValueError, KeyError, TypeError):
        return {}
    return kept if isinstance(kept, dict) else {}


def _picture_path(case: Case, key: str) -> Path:
    """Arrays from which a stored reading can be drawn again."""
    return case.folder / ARRAYS_NAME / f"{key[:24]}{key[-13:]}.npz"


def _stored(values: Mapping[str, object], entry: Entry, arrays: Path) -> Reading | Failure:
    try:
        picture = load_picture(arrays) if arrays.exists() else None
        return replace(reading_from_json(values, picture=picture), file=entry.file)
    except InjsoundError as error:
        return Failure(file=entry.file, code="stored", message=f"{entry.file}: {error}; delete {RESULTS_NAME}")
