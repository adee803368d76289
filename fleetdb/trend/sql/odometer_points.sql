-- The odometer readings of each vehicle lately, under the number of its present pump.
-- Grain:   one row per reading
-- Reads:   readings, pumps
-- Params:  $as_of, $pace_days [d]
-- Returns: series_key (pump_id of the present pump), at [d since 1970], value [km]
SELECT p.pump_id AS series_key, epoch(r.performed_at) / 86400 AS at, r.odometer_km AS value
FROM readings r
JOIN pumps own ON own.pump_id = r.pump_id
JOIN pumps p ON p.vehicle = own.vehicle AND p.ended_at IS NULL
WHERE r.odometer_km IS NOT NULL
    AND r.performed_at >= $as_of::TIMESTAMP - to_days($pace_days::INTEGER)
