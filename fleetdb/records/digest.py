"""A document's digest: equal for equal contents, however the sender wrote them."""

from __future__ import annotations

import hashlib
import json
from datetime import datetime
from typing import Any

from fleetdb.records.documents import Document
from fleetdb.timestamps import format_rfc3339


def digest(document: Document) -> str:
    """Return the SHA-256, in hexadecimal, of the document's canonical JSON.

    The order of names, blanks, ``650`` or ``650.0``, ``null`` or absent, an empty
    object or none, the offset a time is written in and the order of cylinders
    make no difference.

    Examples
    --------
    >>> from fleetdb.records.documents import Kind
    >>> from fleetdb.records.parsing import parse_document
    >>> calm = '{"vehicle": "V1", "pump_family": "P", "in_service_on": "2024-05-01"}'
    >>> odd = '{"in_service_on":"2024-05-01","depot":null,"pump_family":"P","vehicle":"V1"}'
    >>> digest(parse_document(Kind.VEHICLES, calm)) == digest(parse_document(Kind.VEHICLES, odd))
    True
    """
    values = document.model_dump(exclude_none=True)
    if not values.get("conditions", True):
        del values["conditions"]
    if "leak" in values:
        values["leak"]["cylinders"].sort(key=lambda entry: entry["cylinder"])
    text = _write(values)
    if "-0.0" in text:
        text = _write(_without_minus_zero(values))
    return hashlib.sha256(text.encode("ascii")).hexdigest()


def _plain(value: Any) -> str:
    return format_rfc3339(value) if isinstance(value, datetime) else str(value)


# Our own text, not the document library's: digests are kept for the life of the data
# and must not change with a library's way of writing numbers or times.
_write = json.JSONEncoder(
    sort_keys=True, separators=(",", ":"), ensure_ascii=True, default=_plain
).encode


def _without_minus_zero(value: Any) -> Any:
    if isinstance(value, dict):
        return {name: _without_minus_zero(entry) for name, entry in value.items()}
    if isinstance(value, list):
        return [_without_minus_zero(entry) for entry in value]
    return value + 0.0 if isinstance(value, float) else value
