-- 06: hours say how many readings there were up to their end, so that nobody has to add them up.

ALTER TABLE hour ADD COLUMN total_readings INTEGER NOT NULL DEFAULT 0;  -- from the first reading to the end of the hour

UPDATE hour SET total_readings = summed.total FROM (
    SELECT instrument, hour, sum(readings) OVER (PARTITION BY instrument ORDER BY hour) AS total FROM hour
) AS summed WHERE hour.instrument = summed.instrument AND hour.hour = summed.hour;
