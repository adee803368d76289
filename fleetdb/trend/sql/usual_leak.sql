-- A family's usual back-leak run: its rail pressure and the injectors' total return, brought
-- to the reference temperature (a leak goes as one over viscosity) and that rail pressure.
-- Grain:   one row per pump_family with leak runs
-- Reads:   readings, pumps, corrections (reading_no, ln_viscosity [-])
-- Returns: pump_family, usual_rail_bar [bar], usual_leak_ml_per_min [mL/min]
--          (NULL where most runs collected nothing)
WITH run AS (
    SELECT
        p.pump_family,
        r.leak_rail_bar,
        median(r.leak_rail_bar) OVER (PARTITION BY p.pump_family) AS usual_rail_bar,
        list_sum(list_transform(r.leak_cylinders, lambda c: c.ml)) / r.leak_duration_s * 60
            * exp(c.ln_viscosity) AS ml_per_min
    FROM readings r
    JOIN pumps p ON p.pump_id = r.pump_id
    JOIN corrections c ON c.reading_no = r.rowid
    WHERE r.leak_cylinders IS NOT NULL
)
SELECT
    pump_family,
    any_value(usual_rail_bar) AS usual_rail_bar,
    nullif(median(ml_per_min * coalesce(usual_rail_bar / nullif(leak_rail_bar, 0), 1)), 0) AS usual_leak_ml_per_min
FROM run
GROUP BY pump_family
