"""Hypothesis strategies: valid documents of every kind, as a sender's JSON would hold them.

They refer to the fleet of ``tests.documents`` (family ``fam-x``, vehicle ``V-17``), so that
they can also be stored.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta, timezone
from typing import Any

from hypothesis import strategies as st

from fleetdb.records.documents import Kind, Outcome, Part
from tests.documents import FAMILY, VEHICLE

_PRINTABLE = st.characters(exclude_categories=("Cc", "Cs"))


def numbers(low: float, high: float, *, exclude_low: bool = False) -> st.SearchStrategy[float]:
    """Numbers in a range, whole ones sometimes written without a point."""
    decimals = st.floats(low, high, exclude_min=exclude_low, allow_nan=False)
    return decimals | st.integers(int(low) + 1, int(high))


names = st.text(_PRINTABLE, min_size=1, max_size=80).filter(lambda text: text == text.strip())
notes = st.text(_PRINTABLE | st.sampled_from("\n\t"), min_size=1, max_size=200)
ids = st.uuids(version=4).map(str)
dates = st.dates(date(1990, 1, 1), date(2026, 1, 1)).map(str)
zones = st.integers(-23 * 60, 23 * 60).map(lambda minutes: timezone(timedelta(minutes=minutes)))


@st.composite
def moments(draw: st.DrawFn) -> str:
    """Times after the example vehicle went into service, with any offset."""
    seconds = draw(st.floats(0, timedelta(days=1400).total_seconds()))
    moment = datetime(2022, 3, 2, tzinfo=UTC) + timedelta(seconds=seconds)
    return moment.astimezone(draw(zones)).isoformat()


def some(required: dict[str, Any], optional: dict[str, Any]) -> st.SearchStrategy[dict[str, Any]]:
    """Objects with the required fields and any of the optional ones, absent or null."""
    nullable = {name: st.none() | values for name, values in optional.items()}
    return st.fixed_dictionaries(required, optional=nullable)


pump_families = st.builds(
    lambda rail, target, rest: {
        **rest,
        "rail_max_bar": rail,
        "proof_target_bar": max(0.5, round(rail * target)),
    },
    st.integers(100, 5000),
    st.floats(0.1, 1.0),
    some(
        {
            "pump_family": names,
            "proof_duty_pct": numbers(0, 100, exclude_low=True),
            "cylinders": st.integers(1, 24),
            "proof_ratio_limit": numbers(0, 1.5, exclude_low=True),
            "reference_fuel_temp_c": numbers(-40, 150),
            "reference_crank_rpm": numbers(20, 2000),
        },
        {
            "rail_volume_ml": numbers(0, 10_000, exclude_low=True),
            "displacement_ml_per_engine_rev": numbers(0, 1000, exclude_low=True),
            "leak_limit_ml_per_min": numbers(0, 10_000, exclude_low=True),
            "applies_from": dates,
        },
    ),
)
vehicles = some(
    {"vehicle": names, "pump_family": st.just(FAMILY["pump_family"]), "in_service_on": dates},
    {"depot": names, "vin": names, "registration": names},
)
kit_calibrations = some(
    {"calibration_id": ids, "kit": names, "calibrated_at": moments()}, {"note": notes}
)
odometers_km = numbers(0, 10_000_000)
own_vehicle = st.just(VEHICLE["vehicle"])
fitments = st.builds(
    lambda values, cylinder: (
        {**values, "cylinder": cylinder} if values["part"] == "injector" else values
    ),
    some(
        {
            "fitment_id": ids,
            "vehicle": own_vehicle,
            "part": st.sampled_from([part.value for part in Part]),
            "fitted_at": moments(),
        },
        {"serial": names, "odometer_km": odometers_km, "reason": notes},
    ),
    st.integers(1, FAMILY["cylinders"]),
)
findings = some(
    {
        "finding_id": ids,
        "vehicle": own_vehicle,
        "part": st.sampled_from([part.value for part in Part]),
        "outcome": st.sampled_from([outcome.value for outcome in Outcome]),
        "found_at": moments(),
    },
    {"odometer_km": odometers_km, "note": notes},
)
pressures_bar = numbers(0, FAMILY["rail_max_bar"])


@st.composite
def leaks(draw: st.DrawFn) -> dict[str, Any]:
    """Back-leak that the family's pump can deliver: less than 0.9 ml a turn at 2,000 1/min."""
    duration_s = draw(numbers(0.001, 3600))
    cylinders = draw(st.lists(st.integers(1, FAMILY["cylinders"]), min_size=1, unique=True))
    most_ml = min(0.9 * 2000 / 60 * duration_s / len(cylinders), 100_000)
    leak = {
        "duration_s": duration_s,
        "cylinders": [{"cylinder": c, "ml": draw(st.floats(0, most_ml))} for c in cylinders],
    }
    return {**leak, "rail_bar": draw(pressures_bar)} if draw(st.booleans()) else leak


readings = {
    "proof": some(
        {"target_bar": numbers(694, 706), "actual_bar": pressures_bar},
        {"duty_pct": numbers(0, 100, exclude_low=True)},
    ),
    # What the slowest cranking below allows: 25,000 bar / 40 ml * 0.9 ml * 60 / 60 s.
    "build": some({"rate_bar_per_s": numbers(0, 560)}, {"from_bar": pressures_bar}),
    "leak": leaks(),
}
conditions = some(
    {},
    {
        "fuel_temp_c": numbers(-60, 160),
        "crank_rpm": numbers(60, 2000),
        "battery_v": numbers(0, 60, exclude_low=True),
    },
)
test_records = some(
    {"record_id": ids, "vehicle": own_vehicle, "performed_at": moments()},
    {
        "odometer_km": odometers_km,
        "engine_hours": numbers(0, 1_000_000),
        "workshop": names,
        "kit": names,
        "technician": names,
        "conditions": conditions,
        "note": notes,
        **readings,
    },
).filter(lambda values: any(values.get(name) is not None for name in readings))

VALID: dict[Kind, st.SearchStrategy[dict[str, Any]]] = {
    Kind.PUMP_FAMILIES: pump_families,
    Kind.VEHICLES: vehicles,
    Kind.KIT_CALIBRATIONS: kit_calibrations,
    Kind.FITMENTS: fitments,
    Kind.TEST_RECORDS: test_records,
    Kind.FINDINGS: findings,
}
