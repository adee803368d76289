-- What a family's closed rails usually lose with the pump standing, at the proof target and
-- reference conditions, as its traces of kind hold say.
-- Grain:   one row per pump_family with such a trace
-- Reads:   readings, pumps, trace_figures
-- Returns: pump_family, usual_hold_leak_ml_per_min [mL/min]
SELECT p.pump_family, median(x.hold_leak_ml_per_min) AS usual_hold_leak_ml_per_min
FROM trace_figures x
JOIN readings r ON r.record_id = x.record_id
JOIN pumps p ON p.pump_id = r.pump_id
WHERE x.hold_leak_ml_per_min IS NOT NULL
GROUP BY p.pump_family
HAVING usual_hold_leak_ml_per_min > 0
