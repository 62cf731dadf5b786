"""What the stages hand to one another: a recorded chapter, its stretches, its onset strength, the clock of its engine.

Frozen, with arrays read-only. Times are seconds from the first decoded sample of the file; cycles are of 720 degrees.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import Any

import numpy as np
import numpy.typing as npt

from injsound.codes import UNJUDGED_KINDS, ReasonCode, SpanKind, StepCode, WarningCode

FloatArray = npt.NDArray[np.floating[Any]]

Figure = float | int | str | None

# In less no cycle repeats; every stage has a few thousand samples to look at.
SHORTEST_CHAPTER_S = 1.0

# As much as is asked for where nothing says how long.
ONE_RECORDING_S = 60.0
# So many knocks mark a change between still and moved.
KNOCKS_THAT_MARK = 3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Note:
    """A code with its figures.

    Parameters
    ----------
    code : ReasonCode, WarningCode or StepCode
        What is said.
    figures : mapping of str to number or str
        Those that the code lists, in the unit the name ends with.
    """

    code: ReasonCode | WarningCode | StepCode
    figures: Mapping[str, Figure] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Span:
    """A stretch of time.

    Parameters
    ----------
    from_s, to_s : float
        Start and end, end excluded [s].
    kind : SpanKind
        What it is.
    """

    from_s: float
    to_s: float
    kind: SpanKind


@dataclass(frozen=True, slots=True, kw_only=True)
class KnockGroup:
    """Knocks or bumps close together; three alike mark a change between still and moved.

    Parameters
    ----------
    from_s, to_s : float
        From the first knock to the end of the last [s].
    count : int
        How many; a lone one may be handling [unitless].
    alike : bool
        Whether they sound like most knocks of the recording's groups of three.
    """

    from_s: float
    to_s: float
    count: int
    alike: bool = True


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Recording:
    """One chapter of a decoded file: one channel, bounded length.

    Parameters
    ----------
    y : ndarray of float32, shape (n,)
        Samples, full scale 1.0; decoders may pass it a little [unitless].
    sr : int
        Sampling rate [Hz].
    start_s : float
        Time of ``y[0]`` from the file's first decoded sample [s].
    file : str
        The name the person gave.
    codec : str
        Such as ``"pcm_s16le"``, ``"aac"``, ``"amrnb"``.
    channel, channels : int
        Which channel this is, counted from 1, of how many [unitless].
    gaps : tuple of Span
        Holes in the stream that were filled with zeros, in file time [s].
    warnings : tuple of Note
        What the decoder noticed about the file (the same on each chapter, or on the last one where met at the end).
    final : bool
        True for the last chapter.
    """

    y: FloatArray
    sr: int
    start_s: float = 0.0
    file: str = ""
    codec: str = ""
    channel: int = 1
    channels: int = 1
    gaps: tuple[Span, ...] = ()
    warnings: tuple[Note, ...] = ()
    final: bool = True

    def __post_init__(self) -> None:
        freeze_arrays(self)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Quality:
    """What may not be judged in a chapter, and what to tell the person.

    Parameters
    ----------
    spans : tuple of Span
        Sorted by start; may overlap [s].
    warnings : tuple of Note
        Codes with figures.
    bandwidth_hz : float
        Highest frequency at which the recording still carries sound [Hz].
    clipped : tuple of Span
        Every clipped stretch in order, also those too short to hide a tick [s].
    """

    spans: tuple[Span, ...]
    warnings: tuple[Note, ...]
    bandwidth_hz: float
    clipped: tuple[Span, ...] = ()

    @property
    def blind(self) -> tuple[Span, ...]:
        """Those whose sound says nothing of the ticks in them."""
        return tuple(span for span in self.spans if span.kind in UNJUDGED_KINDS)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OnsetStrength:
    """Band energies at a sub-millisecond hop, compressed.

    Parameters
    ----------
    bands : ndarray of float32, shape (n_bands, n_frames)
        ``log(1 + energy / median)`` per band [unitless].
    hop_s : float
        Time between frames [s].
    start_s : float
        Time of the centre of frame 0 [s].
    """

    bands: FloatArray
    hop_s: float
    start_s: float

    def __post_init__(self) -> None:
        freeze_arrays(self)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CycleClock:
    """The map between time and engine cycle, linear between knots.

    Parameters
    ----------
    times_s : ndarray, shape (n_knots,)
        Strictly increasing times [s].
    cycles : ndarray, shape (n_knots,)
        Engine cycle (720 degrees) reached at each time, strictly increasing [cycles].
    """

    times_s: FloatArray
    cycles: FloatArray

    def __post_init__(self) -> None:
        freeze_arrays(self)


def freeze_arrays(result: object) -> None:
    """Make a result's arrays read-only; each result that holds some calls it as soon as it is made.

    Parameters
    ----------
    result : dataclass instance
        Whose arrays.
    """
    for item in fields(result):  # type: ignore[arg-type]  # every caller is a dataclass instance
        value = getattr(result, item.name)
        if isinstance(value, np.ndarray) and value.flags.writeable:
            frozen = value.view()
            frozen.flags.writeable = False
            object.__setattr__(result, item.name, frozen)
