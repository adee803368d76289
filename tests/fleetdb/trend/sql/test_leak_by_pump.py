from __future__ import annotations

import math
from typing import Any

import pytest

from fleetdb.trend import queries
from tests.fleetdb.trend.small_tables import Row, connect, day, finding, leak, pump, record, vehicle
from tests.fleetdb.trend.sql.leaks import keep_leaks


def leaks(
    *records: Row, as_of: float = 400, ln_viscosity: dict[str, float] | None = None, **rows: Any
) -> list[Row]:
    with connect(test_records=records, **rows) as connection:
        keep_leaks(connection, ln_viscosity or {}, as_of)
        queries.keep(connection, "usual_leak")
        return queries.answer(
            connection, "leak_by_pump", as_of=day(as_of), recent_days=400
        ).to_pylist()


def test_lately_is_the_median_of_the_last_two_runs() -> None:
    [row] = leaks(
        record("V1", 1, **leak(60, 400, 100, 100, 100, 100)),
        record("V1", 2, **leak(60, 400, 10, 12, 30, 8)),
        record("V1", 3, **leak(30, 400, 6, 7, 20, 5)),  # per minute 12, 14, 40, 10
    )

    # Medians of two: 11, 13, 35, 9.
    assert row["leak_ml_per_min"] == pytest.approx(68)
    assert row["worst_cylinder"] == 3
    assert row["worst_ml_per_min"] == pytest.approx(35)
    assert row["others_ml_per_min"] == pytest.approx(11)
    assert row["leak_runs"] == 2
    assert row["last_leak_at"] == day(3)
    assert row["usual_leak_ml_per_min"] == pytest.approx(76)  # runs of 400, 60 and 76


def test_flows_are_brought_to_the_usual_pressure_and_the_reference_viscosity() -> None:
    runs = [
        record("V1", 1, **leak(60, 400, 10)),
        record("V1", 2, **leak(60, 400, 10)),
        record("V2", 3, **leak(60, 200, 10)),
    ]
    got = leaks(
        *runs,
        vehicles=[vehicle("V1"), vehicle("V2")],
        ln_viscosity={runs[2]["record_id"]: math.log(1.5)},
    )

    assert [row["leak_ml_per_min"] for row in got] == pytest.approx([10, 10 * 2 * 1.5])


def test_of_cylinders_that_return_equally_much_the_first_is_the_worst() -> None:
    [row] = leaks(record("V1", 1, **leak(60, 400, 9, 30, 10, 30)))

    assert row["worst_cylinder"] == 2


def test_one_cylinder_has_no_others() -> None:
    [row] = leaks(record("V1", 1, **leak(60, 400, 10)))

    assert row["others_ml_per_min"] is None


def test_old_runs_and_runs_of_the_pump_before_are_not_lately() -> None:
    old, new = record("V1", 1, **leak(60, 400, 10)), record("V1", 30, **leak(60, 400, 20))

    assert leaks(old, as_of=402) == []
    [row] = leaks(old, new, fitments=[pump("V1", -365), pump("V1", 20)], as_of=40)[1:]
    assert row["leak_ml_per_min"] == pytest.approx(20)


def test_runs_on_injectors_that_are_gone_do_not_count() -> None:
    runs = [
        record("V1", 1, **leak(60, 400, 10, 10, 80, 10)),
        record("V1", 20, **leak(60, 400, 10, 10, 10, 10)),
    ]

    [before] = leaks(*runs[:1], fitments=[pump("V1", 5, part="regulator")])
    after_a_run = leaks(*runs, fitments=[pump("V1", 5, part="injector")])

    assert before["worst_ml_per_min"] == pytest.approx(80)
    assert leaks(*runs[:1], fitments=[pump("V1", 5, part="injector_set")]) == []
    assert [row["worst_ml_per_min"] for row in after_a_run] == [pytest.approx(10)]


def test_a_failure_leaves_the_leak_run_that_may_explain_it() -> None:
    run = record("V1", 1, **leak(60, 400, 10, 10, 80, 10))

    [row] = leaks(run, findings=[finding("V1", 5, "failed_on_road")])

    assert row["worst_ml_per_min"] == pytest.approx(80)
