-- Pumps that failed on the road, and whether a month end had called them in time.
-- Grain:   one row per pump failure that some month end was early enough to call
-- Reads:   verdicts (as_of, vehicle, fitted_at, state, leading_cause), findings
-- Params:  $least_notice_days, $most_notice_days [d]
-- Returns: vehicle, pump_family, failed_at, caught, notice_days (of the first call) [d], leading_cause
WITH failure AS (
    SELECT vehicle, found_at AS failed_at
    FROM findings
    WHERE part = 'pump' AND outcome = 'failed_on_road'
),
early_enough AS (
    SELECT
        f.vehicle,
        f.failed_at,
        v.pump_family,
        v.as_of,
        v.state IN ('book_in', 'stand_down') AS is_call,
        v.leading_cause,
        date_diff('day', v.as_of::TIMESTAMP, f.failed_at) AS notice_days
    FROM failure f
    JOIN verdicts v
        ON v.vehicle = f.vehicle
        AND v.fitted_at < f.failed_at
        AND v.as_of <= f.failed_at - to_days($least_notice_days::INTEGER)
        AND v.as_of >= f.failed_at - to_days($most_notice_days::INTEGER)
    -- The pump that failed is the last one fitted before the failure.
    QUALIFY v.fitted_at = max(v.fitted_at) OVER (PARTITION BY f.vehicle, f.failed_at)
)
SELECT
    vehicle,
    any_value(pump_family) AS pump_family,
    failed_at,
    bool_or(is_call) AS caught,
    max(notice_days) FILTER (WHERE is_call) AS notice_days,
    arg_min(leading_cause, as_of) FILTER (WHERE is_call) AS leading_cause
FROM early_enough
GROUP BY vehicle, failed_at
ORDER BY failed_at, vehicle
