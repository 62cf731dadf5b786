"""A case: what is known of one repair job, its recordings and how each was made, some of it from their names."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from injsound.cases.names import circumstances_named, cylinder_named
from injsound.control_unit import FreezeFrame, Misfires
from injsound.engine import Engine
from injsound.errors import InjsoundError, ParameterError
from injsound.job_codes import Shaking, Stage
from injsound.languages import Language

FILE_NAME = "case.toml"
CHECKS = ("codes_saved", "quick", "drive", "leaks")
# Only names are asked here; what a file holds decides how it is read.
_SOUND_SUFFIXES = frozenset(
    {"wav", "flac", "aiff", "aif", "caf", "mp3", "ogg", "opus", "m4a", "mp4", "mov", "3gp", "webm", "aac", "amr"}
)


def is_sound_name(file: str) -> bool:
    """Whether a file is called like a sound file.

    Parameters
    ----------
    file : str
        Its name or path.

    Returns
    -------
    bool
        By its ending, in whatever case.
    """
    return Path(file).suffix[1:].casefold() in _SOUND_SUFFIXES


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


class CaseFolderError(CaseError, ParameterError):
    """The folder named holds no case, or holds one where a new one was to be made."""


def entry_from_name(file: str, *, cylinder: int | None = None, rpm: float | None = None) -> Entry | None:
    """What a file's name says: "cyl2 cold 900 rpm before.m4a" is cylinder 2, cold, at 900 rpm, before; Spanish too.

    Parameters
    ----------
    file : str
        Path inside the case folder.
    cylinder : int or None
        Where the probe was, whatever the name says; None asks the name.
    rpm : float or None
        The speed, whatever the name says; None asks the name [1/min].

    Returns
    -------
    Entry or None
        None where nothing names the cylinder.

    Raises
    ------
    ParameterError
        If the name's speed is asked for and is none that an engine has, or may be read in two ways.
    """
    stem = Path(file).stem
    named = cylinder_named(stem) if cylinder is None else cylinder
    if named is None:
        return None
    try:
        return Entry(file=file, cylinder=named, **circumstances_named(stem, rpm=rpm))  # type: ignore[arg-type]  # its fields
    except ParameterError as error:
        raise ParameterError(f"{file}: {error}") from None


def unlisted(case: Case) -> list[str]:
    """Files in the folder that are called like sound files and that the case does not name yet.

    Parameters
    ----------
    case : Case
        The case.

    Returns
    -------
    list of str
        Their names, sorted.
    """
    known = {entry.file for entry in case.entries}
    names = sorted(path.name for path in case.folder.iterdir() if path.is_file())
    return [name for name in names if name not in known and is_sound_name(name)]
