-- The last time each pump was found failed on the road while still fitted.
-- Grain:   one row per pump_id found failed
-- Reads:   findings, pumps
-- Params:  $as_of
-- Returns: pump_id, failed_at
SELECT p.pump_id, max(f.found_at) AS failed_at
FROM findings f
JOIN pumps p
    ON p.vehicle = f.vehicle
    AND f.found_at > p.fitted_at
    AND (p.ended_at IS NULL OR f.found_at < p.ended_at)
WHERE f.part = 'pump' AND f.outcome = 'failed_on_road' AND f.found_at <= $as_of
GROUP BY p.pump_id
ORDER BY p.pump_id
