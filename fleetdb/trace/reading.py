"""From the bytes a kit wrote to a checked trace: JSON, CSV, Parquet, Arrow IPC."""

from __future__ import annotations

from collections.abc import Callable, Iterable

import numpy as np
from numpy.typing import NDArray

from fleetdb.errors import InvalidInputError, Problem
from fleetdb.records.parsing import parse_object
from fleetdb.trace.arrow_reading import read_arrow
from fleetdb.trace.checks import as_arrays
from fleetdb.trace.columns import Column, columns_of, pointer_to
from fleetdb.trace.csv_reading import read_csv
from fleetdb.trace.model import Trace, TraceKind
from fleetdb.trace.parquet_reading import read_parquet
from fleetdb.trace.unpacking import unpacked

JSON, CSV = "application/json", "text/csv"
PARQUET = "application/vnd.apache.parquet"
ARROW_FILE, ARROW_STREAM = (
    "application/vnd.apache.arrow.file",
    "application/vnd.apache.arrow.stream",
)

Columns = Iterable[tuple[Column, NDArray[np.float64]]]
_READERS: dict[str, Callable[[bytes], Columns]] = {
    CSV: read_csv,
    PARQUET: read_parquet,
    ARROW_FILE: read_arrow,
    ARROW_STREAM: read_arrow,
}
MEDIA_TYPES = (JSON, *_READERS)
MEDIA_TYPE_OF_SUFFIX = {
    ".json": JSON,
    ".csv": CSV,
    ".parquet": PARQUET,
    ".arrow": ARROW_FILE,
    ".arrows": ARROW_STREAM,
    ".feather": ARROW_FILE,
}


def read_trace(content: bytes, media_type: str, kind: TraceKind | None = None) -> Trace:
    """Return the trace that ``content`` holds.

    Parameters
    ----------
    content
        As the kit wrote it, or compressed with gzip or Zstandard.
    media_type
        One of ``MEDIA_TYPES``; parameters (``; charset=utf-8``) are allowed.
    kind
        What was done; needed unless a JSON document says so itself.

    Raises
    ------
    InvalidInputError
        The content cannot be read or is no trace; one problem per bad field.
    """
    plain_type = media_type.split(";", 1)[0].strip().lower()
    if plain_type not in MEDIA_TYPES:
        raise InvalidInputError.at(
            "", f"media type {plain_type[:60]!r} is not one of {', '.join(MEDIA_TYPES)}"
        )
    content = unpacked(content)
    if plain_type == JSON:
        return trace_of_document(parse_object(content), kind)
    return _trace(kind, _READERS[plain_type](content))


def trace_of_document(document: dict[str, object], kind: TraceKind | None = None) -> Trace:
    """Return the trace of a JSON object: ``kind`` and arrays named as columns are.

    Raises
    ------
    InvalidInputError
        As ``read_trace``; a field that is no column of a trace is refused.
    """
    fields = dict(document)
    said = fields.pop("kind", None)
    if said is not None:
        if not isinstance(said, str) or said not in set(TraceKind):
            raise InvalidInputError.at("/kind", f"must be one of {', '.join(TraceKind)}")
        if kind is not None and said != kind:
            raise InvalidInputError.at("/kind", f"is {said}, but {kind} was asked for")
        kind = TraceKind(said)
    columns = columns_of(fields)
    unknown = fields.keys() - {column.name for column in columns}
    if unknown:
        raise InvalidInputError([Problem(pointer_to(n), "unknown field") for n in sorted(unknown)])
    return _trace(kind, ((column, fields[column.name]) for column in columns))


def _trace(kind: TraceKind | None, columns: Iterable[tuple[Column, object]]) -> Trace:
    if kind is None:
        raise InvalidInputError.at("/kind", f"is needed: one of {', '.join(TraceKind)}")
    values_of = {column.field: (column, values) for column, values in columns}
    arrays, problems = as_arrays({field: values for field, (_, values) in values_of.items()})
    try:
        if problems:
            raise InvalidInputError(problems)
        return Trace.checked_arrays(
            kind, {f: values_of[f][0].converted(array) for f, array in arrays.items()}
        )
    except InvalidInputError as error:
        names = {field: column.name for field, (column, _) in values_of.items()}
        raise InvalidInputError([_as_named(problem, names) for problem in error.problems]) from None


def _as_named(problem: Problem, names: dict[str, str]) -> Problem:
    """Return the problem at the name the sender gave the field."""
    _, field, *index = problem.pointer.split("/")
    return Problem("/".join([pointer_to(names.get(field, field)), *index]), problem.detail)
