-- Which probes are used out of calibration, and where were they last?
--
-- A probe whose bath told of an error beyond its accuracy, or whose last bath was more than a year before the visit.
-- Probes that were never calibrated are not told: `calibrated_utc` is null for gauges and clamps for current as well.
WITH judged AS (
    SELECT
        probe,
        site,
        date,
        session,
        calibrated_utc,
        calibration_offset_k,
        CASE
            WHEN calibration_beyond_accuracy THEN 'beyond its accuracy'
            WHEN calibrated_utc < CAST(date AS TIMESTAMP) - INTERVAL '365' DAY THEN 'more than a year old'
        END AS why
    FROM probes
    WHERE calibrated_utc IS NOT NULL
)
SELECT
    probe,
    why,
    max(calibrated_utc) AS calibrated_utc,
    max(calibration_offset_k) AS offset_k,
    count(DISTINCT session) AS visits,
    count(DISTINCT site) AS sites,
    max_by(site, date) AS last_at
FROM judged
WHERE why IS NOT NULL
GROUP BY probe, why
ORDER BY probe, why
