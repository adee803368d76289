from __future__ import annotations

from fleetdb.trend import queries
from fleetdb.trend.series import keep_readings
from tests.fleetdb.trend.small_tables import connect, day, record


def test_every_kit_is_told_once_numbered_in_order_of_name() -> None:
    kits = ["K2", None, "K10", "K2", "a"]
    with connect(test_records=[record("V1", n, 0.9, kit=kit) for n, kit in enumerate(kits)]) as c:
        keep_readings(c, day(400))
        got = queries.answer(c, "kit_names").to_pylist()

    assert got == [
        {"kit_no": 0, "kit": "K10"},
        {"kit_no": 1, "kit": "K2"},
        {"kit_no": 2, "kit": "a"},
    ]
