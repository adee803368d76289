from __future__ import annotations

from datetime import datetime

from fleetdb.trend import queries
from tests.fleetdb.trend.small_tables import FAMILY, Row, connect, day


def version(days: float | None, limit: float, **fields: object) -> Row:
    applies_from = None if days is None else day(days).date()
    return {**FAMILY, "applies_from": applies_from, "proof_ratio_limit": limit, **fields}


def test_the_first_version_holds_from_the_beginning_and_later_ones_from_their_day() -> None:
    families = [
        version(100, 0.85),
        version(None, 0.8),
        version(30, 0.7, pump_family="dated"),
        version(60, 0.75, pump_family="dated"),
    ]
    with connect(pump_families=families) as connection:
        got = connection.execute(
            "SELECT pump_family, from_at, proof_ratio_limit FROM "
            f"({queries.sql_text('family_settings')}) ORDER BY ALL"
        ).fetchall()

    ever = datetime(1900, 1, 1)  # noqa: DTZ001
    assert got == [
        ("dated", ever, 0.7),
        ("dated", day(60), 0.75),
        ("fam", ever, 0.8),
        ("fam", day(100), 0.85),
    ]
