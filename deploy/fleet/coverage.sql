-- Where is the log thin?
--
-- Instrument by instrument: how much of the time between its first and last hour was heard, how many hours have no
-- reading at all, and the longest run of such hours. An answer is only as good as its log; the packs' `coverage` in the
-- answers says what that did to each.
WITH steps AS (
    SELECT
        site, instrument, hour_begin, heard_s,
        hour_begin - lag(hour_begin) OVER (PARTITION BY site, instrument ORDER BY hour_begin) AS step
    FROM hours
),
seen AS (
    SELECT
        site, instrument,
        min(hour_begin) AS first_hour,
        max(hour_begin) AS last_hour,
        sum(heard_s) AS heard_s,
        count(*) AS hours_there,
        1 + sum(coalesce(24 * extract(DAY FROM step) + extract(HOUR FROM step), 0)) AS hours_all,
        max(coalesce(24 * extract(DAY FROM step) + extract(HOUR FROM step), 1)) - 1 AS longest_silence_h
    FROM steps
    GROUP BY site, instrument
)
SELECT
    site,
    instrument,
    first_hour,
    last_hour,
    CAST(heard_s AS DOUBLE) / (3600 * hours_all) AS coverage_fraction,
    hours_all - hours_there AS hours_missing,
    longest_silence_h
FROM seen
ORDER BY coverage_fraction, site, instrument
