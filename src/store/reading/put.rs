//! Readings go in: each once, whatever the order, and two values of one channel void each other.

use std::collections::BTreeSet;

use rusqlite::{CachedStatement, Connection, params};

use super::{COLUMNS, channels_of, key};
use crate::reading::{Channel, Channels};

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
            "INSERT OR IGNORE INTO reading (key, current, voltage, soc, charge, temperature, cell_min, cell_max, \
             connected, alive) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10)",
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
        self.statement.raw_bind_parameter(1, key(at_ms, instrument))?;
        for (channel, value) in channels.iter() {
            // The columns stand in the order of the channels.
            self.statement.raw_bind_parameter(2 + channel as usize, value)?;
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
            "SELECT {COLUMNS}, coalesce(void, 0) FROM reading WHERE key = ?1"
        ))?
        .query_row(params![key(at_ms, instrument)], |row| {
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
                "UPDATE reading SET current = ?2, voltage = ?3, soc = ?4, charge = ?5, temperature = ?6, \
                 cell_min = ?7, cell_max = ?8, connected = ?9, alive = ?10, void = nullif(?11, 0) WHERE key = ?1",
            )?
            .execute(params![
                key(at_ms, instrument),
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
                "SELECT {COLUMNS}, at_ms, void FROM reading ORDER BY key"
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
