"""Values of a table as JSON values."""

from __future__ import annotations

import math
from datetime import UTC, date, datetime
from typing import Any

from fleetdb.timestamps import format_rfc3339


def json_value(value: Any) -> Any:
    """Return ``value`` as JSON has it: times in RFC 3339 (bare ones are UTC), NaN as null."""
    match value:
        case datetime():
            return format_rfc3339(value if value.tzinfo else value.replace(tzinfo=UTC))
        case date():
            return value.isoformat()
        case float() if not math.isfinite(value):
            return None
        case list() | tuple():
            return [json_value(item) for item in value]
        case dict():
            return {name: json_value(item) for name, item in value.items()}
    return value
