//! The readings, in order of time and then of instruments' names, so that stores with the same readings give the
//! same bytes.

use std::io::Write;

use rusqlite::Connection;

use super::{Column, ExportError, Field, Format, Kind, sheet::Sheet};
use crate::{
    api::field,
    reading::{Channel, Channels},
    store,
};

/// The columns of readings: when, whose, and a column a channel.
pub(super) fn columns() -> Vec<Column> {
    let before = [
        Column::new("at", Kind::Instant, "When it held."),
        Column::new("instrument", Kind::Text, "Who said it: a pack or the reference."),
    ];
    let channels = Channel::ALL.map(|channel| Column::new(field(channel), Kind::Number, meaning(channel)));
    before.into_iter().chain(channels).collect()
}

fn meaning(channel: Channel) -> &'static str {
    match channel {
        Channel::Current => "Current; charging is positive.",
        Channel::Voltage => "Terminal voltage.",
        Channel::Soc => "Displayed state of charge.",
        Channel::Charge => "The instrument's own charge counter.",
        Channel::Temperature => "Temperature.",
        Channel::CellMin => "Lowest cell voltage.",
        Channel::CellMax => "Highest cell voltage.",
        Channel::Connected => "1 where the board's switch connects the pack to the busbar, else 0.",
        Channel::Alive => "1 where the instrument is there at all, else 0.",
    }
}

/// Writes the readings in `[from_ms, until_ms]`; gives how many there were. `called` says what an instrument is called
/// in the output, `None`: it is left out.
///
/// Two values that void each other stand in rows of their own, after what else the reading has: taken in again they
/// void each other again.
///
/// # Errors
/// Where the store can't be read or the output not be written.
pub fn readings(
    connection: &Connection,
    setup_digest: &str,
    stretch_ms: (i64, i64),
    called: impl Fn(&str) -> Option<String>,
    format: Format,
    into: &mut (dyn Write + Send),
) -> Result<u64, ExportError> {
    let mut sheet = Sheet::begin(format, columns(), setup_digest, into)?;
    let mut rows = 0;
    store::reading::each_named(connection, stretch_ms, |named| {
        let Some(name) = called(&named.name) else {
            return Ok(());
        };
        rows += 1;
        let singly = named.voided.iter().map(|voided| Channels::from_iter([*voided]));
        for channels in std::iter::once(named.channels).chain(singly) {
            if channels.is_empty() {
                continue;
            }
            sheet.row(row(named.at_ms, &name, &channels))?;
        }
        Ok::<_, ExportError>(())
    })?;
    sheet.end()?;
    Ok(rows)
}

fn row(at_ms: i64, name: &str, channels: &Channels) -> Vec<Field> {
    let before = [Field::Instant(at_ms), Field::Text(name.to_owned())];
    let values = Channel::ALL.map(|channel| {
        let value = channels.get(channel);
        Field::from(value.map(|value| channel.in_units(value)))
    });
    before.into_iter().chain(values).collect()
}
