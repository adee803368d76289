-- Each pump family's proof settings and the span in which they are in force.
-- The first version holds for everything earlier too.
-- Grain:   one row per pump_family, from_at
-- Reads:   pump_families
-- Returns: pump_family, from_at, until_at, proof_target_bar [bar], proof_duty_pct [%], cylinders,
--          proof_ratio_limit [-], leak_limit_ml_per_min [mL/min],
--          reference_fuel_temp_c [degC], reference_crank_rpm [1/min]
WITH version AS (
    SELECT
        * EXCLUDE (applies_from),
        CASE
            WHEN row_number() OVER (PARTITION BY pump_family ORDER BY applies_from NULLS FIRST) = 1
                THEN TIMESTAMP '1900-01-01'
            ELSE applies_from::TIMESTAMP
        END AS from_at
    FROM pump_families
)
SELECT
    pump_family,
    from_at,
    lead(from_at, 1, TIMESTAMP 'infinity') OVER (PARTITION BY pump_family ORDER BY from_at) AS until_at,
    proof_target_bar,
    proof_duty_pct,
    cylinders,
    proof_ratio_limit,
    leak_limit_ml_per_min,
    reference_fuel_temp_c,
    reference_crank_rpm
FROM version
