//! The limit of storing: SQLite with a prepared insert of the same columns from memory, one transaction a batch.

use std::{
    path::Path,
    time::{Duration, Instant},
};

use packdrift::reading::{Channel, Channels};
use rusqlite::{Connection, params};

/// Rows in a transaction, as many as packdrift's writer takes.
const BATCH: usize = 8192;

/// Stores rows of (ms since 1970, instrument, values) in a new database; gives the time.
pub fn run(path: &Path, rows: &[(i64, u16, Channels)]) -> Duration {
    let mut connection = Connection::open(path).unwrap();
    connection
        .execute_batch(
            "PRAGMA journal_mode = WAL; PRAGMA synchronous = FULL; \
             CREATE TABLE reading (at_ms INTEGER NOT NULL, instrument INTEGER NOT NULL, current INTEGER, \
             voltage INTEGER, soc INTEGER, PRIMARY KEY (at_ms, instrument)) STRICT, WITHOUT ROWID",
        )
        .unwrap();
    let begun = Instant::now();
    for batch in rows.chunks(BATCH) {
        let transaction = connection.transaction().unwrap();
        {
            let mut insert = transaction
                .prepare_cached("INSERT INTO reading VALUES (?1, ?2, ?3, ?4, ?5)")
                .unwrap();
            for (at_ms, instrument, channels) in batch {
                let [current, voltage, soc] =
                    [Channel::Current, Channel::Voltage, Channel::Soc].map(|channel| channels.get(channel));
                insert
                    .execute(params![at_ms, instrument, current, voltage, soc])
                    .unwrap();
            }
        }
        transaction.commit().unwrap();
    }
    begun.elapsed()
}
