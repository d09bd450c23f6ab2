-- Which packs are unlike the others?
--
-- Two questions. `rate`: does a pack drift unlike others of its revision? `throughput`: month by month, did a pack take
-- much more or less of the charge, for its capacity, than the packs beside it, as one does that stopped counting or was
-- off the busbar? Both by the modified z-score of Iglewicz and Hoaglin (How to Detect and Handle Outliers, 1993): the
-- distance from the median over the median distance, times 0.6745; above 3.5 is named. Medians, because an outlier must
-- not set the measure that it is judged by. Fewer than ten units set no measure.
WITH latest AS (
    SELECT
        site, pack, revision, month, capacity_ah,
        rate_ah_per_day AS rate,
        row_number() OVER (PARTITION BY site, pack ORDER BY until DESC) AS place
    FROM answers
    WHERE rate_ah_per_day IS NOT NULL
),
rates AS (
    SELECT 'rate' AS question, revision AS among, site, pack, month, rate AS value FROM latest WHERE place = 1
),
turned_over AS (
    SELECT site, instrument AS pack, month, sum(charged_ah + discharged_ah) AS ah
    FROM hours
    GROUP BY site, instrument, month
),
for_capacity AS (
    SELECT turned_over.site, turned_over.pack, turned_over.month, ah / capacity_ah AS cycled
    FROM turned_over
        JOIN (SELECT site, pack, capacity_ah FROM latest WHERE place = 1) AS known
            ON known.site = turned_over.site AND known.pack = turned_over.pack
),
of_site AS (
    SELECT site, month, median(cycled) AS middle FROM for_capacity GROUP BY site, month
),
throughputs AS (
    SELECT
        'throughput' AS question, for_capacity.month AS among, for_capacity.site, pack, for_capacity.month,
        cycled / middle AS value
    FROM for_capacity JOIN of_site ON of_site.site = for_capacity.site AND of_site.month = for_capacity.month
    WHERE middle > 0
),
asked AS (
    SELECT question, among, site, pack, month, value FROM rates
    UNION ALL
    SELECT question, among, site, pack, month, value FROM throughputs
),
middles AS (
    SELECT question, among, median(value) AS middle, count(*) AS units FROM asked GROUP BY question, among
),
distances AS (
    SELECT asked.question, asked.among, median(abs(value - middle)) AS distance
    FROM asked JOIN middles ON middles.question = asked.question AND middles.among = asked.among
    GROUP BY asked.question, asked.among
)
SELECT
    asked.question,
    asked.site,
    asked.pack,
    asked.month,
    asked.among,
    units,
    value,
    middle AS median,
    0.6745 * (value - middle) / distance AS modified_z
FROM asked
    JOIN middles ON middles.question = asked.question AND middles.among = asked.among
    JOIN distances ON distances.question = asked.question AND distances.among = asked.among
WHERE units >= 10 AND distance > 0 AND abs(0.6745 * (value - middle) / distance) > 3.5
ORDER BY asked.question, asked.site, asked.pack, asked.month
