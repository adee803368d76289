from __future__ import annotations

from dataclasses import replace

import pyarrow as pa
import pytest

from fleetdb.trend.assessment import CONTEXT_TABLES, Assessment, FleetContext
from fleetdb.trend.learning import starting_constants
from fleetdb.trend.pipeline import assess, assess_vehicle
from fleetdb.trend.series import keep_readings, keep_usual_conditions, load_series
from tests.fleetdb.trend.simulated import Simulated
from tests.fleetdb.trend.small_tables import connect, day, record, vehicle


@pytest.fixture(scope="module")
def assessment() -> Assessment:
    with connect(**Simulated(vehicles=10, tests=10, kits=3).rows()) as connection:
        return assess(connection, day(450))


def test_the_context_is_in_the_published_tables(assessment: Assessment) -> None:
    context = FleetContext.of({name: assessment.tables[name] for name in CONTEXT_TABLES})

    [row] = assessment.tables["constants"].to_pylist()
    assert context.constants["fam"]._asdict() == {
        name: value for name, value in row.items() if name != "pump_family"
    }
    assert context.kit_bias.equals(assessment.tables["kit_bias"])
    assert set(context.kit_bias["kit"].to_pylist()) == {"K0", "K1", "K2"}


def test_a_family_never_taught_has_its_prior(assessment: Assessment) -> None:
    context = FleetContext.of(assessment.tables)
    with connect(vehicles=[vehicle("V1", pump_family="fam")]) as connection:
        keep_readings(connection, day(1))
        keep_usual_conditions(connection)
        [series], _ = load_series(connection)
    stranger = replace(series, pump_family="stranger")

    assert context.constants_of(series) == context.constants["fam"]
    assert context.constants_of(stranger) == starting_constants(stranger)


def test_every_table_can_be_published(assessment: Assessment) -> None:
    assert {"verdicts", "kits", *CONTEXT_TABLES} <= set(assessment.tables)
    assert all(isinstance(table, pa.Table) for table in assessment.tables.values())
    assert assessment.verdicts is assessment.tables["verdicts"]


def test_a_kits_rows_are_those_that_name_it(assessment: Assessment) -> None:
    context = FleetContext.of(assessment.tables)
    every = context.kit_bias.to_pylist()

    for kits in (["K1"], ["K2", "K0"], ["K0", "unknown"], ["unknown"], []):
        found = context.kit_bias_of(kits).to_pylist()
        expected = [row for kit in kits for row in every if row["kit"] == kit]
        assert found == expected
        assert bool(found) == bool(set(kits) & {"K0", "K1", "K2"})


def test_a_fleet_without_kits_has_no_rows_of_any(assessment: Assessment) -> None:
    context = FleetContext.of(assessment.tables)
    bare = replace(context, kit_bias=context.kit_bias.slice(0, 0))

    assert bare.kit_bias_of(["K1"]).num_rows == 0


def test_a_vehicle_at_a_depot_that_was_never_published_is_judged_all_the_same(
    assessment: Assessment,
) -> None:
    """Without a temperature, and with no usual one for its depot, it was called sound."""
    context = FleetContext.of(assessment.tables)
    tests = [
        record("N1", 40 * n, ratio, fuel_temp_c=None)
        for n, ratio in enumerate((0.94, 0.94, 0.88, 0.80, 0.70))
    ]
    rows = {"vehicles": [vehicle("N1", depot="new here")], "test_records": tests}
    with connect(**rows) as connection:
        [row] = assess_vehicle(connection, day(200), context).to_pylist()

    assert row["state"] in ("book_in", "stand_down")
    assert row["delivery_reserve"] < 1.0
