from __future__ import annotations

from typing import Any

from fleetdb.trend import queries
from fleetdb.trend.series import keep_readings
from tests.fleetdb.trend.small_tables import connect, day, pump, record, vehicle


def traced(name: str, at: float, **fields: Any) -> tuple[dict[str, Any], dict[str, Any]]:
    test = record(name, at, 0.9)
    row = {"trace_id": f"t{name}{at}", "record_id": test["record_id"], "vehicle": name, **fields}
    return test, row


def evidence(*pairs: tuple[dict[str, Any], dict[str, Any]], **rows: Any) -> list[dict[str, Any]]:
    tests, traces = zip(*pairs, strict=True)
    with connect(test_records=tests, trace_figures=traces, **rows) as connection:
        keep_readings(connection, day(400))
        queries.keep(connection, "usual_hold")
        return queries.answer(
            connection, "trace_evidence", as_of=day(400), recent_days=200
        ).to_pylist()


def test_the_closed_rail_is_the_median_of_the_last_two_holds_against_the_familys() -> None:
    vehicles = [vehicle("V1"), vehicle("V2")]

    first, second = evidence(
        traced("V1", 150, hold_leak_ml_per_min=900.0),  # too long ago to be lately
        traced("V1", 300, hold_leak_ml_per_min=500.0),
        traced("V1", 310, hold_leak_ml_per_min=100.0),
        traced("V1", 320, hold_leak_ml_per_min=200.0),
        traced("V1", 330),
        traced("V2", 300, hold_leak_ml_per_min=80.0),
        vehicles=vehicles,
    )

    assert first["hold_leak_ml_per_min"] == 150.0
    assert second["hold_leak_ml_per_min"] == 80.0
    # The median of 80, 100, 200, 500 and 900.
    assert first["usual_hold_leak_ml_per_min"] == second["usual_hold_leak_ml_per_min"] == 200.0


def test_the_last_trace_that_could_tell_strokes_apart_counts() -> None:
    weak = {"strokes_told_apart": True, "weak_element": 2, "weak_element_share": 0.6}

    [found] = evidence(
        traced("V1", 300, strokes_told_apart=True),
        traced("V1", 310, **weak),
        traced("V1", 320, regulator_departure_share=-0.1),
    )

    assert (found["weak_element"], found["weak_element_share"]) == (2, 0.6)
    assert found["regulator_departure_share"] == -0.1
    [alike] = evidence(traced("V1", 300, **weak), traced("V1", 310, strokes_told_apart=True))
    assert (alike["weak_element"], alike["weak_element_share"]) == (None, 1.0)


def test_a_new_pump_is_not_told_by_the_old_ones_traces() -> None:
    weak = {"strokes_told_apart": True, "weak_element": 2, "weak_element_share": 0.6}

    found = evidence(
        traced("V1", 300, **weak), traced("V1", 320), fitments=[pump("V1", 310, "new")]
    )

    assert [row["weak_element_share"] for row in found] == [0.6, None]


def test_what_was_repaired_since_a_trace_is_not_told_by_it() -> None:
    whole = traced(
        "V1",
        300,
        hold_leak_ml_per_min=500.0,
        regulator_departure_share=-0.1,
        strokes_told_apart=True,
        weak_element=2,
        weak_element_share=0.6,
    )

    def told(part: str) -> list[Any]:
        [row] = evidence(whole, fitments=[pump("V1", 310, part=part)])
        names = ("hold_leak_ml_per_min", "regulator_departure_share", "weak_element")
        return [row[name] for name in names]

    assert told("fuel_filter") == [500.0, -0.1, 2]
    assert told("injector") == [None, -0.1, 2]
    assert told("regulator") == [None, None, 2]
