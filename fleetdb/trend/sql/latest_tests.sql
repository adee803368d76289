-- What each pump's tests amount to: how many, the last one, distance and its pace.
-- Grain:   one row per pump_id with a test
-- Reads:   readings
-- Params:  $as_of, $pace_days [d]
-- Returns: pump_id, n_tests (with a proof or a build rate), last_test_at,
--          last_raw_proof_ratio [-], last_odometer_km [km], km_per_day [km/d], last_kit,
--          last_record_id
WITH counted AS (
    SELECT
        r.*,
        proof_ratio IS NOT NULL OR rate_bar_per_s IS NOT NULL AS says_something
    FROM readings r
),
pace AS (
    SELECT
        vehicle,
        regr_slope(odometer_km, epoch(performed_at) / 86400) AS km_per_day
    FROM readings
    WHERE odometer_km IS NOT NULL AND performed_at >= $as_of::TIMESTAMP - to_days($pace_days::INTEGER)
    GROUP BY vehicle
    HAVING count(*) >= 2
)
SELECT
    c.pump_id,
    count(*) FILTER (WHERE c.says_something) AS n_tests,
    max(c.performed_at) AS last_test_at,
    arg_max(c.proof_ratio, c.performed_at) AS last_raw_proof_ratio,
    arg_max(c.odometer_km, c.performed_at) AS last_odometer_km,
    any_value(CASE WHEN p.km_per_day > 0 THEN p.km_per_day END) AS km_per_day,
    arg_max(c.kit, c.performed_at) AS last_kit,
    arg_max(c.record_id, c.performed_at) AS last_record_id
FROM counted c
LEFT JOIN pace p ON p.vehicle = c.vehicle
GROUP BY c.pump_id
ORDER BY c.pump_id
