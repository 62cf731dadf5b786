"""Whether recordings are alike enough to be compared: what stands against it, a reason each."""

from collections.abc import Sequence
from itertools import pairwise

from injsound.diagnoses import Reason, Take
from injsound.job_codes import Why
from injsound.values import Figure

# The injection pulse and the count's power change with both (common practice, no source).
MOST_SPEED_RATIO = 1.2
MOST_LENGTH_RATIO = 2.0


# Any of these forbids a comparison.
UNLIKE = frozenset({Why.SAME_RECORDING, Why.CONDITIONS_DIFFER, Why.SPEEDS_DIFFER, Why.ENGINES_DIFFER})


def unlike(takes: Sequence[Take]) -> list[Reason]:
    """All that forbids comparing recordings; lengths may differ.

    Parameters
    ----------
    takes : sequence of Take
        Any.

    Returns
    -------
    list of Reason
        Empty where they may be compared.
    """
    return [*same_recordings(takes), *unlike_conditions(takes), *unlike_engines(takes), *unlike_speeds(takes)]


def same_recordings(takes: Sequence[Take]) -> list[Reason]:
    """Recordings that hold the same sound.

    Parameters
    ----------
    takes : sequence of Take
        Any.

    Returns
    -------
    list of Reason
        One for each pair, by the sound's hash.
    """
    by_hash = sorted(takes, key=lambda take: take.reading.sha256)
    return [
        Reason(why=Why.SAME_RECORDING, figures={"file": a.reading.file, "other": b.reading.file})
        for a, b in pairwise(by_hash)
        if a.reading.sha256 and a.reading.sha256 == b.reading.sha256
    ]


def unlike_conditions(takes: Sequence[Take]) -> list[Reason]:
    """Conditions that differ.

    Parameters
    ----------
    takes : sequence of Take
        Any.

    Returns
    -------
    list of Reason
        One at most; a condition that was not given is one of its own.
    """
    conditions = sorted({take.condition for take in takes})
    if len(conditions) < 2:
        return []
    named = ", ".join(condition or "-" for condition in conditions)
    return [Reason(why=Why.CONDITIONS_DIFFER, figures={"conditions": named})]


def unlike_speeds(takes: Sequence[Take]) -> list[Reason]:
    """Speeds that differ too much.

    Parameters
    ----------
    takes : sequence of Take
        Any.

    Returns
    -------
    list of Reason
        One at most.
    """
    speeds = [take.reading.firing.rpm for take in takes if take.reading.firing is not None]
    if not speeds or max(speeds) <= MOST_SPEED_RATIO * min(speeds):
        return []
    figures: dict[str, Figure] = {"rpm_low": round(min(speeds)), "rpm_high": round(max(speeds))}
    return [Reason(why=Why.SPEEDS_DIFFER, figures=figures)]


def unlike_lengths(takes: Sequence[Take]) -> list[Reason]:
    """Lengths that differ too much.

    Parameters
    ----------
    takes : sequence of Take
        Any.

    Returns
    -------
    list of Reason
        One at most.
    """
    lengths = [take.reading.seconds for take in takes]
    if not lengths or max(lengths) <= MOST_LENGTH_RATIO * min(lengths):
        return []
    figures: dict[str, Figure] = {"seconds_short": round(min(lengths)), "seconds_long": round(max(lengths))}
    return [Reason(why=Why.LENGTHS_DIFFER, figures=figures)]


def unlike_engines(takes: Sequence[Take]) -> list[Reason]:
    """Recordings that were read as of engines that cannot be one.

    Parameters
    ----------
    takes : sequence of Take
        Any.

    Returns
    -------
    list of Reason
        One at most; what one of them does not know is no difference.
    """
    engines = [take.reading.engine for take in takes]
    known = (
        {value for engine in engines if (value := getattr(engine, name)) is not None}
        for name in ("cylinders", "firing_order", "firing_angles", "injection")
    )
    if all(len(values) < 2 for values in known):
        return []
    return [Reason(why=Why.ENGINES_DIFFER)]


def speed_of(take: Take) -> float | None:
    """Engine speed of a recording.

    Parameters
    ----------
    take : Take
        Any.

    Returns
    -------
    float or None
        As heard [1/min].
    """
    return None if take.reading.firing is None else take.reading.firing.rpm


def of_one_speed(takes: Sequence[Take]) -> list[Take]:
    """The recordings of that speed at which most cylinders were recorded.

    Parameters
    ----------
    takes : sequence of Take
        Any.

    Returns
    -------
    list of Take
        In their order; those without a speed stay.
    """
    speeds = sorted({speed for take in takes if (speed := speed_of(take)) is not None})
    if not speeds:
        return list(takes)

    def near(low: float) -> list[Take]:
        return [t for t in takes if (s := speed_of(t)) is None or low <= s <= MOST_SPEED_RATIO * low]

    return max((near(low) for low in speeds), key=lambda some: len({take.cylinder for take in some}))
