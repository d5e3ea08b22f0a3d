-- How hot did each unit's discharge line get, how often was it read, and in which state was the unit then?
--
-- Reads every reading of that channel, and the moment that it belongs to: the largest tables.
WITH discharge AS (
    SELECT site, session, elapsed_ms, value FROM readings WHERE channel = 'discharge-line.temperature'
), visits AS (
    SELECT site, session, count(*) AS readings, max(value) AS hottest_c FROM discharge GROUP BY site, session
), units AS (
    SELECT site, count(*) AS visits, sum(readings) AS readings, max(hottest_c) AS hottest_c
    FROM visits
    GROUP BY site
), peaks AS (
    SELECT d.site, d.session, min(d.elapsed_ms) AS elapsed_ms
    FROM discharge d JOIN units u ON d.site = u.site AND d.value = u.hottest_c
    GROUP BY d.site, d.session
), states AS (
    SELECT p.site, max_by(m.state, m.elapsed_ms) AS state
    FROM peaks p JOIN moments m ON m.session = p.session AND m.elapsed_ms <= p.elapsed_ms
    GROUP BY p.site
)
SELECT u.site, u.visits, u.readings, u.hottest_c, s.state
FROM units u JOIN states s ON u.site = s.site
ORDER BY u.site
