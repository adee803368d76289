-- What each workshop's records of a period lack. A temperature or speed counts as missing where
-- the record holds a reading that needs it and none was sent; its traces may have one.
-- Grain:   one row per workshop with a record ('' where none is named)
-- Reads:   test_records
-- Params:  $first_at, $until_at (exclusive), $workshop (NULL: all)
-- Returns: workshop, n, no_fuel_temp, no_crank_speed, no_odometer, no_kit
SELECT
    coalesce(workshop, '') AS workshop,
    count(*) AS n,
    count(*) FILTER (
        fuel_temp_c IS NULL AND (actual_bar IS NOT NULL OR rate_bar_per_s IS NOT NULL)
    ) AS no_fuel_temp,
    count(*) FILTER (
        crank_rpm IS NULL AND (actual_bar IS NOT NULL OR rate_bar_per_s IS NOT NULL)
    ) AS no_crank_speed,
    count(*) FILTER (odometer_km IS NULL) AS no_odometer,
    count(*) FILTER (kit IS NULL) AS no_kit
FROM test_records
WHERE performed_at >= $first_at
    AND performed_at < $until_at
    AND ($workshop IS NULL OR coalesce(workshop, '') = $workshop)
GROUP BY coalesce(workshop, '')
ORDER BY n DESC, workshop
