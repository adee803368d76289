from __future__ import annotations

from fleetdb.trend import queries
from tests.fleetdb.trend.small_tables import connect, day


def test_calibrations_by_the_date_are_told_once_and_in_order() -> None:
    told = [("B", 3), ("A", 9), ("A", 2), ("A", 2), ("A", 10)]
    rows = [{"kit": kit, "calibrated_at": day(at)} for kit, at in told]
    with connect(kit_calibrations=rows) as connection:
        got = queries.answer(connection, "calibrations", as_of=day(9)).to_pylist()

    assert [tuple(row.values()) for row in got] == [("A", day(2)), ("A", day(9)), ("B", day(3))]
