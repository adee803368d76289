-- The last time each pump was found failed on the road. Findings are often written down when
-- the new pump is in: what is found within $late_days of fitting a pump was found of the one before.
-- Grain:   one row per pump_id found failed
-- Reads:   findings, pumps
-- Params:  $as_of, $late_days [d]
-- Returns: pump_id, failed_at
WITH speaks AS (
    SELECT
        pump_id,
        vehicle,
        CASE
            WHEN lag(fitted_at) OVER (PARTITION BY vehicle ORDER BY fitted_at) IS NULL THEN fitted_at
            ELSE fitted_at + to_days($late_days::INTEGER)
        END AS after_at,
        coalesce(ended_at + to_days($late_days::INTEGER), TIMESTAMP 'infinity') AS until_at
    FROM pumps
)
SELECT s.pump_id, max(f.found_at) AS failed_at
FROM findings f
JOIN speaks s
    ON s.vehicle = f.vehicle
    AND f.found_at > s.after_at
    AND f.found_at <= s.until_at
WHERE f.part = 'pump' AND f.outcome = 'failed_on_road' AND f.found_at <= $as_of
GROUP BY s.pump_id
ORDER BY s.pump_id
