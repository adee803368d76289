-- When a part other than the pump was fitted that can change what the pump reaches.
-- A pump that failed without a new one on record was mended somehow.
-- Grain:   one row per vehicle, repaired_at
-- Reads:   fitments, findings
-- Params:  $as_of
-- Returns: vehicle, repaired_at
SELECT vehicle, fitted_at AS repaired_at
FROM fitments
WHERE part <> 'pump' AND fitted_at <= $as_of
UNION
SELECT vehicle, found_at
FROM findings
WHERE part = 'pump' AND outcome = 'failed_on_road' AND found_at <= $as_of
