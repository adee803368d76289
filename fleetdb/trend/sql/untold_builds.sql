-- Build rates without their window, at workshops that never say over which window they time.
-- Grain:   one row per such test record, in order of reading_no
-- Reads:   readings, pumps, usual_window
-- Returns: reading_no (row of readings), workshop (NULL where nobody said)
SELECT r.rowid AS reading_no, r.workshop
FROM readings r
JOIN pumps p ON p.pump_id = r.pump_id
LEFT JOIN usual_window w ON w.pump_family = p.pump_family AND w.workshop = r.workshop
WHERE
    r.rate_bar_per_s IS NOT NULL
    AND (r.from_share IS NULL OR r.to_share IS NULL)
    AND w.pump_family IS NULL
ORDER BY reading_no
