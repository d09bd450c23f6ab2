-- 03: what is derived from readings. All of it can be dropped and rebuilt with the same result to the last digit.
--
-- Charge is counted in half mA·ms: a trapezoid over integer mA and integer ms is a whole number of them.
-- 7 200 000 000 half mA·ms are one Ah.

-- Hours that readings were added to since they were last derived.
CREATE TABLE stale_hour (
    hour       INTEGER NOT NULL,    -- hours since 1970-01-01T00:00Z
    instrument INTEGER NOT NULL REFERENCES instrument (id),
    PRIMARY KEY (hour, instrument)
) STRICT, WITHOUT ROWID;

-- One row an instrument and hour in which something was heard. The totals run from the first reading to the
-- end of the hour, so that any window of whole hours is one subtraction.
CREATE TABLE hour (
    instrument       INTEGER NOT NULL REFERENCES instrument (id),
    hour             INTEGER NOT NULL,
    first_ms         INTEGER,           -- first and last reading with a current; NULL where there is none
    last_ms          INTEGER,
    readings         INTEGER NOT NULL,
    charged          INTEGER NOT NULL,  -- half mA·ms, this hour
    discharged       INTEGER NOT NULL,
    heard_ms         INTEGER NOT NULL,
    sampling_ah2     REAL    NOT NULL,  -- variance from what happens between readings
    pauses_ms2       INTEGER NOT NULL,  -- sum of squared pauses between readings
    total_charged    INTEGER NOT NULL,
    total_discharged INTEGER NOT NULL,
    total_heard_ms   INTEGER NOT NULL,
    total_sampling_ah2 REAL  NOT NULL,
    total_pauses_ms2 INTEGER NOT NULL,
    step_ma          INTEGER,           -- smallest step of the current within the hour
    total_step_ma    INTEGER,           -- smallest step seen so far: its resolution
    current_min      INTEGER,
    current_max      INTEGER,
    voltage_min      INTEGER,
    voltage_max      INTEGER,
    soc_min          INTEGER,
    soc_max          INTEGER,
    PRIMARY KEY (instrument, hour)
) STRICT, WITHOUT ROWID;

-- Pauses of an instrument's current that are too long to bridge, and what else it reported at both ends.
CREATE TABLE gap (
    instrument    INTEGER NOT NULL REFERENCES instrument (id),
    begin_ms      INTEGER NOT NULL,
    end_ms        INTEGER NOT NULL,
    charge_before INTEGER,          -- mAh
    charge_after  INTEGER,
    soc_before    INTEGER,          -- 0.1 %
    soc_after     INTEGER,
    PRIMARY KEY (instrument, begin_ms)
) STRICT, WITHOUT ROWID;

-- Jumps of a display that the charge counted meanwhile doesn't explain.
CREATE TABLE display_jump (
    instrument INTEGER NOT NULL REFERENCES instrument (id),
    at_ms      INTEGER NOT NULL,
    soc_before INTEGER NOT NULL,    -- 0.1 %
    soc_after  INTEGER NOT NULL,
    PRIMARY KEY (instrument, at_ms)
) STRICT, WITHOUT ROWID;

-- Intervals in which a bank was full; `end_ms` is the mark.
CREATE TABLE anchor (
    bank       TEXT    NOT NULL,
    end_ms     INTEGER NOT NULL,
    begin_ms   INTEGER NOT NULL,
    crossed_ms INTEGER NOT NULL,    -- when the voltage first reached the full value
    voltage    INTEGER NOT NULL,    -- mV, at the mark
    tail       INTEGER NOT NULL,    -- mA, the reference's current at the mark
    PRIMARY KEY (bank, end_ms)
) STRICT, WITHOUT ROWID;

-- What each pack showed at a mark.
CREATE TABLE anchor_pack (
    bank        TEXT    NOT NULL,
    end_ms      INTEGER NOT NULL,
    instrument  INTEGER NOT NULL REFERENCES instrument (id),
    against     TEXT,               -- why the mark doesn't count for this pack; NULL: it counts
    voltage     INTEGER,
    tail        INTEGER,
    cell_min    INTEGER,
    cell_max    INTEGER,
    temperature INTEGER,
    soc_before  INTEGER,            -- display when the voltage crossed
    soc_after   INTEGER,            -- display once settled
    PRIMARY KEY (bank, end_ms, instrument)
) STRICT, WITHOUT ROWID;

-- Instants that questions keep asking about (marks, ends of gaps): what was counted from the beginning of the
-- instant's hour up to it, so that no question needs the readings there again.
CREATE TABLE cut (
    at_ms        INTEGER NOT NULL,
    instrument   INTEGER NOT NULL REFERENCES instrument (id),
    charged      INTEGER NOT NULL,
    discharged   INTEGER NOT NULL,
    heard_ms     INTEGER NOT NULL,
    sampling_ah2 REAL    NOT NULL,
    pauses_ms2   INTEGER NOT NULL,
    PRIMARY KEY (at_ms, instrument)
) STRICT, WITHOUT ROWID;

-- One row: what the ledger was derived with.
CREATE TABLE ledger_basis (
    only_row INTEGER PRIMARY KEY CHECK (only_row = 1),
    basis    TEXT NOT NULL,         -- the setup, and how this program derives
    voltage_of TEXT NOT NULL        -- whose voltage stands for each bank's
) STRICT;
