-- How often the limit was reached within the limit date's 80 % interval.
-- Month ends of pumps that hindsight puts above the limit then, and intervals over by the last
-- month end: of those that are not, only the ones reached early have come out yet, and counting
-- them would make every fleet look surprised. Judged if the pump crossed the limit, or was tested
-- after the interval's end without having crossed.
-- Grain:   one row
-- Reads:   verdicts, scorecard_tested_months, scorecard_crossings
-- Returns: judged, covered, too_early (reached before the interval), too_late
WITH latest AS (
    SELECT v.*, m.as_of AS before_on, m.ln_margin AS ln_margin_before
    FROM verdicts v
    ASOF LEFT JOIN scorecard_tested_months m
        ON v.vehicle = m.vehicle AND v.fitted_at = m.fitted_at AND v.as_of >= m.as_of
    WHERE v.limit_date_p10 IS NOT NULL
),
around AS (
    SELECT l.*, m.as_of AS after_on, m.ln_margin AS ln_margin_after
    FROM latest l
    ASOF LEFT JOIN scorecard_tested_months m
        ON l.vehicle = m.vehicle AND l.fitted_at = m.fitted_at AND l.as_of <= m.as_of
),
above AS (
    SELECT *
    FROM around
    WHERE CASE
        WHEN before_on IS NULL OR before_on = after_on THEN ln_margin_after
        WHEN after_on IS NULL THEN ln_margin_before
        ELSE ln_margin_before
            + (ln_margin_after - ln_margin_before) * (as_of - before_on) / (after_on - before_on)
    END >= 0
),
crossing AS (
    SELECT a.vehicle, a.fitted_at, a.as_of, min(c.crossed_on) AS crossed_on
    FROM above a
    JOIN scorecard_crossings c
        ON c.vehicle = a.vehicle AND c.fitted_at = a.fitted_at AND c.crossed_on > a.as_of
    GROUP BY a.vehicle, a.fitted_at, a.as_of
),
last_test AS (
    SELECT vehicle, fitted_at, max(as_of) AS tested_until
    FROM scorecard_tested_months
    GROUP BY vehicle, fitted_at
),
judged AS (
    SELECT a.limit_date_p10, a.limit_date_p90, c.crossed_on
    FROM above a
    LEFT JOIN crossing c
        ON c.vehicle = a.vehicle AND c.fitted_at = a.fitted_at AND c.as_of = a.as_of
    LEFT JOIN last_test t ON t.vehicle = a.vehicle AND t.fitted_at = a.fitted_at
    WHERE a.limit_date_p90 <= (SELECT max(as_of) FROM verdicts)
        AND (c.crossed_on IS NOT NULL OR a.limit_date_p90 < t.tested_until)
)
SELECT
    count(*) AS judged,
    count(*) FILTER (crossed_on BETWEEN limit_date_p10 AND limit_date_p90) AS covered,
    count(*) FILTER (crossed_on < limit_date_p10) AS too_early,
    count(*) FILTER (crossed_on IS NULL OR crossed_on > limit_date_p90) AS too_late
FROM judged
