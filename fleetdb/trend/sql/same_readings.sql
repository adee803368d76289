-- Records that look like one test sent under several ids: the same vehicle, day and figures.
-- At least two figures must be there and equal, so that two honest tests of a day rarely look so.
-- Only what shares a hash is grouped by its wide columns, which keeps it fast.
-- Grain:   one row per vehicle, day and set of figures that comes more than once
-- Reads:   test_records
-- Params:  $first_at, $until_at (exclusive), $workshop (NULL: all)
-- Returns: vehicle, performed_on, workshop (of the first), records
WITH figured AS (
    SELECT
        *,
        performed_at::DATE AS performed_on,
        hash(
            vehicle, performed_at::DATE, actual_bar, rate_bar_per_s, leak_duration_s, odometer_km, kit
        ) AS look
    FROM test_records
    WHERE performed_at >= $first_at
        AND performed_at < $until_at
        AND ($workshop IS NULL OR coalesce(workshop, '') = $workshop)
        AND (actual_bar IS NOT NULL)::INTEGER + (rate_bar_per_s IS NOT NULL)::INTEGER
            + (leak_duration_s IS NOT NULL)::INTEGER + (odometer_km IS NOT NULL)::INTEGER >= 2
),
alike AS (
    SELECT look
    FROM figured
    GROUP BY look
    HAVING count(*) > 1
)
SELECT
    vehicle,
    performed_on,
    coalesce(arg_min(workshop, performed_at), '') AS workshop,
    count(*) AS records
FROM figured
SEMI JOIN alike USING (look)
GROUP BY
    vehicle, performed_on, actual_bar, rate_bar_per_s, leak_duration_s, leak_cylinders,
    odometer_km, kit
HAVING count(*) > 1
ORDER BY performed_on DESC, vehicle
