//! `counter_step`: steps of an instrument's own charge counter that are not charge.

use rusqlite::{Connection, params};

use super::note::unknown_word;
use crate::charge::counter::{Kind, Step};

/// Writes a step.
///
/// # Errors
/// Whatever SQLite says.
pub fn put(connection: &Connection, instrument: i64, step: &Step) -> rusqlite::Result<()> {
    connection
        .prepare_cached("INSERT OR REPLACE INTO counter_step VALUES (?1, ?2, ?3, ?4, ?5, ?6)")?
        .execute(params![
            instrument,
            step.at_ms,
            step.kind.word(),
            step.before_mah,
            step.after_mah,
            step.counted_mah
        ])?;
    Ok(())
}

/// Steps of an instrument in `(from_ms, until_ms]`, in order.
///
/// # Errors
/// Whatever SQLite says.
pub fn between(
    connection: &Connection,
    instrument: i64,
    from_ms: i64,
    until_ms: i64,
) -> rusqlite::Result<Vec<Step>> {
    connection
        .prepare_cached(
            "SELECT at_ms, kind, before_mah, after_mah, counted_mah FROM counter_step \
             WHERE instrument = ?1 AND at_ms > ?2 AND at_ms <= ?3 ORDER BY at_ms",
        )?
        .query_map(params![instrument, from_ms, until_ms], |row| {
            let kind: String = row.get(1)?;
            Ok(Step {
                at_ms: row.get(0)?,
                kind: Kind::of(&kind).ok_or_else(|| unknown_word(&kind))?,
                before_mah: row.get(2)?,
                after_mah: row.get(3)?,
                counted_mah: row.get(4)?,
            })
        })?
        .collect()
}

/// Removes the steps of an instrument in `[from_ms, until_ms)`.
///
/// # Errors
/// Whatever SQLite says.
pub fn remove(connection: &Connection, instrument: i64, from_ms: i64, until_ms: i64) -> rusqlite::Result<()> {
    connection
        .prepare_cached("DELETE FROM counter_step WHERE instrument = ?1 AND at_ms >= ?2 AND at_ms < ?3")?
        .execute(params![instrument, from_ms, until_ms])?;
    Ok(())
}
