"""The states of past month ends against verdicts as of those moments, on a few rows."""

from __future__ import annotations

import numpy as np
import pytest

from fleetdb.trend.past_states import month_ends_before, past_states
from fleetdb.trend.pipeline import assess_vehicle, follow_vehicle
from fleetdb.trend.vehicle_in_full import repairs_at
from tests.fleetdb.trend.small_tables import connect, day, finding, pump, record

NEW_PUMP_DAY = 200
TESTS = [
    *(
        record("V1", at, ratio, rate_bar_per_s=300.0)
        for at, ratio in ((10, 0.95), (60, 0.94), (120, 0.90), (180, 0.84))
    ),
    *(record("V1", at, 0.95, rate_bar_per_s=310.0) for at in (260, 320, 380)),
]
MOMENTS = month_ends_before(day(400), 13)


Told = list[tuple[str, float]]


def told(found_on: float, regulator_on: float) -> tuple[Told, Told]:
    """Return states and probabilities at the month ends: worked out now, and verdicts of then."""
    rows = {
        "test_records": TESTS,
        "fitments": [pump("V1", NEW_PUMP_DAY), pump("V1", regulator_on, part="regulator")],
        "findings": [finding("V1", found_on, "failed_on_road")],
    }
    with connect(**rows) as connection:
        whole = follow_vehicle(connection, day(400), None, every_pump=True)
        repairs = repairs_at(connection.table("repairs").to_arrow_table())
    (each,) = whole.followed
    family = each.series.pump_family
    past = past_states(
        each,
        MOMENTS,
        repairs,
        np.array([day(found_on)], "datetime64[us]"),
        whole.constants[family],
        whole.known.limits[family],
        whole.policy,
        whole.line,
    )
    then = []
    for at in MOMENTS:
        with connect(**rows) as connection:
            [row] = assess_vehicle(connection, at.astype(object), None).to_pylist()
        then.append((row["state"], row["probability_worn"]))
    return [(p.state, p.probability_worn) for p in past], then


@pytest.mark.parametrize("found_on", [190, NEW_PUMP_DAY + 0.5, NEW_PUMP_DAY + 2, 270])
@pytest.mark.parametrize("regulator_on", [90, 185, 290])
def test_findings_and_repairs_count_as_they_did_then(found_on: float, regulator_on: float) -> None:
    now, then = told(found_on, regulator_on)

    for one, other in zip(now, then, strict=True):
        # With nothing published, a family's build rate when new is that of the tests seen.
        assert one == (other[0], pytest.approx(other[1], abs=0.05))


def test_a_failure_written_down_late_is_the_old_pumps() -> None:
    stood_down = {
        found_on: "stand_down" in dict(told(found_on, 90)[0][7:]) for found_on in (200.5, 202)
    }

    assert stood_down == {200.5: False, 202: True}
