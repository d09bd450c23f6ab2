-- 04: packs off the busbar, what own counters did, cautions, and marks that people know of.

-- Derived: stretches in which a pack was off the busbar.
CREATE TABLE off_busbar (
    instrument INTEGER NOT NULL REFERENCES instrument (id),
    begin_ms   INTEGER NOT NULL,
    end_ms     INTEGER,             -- NULL: not back yet
    PRIMARY KEY (instrument, begin_ms)
) STRICT, WITHOUT ROWID;

-- Derived: steps of an instrument's own charge counter that are not charge.
CREATE TABLE counter_step (
    instrument INTEGER NOT NULL REFERENCES instrument (id),
    at_ms      INTEGER NOT NULL,    -- when the new value was first seen
    kind       TEXT    NOT NULL,    -- 'wrap', 'reset', 'jump'
    before_mah INTEGER NOT NULL,
    after_mah  INTEGER NOT NULL,
    counted_mah INTEGER,            -- what was counted meanwhile; NULL: nothing says
    PRIMARY KEY (instrument, at_ms)
) STRICT, WITHOUT ROWID;

-- Derived: hours in which an instrument reported something outside the usual cautions.
CREATE TABLE caution_hour (
    instrument INTEGER NOT NULL REFERENCES instrument (id),
    hour       INTEGER NOT NULL,
    kind       TEXT    NOT NULL,
    first_ms   INTEGER NOT NULL,
    last_ms    INTEGER NOT NULL,
    worst      INTEGER NOT NULL,    -- in the unit of the channel that it is about
    PRIMARY KEY (instrument, hour, kind)
) STRICT, WITHOUT ROWID;

-- Said by people, like notes: a full charge that the log missed, or one that was none.
CREATE TABLE stated_mark (
    id         INTEGER NOT NULL,
    revision   INTEGER NOT NULL,
    written_ms INTEGER NOT NULL,
    bank       TEXT    NOT NULL,
    kind       TEXT    NOT NULL,    -- 'assert', 'veto'
    at_ms      INTEGER NOT NULL,
    voltage    INTEGER,             -- mV, what the person saw; NULL: not stated
    tail       INTEGER,             -- mA
    text       TEXT    NOT NULL,
    withdrawn  INTEGER NOT NULL,
    PRIMARY KEY (id, revision)
) STRICT, WITHOUT ROWID;

-- 0: the instrument itself said that it is no longer there.
ALTER TABLE reading ADD COLUMN alive INTEGER;
