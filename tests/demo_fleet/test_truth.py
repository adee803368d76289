from datetime import date

from demo_fleet.truth import at, month_ends


def test_month_ends_are_those_of_whole_days_within_the_history():
    ends = month_ends(date(2024, 1, 15), date(2024, 4, 29))
    assert [as_of for as_of, _ in ends] == [
        date(2024, 1, 31), date(2024, 2, 29), date(2024, 3, 31),
    ]  # fmt: skip
    assert ends[0][1] == 17


def test_a_last_day_that_ends_a_month_counts():
    assert month_ends(date(2024, 4, 1), date(2024, 4, 30)) == [(date(2024, 4, 30), 30)]


def test_days_count_from_midnight_utc():
    assert at(date(2024, 1, 1), 1.5).isoformat() == "2024-01-02T12:00:00"
