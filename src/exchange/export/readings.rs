//! The readings, in order of time and then of instruments' names, so that stores with the same readings give the
//! same bytes.

use std::{collections::BTreeSet, io::Write};

use rusqlite::Connection;
use serde_json::{Map, Value};

use super::{ExportError, Format, csv_writer};
use crate::{
    api::field,
    page::words::rfc3339,
    reading::{Channel, Channels},
    store,
};

/// Writes the readings in `[from_ms, until_ms]`, of these instruments or of all; gives how many there were.
///
/// Two values that void each other stand in rows of their own, after what else the reading has: taken in again they
/// void each other again.
///
/// # Errors
/// Where the store can't be read or the output not be written.
pub fn readings(
    connection: &Connection,
    stretch_ms: (i64, i64),
    only: Option<&BTreeSet<String>>,
    format: Format,
    into: &mut dyn Write,
) -> Result<u64, ExportError> {
    let mut out = match format {
        Format::Csv => {
            let mut csv = csv_writer(into);
            csv.write_record(["at", "instrument"].into_iter().chain(Channel::ALL.map(field)))?;
            Out::Csv(Box::new(csv))
        }
        Format::JsonLines => Out::JsonLines(into),
    };
    let mut rows = 0;
    let mut failed = None;
    store::reading::each_named(connection, stretch_ms, |named| {
        if failed.is_some() || only.is_some_and(|only| !only.contains(&named.name)) {
            return Ok(());
        }
        rows += 1;
        let singly = named.voided.iter().map(|voided| Channels::from_iter([*voided]));
        for channels in std::iter::once(named.channels).chain(singly) {
            if channels.is_empty() {
                continue;
            }
            if let Err(error) = out.row(named.at_ms, &named.name, &channels) {
                failed = Some(error);
                break;
            }
        }
        Ok(())
    })?;
    if let Some(error) = failed {
        return Err(error);
    }
    out.end()?;
    Ok(rows)
}

enum Out<'a> {
    Csv(Box<csv::Writer<&'a mut dyn Write>>),
    JsonLines(&'a mut dyn Write),
}

impl Out<'_> {
    fn row(&mut self, at_ms: i64, name: &str, channels: &Channels) -> Result<(), ExportError> {
        let at = rfc3339(at_ms);
        match self {
            Self::Csv(csv) => {
                csv.write_field(at)?;
                csv.write_field(name)?;
                for channel in Channel::ALL {
                    let value = channels.get(channel);
                    csv.write_field(
                        value.map_or_else(String::new, |value| in_units(channel, value).to_string()),
                    )?;
                }
                csv.write_record(None::<&[u8]>)?;
            }
            Self::JsonLines(into) => {
                let mut line = Map::new();
                line.insert("at".into(), at.into());
                line.insert("instrument".into(), name.into());
                for (channel, value) in channels.iter() {
                    line.insert(field(channel).into(), in_units(channel, value).into());
                }
                writeln!(into, "{}", Value::Object(line))?;
            }
        }
        Ok(())
    }

    fn end(&mut self) -> Result<(), ExportError> {
        match self {
            Self::Csv(csv) => csv.flush()?,
            Self::JsonLines(into) => into.flush()?,
        }
        Ok(())
    }
}

/// A kept value in A, V, %, Ah or °C. What is read back from its shortest decimal form is the same kept value.
#[expect(clippy::cast_precision_loss, reason = "kept values are far below 2^52")]
pub(super) fn in_units(channel: Channel, value: i64) -> f64 {
    value as f64 / channel.kept_per_unit()
}
