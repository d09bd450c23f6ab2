//! What readings a store has, in one line: two stores with the same digest have the same readings.

use std::collections::HashMap;

use rusqlite::Connection;
use sha2::{Digest, Sha256};

use super::reading::{COLUMNS, in_order};
use crate::hex::hex;

/// All readings in one line.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ReadingsDigest {
    /// How many there are.
    pub readings: u64,
    /// SHA-256 over time, instrument's name and values of each, in order of the key; lower-case hex.
    pub sha256: String,
}

/// Reads all readings and digests them. Instruments count by name, so that a copy may number them otherwise.
///
/// # Errors
/// Whatever SQLite says.
pub fn of_readings(connection: &Connection) -> rusqlite::Result<ReadingsDigest> {
    let names: HashMap<i64, String> = connection
        .prepare("SELECT id, name FROM instrument")?
        .query_map([], |row| Ok((row.get(0)?, row.get(1)?)))?
        .collect::<rusqlite::Result<_>>()?;
    let mut statement = connection.prepare(&format!(
        "SELECT at_ms, instrument, {COLUMNS}, void FROM reading WHERE {}",
        in_order(connection)?
    ))?;
    let columns = statement.column_count();
    let mut rows = statement.query([i64::MIN, i64::MAX])?;
    let mut hash = Sha256::new();
    let mut readings = 0;
    while let Some(row) = rows.next()? {
        let at_ms: i64 = row.get(0)?;
        hash.update(at_ms.to_le_bytes());
        if let Some(name) = names.get(&row.get(1)?) {
            hash.update(name);
        }
        for column in 2..columns {
            match row.get::<_, Option<i64>>(column)? {
                Some(value) => {
                    hash.update([1]);
                    hash.update(value.to_le_bytes());
                }
                None => hash.update([0]),
            }
        }
        readings += 1;
    }
    let sha256 = hex(&hash.finalize());
    Ok(ReadingsDigest { readings, sha256 })
}
