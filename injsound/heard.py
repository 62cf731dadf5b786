"""One chapter as it was heard: what `reading.py` and `counting.py` fill and `joining.py` joins."""

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from injsound.results import Events, Jitter, Picture
from injsound.sound.knocks import Knock
from injsound.sound.matching.events import Matches
from injsound.sound.own import ticks
from injsound.sound.turning import cycle
from injsound.values import Quality, Recording, Span


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Heard:
    """One chapter, heard.

    Parameters
    ----------
    recording : Recording
        The chapter; without its samples once it was heard.
    end_s : float
        Where it ends [s].
    quality : Quality
        What of it may not be judged, with the stretches in which the cycle was lost.
    lock : cycle.Lock or None
        The engine's cycle, also where it does not hold; None where nothing could be followed.
    choice : ticks.Choice or None
        Which tick is this injector's; None where none was looked for: no cycle was followed, or its speed is in doubt.
    events : Events or None
        Due events; None where they could not be counted.
    spans : tuple of Span
        Those of ``quality``, and those that the count found [s].
    matches : Matches or None
        How each due event matched the mean tick, also those in silent stretches, which ``events`` leaves out.
    tick_over_noise_db : float or None
        Usual peak of a tick over the rms of the noise above 1.5 kHz [dB].
    audible : bool
        Whether the engine's other sounds can be told at each event.
    injectors_audible : bool
        Whether these are other injectors' ticks.
    suggested_s : float or None
        Cycle length that the sound suggests where it contradicts the typed speed [s].
    settled : bool
        False where the sound contradicts each cycle that was tried.
    jitter : Jitter
        Timing of its heard ticks.
    picture : Picture or None
        What is drawn of it.
    knocks : tuple of Knock
        Bumps short enough to be knocks, in order.
    uncounted : Heard or None
        What is left of it where a count of a doubtful tick shows no skips; None where its tick is in no doubt.
    """

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
