-- Every test, joined to the pump it was made on and to the proof settings of its day.
-- A proof made at another regulator duty than the family's cannot be compared and is left out.
-- Where a record has no proof, build rate or condition of its own, its traces' counts.
-- Grain:   one row per test record
-- Reads:   test_records, trace_readings, repairs, pumps, family_settings
-- Params:  $as_of, $duty_slack_pct [%]
-- Returns: pump_id, record_id, workshop, kit, performed_at, odometer_km [km], fuel_temp_c [degC],
--          crank_rpm [1/min], proof_ratio [-], rate_bar_per_s [bar/s], from_share [-],
--          to_share [-], leak_duration_s [s], leak_rail_bar [bar], leak_cylinders,
--          reference_fuel_temp_c [degC], reference_crank_rpm [1/min],
--          supply_repaired_at, leaks_repaired_at, found_sound_at, found_clogged_at (the vehicle's
--          last before the test)
-- Spans, not ASOF joins, and no order: both would sort these wide rows, the whole fleet's.
WITH filled AS (
    SELECT
        r.* REPLACE (
            coalesce(r.fuel_temp_c, x.fuel_temp_c) AS fuel_temp_c,
            coalesce(r.crank_rpm, x.crank_rpm) AS crank_rpm,
            if(r.actual_bar IS NULL, x.proof.duty_pct, r.duty_pct) AS duty_pct,
            if(r.actual_bar IS NULL, x.proof.target_bar, r.target_bar) AS target_bar,
            if(r.actual_bar IS NULL, x.proof.actual_bar, r.actual_bar) AS actual_bar,
            if(r.rate_bar_per_s IS NULL, x.build.from_bar, r.from_bar) AS from_bar,
            if(r.rate_bar_per_s IS NULL, x.build.to_bar, r.to_bar) AS to_bar,
            coalesce(r.rate_bar_per_s, x.build.rate_bar_per_s) AS rate_bar_per_s
        )
    FROM test_records r
    LEFT JOIN trace_readings x ON x.record_id = r.record_id
),
repair AS (
    SELECT
        vehicle,
        repaired_at,
        max(repaired_at) FILTER (repair & 1 > 0) OVER until_now AS supply_repaired_at,
        max(repaired_at) FILTER (repair & 14 > 0) OVER until_now AS leaks_repaired_at,
        max(repaired_at) FILTER (repair & 16 > 0) OVER until_now AS found_sound_at,
        max(repaired_at) FILTER (repair & 32 > 0) OVER until_now AS found_clogged_at,
        lead(repaired_at, 1, TIMESTAMP 'infinity') OVER until_now AS until_at
    FROM repairs
    WINDOW until_now AS (PARTITION BY vehicle ORDER BY repaired_at)
)
SELECT
    p.pump_id,
    t.record_id,
    t.workshop,
    t.kit,
    t.performed_at,
    t.odometer_km,
    t.fuel_temp_c,
    t.crank_rpm,
    CASE
        WHEN abs(t.duty_pct - f.proof_duty_pct) > $duty_slack_pct THEN NULL
        ELSE t.actual_bar / t.target_bar
    END AS proof_ratio,
    t.rate_bar_per_s,
    t.from_bar / f.proof_target_bar AS from_share,
    t.to_bar / f.proof_target_bar AS to_share,
    t.leak_duration_s,
    t.leak_rail_bar,
    t.leak_cylinders,
    f.reference_fuel_temp_c,
    f.reference_crank_rpm,
    m.supply_repaired_at,
    m.leaks_repaired_at,
    m.found_sound_at,
    m.found_clogged_at
FROM filled t
JOIN pumps p
    ON t.vehicle = p.vehicle
    AND t.performed_at >= p.fitted_at
    AND t.performed_at < coalesce(p.ended_at, TIMESTAMP 'infinity')
JOIN family_settings f
    ON p.pump_family = f.pump_family
    AND t.performed_at >= f.from_at
    AND t.performed_at < f.until_at
LEFT JOIN repair m
    ON t.vehicle = m.vehicle
    AND t.performed_at >= m.repaired_at
    AND t.performed_at < m.until_at
WHERE t.performed_at <= $as_of
