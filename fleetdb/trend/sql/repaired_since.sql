-- Present pumps on whose vehicle something was repaired after their last test, and what.
-- Grain:   one row per such pump_id
-- Reads:   pumps, readings, repairs
-- Returns: pump_id, repaired (a sum of beliefs.Repair)
WITH last_test AS (
    SELECT p.pump_id, p.vehicle, coalesce(max(r.performed_at), p.fitted_at) AS last_at
    FROM pumps p
    LEFT JOIN readings r ON r.pump_id = p.pump_id
    WHERE p.ended_at IS NULL
    GROUP BY p.pump_id, p.vehicle, p.fitted_at
)
SELECT l.pump_id, bit_or(m.repair) AS repaired
FROM last_test l
JOIN repairs m ON m.vehicle = l.vehicle AND m.repaired_at > l.last_at
GROUP BY l.pump_id
ORDER BY l.pump_id
