-- 02: what people said. Nothing here is ever overwritten: a correction or a withdrawal is a further revision.

CREATE TABLE note (
    id         INTEGER NOT NULL,
    revision   INTEGER NOT NULL,    -- 1, 2, …; the highest one stands
    written_ms INTEGER NOT NULL,
    at_ms      INTEGER NOT NULL,    -- the instant it speaks of
    subject    TEXT    NOT NULL,    -- 'bank' or 'instrument': what `name` names
    name       TEXT    NOT NULL,
    kind       TEXT    NOT NULL,    -- 'observation', 'recalibration', 'wiring'
    text       TEXT    NOT NULL,
    withdrawn  INTEGER NOT NULL,    -- 1: this revision takes the note back
    PRIMARY KEY (id, revision)
) STRICT, WITHOUT ROWID;

CREATE TABLE stated_phase (
    id         INTEGER NOT NULL,
    revision   INTEGER NOT NULL,
    written_ms INTEGER NOT NULL,
    bank       TEXT    NOT NULL,
    kind       TEXT    NOT NULL,    -- 'calibration', 'partial_cycling', 'full_charge', 'rest', 'outage'
    begin_ms   INTEGER NOT NULL,
    end_ms     INTEGER NOT NULL,
    text       TEXT    NOT NULL,
    withdrawn  INTEGER NOT NULL,
    PRIMARY KEY (id, revision)
) STRICT, WITHOUT ROWID;

-- Every setup file that was ever served with this store.
CREATE TABLE setup_version (
    digest          TEXT    PRIMARY KEY,   -- SHA-256 of `text`, hex
    first_served_ms INTEGER NOT NULL,
    text            TEXT    NOT NULL
) STRICT, WITHOUT ROWID;
