-- Which units' air split shrinks week by week?
--
-- The split is compared with what is expected in the air of its day, so that a humid week is no fault. A straight line
-- goes through each unit's weekly means. Told are units with four weeks and more that have lost 1 K by that line, where
-- the line explains most of what is seen: a loss that grows, and no single bad visit.
WITH weekly AS (
    SELECT
        site,
        date_trunc('week', date) AS week,
        avg(value - (expected_low + expected_high) / 2) AS to_expected_k
    FROM findings
    WHERE measure = 'evaporator_split' AND expected_low IS NOT NULL
    GROUP BY site, date_trunc('week', date)
), numbered AS (
    SELECT
        site,
        to_expected_k,
        CAST(EXTRACT(YEAR FROM week) * 365.25 + EXTRACT(DOY FROM week) AS DOUBLE) / 7 AS week
    FROM weekly
), lines AS (
    SELECT
        site,
        count(*) AS weeks,
        regr_slope(to_expected_k, week) AS change_k_per_week,
        regr_r2(to_expected_k, week) AS explained,
        max(week) - min(week) AS span_weeks
    FROM numbered
    GROUP BY site
)
SELECT site, weeks, change_k_per_week, -change_k_per_week * span_weeks AS lost_k, explained
FROM lines
WHERE weeks >= 4 AND -change_k_per_week * span_weeks >= 1.0 AND explained >= 0.6
ORDER BY site
