-- How far crank speed usually departs from the reference, over the whole fleet.
-- Grain:   one row
-- Reads:   readings
-- Params:  $few (fewest tests to learn from), $unknown_sd, $least_sd [-]
-- Returns: usual_ln_speed [-, ln of speed over reference], sd_ln_speed [-]
SELECT
    CASE WHEN count(*) >= $few THEN avg(ln(crank_rpm / reference_crank_rpm)) ELSE 0 END AS usual_ln_speed,
    CASE
        WHEN count(*) >= $few
            THEN greatest(stddev_samp(ln(crank_rpm / reference_crank_rpm)), $least_sd)
        ELSE $unknown_sd
    END AS sd_ln_speed
FROM readings
WHERE crank_rpm IS NOT NULL
