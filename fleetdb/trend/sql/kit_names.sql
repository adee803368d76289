-- Every kit a test was made with, numbered in order of name.
-- Grain:   one row per kit
-- Reads:   readings
-- Returns: kit_no, kit
SELECT (row_number() OVER (ORDER BY kit) - 1)::BIGINT AS kit_no, kit
FROM (SELECT DISTINCT kit FROM readings WHERE kit IS NOT NULL)
ORDER BY kit_no
