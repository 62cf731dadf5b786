"""What became of each due event, as rows of true and false."""

import numpy as np
import numpy.typing as npt

from injsound.codes import State
from injsound.results import Events

BoolArray = npt.NDArray[np.bool_]


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
