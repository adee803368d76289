from __future__ import annotations

from fleetdb.trend.pipeline import assess
from tests.fleetdb.trend.small_tables import connect, day, pump, record


def test_a_reading_far_off_its_neighbours_is_told_of_present_and_of_past_pumps() -> None:
    ratios = {10: 0.94, 50: 0.93, 90: 0.94, 130: 0.30, 170: 0.94, 210: 0.93, 250: 0.94}
    of_old_pump = [record("V1", at, ratio, workshop="North") for at, ratio in ratios.items()]
    of_new_pump = [record("V1", at + 300, ratio) for at, ratio in ratios.items()]
    with connect(
        test_records=[*of_old_pump, *of_new_pump], fitments=[pump("V1", 300)]
    ) as connection:
        told = assess(connection, day(600)).tables["set_aside"].to_pylist()
    assert [(row["vehicle"], row["performed_at"], row["workshop"]) for row in told] == [
        ("V1", day(130), "North"),
        ("V1", day(430), None),
    ]
    assert told[0]["record_id"] == "V1@00130.000"


def test_where_nothing_is_set_aside_the_table_is_empty() -> None:
    with connect(test_records=[record("V1", 10, 0.94), record("V1", 50, 0.93)]) as connection:
        assert assess(connection, day(100)).tables["set_aside"].num_rows == 0
