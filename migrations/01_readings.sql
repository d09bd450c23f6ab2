-- 01: what instruments said, and what could not be taken.
--
-- Integer units throughout: ms since 1970-01-01T00:00:00Z, mA (charging positive), mV, tenths of a percent,
-- mAh, tenths of a degree Celsius. NULL: this reading has no such channel.
--
-- The key is time first: instruments report side by side, so a commit touches the last page or two. With the
-- instrument first every commit would touch one page an instrument.

CREATE TABLE instrument (
    id   INTEGER PRIMARY KEY,
    name TEXT NOT NULL UNIQUE
) STRICT;

CREATE TABLE reading (
    at_ms       INTEGER NOT NULL,
    instrument  INTEGER NOT NULL REFERENCES instrument (id),
    current     INTEGER,            -- mA
    voltage     INTEGER,            -- mV
    soc         INTEGER,            -- 0.1 %
    charge      INTEGER,            -- mAh
    temperature INTEGER,            -- 0.1 °C
    cell_min    INTEGER,            -- mV
    cell_max    INTEGER,            -- mV
    connected   INTEGER,            -- 0 or 1
    void        INTEGER,            -- bit n set: the nth channel above came with two values; neither is believed
    PRIMARY KEY (at_ms, instrument)
) STRICT, WITHOUT ROWID;

-- Every value that was given for a channel of a reading that is void for it.
CREATE TABLE conflict (
    at_ms      INTEGER NOT NULL,
    instrument INTEGER NOT NULL REFERENCES instrument (id),
    channel    TEXT    NOT NULL,
    value      INTEGER NOT NULL,    -- in the channel's unit
    PRIMARY KEY (at_ms, instrument, channel, value)
) STRICT, WITHOUT ROWID;

-- How many messages were refused: never thinned out.
CREATE TABLE refusal_count (
    day      INTEGER NOT NULL,      -- days since 1970-01-01, UTC
    topic    TEXT    NOT NULL,
    reason   TEXT    NOT NULL,
    messages INTEGER NOT NULL,
    PRIMARY KEY (day, topic, reason)
) STRICT, WITHOUT ROWID;

-- What was refused, up to a size the setup file states; the first of each reason always.
CREATE TABLE refusal (
    id         INTEGER PRIMARY KEY,
    arrived_ms INTEGER NOT NULL,
    topic      TEXT    NOT NULL,
    reason     TEXT    NOT NULL,
    detail     TEXT    NOT NULL,
    body       BLOB    NOT NULL
) STRICT;
