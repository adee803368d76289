from __future__ import annotations

from typing import Any

from fleetdb.trend import queries
from fleetdb.trend.series import FINDINGS_LATE_DAYS
from tests.fleetdb.trend.small_tables import Row, connect, day, finding, pump


def failures(*findings: Row, as_of: float = 400) -> dict[int, Any]:
    with connect(fitments=[pump("V1", 10, "B")], findings=findings) as connection:
        queries.keep(connection, "pumps", as_of=day(as_of), one_in=1)
        table = queries.answer(
            connection, "pump_failures", as_of=day(as_of), late_days=FINDINGS_LATE_DAYS
        )
    return {row["pump_id"]: row["failed_at"] for row in table.to_pylist()}


def test_a_failure_is_of_the_pump_then_fitted_and_the_last_one_counts() -> None:
    assert failures(
        finding("V1", 5, "failed_on_road"),
        finding("V1", 6, "failed_on_road"),
        finding("V1", 12, "failed_on_road"),
    ) == {0: day(6), 1: day(12)}


def test_a_failure_written_down_when_the_new_pump_is_in_is_of_the_one_before() -> None:
    assert failures(finding("V1", 10, "failed_on_road")) == {0: day(10)}
    assert failures(finding("V1", 10.9, "failed_on_road")) == {0: day(10.9)}
    assert failures(finding("V1", 11.1, "failed_on_road")) == {1: day(11.1)}


def test_a_vehicles_first_pump_has_none_before_it() -> None:
    # In service from day 0.
    assert failures(finding("V1", 0.5, "failed_on_road")) == {0: day(0.5)}


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
