SELECT instrument,
       sum((current + before) * (at_ms - before_ms)) / 7200000000.0 AS net_ah,
       sum(CASE WHEN current + before > 0 THEN (current + before) * (at_ms - before_ms) ELSE 0 END) / 7200000000.0
           AS charged_ah
FROM (SELECT instrument, at_ms, current,
             lag(current) OVER one AS before,
             lag(at_ms) OVER one AS before_ms
      FROM reading
      WHERE at_ms >= :since AND at_ms <= :until
      WINDOW one AS (PARTITION BY instrument ORDER BY at_ms))
WHERE at_ms - before_ms <= 600000
GROUP BY instrument
ORDER BY instrument
