-- What traces lately say of where each pump's reserve went: how much the closed rail loses
-- (the median of the last two holds), and what the last trace that could tell says of single
-- pumping elements and of the regulator's straight line. What was repaired since says no more.
-- Grain:   one row per pump_id with such a trace lately
-- Reads:   readings, pumps, repairs, trace_figures, usual_hold
-- Params:  $as_of, $recent_days [d]
-- Returns: pump_id, hold_leak_ml_per_min [mL/min], usual_hold_leak_ml_per_min (the family's)
--          [mL/min], weak_element_share (1 where elements deliver alike, null where they could
--          not be told apart) [-], weak_element, regulator_departure_share (of the line's span,
--          signed) [-]
WITH repaired AS (
    SELECT
        vehicle,
        max(repaired_at) FILTER (repair & 6 > 0) AS leaks_at,
        max(repaired_at) FILTER (repair & 4 > 0) AS regulator_at
    FROM repairs
    GROUP BY vehicle
),
standing AS (
    SELECT
        r.pump_id,
        p.pump_family,
        r.performed_at,
        x.trace_id,
        if(
            r.performed_at >= coalesce(m.leaks_at, TIMESTAMP '-infinity'), x.hold_leak_ml_per_min, NULL
        ) AS hold_leak_ml_per_min,
        x.strokes_told_apart,
        x.weak_element,
        x.weak_element_share,
        if(
            r.performed_at >= coalesce(m.regulator_at, TIMESTAMP '-infinity'),
            x.regulator_departure_share,
            NULL
        ) AS regulator_departure_share
    FROM trace_figures x
    JOIN readings r ON r.record_id = x.record_id
    JOIN pumps p ON p.pump_id = r.pump_id
    LEFT JOIN repaired m ON m.vehicle = p.vehicle
    WHERE r.performed_at >= $as_of::TIMESTAMP - to_days($recent_days::INTEGER)
),
lately AS (
    SELECT
        *,
        row_number() OVER (
            PARTITION BY pump_id, hold_leak_ml_per_min IS NULL
            ORDER BY performed_at DESC, trace_id
        ) AS back
    FROM standing
),
told AS (
    SELECT
        pump_id,
        any_value(pump_family) AS pump_family,
        median(hold_leak_ml_per_min) FILTER (WHERE back <= 2) AS hold_leak_ml_per_min,
        any_value(
            struct_pack(element := weak_element, share := coalesce(weak_element_share, 1))
            ORDER BY performed_at DESC, trace_id
        ) FILTER (WHERE strokes_told_apart) AS weak,
        any_value(regulator_departure_share ORDER BY performed_at DESC, trace_id)
            AS regulator_departure_share
    FROM lately
    GROUP BY pump_id
)
SELECT
    t.pump_id,
    t.hold_leak_ml_per_min,
    u.usual_hold_leak_ml_per_min,
    t.weak.share AS weak_element_share,
    t.weak.element AS weak_element,
    t.regulator_departure_share
FROM told t
LEFT JOIN usual_hold u ON u.pump_family = t.pump_family
ORDER BY t.pump_id
