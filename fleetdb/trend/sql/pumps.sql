-- Every pump that has been on a vehicle, and from when to when.
-- A vehicle without a fitment at the start of its life has an original pump from its
-- first day in service (or its first test, if that is earlier).
-- Grain:   one row per vehicle, fitted_at
-- Reads:   vehicles, fitments, test_records
-- Params:  $as_of, $one_in (takes one vehicle in so many, always the same ones)
-- Returns: pump_id, pump_family, vehicle, depot, pump_serial, fitted_at, ended_at,
--          fitted_km [km], is_original
WITH first_day AS (
    SELECT v.vehicle, least(v.in_service_on::TIMESTAMP, min(r.performed_at)) AS first_at
    FROM vehicles v
    LEFT JOIN test_records r ON r.vehicle = v.vehicle AND r.performed_at <= $as_of
    GROUP BY v.vehicle, v.in_service_on
    HAVING first_at <= $as_of
),
fitted AS (
    SELECT
        vehicle,
        any_value(serial ORDER BY fitment_id) AS pump_serial,
        fitted_at,
        any_value(odometer_km ORDER BY fitment_id) AS fitted_km
    FROM fitments
    WHERE part = 'pump' AND fitted_at <= $as_of
    GROUP BY vehicle, fitted_at
),
original AS (
    SELECT d.vehicle, NULL AS pump_serial, d.first_at AS fitted_at, NULL::DOUBLE AS fitted_km
    FROM first_day d
    WHERE NOT EXISTS (
        FROM fitted f
        WHERE f.vehicle = d.vehicle AND f.fitted_at <= d.first_at + INTERVAL 1 DAY
    )
),
pump AS (
    SELECT *, FALSE AS is_original FROM fitted
    UNION ALL
    SELECT *, TRUE AS is_original FROM original
)
SELECT
    (row_number() OVER (ORDER BY v.pump_family, p.vehicle, p.fitted_at) - 1)::BIGINT AS pump_id,
    v.pump_family,
    p.vehicle,
    v.depot,
    p.pump_serial,
    p.fitted_at,
    lead(p.fitted_at) OVER (PARTITION BY p.vehicle ORDER BY p.fitted_at) AS ended_at,
    p.fitted_km,
    p.is_original
FROM pump p
JOIN vehicles v ON v.vehicle = p.vehicle
WHERE md5_number_lower(p.vehicle) % $one_in = 0
