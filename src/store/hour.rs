//! `hour`: what each instrument counted hour by hour, with totals from the beginning.

use std::collections::BTreeSet;

use rusqlite::{Connection, OptionalExtension, Row, params};

use super::reading::first_key;
use crate::{charge::count::Counted, reading::HOUR_MS};

/// One hour of one instrument.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Hour {
    /// Hours since 1970-01-01T00:00Z.
    pub hour: i64,
    /// First reading with a current, ms since 1970.
    pub first_ms: Option<i64>,
    /// Last reading with a current, ms since 1970.
    pub last_ms: Option<i64>,
    /// Readings.
    pub readings: i64,
    /// What was counted in the hour.
    pub counted: Counted,
    /// What was counted from the first reading of all to the end of the hour.
    pub total: Counted,
    /// Smallest step of the current within the hour, mA.
    pub step_ma: Option<i64>,
    /// Smallest step of the current from the first reading of all, mA.
    pub total_step_ma: Option<i64>,
    /// Smallest and largest current, mA.
    pub current_ma: Option<(i64, i64)>,
    /// Smallest and largest voltage, mV.
    pub voltage_mv: Option<(i64, i64)>,
    /// Smallest and largest displayed state of charge, tenths of a percent.
    pub soc_permille: Option<(i64, i64)>,
    /// Readings from the first of all to the end of the hour.
    pub total_readings: i64,
}

/// Writes a row.
///
/// # Errors
/// Whatever SQLite says.
pub fn put(connection: &Connection, instrument: i64, hour: &Hour) -> rusqlite::Result<()> {
    connection
        .prepare_cached(
            "INSERT OR REPLACE INTO hour VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, \
             ?16, ?17, ?18, ?19, ?20, ?21, ?22, ?23, ?24)",
        )?
        .execute(params![
            instrument,
            hour.hour,
            hour.first_ms,
            hour.last_ms,
            hour.readings,
            hour.counted.charged,
            hour.counted.discharged,
            hour.counted.heard_ms,
            hour.counted.sampling_ah2,
            hour.counted.pauses_ms2,
            hour.total.charged,
            hour.total.discharged,
            hour.total.heard_ms,
            hour.total.sampling_ah2,
            hour.total.pauses_ms2,
            hour.step_ma,
            hour.total_step_ma,
            hour.current_ma.map(|extremes| extremes.0),
            hour.current_ma.map(|extremes| extremes.1),
            hour.voltage_mv.map(|extremes| extremes.0),
            hour.voltage_mv.map(|extremes| extremes.1),
            hour.soc_permille.map(|extremes| extremes.0),
            hour.soc_permille.map(|extremes| extremes.1),
            hour.total_readings,
        ])?;
    Ok(())
}

/// Removes the rows of an instrument in `[from, until]`.
///
/// # Errors
/// Whatever SQLite says.
pub fn remove(connection: &Connection, instrument: i64, from: i64, until: i64) -> rusqlite::Result<()> {
    connection
        .prepare_cached("DELETE FROM hour WHERE instrument = ?1 AND hour BETWEEN ?2 AND ?3")?
        .execute(params![instrument, from, until])?;
    Ok(())
}

/// The last row of an instrument before an hour.
///
/// # Errors
/// Whatever SQLite says.
pub fn last_before(connection: &Connection, instrument: i64, hour: i64) -> rusqlite::Result<Option<Hour>> {
    connection
        .prepare_cached("SELECT * FROM hour WHERE instrument = ?1 AND hour < ?2 ORDER BY hour DESC LIMIT 1")?
        .query_row(params![instrument, hour], from_row)
        .optional()
}

/// Hours apart, up to which the hours between two that are asked about are read along.
const NEAR: i64 = 8;

/// What an instrument had counted of all by the beginning of each of these hours, which are in order.
///
/// # Errors
/// Whatever SQLite says.
pub fn totals_before(
    connection: &Connection,
    instrument: i64,
    hours: &[i64],
) -> rusqlite::Result<Vec<Counted>> {
    let mut totals = Vec::with_capacity(hours.len());
    for near in hours.chunk_by(|before, after| after - before <= NEAR) {
        let (first, last) = (near[0], near[near.len() - 1]);
        let mut total = total_before(connection, instrument, first)?;
        let mut statement = connection.prepare_cached(
            "SELECT total_charged, total_discharged, total_heard_ms, total_sampling_ah2, total_pauses_ms2, hour \
             FROM hour WHERE instrument = ?1 AND hour >= ?2 AND hour < ?3 ORDER BY hour",
        )?;
        let mut ends = statement.query_map(params![instrument, first, last], |row| {
            Ok((row.get::<_, i64>(5)?, counted(row, 0)?))
        })?;
        let mut next = ends.next().transpose()?;
        for hour in near {
            while let Some((_, total_then)) = next.filter(|(ended, _)| ended < hour) {
                total = total_then;
                next = ends.next().transpose()?;
            }
            totals.push(total);
        }
    }
    Ok(totals)
}

fn total_before(connection: &Connection, instrument: i64, hour: i64) -> rusqlite::Result<Counted> {
    let total = connection
        .prepare_cached(
            "SELECT total_charged, total_discharged, total_heard_ms, total_sampling_ah2, total_pauses_ms2 \
             FROM hour WHERE instrument = ?1 AND hour < ?2 ORDER BY hour DESC LIMIT 1",
        )?
        .query_row(params![instrument, hour], |row| counted(row, 0))
        .optional()?;
    Ok(total.unwrap_or_default())
}

/// When an instrument's current was last heard before an hour, ms since 1970.
///
/// # Errors
/// Whatever SQLite says.
pub fn last_heard_before(
    connection: &Connection,
    instrument: i64,
    hour: i64,
) -> rusqlite::Result<Option<i64>> {
    connection
        .prepare_cached(
            "SELECT last_ms FROM hour WHERE instrument = ?1 AND hour < ?2 AND last_ms IS NOT NULL \
             ORDER BY hour DESC LIMIT 1",
        )?
        .query_row(params![instrument, hour], |row| row.get(0))
        .optional()
}

/// The last hour up to one in which an instrument said its current, not only that it still holds.
///
/// # Errors
/// Whatever SQLite says.
pub fn last_with_current(
    connection: &Connection,
    instrument: i64,
    hour: i64,
) -> rusqlite::Result<Option<i64>> {
    connection
        .prepare_cached(
            "SELECT hour FROM hour WHERE instrument = ?1 AND hour <= ?2 AND current_max IS NOT NULL \
             ORDER BY hour DESC LIMIT 1",
        )?
        .query_row(params![instrument, hour], |row| row.get(0))
        .optional()
}

/// When an instrument's current was first and last heard of all, ms since 1970.
///
/// # Errors
/// Whatever SQLite says.
pub fn extent(connection: &Connection, instrument: i64) -> rusqlite::Result<Option<(i64, i64)>> {
    let end = |direction: &str, column: &str| {
        connection
            .prepare_cached(&format!(
                "SELECT {column} FROM hour WHERE instrument = ?1 AND {column} IS NOT NULL \
                 ORDER BY hour {direction} LIMIT 1"
            ))?
            .query_row(params![instrument], |row| row.get(0))
            .optional()
    };
    Ok(end("ASC", "first_ms")?.zip(end("DESC", "last_ms")?))
}

/// The first and the last hour in which an instrument has reported anything, derived or not.
///
/// # Errors
/// Whatever SQLite says.
pub fn first_and_last(connection: &Connection, instrument: i64) -> rusqlite::Result<Option<(i64, i64)>> {
    let (first, last): (Option<i64>, Option<i64>) = connection
        .prepare_cached(
            "SELECT min(hour), max(hour) FROM (SELECT hour FROM hour WHERE instrument = ?1 \
             UNION ALL SELECT hour FROM stale_hour WHERE instrument = ?1)",
        )?
        .query_row(params![instrument], |row| Ok((row.get(0)?, row.get(1)?)))?;
    Ok(first.zip(last))
}

/// The next hour after this one in which an instrument's current was heard.
///
/// # Errors
/// Whatever SQLite says.
pub fn next_heard_after(
    connection: &Connection,
    instrument: i64,
    hour: i64,
) -> rusqlite::Result<Option<i64>> {
    connection
        .prepare_cached(
            "SELECT hour FROM hour WHERE instrument = ?1 AND hour > ?2 AND first_ms IS NOT NULL ORDER BY hour LIMIT 1",
        )?
        .query_row(params![instrument, hour], |row| row.get(0))
        .optional()
}

/// Rows of an instrument in `[from, until]`, in order.
///
/// # Errors
/// Whatever SQLite says.
pub fn between(
    connection: &Connection,
    instrument: i64,
    from: i64,
    until: i64,
) -> rusqlite::Result<Vec<Hour>> {
    connection
        .prepare_cached("SELECT * FROM hour WHERE instrument = ?1 AND hour BETWEEN ?2 AND ?3 ORDER BY hour")?
        .query_map(params![instrument, from, until], from_row)?
        .collect()
}

/// Hours in `[from, until]` in which an instrument's voltage reached `voltage_mv`.
///
/// # Errors
/// Whatever SQLite says.
pub fn reaching(
    connection: &Connection,
    instrument: i64,
    voltage_mv: i64,
    from: i64,
    until: i64,
) -> rusqlite::Result<BTreeSet<i64>> {
    connection
        .prepare_cached(
            "SELECT hour FROM hour WHERE instrument = ?1 AND hour BETWEEN ?3 AND ?4 AND voltage_max >= ?2",
        )?
        .query_map(params![instrument, voltage_mv, from, until], |row| row.get(0))?
        .collect()
}

/// How many readings there are: by the hours, and where these are stale, counted.
///
/// # Errors
/// Whatever SQLite says.
pub fn readings(connection: &Connection) -> rusqlite::Result<i64> {
    connection
        .prepare_cached(
            // Readings go by their keys: CROSS keeps the hours outside.
            "SELECT (SELECT coalesce(sum((SELECT total_readings FROM hour WHERE instrument = instrument.id \
                                          ORDER BY hour DESC LIMIT 1)), 0) FROM instrument) \
             - (SELECT coalesce(sum(readings), 0) FROM stale_hour CROSS JOIN hour USING (instrument, hour)) \
             + (SELECT count(*) FROM (SELECT DISTINCT hour FROM stale_hour) AS stale CROSS JOIN reading \
                ON reading.key >= stale.hour * ?1 AND reading.key < (stale.hour + 1) * ?1 \
                WHERE (stale.hour, reading.instrument) IN stale_hour)",
        )?
        .query_row([first_key(HOUR_MS)], |row| row.get(0))
}

/// Whether an instrument has ever reported a voltage.
///
/// # Errors
/// Whatever SQLite says.
pub fn ever_reports_voltage(connection: &Connection, instrument: i64) -> rusqlite::Result<bool> {
    connection
        .prepare_cached(
            "SELECT EXISTS (SELECT 1 FROM hour WHERE instrument = ?1 AND voltage_max IS NOT NULL)",
        )?
        .query_row(params![instrument], |row| row.get(0))
}

/// Whether an instrument has ever displayed a state of charge.
///
/// # Errors
/// Whatever SQLite says.
pub fn ever_displays(connection: &Connection, instrument: i64) -> rusqlite::Result<bool> {
    connection
        .prepare_cached("SELECT EXISTS (SELECT 1 FROM hour WHERE instrument = ?1 AND soc_max IS NOT NULL)")?
        .query_row(params![instrument], |row| row.get(0))
}

/// Hours that readings were added to since they were last derived.
///
/// # Errors
/// Whatever SQLite says.
pub fn stale(connection: &Connection) -> rusqlite::Result<Vec<(i64, i64)>> {
    connection
        .prepare_cached("SELECT hour, instrument FROM stale_hour")?
        .query_map([], |row| Ok((row.get(0)?, row.get(1)?)))?
        .collect()
}

/// Whether hours are stale besides the newest, which always is while readings arrive: what is derived then lacks more
/// than what has just come.
///
/// # Errors
/// Whatever SQLite says.
pub fn are_behind(connection: &Connection) -> rusqlite::Result<bool> {
    connection
        .prepare_cached(
            "SELECT count(DISTINCT hour) > 1 OR coalesce(min(hour) < (SELECT max(hour) FROM hour), 0) FROM stale_hour",
        )?
        .query_row([], |row| row.get(0))
}

/// Forgets that hours were stale: they have been derived.
///
/// # Errors
/// Whatever SQLite says.
pub fn none_stale(connection: &Connection) -> rusqlite::Result<()> {
    connection.execute("DELETE FROM stale_hour", []).map(drop)
}

/// What stands in five columns of a row from this one on.
fn counted(row: &Row<'_>, first_column: usize) -> rusqlite::Result<Counted> {
    Ok(Counted {
        charged: row.get(first_column)?,
        discharged: row.get(first_column + 1)?,
        heard_ms: row.get(first_column + 2)?,
        sampling_ah2: row.get(first_column + 3)?,
        pauses_ms2: row.get(first_column + 4)?,
    })
}

fn from_row(row: &Row<'_>) -> rusqlite::Result<Hour> {
    let extremes = |first: usize| -> rusqlite::Result<Option<(i64, i64)>> {
        let (low, high): (Option<i64>, Option<i64>) = (row.get(first)?, row.get(first + 1)?);
        Ok(low.zip(high))
    };
    Ok(Hour {
        hour: row.get(1)?,
        first_ms: row.get(2)?,
        last_ms: row.get(3)?,
        readings: row.get(4)?,
        counted: counted(row, 5)?,
        total: counted(row, 10)?,
        step_ma: row.get(15)?,
        total_step_ma: row.get(16)?,
        current_ma: extremes(17)?,
        voltage_mv: extremes(19)?,
        soc_permille: extremes(21)?,
        total_readings: row.get(23)?,
    })
}
