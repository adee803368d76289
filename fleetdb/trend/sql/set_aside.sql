-- Records with a reading that the engine took to be botched, and gave no weight.
-- Grain:   one row per record
-- Reads:   set_aside_readings (reading_no, a row of readings), readings, test_records
-- Returns: record_id, vehicle, performed_at, workshop
SELECT t.record_id, t.vehicle, t.performed_at, t.workshop
FROM set_aside_readings s
JOIN readings r ON r.rowid = s.reading_no
JOIN test_records t ON t.record_id = r.record_id
ORDER BY t.performed_at, t.record_id
