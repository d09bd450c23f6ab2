//! `reading`: the truth. Idempotent and independent of order.
//!
//! The channels of one instrument and instant merge. Where two values of one channel differ neither is believed:
//! the channel is void for that reading, whichever value came first, and both stand in `conflict`.

use std::collections::{BTreeMap, BTreeSet};

use rusqlite::{CachedStatement, Connection, OptionalExtension, Row, params, types::ValueRef};

use crate::reading::{Channel, Channels};

pub(super) const COLUMNS: &str =
    "current, voltage, soc, charge, temperature, cell_min, cell_max, connected, alive";

/// What storing one reading did.
#[derive(Debug, Default, PartialEq, Eq)]
pub struct Stored {
    /// Something in the table is now different.
    pub changed: bool,
    /// Channels found in conflict, with the values that stand against each other and weren't known before.
    pub conflicts: Vec<(Channel, i64)>,
}

/// Stores readings, one after another.
pub struct Insert<'c> {
    connection: &'c Connection,
    statement: CachedStatement<'c>,
}

impl<'c> Insert<'c> {
    /// Prepares it.
    ///
    /// # Errors
    /// Whatever SQLite says.
    pub fn new(connection: &'c Connection) -> rusqlite::Result<Self> {
        let statement = connection.prepare_cached(
            "INSERT OR IGNORE INTO reading (at_ms, instrument, current, voltage, soc, charge, temperature, cell_min, \
             cell_max, connected, alive) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11)",
        )?;
        Ok(Self {
            connection,
            statement,
        })
    }

    /// Stores a reading of the instrument with number `instrument`.
    ///
    /// # Errors
    /// Whatever SQLite says.
    pub fn put(&mut self, instrument: i64, at_ms: i64, channels: &Channels) -> rusqlite::Result<Stored> {
        self.statement.clear_bindings();
        self.statement.raw_bind_parameter(1, at_ms)?;
        self.statement.raw_bind_parameter(2, instrument)?;
        for (channel, value) in channels.iter() {
            // The columns stand in the order of the channels.
            self.statement.raw_bind_parameter(3 + channel as usize, value)?;
        }
        if self.statement.raw_execute()? == 1 {
            return Ok(Stored {
                changed: true,
                conflicts: Vec::new(),
            });
        }
        merge(self.connection, instrument, at_ms, channels)
    }
}

/// Merges a reading with the one already there.
fn merge(connection: &Connection, instrument: i64, at_ms: i64, news: &Channels) -> rusqlite::Result<Stored> {
    let (mut channels, mut void): (Channels, i64) = connection
        .prepare_cached(&format!(
            "SELECT {COLUMNS}, coalesce(void, 0) FROM reading WHERE at_ms = ?1 AND instrument = ?2"
        ))?
        .query_row(params![at_ms, instrument], |row| {
            Ok((channels_of(row, 0)?, row.get(Channel::ALL.len())?))
        })?;
    let before = (channels, void);
    let mut stored = Stored::default();
    for (channel, value) in news.iter() {
        let bit = 1 << channel as i64;
        match channels.get(channel) {
            _ if void & bit != 0 => add_conflict(connection, instrument, at_ms, channel, value, &mut stored)?,
            None => channels.set(channel, Some(value)),
            Some(known) if known == value => {}
            Some(known) => {
                channels.set(channel, None);
                void |= bit;
                add_conflict(connection, instrument, at_ms, channel, known, &mut stored)?;
                add_conflict(connection, instrument, at_ms, channel, value, &mut stored)?;
            }
        }
    }
    if (channels, void) != before {
        stored.changed = true;
        let [
            current,
            voltage,
            soc,
            charge,
            temperature,
            cell_min,
            cell_max,
            connected,
            alive,
        ] = Channel::ALL.map(|channel| channels.get(channel));
        connection
            .prepare_cached(
                "UPDATE reading SET current = ?3, voltage = ?4, soc = ?5, charge = ?6, temperature = ?7, \
                 cell_min = ?8, cell_max = ?9, connected = ?10, alive = ?11, void = nullif(?12, 0) \
                 WHERE at_ms = ?1 AND instrument = ?2",
            )?
            .execute(params![
                at_ms,
                instrument,
                current,
                voltage,
                soc,
                charge,
                temperature,
                cell_min,
                cell_max,
                connected,
                alive,
                void
            ])?;
    }
    Ok(stored)
}

fn add_conflict(
    connection: &Connection,
    instrument: i64,
    at_ms: i64,
    channel: Channel,
    value: i64,
    stored: &mut Stored,
) -> rusqlite::Result<()> {
    let added = connection
        .prepare_cached("INSERT OR IGNORE INTO conflict VALUES (?1, ?2, ?3, ?4)")?
        .execute(params![at_ms, instrument, channel.name(), value])?;
    if added == 1 {
        stored.conflicts.push((channel, value));
    }
    Ok(())
}

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
        "SELECT {COLUMNS}, at_ms, instrument FROM reading WHERE at_ms >= ?1 AND at_ms < ?2 ORDER BY at_ms, instrument"
    ))?;
    let mut rows = statement.query(params![from_ms, until_ms])?;
    while let Some(row) = rows.next()? {
        each((row.get(9)?, row.get(10)?, channels_of(row, 0)?))?;
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
        "SELECT at_ms, instrument, current, alive FROM reading WHERE at_ms >= ?1 AND at_ms < ?2 \
         ORDER BY at_ms, instrument",
    )?;
    let mut rows = statement.query(params![from_ms, until_ms])?;
    while let Some(row) = rows.next()? {
        let mut channels = Channels::default();
        channels.set(Channel::Current, row.get(2)?);
        channels.set(Channel::Alive, row.get(3)?);
        if !each((row.get(0)?, row.get(1)?, channels)) {
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
         WHERE at_ms BETWEEN ?1 AND ?2 ORDER BY at_ms, i.name"
    ))?;
    let mut rows = statement.query(params![from_ms, until_ms])?;
    while let Some(row) = rows.next()? {
        let at_ms = row.get(9)?;
        let void: Option<i64> = row.get(10)?;
        let voided = match void {
            None => Vec::new(),
            Some(_) => conflicts(connection, row.get(11)?, at_ms)?,
        };
        each(Named {
            at_ms,
            name: row.get(12)?,
            channels: channels_of(row, 0)?,
            voided,
        })?;
    }
    Ok(())
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
        "SELECT at_ms, instrument, soc FROM reading WHERE at_ms >= ?1 AND at_ms <= ?2 AND soc IS NOT NULL \
         ORDER BY at_ms DESC, instrument DESC",
    )?;
    let mut rows = statement.query(params![from_ms, until_ms])?;
    while let Some(row) = rows.next()? {
        if !each((row.get(0)?, row.get(1)?, row.get(2)?)) {
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
            "SELECT instrument, max(soc) FROM reading WHERE at_ms >= ?1 AND at_ms < ?2 AND soc IS NOT NULL \
             GROUP BY instrument",
        )?
        .query_map(params![from_ms, until_ms], |row| Ok((row.get(0)?, row.get(1)?)))?
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
            "SELECT at_ms, {column} FROM reading WHERE at_ms >= ?1 AND at_ms <= ?2 AND instrument = ?3 \
             AND {column} IS NOT NULL ORDER BY at_ms {direction} LIMIT 1"
        ))?
        .query_row(params![from_ms, until_ms, instrument], |row| {
            Ok((row.get(0)?, row.get(1)?))
        })
        .optional()
}

/// When an instrument last reported anything, not before `from_ms`; ms since 1970.
///
/// # Errors
/// Whatever SQLite says.
pub fn last_heard(connection: &Connection, instrument: i64, from_ms: i64) -> rusqlite::Result<Option<i64>> {
    connection
        .prepare_cached(
            "SELECT at_ms FROM reading WHERE at_ms >= ?1 AND instrument = ?2 ORDER BY at_ms DESC LIMIT 1",
        )?
        .query_row(params![from_ms, instrument], |row| row.get(0))
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
        "SELECT at_ms, instrument = ?2 AND {column} IS NOT NULL FROM reading WHERE at_ms > ?1 \
         ORDER BY at_ms DESC LIMIT {AMONG}"
    ))?;
    let mut rows = statement.query(params![now_ms - MONTH_MS, instrument])?;
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
        "SELECT (SELECT min(at_ms) FROM reading), (SELECT max(at_ms) FROM reading)",
        [],
        |row| Ok((row.get(0)?, row.get(1)?)),
    )?;
    Ok(first.zip(last))
}

/// Readings of one instrument in `[from_ms, until_ms)`, oldest first, at most `limit`.
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
    connection
        .prepare_cached(&format!(
            "SELECT {COLUMNS}, at_ms FROM reading WHERE at_ms >= ?1 AND at_ms < ?2 AND instrument = ?3 \
             ORDER BY at_ms LIMIT ?4"
        ))?
        .query_map(params![from_ms, until_ms, instrument, limit], |row| {
            Ok((row.get(9)?, channels_of(row, 0)?))
        })?
        .collect()
}

fn channels_of(row: &Row<'_>, first_column: usize) -> rusqlite::Result<Channels> {
    let mut channels = Channels::default();
    for (offset, channel) in Channel::ALL.into_iter().enumerate() {
        // Whole numbers and nothing else: the table is STRICT.
        if let ValueRef::Integer(value) = row.get_ref(first_column + offset)? {
            channels.set(channel, Some(value));
        }
    }
    Ok(channels)
}

/// The hours (since 1970) that a set of readings touches, by instrument's number.
pub type TouchedHours = BTreeSet<(i64, i64)>;

/// Marks hours as needing to be derived again: (hour, instrument's number).
///
/// # Errors
/// Whatever SQLite says.
pub fn mark_stale(connection: &Connection, touched: &TouchedHours) -> rusqlite::Result<()> {
    let mut statement = connection.prepare_cached("INSERT OR IGNORE INTO stale_hour VALUES (?1, ?2)")?;
    for (hour, instrument) in touched {
        statement.execute(params![hour, instrument])?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;
    use crate::store::{instrument, read_write};

    type Row = (i64, Channels, Option<i64>);

    /// Everything the two tables hold after storing these, in this order.
    fn stored(readings: &[(i64, Channels)]) -> (Vec<Row>, Vec<(i64, String, i64)>) {
        let folder = tempfile::tempdir().unwrap();
        let connection = read_write(&folder.path().join("t.sqlite")).unwrap();
        let tern = instrument::number_of(&connection, "tern").unwrap();
        let mut insert = Insert::new(&connection).unwrap();
        for (at_ms, channels) in readings {
            insert.put(tern, *at_ms, channels).unwrap();
        }
        let rows = connection
            .prepare(&format!(
                "SELECT {COLUMNS}, at_ms, void FROM reading ORDER BY at_ms"
            ))
            .unwrap()
            .query_map([], |row| Ok((row.get(9)?, channels_of(row, 0)?, row.get(10)?)))
            .unwrap()
            .collect::<rusqlite::Result<_>>()
            .unwrap();
        let conflicts = connection
            .prepare("SELECT at_ms, channel, value FROM conflict ORDER BY 1, 2, 3")
            .unwrap()
            .query_map([], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)))
            .unwrap()
            .collect::<rusqlite::Result<_>>()
            .unwrap();
        (rows, conflicts)
    }

    fn some_channels() -> impl Strategy<Value = Channels> {
        proptest::collection::vec(
            (
                prop_oneof![
                    Just(Channel::Current),
                    Just(Channel::Soc),
                    Just(Channel::Connected)
                ],
                0..3i64,
            ),
            1..3,
        )
        .prop_map(Channels::from_iter)
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(48))]

        #[test]
        fn order_and_repetition_change_nothing(
            readings in proptest::collection::vec((0..4i64, some_channels()), 1..12),
            seed in any::<u64>(),
        ) {
            let mut shuffled = readings.clone();
            shuffled.extend_from_slice(&readings);
            let length = shuffled.len();
            for index in 0..length {
                let other = usize::try_from(seed.rotate_left(u32::try_from(index).unwrap()) % length as u64).unwrap();
                shuffled.swap(index, other);
            }
            prop_assert_eq!(stored(&readings), stored(&shuffled));
        }
    }

    #[test]
    fn neither_of_two_values_is_believed_nor_a_third() {
        let soc = |value| Channels::from_iter([(Channel::Soc, value)]);
        let (rows, conflicts) = stored(&[(7, soc(500)), (7, soc(510)), (7, soc(500)), (7, soc(520))]);
        assert_eq!(rows, [(7, Channels::default(), Some(1 << Channel::Soc as i64))]);
        let values: Vec<i64> = conflicts.into_iter().map(|(_, _, value)| value).collect();
        assert_eq!(values, [500, 510, 520]);
    }
}
