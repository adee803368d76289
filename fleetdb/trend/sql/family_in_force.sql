-- What applies to each family at a date, with its usual leak run.
-- Grain:   one row per pump_family
-- Reads:   family_settings, usual_leak
-- Params:  $as_of
-- Returns: pump_family, cylinders, proof_target_bar [bar], proof_ratio_limit [-],
--          leak_limit_ml_per_min [mL/min], reference_fuel_temp_c [degC],
--          reference_crank_rpm [1/min], usual_leak_rail_bar [bar]
SELECT
    f.pump_family,
    f.cylinders,
    f.proof_target_bar,
    f.proof_ratio_limit,
    f.leak_limit_ml_per_min,
    f.reference_fuel_temp_c,
    f.reference_crank_rpm,
    u.usual_rail_bar AS usual_leak_rail_bar
FROM family_settings f
LEFT JOIN usual_leak u ON u.pump_family = f.pump_family
WHERE f.from_at <= $as_of AND f.until_at > $as_of
ORDER BY f.pump_family
