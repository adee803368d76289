"""The states of past month ends against verdicts as of those moments, on a few rows."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from fleetdb.trend.past_states import month_ends_before, past_states
from fleetdb.trend.pipeline import assess_vehicle, follow_vehicle
from fleetdb.trend.vehicle_in_full import repairs_at
from tests.fleetdb.trend.small_tables import Row, connect, day, finding, pump, record

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
    return now_and_then(
        test_records=TESTS,
        fitments=[pump("V1", NEW_PUMP_DAY), pump("V1", regulator_on, part="regulator")],
        findings=[finding("V1", found_on, "failed_on_road")],
    )


def now_and_then(**rows: list[Row]) -> tuple[Told, Told]:
    """Return states and probabilities at the month ends: worked out now, and verdicts of then."""
    failed_at = [row["found_at"] for row in rows.get("findings", [])]
    with connect(**rows) as connection:
        whole = follow_vehicle(connection, day(400), None, every_pump=True)
        repairs = repairs_at(connection.table("repairs").to_arrow_table())
    (each,) = whole.followed
    family = each.series.pump_family
    past = past_states(
        each,
        MOMENTS,
        repairs,
        np.array(failed_at, "datetime64[us]"),
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


@pytest.mark.parametrize(
    "ratios",
    [
        (0.94, 0.94, 0.94, 0.075, 0.08, 0.94),  # not a slip, as the second shows
        (0.94, 0.94, 0.95, 0.70, 0.075, 0.70),  # a slip between two below the limit
    ],
)
def test_a_reading_was_a_slip_until_the_next_one_showed_the_same(ratios: Sequence[float]) -> None:
    tests = [
        record("V1", 10 + 60 * n, ratio, rate_bar_per_s=300.0) for n, ratio in enumerate(ratios)
    ]
    now, then = now_and_then(test_records=tests)

    assert [state for state, _ in now] == [state for state, _ in then]


def test_a_pump_that_failed_twice_had_failed_once_before() -> None:
    tests = [record("V1", at, 0.95, rate_bar_per_s=300.0) for at in range(10, 390, 40)]
    found = [finding("V1", at, "failed_on_road") for at in (115, 340)]
    now, then = now_and_then(test_records=tests, findings=found)

    for one, other in zip(now, then, strict=True):
        assert one == (other[0], pytest.approx(other[1], abs=0.05))
