-- Between which pressures each workshop mostly times the build rate, and the family as a whole.
-- Grain:   one row per pump_family, workshop with a window (workshop NULL: of the whole family)
-- Reads:   readings, pumps, guessed_windows (of workshops that never said; what is said goes first)
-- Returns: pump_family, workshop, usual_from_share [-], usual_to_share [-] (over the target)
WITH given AS (
    SELECT
        p.pump_family,
        r.workshop,
        round(r.from_share, 2) AS from_share,
        round(r.to_share, 2) AS to_share
    FROM readings r
    JOIN pumps p ON p.pump_id = r.pump_id
    WHERE r.from_share IS NOT NULL AND r.to_share IS NOT NULL
),
counted AS (
    SELECT pump_family, workshop, from_share, to_share, count(*) AS tests
    FROM given
    WHERE workshop IS NOT NULL
    GROUP BY pump_family, workshop, from_share, to_share
    UNION ALL
    SELECT pump_family, NULL, from_share, to_share, count(*)
    FROM given
    GROUP BY pump_family, from_share, to_share
)
SELECT
    pump_family,
    workshop,
    from_share AS usual_from_share,
    to_share AS usual_to_share
FROM counted
QUALIFY row_number() OVER (
    PARTITION BY pump_family, workshop ORDER BY tests DESC, from_share, to_share
) = 1
UNION ALL
SELECT g.pump_family, g.workshop, g.from_share, g.to_share
FROM guessed_windows g
ANTI JOIN counted c ON c.pump_family = g.pump_family AND c.workshop = g.workshop
