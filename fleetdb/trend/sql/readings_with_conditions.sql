-- Every test with the conditions it probably had where it names none. A vehicle's crank
-- speed departs from the fleet's as it did on its other tests, shrunk by $added tests. A build
-- rate without its window was timed as the workshop mostly does, or else as most do.
-- Grain:   one row per test record, in order of pump and time (of equals, in a fixed order)
-- Reads:   readings, pumps, kit_names, usual_fuel_temp, usual_crank_speed, usual_window
-- Params:  $added, $unknown_sd_c [K]
-- Returns: pump_id, reading_no (row of readings), kit_no, workshop, performed_at,
--          supply_repaired_at, leaks_repaired_at, found_sound_at, found_clogged_at,
--          fuel_temp_c [degC], crank_rpm [1/min], proof_ratio [-], rate_bar_per_s [bar/s],
--          from_share [-], to_share [-], reference_fuel_temp_c [degC],
--          reference_crank_rpm [1/min], usual_fuel_temp_c [degC], sd_fuel_temp_c [K],
--          usual_ln_speed [-], sd_ln_speed [-]
WITH departure AS (
    SELECT
        p.vehicle,
        sum(ln(r.crank_rpm / r.reference_crank_rpm) - s.usual_ln_speed) AS ln_speed,
        count(r.crank_rpm) AS tests
    FROM readings r
    JOIN pumps p ON p.pump_id = r.pump_id
    CROSS JOIN usual_crank_speed s
    GROUP BY p.vehicle
),
usual AS (
    SELECT
        p.pump_id,
        p.depot,
        p.pump_family,
        s.usual_ln_speed + coalesce(d.ln_speed, 0) / (coalesce(d.tests, 0) + $added) AS usual_ln_speed,
        s.sd_ln_speed
    FROM pumps p
    CROSS JOIN usual_crank_speed s
    LEFT JOIN departure d ON d.vehicle = p.vehicle
)
SELECT
    r.pump_id,
    r.rowid AS reading_no,
    k.kit_no,
    r.workshop,
    r.performed_at,
    r.supply_repaired_at,
    r.leaks_repaired_at,
    r.found_sound_at,
    r.found_clogged_at,
    r.fuel_temp_c,
    r.crank_rpm,
    r.proof_ratio,
    r.rate_bar_per_s,
    CASE
        WHEN r.from_share IS NOT NULL AND r.to_share IS NOT NULL THEN r.from_share
        ELSE coalesce(w.usual_from_share, a.usual_from_share)
    END AS from_share,
    CASE
        WHEN r.from_share IS NOT NULL AND r.to_share IS NOT NULL THEN r.to_share
        ELSE coalesce(w.usual_to_share, a.usual_to_share)
    END AS to_share,
    r.reference_fuel_temp_c,
    r.reference_crank_rpm,
    coalesce(t.usual_fuel_temp_c, r.reference_fuel_temp_c) AS usual_fuel_temp_c,
    -- A depot that its fleet's published conditions do not know yet.
    coalesce(t.sd_fuel_temp_c, $unknown_sd_c) AS sd_fuel_temp_c,
    u.usual_ln_speed,
    u.sd_ln_speed
FROM readings r
JOIN usual u ON u.pump_id = r.pump_id
LEFT JOIN kit_names k ON k.kit = r.kit
LEFT JOIN usual_window w ON w.pump_family = u.pump_family AND w.workshop = r.workshop
LEFT JOIN usual_window a ON a.pump_family = u.pump_family AND a.workshop IS NULL
LEFT JOIN usual_fuel_temp t
    ON t.depot IS NOT DISTINCT FROM u.depot AND t.month_no = month(r.performed_at)
ORDER BY r.pump_id, r.performed_at, hash(r.record_id)
