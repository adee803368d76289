-- When a part other than the pump was fitted that can change what the pump reaches, and when the
-- pump was looked at and found sound.
-- A pump that failed without a new one on record was mended somehow, where is not known; what is
-- found within $late_days of fitting a pump was found of the one before, if there was one, and
-- says nothing of the new one. A filter that was found worn, or stranded the vehicle,
-- at most $visit_days before its change or $late_days after it was clogged.
-- Grain:   one row per vehicle, repaired_at, repair
-- Reads:   fitments, findings, pumps
-- Params:  $as_of, $late_days [d], $visit_days [d]
-- Returns: vehicle, repaired_at, repair (sums of beliefs.Repair: 1 supply, 2 injectors,
--          4 regulator, 8 untold, 16 found sound, 32 found clogged)
WITH known AS (
    FROM findings WHERE found_at <= $as_of
)
SELECT
    t.vehicle,
    t.fitted_at AS repaired_at,
    CASE t.part
        WHEN 'fuel_filter' THEN if(bool_or(c.vehicle IS NOT NULL), 33, 1)
        WHEN 'regulator' THEN 4
        ELSE 2
    END AS repair
FROM fitments t
LEFT JOIN known c
    ON c.vehicle = t.vehicle
    AND c.part = 'fuel_filter'
    AND c.outcome <> 'no_fault_found'
    AND c.found_at >= t.fitted_at - to_days($visit_days::INTEGER)
    AND c.found_at <= t.fitted_at + to_days($late_days::INTEGER)
WHERE t.part <> 'pump' AND t.fitted_at <= $as_of
GROUP BY t.vehicle, t.fitted_at, t.part
UNION
SELECT vehicle, found_at, CASE outcome WHEN 'failed_on_road' THEN 8 ELSE 16 END
FROM known f
WHERE part = 'pump' AND outcome IN ('failed_on_road', 'no_fault_found')
    AND NOT EXISTS (
        FROM pumps p
        JOIN pumps before ON before.vehicle = p.vehicle AND before.fitted_at < p.fitted_at
        WHERE p.vehicle = f.vehicle
            AND f.found_at >= p.fitted_at
            AND f.found_at <= p.fitted_at + to_days($late_days::INTEGER)
    )
