//! `caution_hour`: hours in which an instrument reported something outside the usual cautions.

use rusqlite::{Connection, params};

use super::note::unknown_word;
use crate::{
    charge::caution::{Episode, Kind},
    reading::HOUR_MS,
};

/// Widens what an hour says of a kind of caution by one report.
///
/// # Errors
/// Whatever SQLite says.
pub fn add(
    connection: &Connection,
    instrument: i64,
    hour: i64,
    kind: Kind,
    at_ms: i64,
    value: i64,
) -> rusqlite::Result<()> {
    let known = connection
        .prepare_cached(
            "SELECT first_ms, last_ms, worst FROM caution_hour WHERE instrument = ?1 AND hour = ?2 AND kind = ?3",
        )?
        .query_row(params![instrument, hour, kind.word()], |row| {
            Ok((row.get(0)?, row.get(1)?, row.get(2)?))
        });
    let (first_ms, last_ms, worst): (i64, i64, i64) = match known {
        Ok(known) => known,
        Err(rusqlite::Error::QueryReturnedNoRows) => (at_ms, at_ms, value),
        Err(error) => return Err(error),
    };
    connection
        .prepare_cached("INSERT OR REPLACE INTO caution_hour VALUES (?1, ?2, ?3, ?4, ?5, ?6)")?
        .execute(params![
            instrument,
            hour,
            kind.word(),
            first_ms.min(at_ms),
            last_ms.max(at_ms),
            kind.worse(worst, value)
        ])?;
    Ok(())
}

/// What was seen of an instrument in `[from_ms, until_ms]`, hour by hour.
///
/// # Errors
/// Whatever SQLite says.
pub fn between(
    connection: &Connection,
    instrument: i64,
    from_ms: i64,
    until_ms: i64,
) -> rusqlite::Result<Vec<Episode>> {
    // Both instants of a row lie within its hour.
    let (first, last) = (from_ms.div_euclid(HOUR_MS), until_ms.div_euclid(HOUR_MS));
    connection
        .prepare_cached(
            "SELECT kind, first_ms, last_ms, worst FROM caution_hour \
             WHERE instrument = ?1 AND hour BETWEEN ?4 AND ?5 AND last_ms >= ?2 AND first_ms <= ?3 \
             ORDER BY hour, kind",
        )?
        .query_map(params![instrument, from_ms, until_ms, first, last], |row| {
            let kind: String = row.get(0)?;
            Ok(Episode {
                kind: Kind::of(&kind).ok_or_else(|| unknown_word(&kind))?,
                begin_ms: row.get(1)?,
                end_ms: row.get(2)?,
                worst: row.get(3)?,
            })
        })?
        .collect()
}

/// Removes what the hours `[first, last]` of an instrument say of a kind.
///
/// # Errors
/// Whatever SQLite says.
pub fn remove_kind(
    connection: &Connection,
    instrument: i64,
    kind: Kind,
    first: i64,
    last: i64,
) -> rusqlite::Result<()> {
    connection
        .prepare_cached(
            "DELETE FROM caution_hour WHERE instrument = ?1 AND kind = ?2 AND hour BETWEEN ?3 AND ?4",
        )?
        .execute(params![instrument, kind.word(), first, last])?;
    Ok(())
}

/// Removes the hours `[first, last]` of an instrument.
///
/// # Errors
/// Whatever SQLite says.
pub fn remove(connection: &Connection, instrument: i64, first: i64, last: i64) -> rusqlite::Result<()> {
    connection
        .prepare_cached("DELETE FROM caution_hour WHERE instrument = ?1 AND hour BETWEEN ?2 AND ?3")?
        .execute(params![instrument, first, last])?;
    Ok(())
}
