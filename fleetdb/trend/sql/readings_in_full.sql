-- Every test as it was made.
-- Grain:   one row per reading_no
-- Reads:   readings
-- Returns: reading_no (row of readings), pump_id, record_id, performed_at, odometer_km [km],
--          kit, fuel_temp_c [degC], crank_rpm [1/min], leak_duration_s [s], leak_rail_bar [bar],
--          leak_cylinders
SELECT
    rowid AS reading_no,
    pump_id,
    record_id,
    performed_at,
    odometer_km,
    kit,
    fuel_temp_c,
    crank_rpm,
    leak_duration_s,
    leak_rail_bar,
    leak_cylinders
FROM readings
ORDER BY rowid
