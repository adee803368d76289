-- What fuel temperature a test without one probably had, by depot and month of the year:
-- the fleet's mean of that month moved by the depot's usual departure from it, both shrunk
-- as if $added tests without departure had been made.
-- Grain:   one row per depot, month_no (depot NULL: vehicles without one)
-- Reads:   readings, pumps, vehicles
-- Params:  $added, $few (fewest tests to learn from), $unknown_sd_c, $least_sd_c [K]
-- Returns: depot, month_no, usual_fuel_temp_c [degC, NULL where too little is known],
--          sd_fuel_temp_c [K]
WITH known AS (
    SELECT p.depot, month(r.performed_at) AS month_no, r.fuel_temp_c
    FROM readings r
    JOIN pumps p ON p.pump_id = r.pump_id
    WHERE r.fuel_temp_c IS NOT NULL
),
of_year AS (
    SELECT CASE WHEN count(*) >= $few THEN avg(fuel_temp_c) END AS temp_c FROM known
),
of_month AS (
    SELECT
        k.month_no,
        (sum(k.fuel_temp_c) + $added * any_value(y.temp_c)) / (count(*) + $added) AS temp_c
    FROM known k
    CROSS JOIN of_year y
    GROUP BY k.month_no
),
of_depot AS (
    SELECT k.depot, sum(k.fuel_temp_c - m.temp_c) / (count(*) + $added) AS departure_c
    FROM known k
    JOIN of_month m ON m.month_no = k.month_no
    GROUP BY k.depot
),
scatter AS (
    SELECT sqrt(avg((k.fuel_temp_c - m.temp_c - coalesce(d.departure_c, 0)) ** 2)) AS sd_c
    FROM known k
    JOIN of_month m ON m.month_no = k.month_no
    LEFT JOIN of_depot d ON d.depot IS NOT DISTINCT FROM k.depot
),
place AS (
    SELECT DISTINCT depot FROM vehicles
)
SELECT
    p.depot,
    n.month_no,
    coalesce(m.temp_c, y.temp_c) + coalesce(d.departure_c, 0) AS usual_fuel_temp_c,
    greatest(coalesce(s.sd_c, $unknown_sd_c), $least_sd_c) AS sd_fuel_temp_c
FROM place p
CROSS JOIN (SELECT unnest(range(1, 13)) AS month_no) n
CROSS JOIN of_year y
CROSS JOIN scatter s
LEFT JOIN of_month m ON m.month_no = n.month_no
LEFT JOIN of_depot d ON d.depot IS NOT DISTINCT FROM p.depot
