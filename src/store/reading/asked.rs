//! Readings come out: by time, by instrument, by channel.

use std::collections::BTreeMap;

use rusqlite::{Connection, OptionalExtension, params};

use super::{COLUMNS, channels_of, first_key, in_order, last_key, parts};
use crate::{
    reading::{Channel, Channels, HOUR_MS},
    store::hour,
};

/// One row: (time in ms, instrument's number, values).
pub type StoredReading = (i64, i64, Channels);

/// Calls `each` with every reading in `[from_ms, until_ms)`, in order of time, then instrument.
///
/// # Errors
/// Whatever SQLite or `each` says.
pub fn each_between(
    connection: &Connection,
    from_ms: i64,
    until_ms: i64,
    mut each: impl FnMut(StoredReading) -> rusqlite::Result<()>,
) -> rusqlite::Result<()> {
    let mut statement = connection.prepare_cached(&format!(
        "SELECT {COLUMNS}, key FROM reading WHERE key >= ?1 AND key < ?2 ORDER BY key"
    ))?;
    let mut rows = statement.query(params![first_key(from_ms), first_key(until_ms)])?;
    while let Some(row) = rows.next()? {
        let (at_ms, instrument) = parts(row.get(9)?);
        each((at_ms, instrument, channels_of(row, 0)?))?;
    }
    Ok(())
}

/// Calls `each` with every reading in `[from_ms, until_ms)`, in order of time, then instrument, as long as it returns
/// true: with nothing but the current, and whether its instrument is there.
///
/// # Errors
/// Whatever SQLite says.
pub fn each_current(
    connection: &Connection,
    from_ms: i64,
    until_ms: i64,
    mut each: impl FnMut(StoredReading) -> bool,
) -> rusqlite::Result<()> {
    let mut statement = connection.prepare_cached(
        "SELECT key, current, alive FROM reading WHERE key >= ?1 AND key < ?2 ORDER BY key",
    )?;
    let mut rows = statement.query(params![first_key(from_ms), first_key(until_ms)])?;
    while let Some(row) = rows.next()? {
        let (at_ms, instrument) = parts(row.get(0)?);
        let mut channels = Channels::default();
        channels.set(Channel::Current, row.get(1)?);
        channels.set(Channel::Alive, row.get(2)?);
        if !each((at_ms, instrument, channels)) {
            break;
        }
    }
    Ok(())
}

/// A reading with its instrument's name, and the values that void each other in it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Named {
    /// When, ms since 1970.
    pub at_ms: i64,
    /// Whose.
    pub name: String,
    /// What is believed.
    pub channels: Channels,
    /// Every value that was given for a void channel.
    pub voided: Vec<(Channel, i64)>,
}

/// Calls `each` with every reading in order of time, then instrument's name.
///
/// # Errors
/// Whatever SQLite or `each` says.
pub fn each_named<E: From<rusqlite::Error>>(
    connection: &Connection,
    (from_ms, until_ms): (i64, i64),
    mut each: impl FnMut(Named) -> Result<(), E>,
) -> Result<(), E> {
    let mut statement = connection.prepare(&format!(
        "SELECT {COLUMNS}, at_ms, void, i.id, i.name FROM reading JOIN instrument AS i ON i.id = instrument \
         WHERE {}",
        in_order(connection)?
    ))?;
    let mut rows = statement.query(params![first_key(from_ms), last_key(until_ms)])?;
    let mut of_instant: Vec<Named> = Vec::new();
    while let Some(row) = rows.next()? {
        let at_ms = row.get(9)?;
        let void: Option<i64> = row.get(10)?;
        let voided = match void {
            None => Vec::new(),
            Some(_) => conflicts(connection, row.get(11)?, at_ms)?,
        };
        if of_instant.first().is_some_and(|named| named.at_ms != at_ms) {
            by_name(&mut of_instant).try_for_each(&mut each)?;
        }
        of_instant.push(Named {
            at_ms,
            name: row.get(12)?,
            channels: channels_of(row, 0)?,
            voided,
        });
    }
    by_name(&mut of_instant).try_for_each(each)
}

/// Takes the readings of one instant out in the order of names.
fn by_name(of_instant: &mut Vec<Named>) -> impl Iterator<Item = Named> {
    of_instant.sort_unstable_by(|a, b| a.name.cmp(&b.name));
    of_instant.drain(..)
}

/// The values that void each other at an instant, in order.
fn conflicts(connection: &Connection, instrument: i64, at_ms: i64) -> rusqlite::Result<Vec<(Channel, i64)>> {
    let mut statement = connection.prepare_cached(
        "SELECT channel, value FROM conflict WHERE at_ms = ?1 AND instrument = ?2 ORDER BY channel, value",
    )?;
    let found = statement.query_map(params![at_ms, instrument], |row| Ok((row.get(0)?, row.get(1)?)))?;
    let mut values = Vec::new();
    for value in found {
        let (name, value): (String, i64) = value?;
        values.extend(Channel::named(&name).map(|channel| (channel, value)));
    }
    Ok(values)
}

/// Calls `each` with what was displayed in `[from_ms, until_ms]`, newest first, for as long as it wants more:
/// (time in ms, instrument's number, tenths of a percent).
///
/// # Errors
/// Whatever SQLite says.
pub fn each_display_back(
    connection: &Connection,
    from_ms: i64,
    until_ms: i64,
    mut each: impl FnMut((i64, i64, i64)) -> bool,
) -> rusqlite::Result<()> {
    let mut statement = connection.prepare_cached(
        "SELECT key, soc FROM reading WHERE key BETWEEN ?1 AND ?2 AND soc IS NOT NULL ORDER BY key DESC",
    )?;
    let mut rows = statement.query(params![first_key(from_ms), last_key(until_ms)])?;
    while let Some(row) = rows.next()? {
        let (at_ms, instrument) = parts(row.get(0)?);
        if !each((at_ms, instrument, row.get(1)?)) {
            break;
        }
    }
    Ok(())
}

/// The highest display of each instrument in `[from_ms, until_ms)`, by the instrument's number, tenths of a percent.
///
/// # Errors
/// Whatever SQLite says.
pub fn highest_displays(
    connection: &Connection,
    from_ms: i64,
    until_ms: i64,
) -> rusqlite::Result<BTreeMap<i64, i64>> {
    connection
        .prepare_cached(
            "SELECT instrument, max(soc) FROM reading WHERE key >= ?1 AND key < ?2 AND soc IS NOT NULL \
             GROUP BY instrument",
        )?
        .query_map(params![first_key(from_ms), first_key(until_ms)], |row| {
            Ok((row.get(0)?, row.get(1)?))
        })?
        .collect()
}

/// The last reading of an instrument with a value of the channel in `[from_ms, until_ms]`: (time in ms, value).
///
/// # Errors
/// Whatever SQLite says.
pub fn last_value(
    connection: &Connection,
    instrument: i64,
    channel: Channel,
    from_ms: i64,
    until_ms: i64,
) -> rusqlite::Result<Option<(i64, i64)>> {
    value_at_end(connection, instrument, channel, from_ms, until_ms, "DESC")
}

/// The first reading of an instrument with a value of the channel in `[from_ms, until_ms]`: (time in ms, value).
///
/// # Errors
/// Whatever SQLite says.
pub fn first_value(
    connection: &Connection,
    instrument: i64,
    channel: Channel,
    from_ms: i64,
    until_ms: i64,
) -> rusqlite::Result<Option<(i64, i64)>> {
    value_at_end(connection, instrument, channel, from_ms, until_ms, "ASC")
}

fn value_at_end(
    connection: &Connection,
    instrument: i64,
    channel: Channel,
    from_ms: i64,
    until_ms: i64,
    direction: &str,
) -> rusqlite::Result<Option<(i64, i64)>> {
    let column = channel.name();
    connection
        .prepare_cached(&format!(
            "SELECT at_ms, {column} FROM reading WHERE key BETWEEN ?1 AND ?2 AND instrument = ?3 \
             AND {column} IS NOT NULL ORDER BY key {direction} LIMIT 1"
        ))?
        .query_row(
            params![first_key(from_ms), last_key(until_ms), instrument],
            |row| Ok((row.get(0)?, row.get(1)?)),
        )
        .optional()
}

/// When an instrument last reported anything, not before `from_ms`; ms since 1970.
///
/// # Errors
/// Whatever SQLite says.
pub fn last_heard(connection: &Connection, instrument: i64, from_ms: i64) -> rusqlite::Result<Option<i64>> {
    connection
        .prepare_cached(
            "SELECT at_ms FROM reading WHERE key >= ?1 AND instrument = ?2 ORDER BY key DESC LIMIT 1",
        )?
        .query_row(params![first_key(from_ms), instrument], |row| row.get(0))
        .optional()
}

/// How far apart an instrument usually reports a channel: the median of its last intervals, ms.
///
/// `None` where it has reported too little to tell in the month before `now_ms`, or among the last readings of all:
/// a start must not wait for a look through a month of channels that nobody reports.
///
/// # Errors
/// Whatever SQLite says.
pub fn usual_interval_ms(
    connection: &Connection,
    instrument: i64,
    channel: Channel,
    now_ms: i64,
) -> rusqlite::Result<Option<i64>> {
    const LOOKED_AT: usize = 33;
    const AMONG: usize = 20_000;
    const MONTH_MS: i64 = 30 * 86_400_000;
    let column = channel.name();
    let mut statement = connection.prepare(&format!(
        "SELECT at_ms, instrument = ?2 AND {column} IS NOT NULL FROM reading WHERE key > ?1 \
         ORDER BY key DESC LIMIT {AMONG}"
    ))?;
    let mut rows = statement.query(params![last_key(now_ms - MONTH_MS), instrument])?;
    let mut times: Vec<i64> = Vec::new();
    while times.len() < LOOKED_AT
        && let Some(row) = rows.next()?
    {
        if row.get(1)? {
            times.push(row.get(0)?);
        }
    }
    let mut intervals: Vec<i64> = times.windows(2).map(|pair| pair[0] - pair[1]).collect();
    intervals.sort_unstable();
    Ok((intervals.len() >= 3).then(|| intervals[intervals.len() / 2]))
}

/// Time of the first and of the last reading of all, ms.
///
/// # Errors
/// Whatever SQLite says.
pub fn extent(connection: &Connection) -> rusqlite::Result<Option<(i64, i64)>> {
    let (first, last): (Option<i64>, Option<i64>) = connection.query_row(
        "SELECT (SELECT min(key) FROM reading), (SELECT max(key) FROM reading)",
        [],
        |row| Ok((row.get(0)?, row.get(1)?)),
    )?;
    Ok(first
        .zip(last)
        .map(|(first, last)| (parts(first).0, parts(last).0)))
}

/// Readings of one instrument in `[from_ms, until_ms)`, oldest first, at most `limit`.
///
/// Readings of all instruments stand side by side: only where it has any is looked, or every one of the others' would be
/// read.
///
/// # Errors
/// Whatever SQLite says.
pub fn of_instrument(
    connection: &Connection,
    instrument: i64,
    from_ms: i64,
    until_ms: i64,
    limit: u32,
) -> rusqlite::Result<Vec<(i64, Channels)>> {
    let Some((first, last)) = hour::first_and_last(connection, instrument)? else {
        return Ok(Vec::new());
    };
    let (from_ms, until_ms) = (from_ms.max(first * HOUR_MS), until_ms.min((last + 1) * HOUR_MS));
    connection
        .prepare_cached(&format!(
            "SELECT {COLUMNS}, at_ms FROM reading WHERE key >= ?1 AND key < ?2 AND instrument = ?3 \
             ORDER BY key LIMIT ?4"
        ))?
        .query_map(
            params![first_key(from_ms), first_key(until_ms), instrument, limit],
            |row| Ok((row.get(9)?, channels_of(row, 0)?)),
        )?
        .collect()
}
