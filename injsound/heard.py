"""One chapter as it was heard: what `reading.py` and `counting.py` fill and `joining.py` joins."""

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from injsound.results import Events, Jitter, Picture
from injsound.sound import cycle, ticks
from injsound.sound.events import Matches
from injsound.sound.knocks import Knock
from injsound.values import Quality, Recording, Span


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Heard:
    """One chapter, heard; ``uncounted`` is what is left of it where a count of a doubtful tick shows no skips."""

    recording: Recording
    end_s: float
    quality: Quality
    lock: cycle.Lock | None
    choice: ticks.Choice | None = None
    events: Events | None = None
    spans: tuple[Span, ...] = ()
    matches: Matches | None = None
    tick_over_noise_db: float | None = None
    audible: bool = False
    injectors_audible: bool = False
    suggested_s: float | None = None
    settled: bool = True
    jitter: Jitter = field(default_factory=Jitter)
    picture: Picture | None = None
    knocks: tuple[Knock, ...] = ()
    uncounted: "Heard | None" = None

    @property
    def followed(self) -> cycle.Lock | None:
        """The engine's cycle where it could be followed."""
        return self.lock if self.lock is not None and self.lock.holds else None


def without_count(chapter: Heard) -> Heard:
    """What is left of a chapter where the cycle that it was counted by is not the engine's.

    Parameters
    ----------
    chapter : Heard
        As it was heard.

    Returns
    -------
    Heard
        Without tick, events and picture.
    """
    return Heard(
        recording=chapter.recording,
        end_s=chapter.end_s,
        quality=chapter.quality,
        lock=chapter.lock,
        spans=chapter.quality.spans,
        suggested_s=chapter.suggested_s,
        settled=chapter.settled,
        knocks=chapter.knocks,
    )


def is_contradicted(heard: list[Heard]) -> bool:
    """Whether the sound contradicts the typed speed in every chapter in which the engine was followed.

    The needle was read at some moment of the recording: one chapter that fits is enough.

    Parameters
    ----------
    heard : list of Heard
        All chapters.

    Returns
    -------
    bool
        False where no chapter was followed.
    """
    followed = [chapter for chapter in heard if chapter.followed]
    return bool(followed) and all(chapter.suggested_s is not None for chapter in followed)


def select(made: Events, keep: npt.NDArray[np.bool_]) -> Events:
    """Some of the events.

    Parameters
    ----------
    made : Events
        All.
    keep : ndarray of bool, shape (n,)
        Which.

    Returns
    -------
    Events
        In the same order.
    """
    index = np.flatnonzero(keep)
    return Events(
        time_s=made.time_s[keep],
        state=tuple(made.state[i] for i in index),
        skip_probability=made.skip_probability[keep],
        heard_at_s=made.heard_at_s[keep],
        level_db=made.level_db[keep],
        open_time_ms=made.open_time_ms[keep],
        neighbours=tuple(made.neighbours[i] for i in index),
    )
