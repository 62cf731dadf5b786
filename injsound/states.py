"""What became of each due event, as rows of true and false."""

import numpy as np
import numpy.typing as npt

from injsound.codes import State
from injsound.results import Events

BoolArray = npt.NDArray[np.bool_]
# A single one can be a disturbance nobody noticed, as a single missing tick can.
FEWEST_SOFT = 2


def judged_of(events: Events) -> BoolArray:
    """Which due events were judged.

    Parameters
    ----------
    events : Events
        The due events.

    Returns
    -------
    ndarray of bool, shape (n,)
        True where a tick was heard or skipped.
    """
    return np.array([state is not State.UNJUDGED for state in events.state], dtype=bool)


def skipped_of(events: Events) -> BoolArray:
    """Which due events were skipped.

    Parameters
    ----------
    events : Events
        The due events.

    Returns
    -------
    ndarray of bool, shape (n,)
        True where no tick was there.
    """
    return np.array([state is State.SKIPPED for state in events.state], dtype=bool)


def heard_of(events: Events) -> BoolArray:
    """At which due events a tick was heard.

    Parameters
    ----------
    events : Events
        The due events.

    Returns
    -------
    ndarray of bool, shape (n,)
        True where it was, weak ones too.
    """
    return judged_of(events) & ~skipped_of(events)


def soft_of(events: Events) -> BoolArray:
    """At which due events only low notes of the tick were heard: they may as well be another sound's at its place.

    Parameters
    ----------
    events : Events
        The due events.

    Returns
    -------
    ndarray of bool, shape (n,)
        True for weak ticks without a level of their own.
    """
    return np.array([state is State.WEAK for state in events.state], dtype=bool) & np.isnan(events.level_db)


def may_be_missing(events: Events) -> bool:
    """Whether so many of the ticks that were heard are soft that the injector may skip.

    Parameters
    ----------
    events : Events
        The due events.

    Returns
    -------
    bool
        True for two or more, more than were skipped: of these alone nobody knows whether they were there.
    """
    soft = int(soft_of(events).sum())
    return soft >= FEWEST_SOFT and soft > int(skipped_of(events).sum())
