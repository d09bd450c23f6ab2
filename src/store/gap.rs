//! `gap` and `display_jump`: what the ledger notices between readings.

use std::ops::Range;

use rusqlite::{Connection, params};

/// A pause of an instrument's current that is too long to bridge.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Gap {
    /// Last heard, ms since 1970.
    pub begin_ms: i64,
    /// Heard again, ms since 1970.
    pub end_ms: i64,
    /// The instrument's own counter before and after, mAh.
    pub charge_mah: Option<(i64, i64)>,
    /// Its display before and after, tenths of a percent.
    pub soc_permille: Option<(i64, i64)>,
}

/// Writes a gap.
///
/// # Errors
/// Whatever SQLite says.
pub fn put(connection: &Connection, instrument: i64, gap: &Gap) -> rusqlite::Result<()> {
    connection
        .prepare_cached("INSERT OR REPLACE INTO gap VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)")?
        .execute(params![
            instrument,
            gap.begin_ms,
            gap.end_ms,
            gap.charge_mah.map(|pair| pair.0),
            gap.charge_mah.map(|pair| pair.1),
            gap.soc_permille.map(|pair| pair.0),
            gap.soc_permille.map(|pair| pair.1),
        ])?;
    Ok(())
}

/// Gaps of an instrument, in order.
///
/// # Errors
/// Whatever SQLite says.
pub fn of_instrument(connection: &Connection, instrument: i64) -> rusqlite::Result<Vec<Gap>> {
    connection
        .prepare_cached("SELECT * FROM gap WHERE instrument = ?1 ORDER BY begin_ms")?
        .query_map(params![instrument], |row| {
            let pair = |first: usize| -> rusqlite::Result<Option<(i64, i64)>> {
                let (before, after): (Option<i64>, Option<i64>) = (row.get(first)?, row.get(first + 1)?);
                Ok(before.zip(after))
            };
            Ok(Gap {
                begin_ms: row.get(1)?,
                end_ms: row.get(2)?,
                charge_mah: pair(3)?,
                soc_permille: pair(5)?,
            })
        })?
        .collect()
}

/// When those gaps of an instrument end that begin in a stretch of time, ms since 1970.
///
/// # Errors
/// Whatever SQLite says.
pub fn ends_of_those_beginning(
    connection: &Connection,
    instrument: i64,
    begin_ms: Range<i64>,
) -> rusqlite::Result<Vec<i64>> {
    connection
        .prepare_cached("SELECT end_ms FROM gap WHERE instrument = ?1 AND begin_ms >= ?2 AND begin_ms < ?3")?
        .query_map(params![instrument, begin_ms.start, begin_ms.end], |row| {
            row.get(0)
        })?
        .collect()
}

/// A jump of a display that the charge counted meanwhile doesn't explain.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct DisplayJump {
    /// When the new value was first seen, ms since 1970.
    pub at_ms: i64,
    /// Tenths of a percent.
    pub soc_before: i64,
    /// Tenths of a percent.
    pub soc_after: i64,
}

/// Writes a jump.
///
/// # Errors
/// Whatever SQLite says.
pub fn put_jump(connection: &Connection, instrument: i64, jump: &DisplayJump) -> rusqlite::Result<()> {
    connection
        .prepare_cached("INSERT OR REPLACE INTO display_jump VALUES (?1, ?2, ?3, ?4)")?
        .execute(params![instrument, jump.at_ms, jump.soc_before, jump.soc_after])?;
    Ok(())
}

/// Jumps of an instrument's display in `[from_ms, until_ms]`, in order.
///
/// # Errors
/// Whatever SQLite says.
pub fn jumps(
    connection: &Connection,
    instrument: i64,
    from_ms: i64,
    until_ms: i64,
) -> rusqlite::Result<Vec<DisplayJump>> {
    connection
        .prepare_cached(
            "SELECT at_ms, soc_before, soc_after FROM display_jump \
             WHERE instrument = ?1 AND at_ms BETWEEN ?2 AND ?3 ORDER BY at_ms",
        )?
        .query_map(params![instrument, from_ms, until_ms], |row| {
            Ok(DisplayJump {
                at_ms: row.get(0)?,
                soc_before: row.get(1)?,
                soc_after: row.get(2)?,
            })
        })?
        .collect()
}

/// Removes the gaps and jumps of an instrument that end in `[from_ms, until_ms)`.
///
/// # Errors
/// Whatever SQLite says.
pub fn remove(connection: &Connection, instrument: i64, from_ms: i64, until_ms: i64) -> rusqlite::Result<()> {
    for statement in [
        "DELETE FROM gap WHERE instrument = ?1 AND end_ms >= ?2 AND end_ms < ?3",
        "DELETE FROM display_jump WHERE instrument = ?1 AND at_ms >= ?2 AND at_ms < ?3",
    ] {
        connection
            .prepare_cached(statement)?
            .execute(params![instrument, from_ms, until_ms])?;
    }
    Ok(())
}
