-- Each pump's injector back-leak: lately and usually, total and worst cylinder.
-- Flows are brought to the reference temperature (a leak goes as one over viscosity) and to
-- the family's usual rail pressure (it goes as pressure). Lately: the median of the last two
-- runs within $recent_days of the verdict, made on the injectors that are in now. Of cylinders that
-- return equally much, the first counts as the worst.
-- Grain:   one row per pump_id with a leak run lately
-- Reads:   readings, corrections (reading_no, ln_viscosity [-]), pumps, repairs, usual_leak
-- Params:  $as_of, $recent_days [d]
-- Returns: pump_id, leak_ml_per_min (total, lately) [mL/min], usual_leak_ml_per_min
--          (family's median total) [mL/min], worst_cylinder, worst_ml_per_min [mL/min],
--          others_ml_per_min (median of the other cylinders) [mL/min], leak_runs, last_leak_at
WITH new_injectors AS (
    SELECT vehicle, max(repaired_at) AS fitted_at
    FROM repairs
    WHERE repair & 2 > 0
    GROUP BY vehicle
),
run AS (
    SELECT
        r.pump_id,
        p.pump_family,
        r.record_id,
        r.performed_at,
        r.leak_cylinders,
        60 / r.leak_duration_s
            * exp(c.ln_viscosity)
            * coalesce(u.usual_rail_bar / nullif(r.leak_rail_bar, 0), 1) AS ml_to_flow,
        row_number() OVER (PARTITION BY r.pump_id ORDER BY r.performed_at DESC, r.record_id) AS back
    FROM readings r
    JOIN pumps p ON p.pump_id = r.pump_id
    JOIN usual_leak u ON u.pump_family = p.pump_family
    JOIN corrections c ON c.reading_no = r.rowid
    LEFT JOIN new_injectors i ON i.vehicle = p.vehicle
    WHERE r.leak_cylinders IS NOT NULL
        AND r.performed_at >= coalesce(i.fitted_at, TIMESTAMP '-infinity')
        AND r.performed_at >= $as_of::TIMESTAMP - to_days($recent_days::INTEGER)
),
cylinder AS (
    SELECT
        pump_id,
        pump_family,
        performed_at,
        unnest(leak_cylinders).cylinder AS cylinder,
        unnest(leak_cylinders).ml * ml_to_flow AS ml_per_min
    FROM run
    WHERE back <= 2
),
lately AS (
    SELECT
        pump_id,
        pump_family,
        cylinder,
        median(ml_per_min) AS ml_per_min,
        count(*) AS leak_runs,
        max(performed_at) AS last_leak_at
    FROM cylinder
    GROUP BY pump_id, pump_family, cylinder
),
worst AS (
    SELECT
        pump_id,
        pump_family,
        sum(ml_per_min) AS leak_ml_per_min,
        arg_max(cylinder, ml_per_min ORDER BY cylinder) AS worst_cylinder,
        max(ml_per_min) AS worst_ml_per_min,
        max(leak_runs) AS leak_runs,
        max(last_leak_at) AS last_leak_at
    FROM lately
    GROUP BY pump_id, pump_family
),
others AS (
    SELECT l.pump_id, median(l.ml_per_min) AS others_ml_per_min
    FROM lately l
    JOIN worst w ON w.pump_id = l.pump_id AND w.worst_cylinder <> l.cylinder
    GROUP BY l.pump_id
)
SELECT
    w.pump_id,
    w.leak_ml_per_min,
    u.usual_leak_ml_per_min,
    w.worst_cylinder,
    w.worst_ml_per_min,
    o.others_ml_per_min,
    w.leak_runs,
    w.last_leak_at
FROM worst w
JOIN usual_leak u ON u.pump_family = w.pump_family
LEFT JOIN others o ON o.pump_id = w.pump_id
ORDER BY w.pump_id
