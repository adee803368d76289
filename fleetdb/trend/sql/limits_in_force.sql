-- The proof ratio limit of each family in force at a date.
-- Grain:   one row per pump_family
-- Reads:   family_settings
-- Params:  $as_of
-- Returns: pump_family, proof_ratio_limit [-]
SELECT pump_family, arg_max(proof_ratio_limit, from_at) AS proof_ratio_limit
FROM family_settings
WHERE from_at <= $as_of
GROUP BY pump_family
