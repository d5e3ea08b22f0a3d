-- How hot did each unit's discharge line get, how often was it read, and in which state of the unit?
--
-- Reads every reading of that channel, and the moment that it belongs to: the largest tables.
WITH hottest AS (
    SELECT site, session, count(*) AS readings, max(value) AS hottest_c, max_by(elapsed_ms, value) AS elapsed_ms
    FROM readings
    WHERE channel = 'discharge-line.temperature'
    GROUP BY site, session
), states AS (
    SELECT h.site, h.session, h.readings, h.hottest_c, max_by(m.state, m.elapsed_ms) AS state
    FROM hottest h JOIN moments m ON m.session = h.session AND m.elapsed_ms <= h.elapsed_ms
    GROUP BY h.site, h.session, h.readings, h.hottest_c
)
SELECT
    site,
    count(*) AS visits,
    sum(readings) AS readings,
    max(hottest_c) AS hottest_c,
    max_by(state, hottest_c) AS state
FROM states
GROUP BY site
ORDER BY site
