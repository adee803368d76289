-- When each kit was calibrated.
-- Grain:   one row per kit, calibrated_at
-- Reads:   kit_calibrations
-- Params:  $as_of
-- Returns: kit, calibrated_at
SELECT DISTINCT kit, calibrated_at
FROM kit_calibrations
WHERE calibrated_at <= $as_of
ORDER BY kit, calibrated_at
