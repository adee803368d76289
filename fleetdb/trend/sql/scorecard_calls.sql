-- Calls (runs of month ends at book_in or stand_down) and what came of them.
-- right: the pump, or the part the call took for the cause, failed on the road or was found worn
-- within the time given. false: the pump was found without fault within it, or the whole time
-- passed with the pump still fitted and nothing found. open: neither yet.
-- Grain:   one row per call
-- Reads:   verdicts, findings
-- Params:  $most_notice_days [d]
-- Returns: vehicle, pump_family, pump_serial, called_on, leading_cause, outcome, found_at,
--          cause_found (whether the part of the leading cause was among those found worn; null
--          unless right)
WITH month_end AS (
    SELECT
        *,
        -- A pump that stands down for its own failure on the road was not called: it failed.
        state IN ('book_in', 'stand_down') AND NOT EXISTS (
            FROM findings f
            WHERE f.vehicle = verdicts.vehicle
                AND f.part = 'pump'
                AND f.outcome = 'failed_on_road'
                AND f.found_at > verdicts.fitted_at
                AND f.found_at < verdicts.as_of + INTERVAL 1 DAY
                AND f.found_at >= coalesce(verdicts.last_test_at, verdicts.fitted_at)
        ) AS is_call,
        max(as_of) OVER () AS last_month_end,
        max(as_of) OVER (PARTITION BY vehicle, fitted_at) AS last_seen
    FROM verdicts
),
call AS (
    SELECT *
    FROM month_end
    QUALIFY is_call
        AND NOT coalesce(lag(is_call) OVER (PARTITION BY vehicle, fitted_at ORDER BY as_of), FALSE)
),
finding AS (
    SELECT
        *,
        CASE part
            WHEN 'pump' THEN 'pump_wear'
            WHEN 'injector' THEN 'injector_leak'
            WHEN 'injector_set' THEN 'injector_leak'
            WHEN 'regulator' THEN 'regulator_or_rail_leak'
            WHEN 'fuel_filter' THEN 'supply_side'
        END AS cause
    FROM findings
),
found AS (
    SELECT
        c.vehicle,
        c.fitted_at,
        c.as_of,
        min(f.found_at) FILTER (WHERE f.outcome IN ('failed_on_road', 'worn_confirmed')) AS worn_at,
        bool_or(f.cause = c.leading_cause)
            FILTER (WHERE f.outcome IN ('failed_on_road', 'worn_confirmed')) AS cause_found,
        min(f.found_at)
            FILTER (WHERE f.outcome = 'no_fault_found' AND f.part = 'pump') AS cleared_at
    FROM call c
    JOIN finding f
        ON f.vehicle = c.vehicle
        AND (f.part = 'pump' OR f.cause = c.leading_cause)
        AND f.found_at >= c.as_of
        AND f.found_at < c.as_of + to_days($most_notice_days::INTEGER)
        -- A finding after the next pump was fitted is about that one.
        AND f.found_at <= c.last_seen + INTERVAL 45 DAY
    GROUP BY c.vehicle, c.fitted_at, c.as_of
)
SELECT
    c.vehicle,
    c.pump_family,
    c.pump_serial,
    c.as_of AS called_on,
    c.leading_cause,
    CASE
        WHEN f.worn_at IS NOT NULL THEN 'right'
        WHEN f.cleared_at IS NOT NULL THEN 'false'
        WHEN c.last_seen >= c.as_of + to_days($most_notice_days::INTEGER) THEN 'false'
        ELSE 'open'
    END AS outcome,
    coalesce(f.worn_at, f.cleared_at) AS found_at,
    if(f.worn_at IS NULL, NULL, coalesce(f.cause_found, FALSE)) AS cause_found
FROM call c
LEFT JOIN found f ON f.vehicle = c.vehicle AND f.fitted_at = c.fitted_at AND f.as_of = c.as_of
ORDER BY c.as_of, c.vehicle
