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
    # Our own text, not the library's: digests are kept for the life of the data
    # and must not change with a library's way of writing numbers or times.
    text = json.dumps(
        _canonical(document.model_dump()),
        sort_keys=True,
        separators=(",", ":"),
        ensure_ascii=True,
        default=_plain,
    )
    return hashlib.sha256(text.encode("ascii")).hexdigest()


def _canonical(values: dict[str, Any]) -> dict[str, Any]:
    result: dict[str, Any] = {}
    for name, value in values.items():
        if value is None:
            continue
        if isinstance(value, dict):
            value = _canonical(value)
            if not value:
                continue
        elif isinstance(value, float):
            value += 0.0  # minus zero becomes zero
        elif isinstance(value, list):
            value = sorted((_canonical(entry) for entry in value), key=lambda e: e["cylinder"])
        result[name] = value
    return result


def _plain(value: Any) -> str:
    return format_rfc3339(value) if isinstance(value, datetime) else str(value)
