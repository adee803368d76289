-- Dates at which a pump went below its family's limit, as hindsight has it: between two tested
-- months on either side of the limit, where a straight line of ln reserve crosses it, or when it
-- failed on the road.
-- Grain:   one row per crossing of a pump
-- Reads:   scorecard_tested_months, findings, verdicts (vehicle, fitted_at)
-- Params:  $late_days [d] (as in pump_failures.sql)
-- Returns: vehicle, fitted_at, crossed_on, failed (on the road)
WITH pump AS (
    SELECT DISTINCT vehicle, fitted_at FROM verdicts
),
step AS (
    SELECT
        vehicle,
        fitted_at,
        as_of,
        ln_margin,
        lag(as_of) OVER earlier AS before_on,
        lag(ln_margin) OVER earlier AS ln_margin_before
    FROM scorecard_tested_months
    WINDOW earlier AS (PARTITION BY vehicle, fitted_at ORDER BY as_of)
)
SELECT
    vehicle,
    fitted_at,
    before_on + round(
        (as_of - before_on) * ln_margin_before / (ln_margin_before - ln_margin)
    )::INTEGER AS crossed_on,
    FALSE AS failed
FROM step
WHERE ln_margin < 0 AND ln_margin_before >= 0
UNION ALL
SELECT p.vehicle, p.fitted_at, f.found_at::DATE AS crossed_on, TRUE AS failed
FROM findings f
-- The pump that failed is the last one fitted before the failure.
ASOF JOIN pump p ON f.vehicle = p.vehicle AND f.found_at - to_days($late_days::INTEGER) > p.fitted_at
WHERE f.part = 'pump' AND f.outcome = 'failed_on_road'
