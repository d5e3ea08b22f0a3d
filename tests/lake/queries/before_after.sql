-- What did a change on the unit change?
--
-- For each `changed` that a technician noted: each measure's mean in the 30 days before it and in the 30 days after, and
-- whether they differ by more than two combined standard uncertainties. Sets never span a change.
WITH changes AS (
    SELECT site, at_utc AS changed_utc, detail AS what FROM events WHERE event = 'changed'
), sides AS (
    SELECT
        c.site,
        c.changed_utc,
        c.what,
        f.measure,
        f.unit,
        f.value,
        f.uncertainty,
        f.at_utc > c.changed_utc AS later
    FROM changes c JOIN findings f ON f.site = c.site
    WHERE f.at_utc > c.changed_utc - INTERVAL '30' DAY AND f.at_utc < c.changed_utc + INTERVAL '30' DAY
), means AS (
    SELECT
        site,
        changed_utc,
        what,
        measure,
        unit,
        avg(CASE WHEN later THEN NULL ELSE value END) AS value_before,
        avg(CASE WHEN later THEN value END) AS value_after,
        avg(CASE WHEN later THEN NULL ELSE uncertainty * uncertainty END) AS variance_before,
        avg(CASE WHEN later THEN uncertainty * uncertainty END) AS variance_after
    FROM sides
    GROUP BY site, changed_utc, what, measure, unit
)
SELECT
    site,
    changed_utc,
    what,
    measure,
    unit,
    value_before,
    value_after,
    value_after - value_before AS change,
    abs(value_after - value_before) > 2 * sqrt(variance_before + variance_after) AS beyond_doubt
FROM means
WHERE value_before IS NOT NULL AND value_after IS NOT NULL
ORDER BY site, changed_utc, measure
