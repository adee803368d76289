-- How warm the fuel usually is in each month, over all depots.
-- Grain:   one row per month_no, or none where too little is known
-- Reads:   usual_fuel_temp
-- Returns: month_no, usual_fuel_temp_c [degC]
SELECT month_no, avg(usual_fuel_temp_c ORDER BY depot) AS usual_fuel_temp_c
FROM usual_fuel_temp
GROUP BY month_no
HAVING count(usual_fuel_temp_c) = count(*)
ORDER BY month_no
