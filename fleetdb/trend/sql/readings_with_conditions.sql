-- Every test with the conditions it probably had where it names none. A vehicle's crank
-- speed departs from the fleet's as it did on its other tests, shrunk by $added tests.
-- Grain:   one row per test record, in order of pump and time
-- Reads:   readings, usual_fuel_temp, usual_crank_speed
-- Params:  $added
-- Returns: the columns of readings; usual_fuel_temp_c [degC], sd_fuel_temp_c [K],
--          usual_ln_speed [-], sd_ln_speed [-]
SELECT
    r.*,
    coalesce(t.usual_fuel_temp_c, r.reference_fuel_temp_c) AS usual_fuel_temp_c,
    t.sd_fuel_temp_c,
    s.usual_ln_speed
        + coalesce(
            sum(ln(r.crank_rpm / r.reference_crank_rpm) - s.usual_ln_speed) OVER vehicle, 0
        ) / (count(r.crank_rpm) OVER vehicle + $added) AS usual_ln_speed,
    s.sd_ln_speed
FROM readings r
CROSS JOIN usual_crank_speed s
LEFT JOIN usual_fuel_temp t
    ON t.depot IS NOT DISTINCT FROM r.depot AND t.month_no = month(r.performed_at)
WINDOW vehicle AS (PARTITION BY r.vehicle)
ORDER BY r.pump_id, r.performed_at, r.record_id
