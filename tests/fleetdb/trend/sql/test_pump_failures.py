from __future__ import annotations

from typing import Any

from fleetdb.trend import queries
from tests.fleetdb.trend.small_tables import Row, connect, day, finding, pump


def failures(*findings: Row, as_of: float = 400) -> dict[int, Any]:
    with connect(fitments=[pump("V1", 10, "B")], findings=findings) as connection:
        queries.keep(connection, "pumps", as_of=day(as_of), one_in=1)
        table = queries.answer(connection, "pump_failures", as_of=day(as_of))
    return {row["pump_id"]: row["failed_at"] for row in table.to_pylist()}


def test_a_failure_is_of_the_pump_then_fitted_and_the_last_one_counts() -> None:
    assert failures(
        finding("V1", 5, "failed_on_road"),
        finding("V1", 6, "failed_on_road"),
        finding("V1", 12, "failed_on_road"),
    ) == {0: day(6), 1: day(12)}


def test_a_failure_at_the_moment_of_the_new_pump_is_of_neither() -> None:
    assert failures(finding("V1", 10, "failed_on_road")) == {}


def test_other_findings_and_other_parts_are_no_failure_of_the_pump() -> None:
    assert (
        failures(
            finding("V1", 5, "worn_confirmed"),
            finding("V1", 6, "no_fault_found"),
            finding("V1", 7, "failed_on_road", part="injector"),
            finding("V2", 8, "failed_on_road"),
        )
        == {}
    )


def test_a_failure_after_the_date_is_not_known_yet() -> None:
    assert failures(finding("V1", 12, "failed_on_road"), as_of=11) == {}
