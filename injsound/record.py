"""Readings to JSON and back, by the schema that ships with the package.

The JSON holds everything but the arrays of the picture; these go into an ``.npz`` file of their own, so that a stored
reading can be drawn again.
"""

import json
import math
import os
from collections.abc import Iterable, Mapping
from enum import StrEnum
from importlib.resources import files
from types import UnionType
from typing import Any, get_args, get_origin

import numpy as np

from injsound.codes import Neighbours, Pattern, ReasonCode, SpanKind, State, StepCode, Verdict, WarningCode
from injsound.engine import Engine, Injection
from injsound.errors import InjsoundError
from injsound.files import write_whole
from injsound.results import (
    SCHEMA,
    Events,
    Failure,
    Firing,
    Jitter,
    NeighbourPlaces,
    OpenTime,
    Picture,
    QualityFigures,
    Reading,
    Skips,
)
from injsound.values import Figure, FloatArray, KnockGroup, Note, Span

# A microsecond is finer than any figure here is known.
_TIME_DIGITS = 6


def schema() -> dict[str, Any]:
    """JSON Schema of a document.

    Returns
    -------
    dict
        Draft 2020-12.
    """
    loaded: dict[str, Any] = json.loads(files("injsound").joinpath("schema.json").read_text(encoding="utf-8"))
    return loaded


def document(readings: Iterable[Reading], failures: Iterable[Failure]) -> dict[str, Any]:
    """Document that `schema` describes.

    Parameters
    ----------
    readings : iterable of Reading
        What was read.
    failures : iterable of Failure
        What could not be read.

    Returns
    -------
    dict
        Plain values.
    """
    return {
        "schema": SCHEMA,
        "errors": [{"file": f.file, "code": f.code, "message": f.message} for f in failures],
        "readings": [reading_to_json(reading) for reading in readings],
    }


def reading_to_json(reading: Reading) -> dict[str, Any]:
    """Plain values of a reading; a figure that cannot be given is None.

    Parameters
    ----------
    reading : Reading
        The reading.

    Returns
    -------
    dict
        One item of the document's ``readings``.
    """
    engine, quality = reading.engine, reading.quality
    return {
        "file": reading.file,
        "sha256": reading.sha256,
        "seconds": _rounded(reading.seconds, 3),
        "sample_rate_hz": reading.sample_rate_hz,
        "codec": reading.codec,
        "channel": reading.channel,
        "engine": {
            "cylinders": engine.cylinders,
            "cylinder": engine.cylinder,
            "firing_order": None if engine.firing_order is None else list(engine.firing_order),
            "injection": engine.injection.value,
            "firing_angles": None if engine.firing_angles is None else list(engine.firing_angles),
        },
        "verdict": reading.verdict.value,
        "reasons": [_note(note) for note in reading.reasons],
        "next_step": _note(reading.next_step),
        "firing": None if reading.firing is None else _plain(reading.firing),
        "alternatives": [_plain(firing) for firing in reading.alternatives],
        "events": _events(reading.events),
        "spans": [
            {"from_s": _rounded(s.from_s, 4), "to_s": _rounded(s.to_s, 4), "kind": s.kind.value} for s in reading.spans
        ],
        "knocks": [
            {"from_s": _rounded(k.from_s, 3), "to_s": _rounded(k.to_s, 3), "count": k.count, "alike": k.alike}
            for k in reading.knocks
        ],
        "skips": _plain(reading.skips),
        "jitter": _plain(reading.jitter),
        "open_time": _plain(reading.open_time),
        "neighbours": reading.neighbours.value,
        "neighbour_places": _places(reading.neighbour_places),
        "quality": _plain(quality) | {"warnings": [_note(note) for note in quality.warnings]},
    }


def reading_from_json(values: Mapping[str, Any], *, picture: Picture | None = None) -> Reading:
    """Reading from its plain values.

    Parameters
    ----------
    values : mapping
        As from `reading_to_json`.
    picture : Picture or None
        As from `load_picture`.

    Returns
    -------
    Reading
        The reading; unknown fields of a later version are left out.

    Raises
    ------
    InjsoundError
        If a field is missing or has an impossible value.
    """
    try:
        return _read_reading(values, picture)
    except (AttributeError, KeyError, TypeError, ValueError, OverflowError) as error:
        raise InjsoundError(
            f"stored reading cannot be used: {error!r}; expected the fields of schema {SCHEMA}"
        ) from error


def _read_reading(values: Mapping[str, Any], picture: Picture | None) -> Reading:
    engine, quality, order = values["engine"], values["quality"], values["engine"]["firing_order"]
    angles = engine.get("firing_angles")
    made = {
        "engine": _made(
            Engine,
            engine
            | {
                "firing_order": None if order is None else tuple(order),
                "injection": Injection(engine["injection"]),
                "firing_angles": None if angles is None else tuple(angles),
            },
        ),
        "verdict": Verdict(values["verdict"]),
        "reasons": tuple(_read_note(note, ReasonCode) for note in values["reasons"]),
        "next_step": _read_note(values["next_step"], StepCode),
        "firing": None if values["firing"] is None else _made(Firing, values["firing"]),
        "alternatives": tuple(_made(Firing, firing) for firing in values["alternatives"]),
        "events": _read_events(values["events"]),
        "spans": tuple(_made(Span, span | {"kind": SpanKind(span["kind"])}) for span in values["spans"]),
        "skips": _made(Skips, values["skips"] | {"pattern": Pattern(values["skips"]["pattern"])}),
        "jitter": _made(Jitter, values["jitter"]),
        "open_time": _made(OpenTime, values["open_time"]),
        "neighbours": Neighbours(values["neighbours"]),
        "quality": _made(
            QualityFigures, quality | {"warnings": tuple(_read_note(n, WarningCode) for n in quality["warnings"])}
        ),
        "picture": picture,
        # Readings kept before knocks were looked for have none.
        "knocks": tuple(_made(KnockGroup, group) for group in values.get("knocks", ())),
        "neighbour_places": _read_places(values.get("neighbour_places")),
    }
    return _made(Reading, {**values, **made})  # type: ignore[no-any-return]  # of the kind that is asked for


def _places(places: NeighbourPlaces | None) -> dict[str, Any] | None:
    return None if places is None else _plain(places) | {"chances": [_value(chance) for chance in places.chances]}


def _read_places(values: Mapping[str, Any] | None) -> NeighbourPlaces | None:
    if values is None:  # also where it was stored before these were told
        return None
    chances = tuple(_of_type(float, chance, "chances") for chance in values["chances"])
    return NeighbourPlaces(over_db=_of_type(float, values["over_db"], "over_db"), chances=chances)


def _made(kind: type[Any], values: Mapping[str, Any]) -> Any:
    """A result of plain values; a field of a later version is left out, a value of another type refused."""
    fields = {name: field for name, field in kind.__dataclass_fields__.items() if name in values}
    return kind(**{name: _of_type(field.type, values[name], name) for name, field in fields.items()})


def _of_type(wanted: Any, value: Any, name: str) -> Any:
    kinds = tuple(
        get_origin(kind) or kind for kind in (get_args(wanted) if isinstance(wanted, UnionType) else (wanted,))
    )
    if float in kinds:
        kinds = (*kinds, int)  # JSON has one kind of number
    if not isinstance(value, kinds) or (isinstance(value, bool) and bool not in kinds):
        raise TypeError(f"{name} is {value!r}")
    return value


def _plain(result: object) -> dict[str, Any]:
    """Fields of a flat result, rounded to six significant digits, enums by value."""
    fields: list[str] = list(type(result).__dataclass_fields__)  # type: ignore[attr-defined]  # only results come here
    return {name: _value(getattr(result, name)) for name in fields if not isinstance(getattr(result, name), tuple)}


def _value(value: Any) -> Any:
    if isinstance(value, StrEnum):
        return value.value
    if isinstance(value, bool | int | str) or value is None:
        return value
    number = float(value)
    return float(f"{number:.6g}") if math.isfinite(number) else None


def _note(note: Note) -> dict[str, Any]:
    return {"code": note.code.value} | {name: _value(figure) for name, figure in note.figures.items()}


def _read_note(values: Mapping[str, Any], kind: type[StrEnum]) -> Note:
    code: Any = kind(values["code"])
    figures = {name: _of_type(Figure | bool, value, name) for name, value in values.items() if name != "code"}
    return Note(code=code, figures=figures)


def _rounded(value: float, digits: int) -> float | None:
    return round(float(value), digits) if math.isfinite(value) else None


def _events(events: Events) -> list[dict[str, Any]]:
    return [
        {
            "time_s": _rounded(time, _TIME_DIGITS),
            "state": state.value,
            "skip_probability": _rounded(probability, 6),
            "heard_at_s": _rounded(heard, 7),
            "level_db": _rounded(level, 2),
            "open_time_ms": _rounded(gap, 4),
            "neighbours": neighbours.value,
        }
        for time, state, probability, heard, level, gap, neighbours in zip(
            events.time_s,
            events.state,
            events.skip_probability,
            events.heard_at_s,
            events.level_db,
            events.open_time_ms,
            events.neighbours,
            strict=True,
        )
    ]


def _read_events(rows: list[Mapping[str, Any]]) -> Events:
    def column(name: str) -> FloatArray:
        figures = [np.nan if row[name] is None else row[name] for row in rows]
        if not {type(figure) for figure in figures} <= {float, int}:
            raise TypeError(f"{name} is not a number throughout")
        return np.array(figures, dtype=float)

    return Events(
        time_s=column("time_s"),
        state=tuple(State(row["state"]) for row in rows),
        skip_probability=column("skip_probability"),
        heard_at_s=column("heard_at_s"),
        level_db=column("level_db"),
        open_time_ms=column("open_time_ms"),
        neighbours=tuple(Neighbours(row["neighbours"]) for row in rows),
    )


# --- files ----------------------------------------------------------------------------------------------------------


def dumps(values: Mapping[str, Any]) -> str:
    """JSON text of a document, one line per value.

    Parameters
    ----------
    values : mapping
        As from `document`.

    Returns
    -------
    str
        Text that ends in a line break; without NaN or infinity.
    """
    return json.dumps(values, ensure_ascii=False, indent=1, allow_nan=False) + "\n"


# A file stored before these were told lacks them.
_PLACES_ADDED = {"empty_phases", "others_phases"}


def save_picture(path: str | os.PathLike[str], picture: Picture) -> None:
    """Store the arrays of a picture.

    Parameters
    ----------
    path : path
        File that ends in ``.npz``.
    picture : Picture
        Arrays.

    Raises
    ------
    InjsoundError
        If it cannot be written.
    """
    import io

    buffer = io.BytesIO()
    arrays = {name: np.asarray(getattr(picture, name)) for name in Picture.__dataclass_fields__}
    np.savez_compressed(buffer, **arrays)  # type: ignore[arg-type]  # numpy's own stub takes no mapping of arrays
    write_whole(path, buffer.getvalue())


def load_picture(path: str | os.PathLike[str]) -> Picture:
    """Load the arrays of a picture.

    Parameters
    ----------
    path : path
        As from `save_picture`.

    Returns
    -------
    Picture
        Arrays.

    Raises
    ------
    InjsoundError
        If the file is missing or not such a file.
    """
    try:
        # Opened here: numpy leaves a file open that it finds to be no archive.
        with open(path, "rb") as file, np.load(file, allow_pickle=False) as stored:
            names = [name for name in Picture.__dataclass_fields__ if name in stored or name not in _PLACES_ADDED]
            arrays = {name: stored[name] for name in names}
    except Exception as error:  # a damaged archive raises whatever its parts stumble over, down to tokenize's errors
        raise InjsoundError(f"cannot read {path}: {error}; expected arrays saved by injsound") from error
    for name in {"own_phases", "candidates", *_PLACES_ADDED} & arrays.keys():
        arrays[name] = tuple(arrays[name].tolist())
    return Picture(**arrays)
