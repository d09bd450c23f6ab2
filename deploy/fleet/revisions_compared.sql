-- Does one revision drift faster than another?
--
-- Only sites that have both are asked, each by the difference between its own packs: what a site does to all its packs
-- (its climate, its loads, its reference) cancels. The differences are put together by random effects after
-- DerSimonian and Laird, as in drift_by_revision.sql, with the packs of a revision on one site weighed by their own
-- uncertainty and the scatter between packs that was found there. Positive: `revision` drifts up faster than `other`.
WITH latest AS (
    SELECT
        site, pack, revision,
        rate_ah_per_day AS rate,
        rate_expanded_uncertainty_ah_per_day * rate_expanded_uncertainty_ah_per_day / 4 AS variance,
        row_number() OVER (PARTITION BY site, pack ORDER BY until DESC) AS place
    FROM answers
    WHERE rate_ah_per_day IS NOT NULL AND rate_expanded_uncertainty_ah_per_day > 0
),
unit AS (
    SELECT site, pack, revision, rate, variance FROM latest WHERE place = 1
),
of_site AS (
    SELECT
        revision, site,
        count(*) AS packs,
        sum(1 / variance) AS weight,
        sum(1 / (variance * variance)) AS weight2,
        sum(rate / variance) / sum(1 / variance) AS mean
    FROM unit
    GROUP BY revision, site
),
between_packs AS (
    SELECT unit.revision, sum((rate - mean) * (rate - mean) / variance) AS q
    FROM unit JOIN of_site ON of_site.revision = unit.revision AND of_site.site = unit.site
    WHERE packs > 1
    GROUP BY unit.revision
),
expected_packs AS (
    SELECT revision, sum(packs - 1) AS freedom, sum(weight - weight2 / weight) AS scale
    FROM of_site
    WHERE packs > 1
    GROUP BY revision
),
pack_scatter AS (
    SELECT
        revisions.revision,
        coalesce(greatest((q - freedom) / scale, 0), 0) AS tau2
    FROM (SELECT DISTINCT revision FROM unit) AS revisions
        LEFT JOIN between_packs ON between_packs.revision = revisions.revision
        LEFT JOIN expected_packs ON expected_packs.revision = revisions.revision
),
site AS (
    SELECT
        unit.revision, site,
        sum(rate / (variance + tau2)) / sum(1 / (variance + tau2)) AS mean,
        1 / sum(1 / (variance + tau2)) AS variance
    FROM unit JOIN pack_scatter ON pack_scatter.revision = unit.revision
    GROUP BY unit.revision, site
),
pair AS (
    SELECT
        one.revision, other.revision AS other, one.site,
        one.mean - other.mean AS difference,
        one.variance + other.variance AS variance
    FROM site AS one JOIN site AS other ON other.site = one.site AND other.revision > one.revision
),
overall AS (
    SELECT
        revision, other,
        count(*) AS sites,
        sum(1 / variance) AS weight,
        sum(1 / (variance * variance)) AS weight2,
        sum(difference / variance) / sum(1 / variance) AS mean
    FROM pair
    GROUP BY revision, other
),
between_sites AS (
    SELECT pair.revision, pair.other, sum((difference - mean) * (difference - mean) / variance) AS q
    FROM pair JOIN overall ON overall.revision = pair.revision AND overall.other = pair.other
    GROUP BY pair.revision, pair.other
),
site_scatter AS (
    SELECT
        overall.revision, overall.other, sites,
        CASE WHEN sites > 1 THEN greatest((q - (sites - 1)) / (weight - weight2 / weight), 0) ELSE 0 END AS tau2
    FROM overall JOIN between_sites
        ON between_sites.revision = overall.revision AND between_sites.other = overall.other
),
pooled AS (
    SELECT
        pair.revision, pair.other, sites,
        sum(difference / (variance + tau2)) / sum(1 / (variance + tau2)) AS difference,
        sqrt(1 / sum(1 / (variance + tau2))) AS uncertainty
    FROM pair JOIN site_scatter ON site_scatter.revision = pair.revision AND site_scatter.other = pair.other
    GROUP BY pair.revision, pair.other, sites
)
SELECT
    revision,
    other,
    sites,
    difference AS difference_ah_per_day,
    uncertainty AS standard_uncertainty_ah_per_day,
    CASE WHEN sites > 1 THEN difference - 1.959963984540054 * uncertainty END AS low_ah_per_day,
    CASE WHEN sites > 1 THEN difference + 1.959963984540054 * uncertainty END AS high_ah_per_day
FROM pooled
ORDER BY revision, other
