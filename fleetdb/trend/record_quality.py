"""What the records of a period lack, and which of them look like one test sent twice."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

import duckdb

from fleetdb.trend import queries


@dataclass(frozen=True, slots=True)
class RecordQuality:
    """Rows of ``sql/quality_by_workshop.sql`` and of ``sql/same_readings.sql``."""

    workshops: list[dict[str, Any]]
    twice: list[dict[str, Any]]


def record_quality(
    connection: duckdb.DuckDBPyConnection,
    first_at: datetime,
    until_at: datetime,
    workshop: str | None,
) -> RecordQuality:
    """Look at the records performed from ``first_at`` and before ``until_at``, bare UTC.

    ``workshop`` "" stands for those that name none, None for all. ``connection`` has the views
    of ``fleetdb.warehouse.views``.
    """
    period = {"first_at": first_at, "until_at": until_at, "workshop": workshop}
    return RecordQuality(
        workshops=queries.answer(connection, "quality_by_workshop", **period).to_pylist(),
        twice=queries.answer(connection, "same_readings", **period).to_pylist(),
    )
