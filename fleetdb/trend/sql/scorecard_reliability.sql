-- Stated probabilities of being below the limit, in tenths, against how often it came so.
-- Grain:   one row per tenth with a month end in it
-- Reads:   scorecard_outcomes
-- Returns: tenth (0: below 0.1, to 9), n, stated (mean) [-], observed (share) [-]
SELECT
    least(floor(10 * stated), 9)::INTEGER AS tenth,
    count(*) AS n,
    avg(stated) AS stated,
    avg(below::INTEGER) AS observed
FROM scorecard_outcomes
GROUP BY tenth
ORDER BY tenth
