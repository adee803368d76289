-- Mean square of stated less observed (Brier score), and the same had the base rate been stated.
-- Source:  G. W. Brier, Monthly Weather Review 78, 1-3, 1950 (for one class; from memory)
-- Grain:   one row
-- Reads:   scorecard_outcomes, verdicts
-- Returns: n, left_out (outcome not known), base_rate [-], brier [-], brier_of_base_rate [-]
SELECT
    count(*) AS n,
    (SELECT count(probability_below_limit) FROM verdicts) - count(*) AS left_out,
    avg(below::INTEGER) AS base_rate,
    avg((stated - below::INTEGER) ** 2) AS brier,
    avg(below::INTEGER) * (1 - avg(below::INTEGER)) AS brier_of_base_rate
FROM scorecard_outcomes
