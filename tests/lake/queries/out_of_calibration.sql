-- Which probes are used out of calibration, and where were they last?
--
-- A probe whose bath told of an error beyond its accuracy, or whose last bath was more than a year before the visit.
-- Probes that were never calibrated are not told: `calibrated_utc` is null for gauges and clamps for current as well.
WITH judged AS (
    SELECT
        p.probe,
        p.site,
        p.session,
        s.started_utc,
        p.calibrated_utc,
        p.calibration_offset_k,
        CASE
            WHEN p.calibration_beyond_accuracy THEN 'beyond its accuracy'
            WHEN p.calibrated_utc < s.started_utc - INTERVAL '365' DAY THEN 'more than a year old'
        END AS why
    FROM probes p JOIN sessions s ON p.session = s.session
    WHERE p.calibrated_utc IS NOT NULL
)
SELECT
    probe,
    why,
    max(calibrated_utc) AS calibrated_utc,
    max(calibration_offset_k) AS offset_k,
    count(DISTINCT session) AS visits,
    count(DISTINCT site) AS sites,
    max_by(site, started_utc) AS last_at
FROM judged
WHERE why IS NOT NULL
GROUP BY probe, why
ORDER BY probe, why
