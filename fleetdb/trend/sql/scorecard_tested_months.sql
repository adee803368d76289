-- Month ends whose estimate rests on a test made in that very month: what hindsight goes by.
-- Grain:   one row per pump and such month
-- Reads:   verdicts (as_of, vehicle, pump_family, fitted_at, last_test_at, delivery_reserve), family_settings
-- Returns: vehicle, fitted_at, as_of, ln_margin (ln of reserve over limit; negative: below) [-]
SELECT
    v.vehicle,
    v.fitted_at,
    v.as_of,
    ln(v.delivery_reserve / f.proof_ratio_limit) AS ln_margin
FROM verdicts v
ASOF JOIN family_settings f
    ON v.pump_family = f.pump_family AND v.as_of::TIMESTAMP >= f.from_at
WHERE v.delivery_reserve > 0
    AND date_trunc('month', v.last_test_at) = date_trunc('month', v.as_of)
