-- When a part other than the pump was fitted that can change what the pump reaches.
-- A pump that failed without a new one on record was mended somehow, where is not known; what is
-- found within $late_days of fitting a pump was found of the one before, if there was one, and
-- mended no new one.
-- Grain:   one row per vehicle, repaired_at, repair
-- Reads:   fitments, findings, pumps
-- Params:  $as_of, $late_days [d]
-- Returns: vehicle, repaired_at, repair (beliefs.Repair: 1 supply, 2 injectors,
--          4 regulator, 8 untold)
SELECT
    vehicle,
    fitted_at AS repaired_at,
    CASE part WHEN 'fuel_filter' THEN 1 WHEN 'regulator' THEN 4 ELSE 2 END AS repair
FROM fitments
WHERE part <> 'pump' AND fitted_at <= $as_of
UNION
SELECT vehicle, found_at, 8
FROM findings f
WHERE part = 'pump' AND outcome = 'failed_on_road' AND found_at <= $as_of
    AND NOT EXISTS (
        FROM pumps p
        JOIN pumps before ON before.vehicle = p.vehicle AND before.fitted_at < p.fitted_at
        WHERE p.vehicle = f.vehicle
            AND f.found_at >= p.fitted_at
            AND f.found_at <= p.fitted_at + to_days($late_days::INTEGER)
    )
