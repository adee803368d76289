"""A connection for one vehicle after another: its plans stay, its rows do not."""

from __future__ import annotations

import math
from datetime import datetime

import duckdb
import pyarrow as pa
import pytest

from fleetdb.warehouse.planned import PlannedConnection

SQL = "SELECT n * $times AS n FROM tests WHERE tested_at <= $as_of ORDER BY n"
JUNE, JULY = datetime(2026, 6, 30), datetime(2026, 7, 31)  # noqa: DTZ001 - bare UTC


@pytest.fixture
def planned() -> PlannedConnection:
    return PlannedConnection()


def rows_of(*rows: tuple[datetime, int]) -> pa.Table:
    schema = pa.schema([("tested_at", pa.timestamp("us")), ("n", pa.int64())])
    return pa.Table.from_pylist([{"tested_at": at, "n": n} for at, n in rows], schema=schema)


def kept(planned: PlannedConnection, name: str = "answer") -> list[int]:
    return planned.table(name).to_arrow_table()["n"].to_pylist()


def test_each_vehicle_is_answered_from_its_own_rows(planned: PlannedConnection) -> None:
    answers = []
    for rows, as_of, times in (
        (rows_of((JUNE, 1), (JULY, 2)), JUNE, 10),
        (rows_of((JUNE, 3), (JULY, 4)), JULY, 10),
        (rows_of(), JULY, 10),
        (rows_of((JUNE, 5), (JULY, 6)), JUNE, 2),
        (rows_of((JUNE, 5), (JULY, 6)), JUNE, 10),
    ):
        with planned.one_vehicle():
            planned.register("tests", rows)
            planned.keep("answer", SQL, {"as_of": as_of, "times": times})
            answers.append(kept(planned))
    assert answers == [[10], [30, 40], [], [10], [50]]


def test_nothing_of_a_vehicle_is_left_for_the_next(planned: PlannedConnection) -> None:
    for _ in range(3):
        with planned.one_vehicle():
            planned.register("tests", rows_of((JUNE, 1)))
            planned.keep("answer", SQL, {"as_of": JUNE, "times": 1})
        with planned.one_vehicle():
            assert planned.is_empty("tests")
            assert planned.is_empty("answer")


def test_what_is_put_in_or_kept_again_takes_the_place_of_the_first(
    planned: PlannedConnection,
) -> None:
    for _ in range(3):
        with planned.one_vehicle():
            for number in (1, 2):
                planned.register("tests", rows_of((JUNE, number)))
                for as_of, answer in ((JUNE, [number]), (datetime(2026, 1, 1), [])):  # noqa: DTZ001
                    planned.keep("answer", SQL, {"as_of": as_of, "times": 1})
                    assert kept(planned) == answer


def test_a_statement_is_prepared_once_for_all_vehicles_and_moments(
    planned: PlannedConnection,
) -> None:
    for day in range(1, 20):
        with planned.one_vehicle():
            planned.register("tests", rows_of((JUNE, day)))
            planned.keep("answer", SQL, {"as_of": datetime(2026, 6, day), "times": 1})  # noqa: DTZ001
    with planned.one_vehicle():
        planned.keep("plans", "SELECT count(*) AS n FROM duckdb_prepared_statements()", {})
        assert kept(planned, "plans") == [1]


def test_once_a_table_was_made_statements_are_prepared_again(planned: PlannedConnection) -> None:
    """DuckDB would plan the old ones anew at each vehicle."""

    def plans() -> int:
        planned.keep("plans", "SELECT count(*) AS n FROM duckdb_prepared_statements()", {})
        return kept(planned, "plans")[0]

    for made in (False, False, False, True, False):
        if made:
            planned.hold({"usual": pa.table({"m": [1]})})
            with planned.one_vehicle():
                assert plans() == 0
        with planned.one_vehicle():
            planned.register("tests", rows_of((JUNE, 1)))
            planned.keep("answer", SQL, {"as_of": JUNE, "times": 1})
    with planned.one_vehicle():
        assert plans() == 2  # the answer's and its own
        planned.register("another", rows_of())
    with planned.one_vehicle():
        assert plans() == 1


def test_other_rows_of_the_same_columns_are_held_without_a_new_table(
    planned: PlannedConnection,
) -> None:
    for number in range(5):
        planned.hold({"usual": rows_of((JUNE, number))})
        with planned.one_vehicle():
            planned.keep("answer", "SELECT n FROM usual", {})
            assert kept(planned) == [number]
    with planned.one_vehicle():
        planned.keep("plans", "SELECT count(*) AS n FROM duckdb_prepared_statements()", {})
        assert kept(planned, "plans") == [1]


def test_an_answer_over_other_columns_has_their_types(planned: PlannedConnection) -> None:
    for numbers in ([1, 2], [1.6, 2.5], [3, 4]):
        with planned.one_vehicle():
            planned.register("found", pa.table({"n": numbers}))
            planned.keep("answer", "SELECT n FROM found", {})
            assert kept(planned) == numbers


def test_a_table_nobody_put_in_for_this_vehicle_is_no_empty_one(
    planned: PlannedConnection,
) -> None:
    with planned.one_vehicle():
        planned.register("tests", rows_of((JUNE, 1)))
    with pytest.raises(KeyError, match="tests"), planned.one_vehicle():
        planned.table("tests")


def test_what_is_held_stays_until_another_comes(planned: PlannedConnection) -> None:
    held = rows_of((JUNE, 7))
    for number in (7, 8):
        held = rows_of((JUNE, number))
        for _ in range(3):
            planned.hold({"usual": held})
            with planned.one_vehicle():
                planned.register("usual", held)
                planned.keep("answer", "SELECT n FROM usual", {})
                assert kept(planned) == kept(planned, "usual") == [number]


def test_a_vehicle_may_have_its_own_in_place_of_what_is_held(planned: PlannedConnection) -> None:
    held = rows_of((JUNE, 7))
    for _ in range(3):
        planned.hold({"usual": held})
        with planned.one_vehicle():
            planned.register("tests", rows_of((JUNE, 1)))
            planned.keep("usual", SQL.replace("n * $times", "tested_at, n"), {"as_of": JUNE})
            assert kept(planned, "usual") == [1]
        planned.hold({"usual": held})
        with planned.one_vehicle():
            assert kept(planned, "usual") == [7]
            planned.register("usual", rows_of((JUNE, 9)))
            assert kept(planned, "usual") == [9]
            planned.register("usual", held)
            assert kept(planned, "usual") == [7]


def test_a_table_may_come_with_other_columns(planned: PlannedConnection) -> None:
    for column in ("n", "m", "n"):
        with planned.one_vehicle():
            planned.register("found", pa.table({column: [1]}))
            assert planned.table("found").columns == [column]


@pytest.mark.parametrize("value", ["1; DROP TABLE tests", None, math.nan, math.inf])
def test_only_numbers_are_written_into_a_statement(
    planned: PlannedConnection, value: object
) -> None:
    with pytest.raises(TypeError, match="times"), planned.one_vehicle():
        planned.register("tests", rows_of())
        planned.keep("answer", SQL, {"as_of": JUNE, "times": value})  # pyright: ignore[reportArgumentType]


def test_numbers_are_what_they_are_bound_as(planned: PlannedConnection) -> None:
    for _ in range(2):
        with planned.one_vehicle():
            planned.keep("answer", "SELECT 10 -$a AS n, 7 // $b AS m", {"a": -2.7, "b": 2})
            row = planned.table("answer").to_arrow_table().to_pylist()
            assert row == [{"n": 12.7, "m": 3}]


def test_after_an_error_it_serves_nobody(planned: PlannedConnection) -> None:
    with pytest.raises(duckdb.Error), planned.one_vehicle():
        planned.keep("answer", "SELECT no_such FROM nowhere", {})
    with pytest.raises(duckdb.Error), planned.one_vehicle():
        pass
