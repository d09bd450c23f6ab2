//! `off_busbar`: stretches in which a pack was off the busbar.

use rusqlite::{Connection, params};

/// One stretch.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct OffBusbar {
    /// Since when, ms since 1970.
    pub begin_ms: i64,
    /// Until when, ms since 1970; `None`: not back yet.
    pub end_ms: Option<i64>,
}

impl OffBusbar {
    /// Whether an instant lies in it.
    #[must_use]
    pub fn contains(&self, at_ms: i64) -> bool {
        self.begin_ms <= at_ms && self.end_ms.is_none_or(|end_ms| at_ms < end_ms)
    }

    /// How much of the time between two instants lies in it, ms.
    #[must_use]
    pub fn within_ms(&self, from_ms: i64, until_ms: i64) -> i64 {
        let end_ms = self.end_ms.map_or(until_ms, |end_ms| end_ms.min(until_ms));
        (end_ms - self.begin_ms.max(from_ms)).max(0)
    }
}

/// Writes a stretch.
///
/// # Errors
/// Whatever SQLite says.
pub fn put(connection: &Connection, instrument: i64, stretch: OffBusbar) -> rusqlite::Result<()> {
    connection
        .prepare_cached("INSERT OR REPLACE INTO off_busbar VALUES (?1, ?2, ?3)")?
        .execute(params![instrument, stretch.begin_ms, stretch.end_ms])?;
    Ok(())
}

/// The stretches of an instrument, in order.
///
/// # Errors
/// Whatever SQLite says.
pub fn of_instrument(connection: &Connection, instrument: i64) -> rusqlite::Result<Vec<OffBusbar>> {
    connection
        .prepare_cached("SELECT begin_ms, end_ms FROM off_busbar WHERE instrument = ?1 ORDER BY begin_ms")?
        .query_map(params![instrument], |row| {
            Ok(OffBusbar {
                begin_ms: row.get(0)?,
                end_ms: row.get(1)?,
            })
        })?
        .collect()
}

/// Removes the stretches of an instrument that reach beyond an instant.
///
/// # Errors
/// Whatever SQLite says.
pub fn remove_beyond(connection: &Connection, instrument: i64, at_ms: i64) -> rusqlite::Result<()> {
    connection
        .prepare_cached(
            "DELETE FROM off_busbar WHERE instrument = ?1 AND (begin_ms >= ?2 OR end_ms IS NULL OR end_ms > ?2)",
        )?
        .execute(params![instrument, at_ms])?;
    Ok(())
}
