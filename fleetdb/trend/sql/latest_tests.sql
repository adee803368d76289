-- What each pump's tests amount to: how many, the last one, and the distance then.
-- Grain:   one row per pump_id with a test
-- Reads:   readings
-- Returns: pump_id, n_tests (with a proof or a build rate), last_test_at,
--          last_raw_proof_ratio [-], last_odometer_km [km]
WITH counted AS (
    SELECT
        r.*,
        proof_ratio IS NOT NULL OR rate_bar_per_s IS NOT NULL AS says_something,
        -- Of tests at the same moment always the same one, in any order of rows.
        1024 * epoch_us(r.performed_at) + (hash(r.record_id) % 1024)::BIGINT AS place
    FROM readings r
)
SELECT
    c.pump_id,
    count(*) FILTER (WHERE c.says_something) AS n_tests,
    max(c.performed_at) AS last_test_at,
    arg_max(c.proof_ratio, c.place) AS last_raw_proof_ratio,
    arg_max(c.odometer_km, c.place) AS last_odometer_km
FROM counted c
GROUP BY c.pump_id
ORDER BY c.pump_id
