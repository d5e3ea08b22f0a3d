-- Where was the same fault suspected at two visits or more?
--
-- What is first at a visit's last settled set, with a probability of one half or more. Whoever has been there twice for
-- the same thing has not found its cause.
WITH ends AS (
    SELECT session, max(at_utc) AS at_utc FROM suspects GROUP BY session
), firsts AS (
    SELECT s.site, s.date, s.session, s.suspect, s.probability
    FROM suspects s JOIN ends e ON s.session = e.session AND s.at_utc = e.at_utc
    WHERE s.rank = 1 AND s.suspect <> 'none' AND s.probability >= 0.5
)
SELECT
    site,
    suspect,
    count(DISTINCT session) AS visits,
    min(date) AS first_on,
    max(date) AS last_on,
    avg(probability) AS mean_probability
FROM firsts
GROUP BY site, suspect
HAVING count(DISTINCT session) >= 2
ORDER BY site, suspect
