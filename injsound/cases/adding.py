"""Making a case and adding recordings to it: everything is checked before anything is copied or written."""

import os
from codecs import BOM_UTF8
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from injsound.cases.case import CHECKS, FILE_NAME, CaseError, CaseFolderError, Entry, entry_from_name, unlisted
from injsound.cases.case_file import checked, read_file
from injsound.engine import Engine
from injsound.errors import InjsoundError, RecordingError
from injsound.files import clear_strays, copy_whole, make_folder, write_whole
from injsound.job_codes import Shaking, Stage
from injsound.languages import Language
from injsound.sound.decoding.audio import check_sound, sha256

if TYPE_CHECKING:
    from tomlkit.items import Table


def new_case(
    folder: str | os.PathLike[str],
    *,
    complaint: str = "",
    engine: Engine | None = None,
    codes: tuple[str, ...] = (),
    language: Language | None = None,
    comments: Mapping[str, str] | None = None,
) -> Path:
    """Make a case folder with its file.

    Parameters
    ----------
    folder : path
        Made where it is missing.
    complaint : str
        In the owner's words.
    engine : Engine or None
        What is known of it.
    codes : tuple of str
        Stored trouble codes.
    language : Language or None
        Of its report; None leaves it to whoever makes the report.
    comments : mapping of str to str or None
        What explains the file to who edits it, by place: "" its top, "checks" that table, "checks.quick" that line.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    CaseFolderError
        If the folder holds a case already.
    InjsoundError
        If it cannot be written.
    """
    path = Path(folder) / FILE_NAME
    if path.exists():
        raise CaseFolderError(f"{path} exists; choose another folder, or add to it with: injsound case add")
    text = _fresh_file(complaint, engine or Engine(), codes, language, comments or {})
    make_folder(path.parent)
    write_whole(path, text.encode("utf-8"))
    return path


def _fresh_file(
    complaint: str, engine: Engine, codes: tuple[str, ...], language: Language | None, comments: Mapping[str, str]
) -> str:
    import tomlkit

    document = tomlkit.document()
    if comments.get(""):
        document.add(tomlkit.comment(comments[""]))
    document.add("complaint", tomlkit.string(complaint))
    if language is not None:
        document.add("language", tomlkit.string(language.value))
    document.add("engine", table := tomlkit.table())
    for key, value in _known_of(engine).items():
        table.add(key, value)
    document.add("codes", _codes_table(codes, comments))
    document.add("checks", checks := tomlkit.table())
    if comments.get("checks"):
        checks.add(tomlkit.comment(comments["checks"]))
    for key in CHECKS:
        checks.add(key, done := tomlkit.boolean("false"))
        if said := comments.get(f"checks.{key}"):
            done.comment(said)
    return tomlkit.dumps(document) + "".join(f"# {line}\n" if line else "\n" for line in _for_later(comments))


def _known_of(engine: Engine) -> dict[str, Any]:
    """What is known of the engine, as the file has it."""
    known = {
        "cylinders": engine.cylinders,
        "firing_order": engine.firing_order and "-".join(map(str, engine.firing_order)),
        "firing_angles": engine.firing_angles and list(engine.firing_angles),
        "injection": engine.injection.value,
    }
    return {key: value for key, value in known.items() if value is not None}


def _codes_table(codes: tuple[str, ...], comments: Mapping[str, str]) -> "Table":
    import tomlkit

    table = tomlkit.table()
    if comments.get("codes"):
        table.add(tomlkit.comment(comments["codes"]))
    table.add("stored", list(codes))
    table.add("pending", [])
    table.add(tomlkit.comment("freeze_frame = {rpm = 850, coolant_c = 12, load_percent = 25}"))
    said = comments.get("codes.misfires")
    table.add(tomlkit.comment("misfires = {2 = 154, 3 = 0}" + (f"  # {said}" if said else "")))
    return table


def _for_later(comments: Mapping[str, str]) -> list[str]:
    """What is entered after the repair, to be uncommented then."""
    return [
        "",
        *filter(None, [comments.get("repair")]),
        "[repair]",
        "cylinder = 2",
        "[restarts]" + (f"  # {comments['restarts']}" if comments.get("restarts") else ""),
        "faulty = 3",
        "made = 5",
        "clean_since = 5",
        "[outcome]" + (f"  # {comments['outcome']}" if comments.get("outcome") else ""),
        'found = ""',
    ]


@dataclass(frozen=True, slots=True, kw_only=True)
class Added:
    """What an addition took up.

    Parameters
    ----------
    entries : tuple of Entry
        As they were added.
    refused : tuple of str
        Why the others were not, a line each.
    """

    entries: tuple[Entry, ...]
    refused: tuple[str, ...]


def add_recordings(
    folder: str | os.PathLike[str], recordings: Sequence[str | os.PathLike[str]], told_of_all: Mapping[str, Any]
) -> Added:
    """Copy recordings into a case and list them; without any, list what lies in its folder.

    A recording that cannot be added is neither copied nor listed, and never stops the others.

    Parameters
    ----------
    folder : path
        The case.
    recordings : sequence of path
        Sound files, anywhere.
    told_of_all : mapping of str to value
        Fields of `Entry` that go before what the names say.

    Returns
    -------
    Added
        What was added, and why the rest was not.

    Raises
    ------
    CaseError
        If the case cannot be read, or there is nothing to add.
    InjsoundError
        If the folder cannot be written to, or the case's file was edited meanwhile.
    """
    clear_strays(folder)
    before = read_file(folder)
    case = checked(folder, before)
    given = [Path(recording) for recording in recordings] or [case.folder / name for name in unlisted(case)]
    if not given:
        raise CaseError(f"{folder} holds no sound file that is not listed; expected names like 'cyl2 cold.m4a'")
    listed = [entry.file for entry in case.entries]
    entries: list[Entry] = []
    refused: list[str] = []
    for recording in given:
        try:
            check_sound(recording)
            target = case.folder / recording.name
            there = _is_there(recording, target)
            entry = _entry(recording, told_of_all)
            _prepare(folder, before, [entry])
            _refuse_same_sound(recording, case.folder, listed)
            if not there:
                copy_whole(recording, target)
            listed.append(recording.name)
            entries.append(entry)
        except InjsoundError as error:
            refused += str(error).splitlines()
    if entries:
        add_entries(folder, entries, before=before)
    return Added(entries=tuple(entries), refused=tuple(refused))


def _is_same(recording: Path, other: Path) -> bool:
    """Whether two files hold the same; only files of one length are read for it. One that is gone is no other."""
    with suppress(OSError, RecordingError):
        return recording.stat().st_size == other.stat().st_size and sha256(recording) == sha256(other)
    return False


def _entry(recording: Path, told_of_all: Mapping[str, Any]) -> Entry:
    entry = entry_from_name(recording.name, cylinder=told_of_all.get("cylinder"), rpm=told_of_all.get("rpm"))
    if entry is None:
        raise CaseError(
            f"{recording} names no cylinder; call it like 'cyl2 cold.m4a', or name it with --cylinder to: injsound case"
            " add"
        )
    return replace(entry, **told_of_all)


def _is_there(recording: Path, target: Path) -> bool:
    """Whether the case's folder holds it already, as after an addition that was broken off."""
    if not target.exists():
        return False
    if recording.samefile(target) or _is_same(recording, target):
        return True
    raise CaseError(f"{target} is there already and holds another sound; give the new recording another name")


def _refuse_same_sound(recording: Path, folder: Path, listed: Sequence[str]) -> None:
    other = next((file for file in listed if _is_same(recording, folder / file)), None)
    if other is not None:
        raise CaseError(f"{recording} is the same sound as {other} of the case; expected a recording of its own")


def add_entries(folder: str | os.PathLike[str], entries: Sequence[Entry], *, before: bytes | None = None) -> None:
    """Append recordings to a case's file; its comments and order stay.

    Parameters
    ----------
    folder : path
        The case.
    entries : sequence of Entry
        What to add.
    before : bytes or None
        What the file held when it was read, and must hold still; None reads it now.

    Raises
    ------
    CaseError
        If the file cannot be read, names a recording already, or would hold a mistake.
    InjsoundError
        If it cannot be written, or was edited meanwhile.
    """
    held = read_file(folder) if before is None else before
    write_whole(Path(folder) / FILE_NAME, _prepare(folder, held, entries), instead_of=held)


def _check_name(path: Path, file: str) -> None:
    try:
        file.encode("utf-8")
    except UnicodeEncodeError:
        raise CaseError(f"{path}: {file!a} is no text in UTF-8, so that no case can name it; rename the file") from None


def _prepare(folder: str | os.PathLike[str], before: bytes, entries: Sequence[Entry]) -> bytes:
    """What a case's file shall hold with more recordings, checked."""
    import tomlkit

    path = Path(folder) / FILE_NAME
    known = {entry.file for entry in checked(folder, before).entries}
    mark = BOM_UTF8 if before.startswith(BOM_UTF8) else b""
    document = tomlkit.parse(before.removeprefix(BOM_UTF8))
    rows = document.get("recording")
    if rows is None:
        rows = tomlkit.aot()
        document.append("recording", rows)
    for entry in entries:
        _check_name(path, entry.file)
        if entry.file in known:
            raise CaseError(f"{path}: {entry.file} is there already; correct its lines in the file")
        known.add(entry.file)
        row = tomlkit.table()
        row.trivia.indent = "\n"  # an empty line before its head
        for key in (field.name for field in fields(Entry)):
            value = getattr(entry, key)
            if value not in ("", None, ()):
                row.add(key, value.value if isinstance(value, Stage | Shaking) else value)
        rows.append(row)
    after = mark + tomlkit.dumps(document).encode("utf-8")
    checked(folder, after)
    return after
