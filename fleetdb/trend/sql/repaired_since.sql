-- Present pumps on whose vehicle something was repaired after their last test.
-- Grain:   one row per such pump_id
-- Reads:   pumps, readings, repairs
-- Returns: pump_id, repaired_at (the last time)
WITH last_test AS (
    SELECT p.pump_id, p.vehicle, coalesce(max(r.performed_at), p.fitted_at) AS last_at
    FROM pumps p
    LEFT JOIN readings r ON r.pump_id = p.pump_id
    WHERE p.ended_at IS NULL
    GROUP BY p.pump_id, p.vehicle, p.fitted_at
)
SELECT l.pump_id, max(m.repaired_at) AS repaired_at
FROM last_test l
JOIN repairs m ON m.vehicle = l.vehicle AND m.repaired_at > l.last_at
GROUP BY l.pump_id
ORDER BY l.pump_id
