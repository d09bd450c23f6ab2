//! The Battery Data Format of the Battery Data Alliance (LF Energy), an open standard of column names: one file a pack.
//!
//! Charging is positive in these files. `Net Capacity / Ah` is the board's own counter, where it reports one;
//! `Surface Temperature T1 / degC` its temperature. A reading without voltage or current is left out: the format wants
//! both.

use std::{
    collections::BTreeMap,
    fs::File,
    io::BufWriter,
    path::{Path, PathBuf},
};

use rusqlite::Connection;

use super::{Column, ExportError, Field, Format, Kind::Number, sheet::Sheet};
use crate::{
    config::Bank,
    config::Setup,
    reading::{Channel, Channels},
    store,
    unit::thousandths,
};

const COLUMNS: [Column; 6] = [
    Column::new("Test Time / s", Number, "Time since the first row."),
    Column::new("Voltage / V", Number, "Terminal voltage."),
    Column::new("Current / A", Number, "Current; charging is positive."),
    Column::new("Unix Time / s", Number, "Time since 1970-01-01T00:00:00Z."),
    Column::new("Net Capacity / Ah", Number, "The board's own charge counter."),
    Column::new(
        "Surface Temperature T1 / degC",
        Number,
        "Temperature as the board reports it.",
    ),
];

/// What the format calls its files.
fn ending(format: Format) -> Option<&'static str> {
    match format {
        Format::Csv => Some("bdf.csv"),
        Format::JsonLines => None,
        #[cfg(feature = "parquet")]
        Format::Parquet => Some("bdf.parquet"),
    }
}

/// One pack's file.
struct Pack {
    sheet: Sheet<BufWriter<File>>,
    path: PathBuf,
    first_ms: Option<i64>,
    rows: u64,
}

/// Writes a file for each pack of a bank into a folder that exists, from its readings in `[from_ms, until_ms]`; gives
/// how many rows each has. `None`: the standard has no such format.
///
/// # Errors
/// Where the store can't be read or a file not be written.
pub fn batteries(
    connection: &Connection,
    setup: &Setup,
    bank: &Bank,
    stretch_ms: (i64, i64),
    format: Format,
    folder: &Path,
) -> Result<Option<Vec<(PathBuf, u64)>>, ExportError> {
    let Some(ending) = ending(format) else {
        return Ok(None);
    };
    let mut packs = BTreeMap::new();
    for pack in &bank.packs {
        let name = &setup.entry(pack.instrument).id;
        let path = folder.join(format!("{name}.{ending}"));
        let file = BufWriter::new(File::create(&path)?);
        let pack = Pack {
            sheet: Sheet::begin(format, COLUMNS.to_vec(), &setup.digest, file)?,
            path,
            first_ms: None,
            rows: 0,
        };
        packs.insert(name.clone(), pack);
    }
    store::reading::each_named(connection, stretch_ms, |named| match packs.get_mut(&named.name) {
        Some(pack) => pack.row(named.at_ms, &named.channels),
        None => Ok(()),
    })?;
    let ended = packs.into_values().map(|pack| {
        pack.sheet.end()?;
        Ok((pack.path, pack.rows))
    });
    ended.collect::<Result<_, _>>().map(Some)
}

impl Pack {
    fn row(&mut self, at_ms: i64, channels: &Channels) -> Result<(), ExportError> {
        let value = |channel: Channel| channels.get(channel).map(|value| channel.in_units(value));
        let (Some(voltage), Some(current)) = (value(Channel::Voltage), value(Channel::Current)) else {
            return Ok(());
        };
        let first_ms = *self.first_ms.get_or_insert(at_ms);
        let fields = [
            Some(thousandths(at_ms - first_ms)),
            Some(voltage),
            Some(current),
            Some(thousandths(at_ms)),
            value(Channel::Charge),
            value(Channel::Temperature),
        ];
        self.sheet.row(fields.map(Field::from).to_vec())?;
        self.rows += 1;
        Ok(())
    }
}
