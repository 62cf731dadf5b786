"""Pictures drawn in a process of their own: it loads what draws while the first recording is read."""

import os
import signal
from collections.abc import Callable, Iterator
from concurrent.futures import Executor, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from functools import partial
from multiprocessing import get_context

from injsound.results import Reading
from injsound.show.text import Words

Draw = Callable[[Reading, str, Words], bytes]


@contextmanager
def drawing() -> Iterator[Draw]:
    """Have something that draws for as long as it is needed.

    Yields
    ------
    callable
        Makes the bytes of a picture from a reading, ``"png"`` or ``"svg"``, and the language: in a process of its own
        where there is a second core and processes may be started; else, and where that process dies, in this one.
    """
    process = _started()
    try:
        yield _drawn if process is None else partial(_drawn_in, process)
    finally:
        if process is not None:
            process.shutdown(cancel_futures=True)


def _started() -> Executor | None:
    if (os.cpu_count() or 1) < 2:
        return None
    try:
        # A forked process would keep the locks of threads that it has not.
        process = ProcessPoolExecutor(1, get_context("spawn"), initializer=signal.signal,
                                      initargs=(signal.SIGINT, signal.SIG_IGN))  # fmt: skip
        process.submit(_ready)
    except (OSError, ImportError, NotImplementedError):
        # A system without semaphores, or one that allows no process.
        return None
    return process


def _ready() -> None:
    from injsound.show.plot import load

    load()


def _drawn_in(process: Executor, reading: Reading, kind: str, words: Words) -> bytes:
    try:
        return process.submit(_drawn, reading, kind, words).result()
    except BrokenProcessPool:
        return _drawn(reading, kind, words)


def _drawn(reading: Reading, kind: str, words: Words) -> bytes:
    from injsound.show.plot import picture_bytes

    return picture_bytes(reading, kind=kind, words=words)
