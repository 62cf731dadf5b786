"""Files that are never half there, written or copied beside their place and moved onto it, nor over what is read."""

import errno
import os
import shutil
import stat
import sys
import tempfile
import time
from collections.abc import Iterable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path

from injsound.errors import InjsoundError, ParameterError

# Hidden, and no sound's suffix: what a killed process leaves behind is taken for nothing else.
_PREFIX = ".injsound-"
# Hidden too, and no stray: it stays for the next one.
_LOCK_NAME = ".injsound.lock"
# Nobody takes so long over one file: older ones were left by a process that was killed.
_STRAY_S = 3600.0


def _mask() -> int:
    """The process's mask for new files; it can only be asked for by setting it, which other threads would notice."""
    mask = os.umask(0o077)
    os.umask(mask)
    return mask


_MASK = _mask()  # once, while the program is loaded


def write_whole(path: str | os.PathLike[str], data: bytes, *, instead_of: bytes | None = None) -> None:
    """Write a file so that it is never half there; one that was there keeps its mode, and a link stays one.

    Parameters
    ----------
    path : path
        Where to.
    data : bytes
        What.
    instead_of : bytes or None
        What the file held when it was read; None replaces whatever it holds.

    Raises
    ------
    InjsoundError
        If the folder cannot be written to, the disk is full, or the file holds something else meanwhile.
    """
    target = Path(path)
    if target.exists() and not target.is_file():
        with told(target):
            target.write_bytes(data)  # a device or a pipe is written to, never replaced; a folder is refused
        return
    with _beside(target) as fresh:
        fresh.write_bytes(data)
        fresh.chmod(_mode_for(target))
        if instead_of is not None and target.read_bytes() != instead_of:
            raise InjsoundError(
                f"{target} was changed by somebody else meanwhile, so nothing was written to it: run the command again"
            )


def identity(path: str | os.PathLike[str]) -> tuple[int, int] | str:
    """What all names of one file have in common, links among them.

    Parameters
    ----------
    path : path
        One of its names; there need be no such file yet.

    Returns
    -------
    tuple of int or str
        Where it lies on the disk, or would lie.
    """
    try:
        found = Path(path).stat()
    except OSError:
        return os.path.realpath(path)
    # Some disks number no files.
    return (found.st_dev, found.st_ino) if found.st_ino else os.path.realpath(path)


def keep_apart(targets: Iterable[str | os.PathLike[str]], read: Iterable[str | os.PathLike[str]]) -> None:
    """Refuse to write over a file that is read, and to write two results to one file, also through links.

    Parameters
    ----------
    targets : iterable of path
        Files to be written.
    read : iterable of path
        Files that are read, or must stay as they are.

    Raises
    ------
    ParameterError
        If a target is one of the others.
    """
    inputs = {identity(path): path for path in read}
    outputs: dict[tuple[int, int] | str, str | os.PathLike[str]] = {}
    for target in targets:
        key = identity(target)
        if key in inputs:
            raise ParameterError(
                f"cannot write {target}: {inputs[key]} is that file, and what is read is never overwritten: name "
                "another"
            )
        if key in outputs:
            raise ParameterError(
                f"cannot write {target}: another result goes to {outputs[key]}, the same file; name another for each"
            )
        outputs[key] = target


def copy_whole(source: str | os.PathLike[str], path: str | os.PathLike[str]) -> None:
    """Copy a file with its times so that it is never half there.

    Parameters
    ----------
    source, path : path
        From where and where to.

    Raises
    ------
    InjsoundError
        If the one cannot be read or the other not be written.
    """
    try:
        with Path(source).open("rb"):
            pass  # what cannot be read is told before anything is made
    except OSError as error:
        raise InjsoundError(
            f"cannot read {source}: {error.strerror or error}; expected a file that may be read: check its name"
        ) from error
    with _beside(Path(path)) as fresh:
        shutil.copy2(source, fresh)


@contextmanager
def together(*paths: str | os.PathLike[str]) -> Iterator[list[Path]]:
    """Files for others to fill that take their places when all are filled, and are gone otherwise.

    One that was there keeps its mode, and a link stays one.

    Parameters
    ----------
    *paths : path
        Where to.

    Yields
    ------
    list of Path
        Files to make, of the same names.

    Raises
    ------
    InjsoundError
        If a folder cannot be written to, or the disk is full.
    """
    targets = [Path(path).resolve() for path in paths]
    with told(paths[0]), ExitStack() as stack:
        beside = (tempfile.TemporaryDirectory(dir=target.parent, prefix=_PREFIX) for target in targets)
        fresh = [
            Path(stack.enter_context(folder)) / Path(path).name for folder, path in zip(beside, paths, strict=True)
        ]
        yield fresh
        for one, target in zip(fresh, targets, strict=True):
            one.chmod(_mode_for(target))
            one.replace(target)


def clear_strays(folder: str | os.PathLike[str]) -> None:
    """Remove what a killed process left half written more than an hour ago.

    Parameters
    ----------
    folder : path
        Where to look; nothing is done in one that is missing or may not be written to.
    """
    for stray in Path(folder).glob(f"{_PREFIX}*"):
        try:
            if time.time() - stray.stat().st_mtime > _STRAY_S:
                shutil.rmtree(stray) if stray.is_dir() else stray.unlink()
        except OSError:
            continue  # somebody else's, or gone already


def make_folder(path: str | os.PathLike[str]) -> None:
    """Make a folder, and those it lies in, where they are missing.

    Parameters
    ----------
    path : path
        The folder.

    Raises
    ------
    InjsoundError
        If it cannot be made.
    """
    with told(path):
        Path(path).mkdir(parents=True, exist_ok=True)


@contextmanager
def alone(folder: str | os.PathLike[str]) -> Iterator[None]:
    """Keep everybody else who asks for the same out of a folder, whichever process or thread; a killed one lets go.

    Parameters
    ----------
    folder : path
        Where it may not be written to, or its disk knows no locks, nobody is kept out.

    Yields
    ------
    None
        Once, when all others are done.
    """
    handle = None
    try:
        with suppress(OSError):
            handle = os.open(Path(folder) / _LOCK_NAME, os.O_RDONLY | os.O_CREAT, 0o666)
            _wait_for(handle)
        yield
    finally:
        if handle is not None:
            os.close(handle)  # which lets go of it


if sys.platform == "win32":
    import msvcrt

    def _wait_for(handle: int) -> None:
        while True:
            try:
                msvcrt.locking(handle, msvcrt.LK_LOCK, 1)
                return
            except OSError as error:
                if error.errno != errno.EDEADLK:  # it gives up after ten seconds
                    raise

else:
    import fcntl

    def _wait_for(handle: int) -> None:
        fcntl.flock(handle, fcntl.LOCK_EX)


@contextmanager
def told(path: str | os.PathLike[str]) -> Iterator[None]:
    """Make one line of whatever the file system refuses.

    Parameters
    ----------
    path : path
        What is written to.

    Yields
    ------
    None
        Once.

    Raises
    ------
    InjsoundError
        In place of ``OSError``.
    """
    try:
        yield
    except OSError as error:
        raise InjsoundError(
            f"cannot write {path}: {error.strerror or error}; expected a folder with room that may be written to: "
            "name another"
        ) from error


def _mode_for(target: Path) -> int:
    """What may be done with a file, and by whom: as before, or as the system has it for new ones."""
    if target.exists():
        return stat.S_IMODE(target.stat().st_mode)
    return 0o666 & ~_MASK


@contextmanager
def _beside(target: Path) -> Iterator[Path]:
    """A new file in the same folder that takes the target's place when it is filled, and is gone otherwise."""
    with told(target):
        target = target.resolve()  # a link stays, and what it names is replaced
        handle, name = tempfile.mkstemp(dir=target.parent, prefix=_PREFIX)
        os.close(handle)
        fresh = Path(name)
        try:
            yield fresh
            fresh.replace(target)
        finally:
            fresh.unlink(missing_ok=True)
