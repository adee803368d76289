-- What the traces of a record say of proof, build and conditions: where several say it, the
-- least uncertain, and of equals the one with the smallest id. The same rule, in Python, is
-- ``fleetdb.records.trace_readings``.
-- Grain:   one row per record_id with a trace
-- Reads:   trace_figures
-- Returns: record_id, proof (duty_pct [%], target_bar [bar], actual_bar [bar]; null when no
--          trace gives one), build (rate_bar_per_s [bar/s], from_bar [bar], to_bar [bar];
--          likewise), fuel_temp_c [degC], crank_rpm [1/min]
SELECT
    record_id,
    any_value(
        struct_pack(
            duty_pct := proof_duty_pct, target_bar := proof_target_bar, actual_bar := proof_actual_bar
        )
        ORDER BY proof_sd_bar, trace_id
    ) FILTER (WHERE proof_sd_bar IS NOT NULL) AS proof,
    any_value(
        struct_pack(
            rate_bar_per_s := build_rate_bar_per_s, from_bar := build_from_bar, to_bar := build_to_bar
        )
        ORDER BY build_sd_bar_per_s, trace_id
    ) FILTER (WHERE build_sd_bar_per_s IS NOT NULL) AS build,
    avg(fuel_temp_c ORDER BY trace_id) AS fuel_temp_c,
    avg(crank_rpm ORDER BY trace_id) AS crank_rpm
FROM trace_figures
GROUP BY record_id
