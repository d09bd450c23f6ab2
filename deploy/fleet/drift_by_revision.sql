-- How fast do boards of each revision drift, and how much do packs and sites differ?
--
-- Each pack's latest rate, with its own uncertainty, in a model of random effects: what is stated is the mean of all
-- packs of a revision, on all sites there might be. The scatter between packs of one site and the scatter between
-- sites are moment estimates in closed form after DerSimonian and Laird (Controlled Clinical Trials 7, 1986, pages 177
-- to 188), the first pooled over the sites that have several packs of the revision. Where each site has one pack it is
-- their formula as published, and the scatter between packs is part of that between sites.
--
-- The interval is normal, 95 %: with fewer than about ten sites it is too narrow. One site says nothing of others, so
-- that it has no interval, and no scatter is stated where nothing shows it. Two revisions are compared by
-- revisions_compared.sql, where what a site does to all its packs cancels.
WITH latest AS (
    SELECT
        site, pack, revision,
        rate_ah_per_day AS rate,
        -- The expanded uncertainty is two standard uncertainties.
        rate_expanded_uncertainty_ah_per_day * rate_expanded_uncertainty_ah_per_day / 4 AS variance,
        row_number() OVER (PARTITION BY site, pack ORDER BY until DESC) AS place
    FROM answers
    WHERE rate_ah_per_day IS NOT NULL AND rate_expanded_uncertainty_ah_per_day > 0
),
unit AS (
    SELECT site, pack, revision, rate, variance FROM latest WHERE place = 1
),
-- The packs of one site, weighed by their own uncertainty alone.
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
    SELECT
        unit.revision,
        sum((rate - mean) * (rate - mean) / variance) AS q
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
        revisions.revision, freedom,
        coalesce(greatest((q - freedom) / scale, 0), 0) AS tau2
    FROM (SELECT DISTINCT revision FROM unit) AS revisions
        LEFT JOIN between_packs ON between_packs.revision = revisions.revision
        LEFT JOIN expected_packs ON expected_packs.revision = revisions.revision
),
-- Each site's mean, now that packs are known to differ.
site AS (
    SELECT
        unit.revision, site,
        count(*) AS packs,
        sum(rate / (variance + tau2)) / sum(1 / (variance + tau2)) AS mean,
        1 / sum(1 / (variance + tau2)) AS variance
    FROM unit JOIN pack_scatter ON pack_scatter.revision = unit.revision
    GROUP BY unit.revision, site
),
overall AS (
    SELECT
        revision,
        count(*) AS sites,
        sum(packs) AS packs,
        sum(1 / variance) AS weight,
        sum(1 / (variance * variance)) AS weight2,
        sum(mean / variance) / sum(1 / variance) AS mean
    FROM site
    GROUP BY revision
),
between_sites AS (
    SELECT
        overall.revision,
        sum((site.mean - overall.mean) * (site.mean - overall.mean) / variance) AS q
    FROM site JOIN overall ON overall.revision = site.revision
    GROUP BY overall.revision
),
site_scatter AS (
    SELECT
        overall.revision, sites, packs, q,
        CASE WHEN sites > 1 THEN greatest((q - (sites - 1)) / (weight - weight2 / weight), 0) ELSE 0 END AS tau2
    FROM overall JOIN between_sites ON between_sites.revision = overall.revision
),
pooled AS (
    SELECT
        site.revision,
        sum(mean / (variance + tau2)) / sum(1 / (variance + tau2)) AS rate,
        sqrt(1 / sum(1 / (variance + tau2))) AS uncertainty
    FROM site JOIN site_scatter ON site_scatter.revision = site.revision
    GROUP BY site.revision
)
SELECT
    pooled.revision,
    sites,
    packs,
    rate AS rate_ah_per_day,
    uncertainty AS standard_uncertainty_ah_per_day,
    CASE WHEN sites > 1 THEN rate - 1.959963984540054 * uncertainty END AS low_ah_per_day,
    CASE WHEN sites > 1 THEN rate + 1.959963984540054 * uncertainty END AS high_ah_per_day,
    CASE WHEN freedom > 0 THEN sqrt(pack_scatter.tau2) END AS scatter_between_packs_ah_per_day,
    CASE WHEN sites > 1 THEN sqrt(site_scatter.tau2) END AS scatter_between_sites_ah_per_day,
    -- Cochran's Q of the sites, with sites − 1 degrees of freedom.
    q AS sites_q
FROM pooled
    JOIN pack_scatter ON pack_scatter.revision = pooled.revision
    JOIN site_scatter ON site_scatter.revision = pooled.revision
ORDER BY pooled.revision
