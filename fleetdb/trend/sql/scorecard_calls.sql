-- Calls (runs of month ends at book_in or stand_down) and what came of them.
-- A finding answers a call if it is of the pump, or of the part taken for the cause at the last
-- month end of the run before it; within the time given, and while the pump is fitted.
-- right: the first answer that is no clearance was that it failed on the road or was found worn;
-- after a pump was found without fault, only the pump, or a part found at the same visit, counts.
-- false: the pump was found without fault and nothing answered that, or the whole time passed
-- with the pump still fitted and no answer. open: neither yet.
-- Grain:   one row per call
-- Reads:   verdicts, findings
-- Params:  $most_notice_days, $visit_days (findings so near are of one visit) [d]
-- Returns: vehicle, pump_family, pump_serial, called_on, leading_cause (when it was answered, or
--          at the end of the run), outcome, found_at, cause_found (whether the part of that cause
--          was found worn at the visit that answered it; null unless right)
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
        max(as_of) OVER (PARTITION BY vehicle, fitted_at) AS last_seen
    FROM verdicts
),
begun AS (
    SELECT
        *,
        is_call
            AND NOT coalesce(lag(is_call) OVER (PARTITION BY vehicle, fitted_at ORDER BY as_of), FALSE)
            AS begins
    FROM month_end
),
called AS (
    SELECT
        *,
        max(as_of) FILTER (WHERE begins) OVER (PARTITION BY vehicle, fitted_at ORDER BY as_of)
            AS called_on
    FROM begun
    QUALIFY is_call
),
call AS (
    SELECT
        vehicle,
        fitted_at,
        called_on,
        any_value(pump_family) AS pump_family,
        any_value(pump_serial) AS pump_serial,
        any_value(last_seen) AS last_seen,
        arg_max(leading_cause, as_of) AS last_cause
    FROM called
    GROUP BY vehicle, fitted_at, called_on
),
finding AS (
    SELECT
        c.vehicle,
        c.fitted_at,
        c.called_on,
        f.found_at,
        f.part = 'pump' AS is_pump,
        f.outcome = 'no_fault_found' AS is_clear,
        CASE f.part
            WHEN 'pump' THEN 'pump_wear'
            WHEN 'injector' THEN 'injector_leak'
            WHEN 'injector_set' THEN 'injector_leak'
            WHEN 'regulator' THEN 'regulator_or_rail_leak'
            WHEN 'fuel_filter' THEN 'supply_side'
        END AS cause,
        m.leading_cause
    FROM call c
    JOIN findings f
        ON f.vehicle = c.vehicle
        AND f.found_at >= c.called_on
        AND f.found_at < c.called_on + to_days($most_notice_days::INTEGER)
        -- A finding after the next pump was fitted is about that one.
        AND f.found_at <= c.last_seen + INTERVAL 45 DAY
    ASOF JOIN called m
        ON m.vehicle = c.vehicle
        AND m.fitted_at = c.fitted_at
        AND m.called_on = c.called_on
        AND m.as_of <= f.found_at
),
answer AS (
    SELECT
        *,
        min(found_at) FILTER (WHERE is_pump AND is_clear) OVER run AS cleared_at
    FROM finding
    WHERE is_pump OR cause = leading_cause
    WINDOW run AS (PARTITION BY vehicle, fitted_at, called_on)
),
worn AS (
    SELECT
        *,
        min(found_at) OVER (PARTITION BY vehicle, fitted_at, called_on) AS worn_at
    FROM answer
    WHERE NOT is_clear
        AND (
            is_pump
            OR cleared_at IS NULL
            OR found_at <= cleared_at + to_days($visit_days::INTEGER)
        )
),
right_call AS (
    SELECT
        vehicle,
        fitted_at,
        called_on,
        any_value(worn_at) AS worn_at,
        arg_min(leading_cause, found_at) AS leading_cause,
        bool_or(cause = leading_cause) AS cause_found
    FROM worn
    WHERE found_at <= worn_at + to_days($visit_days::INTEGER)
    GROUP BY vehicle, fitted_at, called_on
),
cleared AS (
    SELECT
        vehicle,
        fitted_at,
        called_on,
        any_value(cleared_at) AS cleared_at,
        arg_min(leading_cause, found_at) AS leading_cause
    FROM answer
    WHERE is_pump AND is_clear
    GROUP BY vehicle, fitted_at, called_on
)
SELECT
    c.vehicle,
    c.pump_family,
    c.pump_serial,
    c.called_on,
    coalesce(r.leading_cause, f.leading_cause, c.last_cause) AS leading_cause,
    CASE
        WHEN r.worn_at IS NOT NULL THEN 'right'
        WHEN f.cleared_at IS NOT NULL THEN 'false'
        WHEN c.last_seen >= c.called_on + to_days($most_notice_days::INTEGER) THEN 'false'
        ELSE 'open'
    END AS outcome,
    coalesce(r.worn_at, f.cleared_at) AS found_at,
    r.cause_found
FROM call c
LEFT JOIN right_call r USING (vehicle, fitted_at, called_on)
LEFT JOIN cleared f USING (vehicle, fitted_at, called_on)
ORDER BY c.called_on, c.vehicle
