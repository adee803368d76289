"""The tables the trend reads, defined once as Arrow schemas.

The mirror stores them, the truth gives them for one vehicle, and the views over either
have exactly these columns. Times are UTC without a zone (microseconds), ids
are lower-case UUID text, names are text; units are in the names.
"""

from __future__ import annotations

import pyarrow as pa

_time = pa.timestamp("us")

CYLINDER_LEAKS = pa.list_(pa.struct([("cylinder", pa.int32()), ("ml", pa.float64())]))

TEST_RECORDS = pa.schema(
    [
        ("record_id", pa.string()),
        ("vehicle", pa.string()),
        ("performed_at", _time),
        ("received_at", _time),
        ("odometer_km", pa.float64()),
        ("engine_hours", pa.float64()),
        ("workshop", pa.string()),
        ("kit", pa.string()),
        ("fuel_temp_c", pa.float64()),
        ("crank_rpm", pa.float64()),
        ("battery_v", pa.float64()),
        ("duty_pct", pa.float64()),
        ("target_bar", pa.float64()),
        ("actual_bar", pa.float64()),
        ("rate_bar_per_s", pa.float64()),
        ("from_bar", pa.float64()),
        ("to_bar", pa.float64()),
        ("leak_duration_s", pa.float64()),
        ("leak_rail_bar", pa.float64()),
        # Null when the record holds no leak run; by cylinder number otherwise.
        ("leak_cylinders", CYLINDER_LEAKS),
    ]
)

FITMENTS = pa.schema(
    [
        ("fitment_id", pa.string()),
        ("vehicle", pa.string()),
        ("part", pa.string()),
        ("cylinder", pa.int32()),
        ("serial", pa.string()),
        ("fitted_at", _time),
        ("odometer_km", pa.float64()),
        ("reason", pa.string()),
    ]
)

VEHICLES = pa.schema(
    [
        ("vehicle", pa.string()),
        ("pump_family", pa.string()),
        ("in_service_on", pa.date32()),
        ("depot", pa.string()),
    ]
)

PUMP_FAMILIES = pa.schema(
    [
        ("pump_family", pa.string()),
        # Null for the version that holds from the beginning.
        ("applies_from", pa.date32()),
        ("rail_max_bar", pa.float64()),
        ("proof_duty_pct", pa.float64()),
        ("proof_target_bar", pa.float64()),
        ("cylinders", pa.int32()),
        ("rail_volume_ml", pa.float64()),
        ("displacement_ml_per_engine_rev", pa.float64()),
        ("proof_ratio_limit", pa.float64()),
        ("leak_limit_ml_per_min", pa.float64()),
        ("reference_fuel_temp_c", pa.float64()),
        ("reference_crank_rpm", pa.float64()),
    ]
)

FINDINGS = pa.schema(
    [
        ("finding_id", pa.string()),
        ("vehicle", pa.string()),
        ("part", pa.string()),
        ("outcome", pa.string()),
        ("found_at", _time),
        ("odometer_km", pa.float64()),
    ]
)

KIT_CALIBRATIONS = pa.schema([("kit", pa.string()), ("calibrated_at", _time)])

# What the newest method makes of each trace; null where a trace does not say it.
TRACE_FIGURES = pa.schema(
    [
        ("trace_id", pa.string()),
        ("record_id", pa.string()),
        ("vehicle", pa.string()),
        ("kind", pa.string()),
        ("inlet_valve_unplugged", pa.bool_()),
        ("method", pa.int32()),
        ("proof_duty_pct", pa.float64()),
        ("proof_target_bar", pa.float64()),
        ("proof_actual_bar", pa.float64()),
        ("proof_sd_bar", pa.float64()),
        ("build_rate_bar_per_s", pa.float64()),
        ("build_sd_bar_per_s", pa.float64()),
        ("build_from_bar", pa.float64()),
        ("build_to_bar", pa.float64()),
        ("fuel_temp_c", pa.float64()),
        ("crank_rpm", pa.float64()),
        ("hold_leak_ml_per_min", pa.float64()),
        ("hold_leak_sd_ml_per_min", pa.float64()),
        ("strokes_told_apart", pa.bool_()),
        ("weak_element", pa.int32()),
        ("weak_element_share", pa.float64()),
        ("regulator_departure_share", pa.float64()),
    ]
)

TREND_SCHEMAS: dict[str, pa.Schema] = {
    "test_records": TEST_RECORDS,
    "fitments": FITMENTS,
    "vehicles": VEHICLES,
    "pump_families": PUMP_FAMILIES,
    "findings": FINDINGS,
    "kit_calibrations": KIT_CALIBRATIONS,
    "trace_figures": TRACE_FIGURES,
}
