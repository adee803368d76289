-- Whether each pump was below its limit within the horizon of each month end, as far as the
-- fleet came to know. It was, if within the horizon it failed on the road or a tested month
-- put it below, or if a straight line of ln reserve between the tested months on either side of
-- the horizon's end lies below there. It was not, if that line lies above. With no test after
-- the horizon's end and none of these it is not known, and the month end is left out.
-- Worn when opened is not counted: worn is not yet below the limit, and tests say which.
-- Limits: hindsight is the same engine's estimate with later tests, so an error that later
-- tests do not cure (a family's limit, a fleet of kits that all read low) is not seen here.
-- Grain:   one row per month end and pump whose outcome is known
-- Reads:   verdicts, scorecard_tested_months, scorecard_crossings
-- Returns: vehicle, fitted_at, as_of, pump_family, stated [-], below (boolean)
WITH stated AS (
    SELECT
        vehicle,
        fitted_at,
        as_of,
        pump_family,
        probability_below_limit AS stated,
        as_of + horizon_days::INTEGER AS ends_on
    FROM verdicts
    WHERE probability_below_limit IS NOT NULL
),
happened AS (
    SELECT
        s.vehicle,
        s.fitted_at,
        s.as_of,
        bool_or(c.crossed_on IS NOT NULL OR m.ln_margin < 0) AS below
    FROM stated s
    LEFT JOIN scorecard_crossings c
        ON c.vehicle = s.vehicle
        AND c.fitted_at = s.fitted_at
        AND c.failed
        AND c.crossed_on > s.as_of
        AND c.crossed_on <= s.ends_on
    LEFT JOIN scorecard_tested_months m
        ON m.vehicle = s.vehicle
        AND m.fitted_at = s.fitted_at
        AND m.as_of > s.as_of
        AND m.as_of <= s.ends_on
    GROUP BY s.vehicle, s.fitted_at, s.as_of
),
before AS (
    SELECT s.*, m.as_of AS before_on, m.ln_margin AS ln_margin_before
    FROM stated s
    ASOF LEFT JOIN scorecard_tested_months m
        ON s.vehicle = m.vehicle AND s.fitted_at = m.fitted_at AND s.ends_on >= m.as_of
),
around AS (
    SELECT b.*, m.as_of AS after_on, m.ln_margin AS ln_margin_after
    FROM before b
    ASOF LEFT JOIN scorecard_tested_months m
        ON b.vehicle = m.vehicle AND b.fitted_at = m.fitted_at AND b.ends_on <= m.as_of
)
SELECT
    a.vehicle,
    a.fitted_at,
    a.as_of,
    a.pump_family,
    a.stated,
    coalesce(h.below, FALSE) OR coalesce(
        CASE
            WHEN a.before_on IS NULL OR a.before_on = a.after_on THEN a.ln_margin_after
            ELSE a.ln_margin_before + (a.ln_margin_after - a.ln_margin_before)
                * (a.ends_on - a.before_on) / (a.after_on - a.before_on)
        END < 0,
        FALSE
    ) AS below
FROM around a
JOIN happened h ON h.vehicle = a.vehicle AND h.fitted_at = a.fitted_at AND h.as_of = a.as_of
WHERE h.below OR a.after_on IS NOT NULL
