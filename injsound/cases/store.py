"""The readings of a case, kept beside it by the sound's hash and the settings: ``results.json``, and arrays to draw."""

import json
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from pathlib import Path

from injsound.cases.case import FILE_NAME, Case, Entry, is_sound_name, unlisted
from injsound.diagnoses import Take
from injsound.engine import Engine
from injsound.errors import InjsoundError, RecordingError
from injsound.files import alone, clear_strays, told, write_whole
from injsound.record import dumps, load_picture, reading_from_json, reading_to_json, save_picture
from injsound.results import Failure, Reading
from injsound.runs import in_parallel, reading_key, run_file
from injsound.sound.decoding.audio import sha256

RESULTS_NAME, ARRAYS_NAME = "results.json", "results_arrays"
_HAS_ARRAYS = "has_arrays"
Results = dict[str, Reading | Failure]


def read_case(
    case: Case,
    *,
    tell: Callable[[str], None] | None = None,
    warn: Callable[[str], None] | None = None,
    jobs: int | None = None,
) -> Results:
    """Read what is new or changed in a case, in parallel, and keep it.

    Parameters
    ----------
    case : Case
        The case.
    tell : callable or None
        Told each file as it is done.
    warn : callable or None
        Told in one line that a recording has changed, or once that readings cannot be kept.
    jobs : int or None
        Processes; all cores by default [unitless].

    Returns
    -------
    dict of str to Reading or Failure
        By file, for every entry; a broken one never stops the rest, and where nothing can be written all are read.
    """
    for folder in (case.folder, case.folder / ARRAYS_NAME):
        clear_strays(folder)
    with alone(case.folder):
        kept = _load(case.folder)
    results: Results = {}
    due: list[tuple[str, Entry]] = []
    for entry in case.entries:
        key = _key(case, entry, kept)
        if isinstance(key, Failure):
            results[entry.file] = key
        elif key in kept and (stored := _stored(kept[key], entry, _picture_path(case, key))) is not None:
            results[entry.file] = stored
        else:
            due.append((key, entry))
            if warn is not None and _has_changed(entry, key, kept):
                warn(f"{entry.file} has changed since it was read: it is read again, the old reading is kept")
    keeps, texts = True, dict[str, str]()
    for key, entry, result in _read_new(case, due, jobs):
        results[entry.file] = result
        if keeps and isinstance(result, Reading):
            keeps = _keep(case, key, result, texts, warn)
        if tell is not None:
            tell(entry.file)
    results |= _same_sounds(case, results)
    return {entry.file: results[entry.file] for entry in case.entries}


def files_of(case: Case) -> list[Path]:
    """What a case holds and no result may overwrite: its file, recordings, listed or not yet, and kept readings.

    Parameters
    ----------
    case : Case
        The case.

    Returns
    -------
    list of Path
        Some may be missing.
    """
    arrays = (case.folder / ARRAYS_NAME).glob("*")
    names = [FILE_NAME, RESULTS_NAME, *(entry.file for entry in case.entries), *unlisted(case)]
    return [*(case.folder / name for name in names), *arrays]


def _keep(case: Case, key: str, reading: Reading, texts: dict[str, str], warn: Callable[[str], None] | None) -> bool:
    """Add a reading to those that are kept, also to what another process kept meanwhile; False where that fails.

    The text of each kept reading is added to ``texts``, so that it is made once however many follow.
    """
    arrays, path = _picture_path(case, key), case.folder / RESULTS_NAME
    try:
        if reading.picture is not None:
            with told(arrays):
                arrays.parent.mkdir(exist_ok=True)
            save_picture(arrays, reading.picture)
        values = {**reading_to_json(reading), _HAS_ARRAYS: reading.picture is not None}
        with alone(case.folder):  # from reading the file to writing it, or what another process keeps is lost
            kept = {**_load(case.folder), key: values}
            for one in kept.keys() - texts.keys():
                texts[one] = dumps(kept[one]).rstrip().replace("\n", "\n  ")
            rows = ",\n".join(f'  "{one}": {texts[one]}' for one in kept)
            write_whole(path, f'{{\n "schema": 1,\n "readings": {{\n{rows}\n }}\n}}\n'.encode())
    except InjsoundError as error:
        if warn is not None:
            warn(f"{error}; readings are not kept")
        return False
    return True


def _same_sounds(case: Case, results: Mapping[str, Reading | Failure]) -> dict[str, Failure]:
    """Entries that hold the sound of another one; where they say the same of it, the first one stands."""
    by_sound: dict[str, list[Entry]] = {}
    for entry in case.entries:
        if isinstance(reading := results[entry.file], Reading):
            by_sound.setdefault(reading.sha256, []).append(entry)
    found: dict[str, Failure] = {}
    for same in by_sound.values():
        alike = len({(e.cylinder, e.injector, e.connector, e.stage, e.condition) for e in same}) == 1
        for entry in same[1:] if alike else same if len(same) > 1 else ():
            other = same[0] if entry is not same[0] else same[1]
            found[entry.file] = Failure(
                file=entry.file,
                code="same sound",
                message=f"{entry.file}: the same sound as {other.file}; expected a recording of its own: record again",
            )
    return found


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
    from joblib import delayed

    if not due:
        return ()
    # A process kept from an earlier call may work in another folder.
    case = replace(case, folder=case.folder.absolute())
    return in_parallel((delayed(_read_one)(case, *one) for one in due), jobs=jobs)


def _read_one(case: Case, key: str, entry: Entry) -> tuple[str, Entry, Reading | Failure]:
    path = case.folder / entry.file
    return key, entry, run_file(path, engine=_engine(case, entry), rpm=entry.rpm, name=entry.file)


def _engine(case: Case, entry: Entry) -> Engine:
    return replace(case.engine, cylinder=entry.cylinder)


def _key(case: Case, entry: Entry, kept: Mapping[str, Mapping[str, object]]) -> str | Failure:
    try:
        return reading_key(case.folder / entry.file, engine=_engine(case, entry), rpm=entry.rpm)
    except RecordingError as error:
        message = _missing(case, entry, kept) if error.code == "missing" else str(error)
        return Failure(file=entry.file, code=error.code, message=message)


def _missing(case: Case, entry: Entry, kept: Mapping[str, Mapping[str, object]]) -> str:
    """Name the file that holds the sound now, where it was read before and lies in the folder under another name."""
    sounds = {values.get("sha256") for values in kept.values() if values.get("file") == entry.file}
    known = {other.file for other in case.entries}
    for path in sorted(case.folder.iterdir()) if sounds else ():
        is_sound = path.is_file() and is_sound_name(path.name)
        if is_sound and path.name not in known and _sound_of(path) in sounds:
            return f"{entry.file}: no such file; {path.name} holds its sound: correct the name in case.toml"
    return f"{entry.file}: no such file in the case folder; copy it there or correct its name"


def _sound_of(path: Path) -> str | None:
    """Hash of a file that the case does not name; None where it cannot be read."""
    try:
        return sha256(path)
    except InjsoundError:
        return None


def _has_changed(entry: Entry, key: str, kept: Mapping[str, Mapping[str, object]]) -> bool:
    sounds = {values.get("sha256") for values in kept.values() if values.get("file") == entry.file}
    return bool(sounds) and key.split("-", maxsplit=1)[0] not in sounds


def _load(folder: Path) -> dict[str, dict[str, object]]:
    """What is kept; nothing of what is missing or not ours: it is then read again."""
    try:
        values = json.loads((folder / RESULTS_NAME).read_text(encoding="utf-8"))
        kept = values["readings"]
    except (OSError, ValueError, KeyError, TypeError):
        return {}
    values = kept if isinstance(kept, dict) else {}
    return {key: reading for key, reading in values.items() if isinstance(reading, dict)}


def _picture_path(case: Case, key: str) -> Path:
    """Arrays from which a stored reading can be drawn again."""
    return case.folder / ARRAYS_NAME / f"{key[:24]}{key[-13:]}.npz"


def _stored(values: Mapping[str, object], entry: Entry, arrays: Path) -> Reading | None:
    """A kept reading, whole; None where it or its arrays are damaged or gone: it is then read again."""
    try:
        reading = reading_from_json(values)
        # Without its arrays a reading is neither drawn nor laid over one crank with its fellows; one kept by an
        # earlier version does not say whether it had any.
        had = values.get(_HAS_ARRAYS, reading.firing is not None or arrays.exists())
        picture = load_picture(arrays) if had else None
    except InjsoundError:
        return None
    return replace(reading, file=entry.file, picture=picture)
