-- Which units short-cycled last night?
--
-- Last night is that of the last run by night in the data: 16 hours hold a night in four time zones. Told are units with
-- three short runs or more (under 5 min, as flagged in `cycles`) that are half of the night's runs or more.
WITH last_night AS (
    SELECT max(start_utc) - INTERVAL '16' HOUR AS from_utc FROM cycles WHERE night
)
SELECT
    site,
    count(*) AS runs,
    sum(CASE WHEN short_run THEN 1 ELSE 0 END) AS short_runs,
    avg(run_s) AS mean_run_s,
    avg(pause_s) AS mean_pause_s
FROM cycles CROSS JOIN last_night
WHERE night AND run_s IS NOT NULL AND start_utc > from_utc
GROUP BY site
HAVING sum(CASE WHEN short_run THEN 1 ELSE 0 END) >= 3
    AND 2 * sum(CASE WHEN short_run THEN 1 ELSE 0 END) >= count(*)
ORDER BY site
