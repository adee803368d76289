-- Theil-Sen slope and Mann-Kendall test of each series: a trend without assuming how
-- readings scatter, which one odd reading moves little.
-- Only the last $most_points points of a series are used, so its cost is bounded: at most
-- $most_points * ($most_points - 1) / 2 pairs. Points without a finite time and value do
-- not count. Pairs at equal times have no slope and no sign.
-- Lists, not a self-join of points: half the time for a fleet of short series.
-- A limit is NULL where so few pairs cannot give one at that confidence; everything but
-- n_points is NULL below three distinct times.
-- Sources: slope Sen (1968); limits Gilbert (1987), ranks interpolated; variance with ties in
-- time and value Kendall (1970), as Gilbert gives it; continuity correction of one.
-- Grain:   one row per series_key with a point that counts
-- Reads:   trend_points (series_key, at [any unit], value [any unit])
-- Params:  $most_points, $normal_quantile (of the two-sided confidence) [-]
-- Returns: series_key, n_points, slope, slope_low, slope_high [value/at], intercept [value],
--          mann_kendall_s [-], var_s [-], z [-]
WITH series AS (
    SELECT
        p.series_key,
        list_reverse_sort(list({'x': p.at, 'y': p.value}))[:$most_points] AS points
    FROM trend_points p
    WHERE isfinite(p.at) AND isfinite(p.value)
    GROUP BY p.series_key
),
grouped AS (
    SELECT
        series_key,
        points,
        list_transform(points, lambda a: a.x) AS times,
        list_transform(points, lambda a: a.y) AS figures
    FROM series
),
tied AS (
    SELECT
        series_key,
        points,
        len(points)::DOUBLE AS n,
        list_median(times) AS middle_at,
        list_median(figures) AS middle_value,
        map_values(list_histogram(times))::DOUBLE[] AS tied_times,
        map_values(list_histogram(figures))::DOUBLE[] AS tied_values
    FROM grouped
),
tested AS (
    SELECT
        * EXCLUDE (points, tied_times, tied_values),
        CASE
            WHEN len(tied_times) >= 3 THEN list_sort(list_filter(flatten(list_transform(
                points,
                lambda a, place: list_transform(
                    points[place + 1:],
                    lambda b: (a.y - b.y) / nullif(a.x - b.x, 0)
                )
            )), lambda slope: slope IS NOT NULL))
        END AS slopes,
        CASE
            WHEN len(tied_times) >= 3 THEN (
                n * (n - 1) * (2 * n + 5)
                - list_sum(list_transform(tied_values, lambda t: t * (t - 1) * (2 * t + 5)))
                - list_sum(list_transform(tied_times, lambda t: t * (t - 1) * (2 * t + 5)))
            ) / 18
            + list_sum(list_transform(tied_values, lambda t: t * (t - 1) * (t - 2)))
            * list_sum(list_transform(tied_times, lambda t: t * (t - 1) * (t - 2)))
            / (9 * n * (n - 1) * (n - 2))
            + list_sum(list_transform(tied_values, lambda t: t * (t - 1)))
            * list_sum(list_transform(tied_times, lambda t: t * (t - 1)))
            / (2 * n * (n - 1))
        END AS var_s
    FROM tied
),
ranked AS (
    SELECT
        *,
        list_median(slopes) AS slope,
        list_sum(list_transform(slopes, lambda slope: sign(slope)))::BIGINT AS mann_kendall_s,
        (len(slopes) - $normal_quantile * sqrt(var_s)) / 2 AS low_rank
    FROM tested
),
placed AS (
    SELECT
        *,
        -- Below 1 there is no such slope; above, the other limit lies as far from the end.
        CASE WHEN low_rank >= 1 THEN floor(low_rank)::BIGINT END AS low_place,
        low_rank - floor(low_rank) AS share,
        CASE WHEN low_rank >= 1 THEN len(slopes) + 1 - floor(low_rank)::BIGINT END AS high_place
    FROM ranked
)
SELECT
    series_key,
    n::BIGINT AS n_points,
    slope,
    slopes[low_place] + share * (slopes[low_place + 1] - slopes[low_place]) AS slope_low,
    slopes[high_place] + share * (slopes[high_place - 1] - slopes[high_place]) AS slope_high,
    middle_value - slope * middle_at AS intercept,
    mann_kendall_s,
    var_s,
    CASE
        WHEN mann_kendall_s = 0 THEN 0
        ELSE (mann_kendall_s - sign(mann_kendall_s)) / sqrt(var_s)
    END AS z
FROM placed
ORDER BY series_key
