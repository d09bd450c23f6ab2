//! `cut`: what was counted within the hour up to instants that questions keep asking about.

use std::collections::BTreeSet;

use rusqlite::{Connection, OptionalExtension, params};

use crate::charge::count::Counted;

/// Keeps what an instrument counted from the beginning of the instant's hour up to it.
///
/// # Errors
/// Whatever SQLite says.
pub fn put(connection: &Connection, at_ms: i64, instrument: i64, counted: &Counted) -> rusqlite::Result<()> {
    connection
        .prepare_cached("INSERT OR REPLACE INTO cut VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)")?
        .execute(params![
            at_ms,
            instrument,
            counted.charged,
            counted.discharged,
            counted.heard_ms,
            counted.sampling_ah2,
            counted.pauses_ms2,
        ])?;
    Ok(())
}

/// What was kept for an instant and instrument.
///
/// # Errors
/// Whatever SQLite says.
pub fn get(connection: &Connection, at_ms: i64, instrument: i64) -> rusqlite::Result<Option<Counted>> {
    connection
        .prepare_cached(
            "SELECT charged, discharged, heard_ms, sampling_ah2, pauses_ms2 FROM cut \
             WHERE at_ms = ?1 AND instrument = ?2",
        )?
        .query_row(params![at_ms, instrument], |row| {
            Ok(Counted {
                charged: row.get(0)?,
                discharged: row.get(1)?,
                heard_ms: row.get(2)?,
                sampling_ah2: row.get(3)?,
                pauses_ms2: row.get(4)?,
            })
        })
        .optional()
}

/// The instants for which an instrument's part is kept.
///
/// # Errors
/// Whatever SQLite says.
pub fn instants(connection: &Connection, instrument: i64) -> rusqlite::Result<BTreeSet<i64>> {
    connection
        .prepare_cached("SELECT at_ms FROM cut WHERE instrument = ?1")?
        .query_map(params![instrument], |row| row.get(0))?
        .collect()
}

/// Forgets the cut of an instrument at an instant.
///
/// # Errors
/// Whatever SQLite says.
pub fn remove_one(connection: &Connection, at_ms: i64, instrument: i64) -> rusqlite::Result<()> {
    connection
        .prepare_cached("DELETE FROM cut WHERE at_ms = ?1 AND instrument = ?2")?
        .execute(params![at_ms, instrument])?;
    Ok(())
}

/// Forgets the cuts in `[from_ms, until_ms)`: their hours are being derived anew.
///
/// # Errors
/// Whatever SQLite says.
pub fn remove(connection: &Connection, from_ms: i64, until_ms: i64) -> rusqlite::Result<()> {
    connection
        .prepare_cached("DELETE FROM cut WHERE at_ms >= ?1 AND at_ms < ?2")?
        .execute(params![from_ms, until_ms])?;
    Ok(())
}
