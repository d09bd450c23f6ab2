//! The Battery Data Format of the Battery Data Alliance (LF Energy), an open standard of column names: one CSV file a
//! pack.
//!
//! Charging is positive in these files. `Net Capacity / Ah` is the board's own counter, where it reports one;
//! `Surface Temperature T1 / degC` its temperature. A reading without voltage or current is left out: the format wants
//! both.

use std::{collections::HashMap, fs::File, io::BufWriter, path::Path};

use rusqlite::Connection;

use super::{ExportError, csv_writer, readings::in_units};
use crate::{
    config::Bank,
    config::Setup,
    reading::{Channel, Channels},
    store,
};

const COLUMNS: [&str; 6] = [
    "Test Time / s",
    "Voltage / V",
    "Current / A",
    "Unix Time / s",
    "Net Capacity / Ah",
    "Surface Temperature T1 / degC",
];

/// One pack's file.
struct Pack {
    csv: csv::Writer<BufWriter<File>>,
    first_ms: Option<i64>,
    rows: u64,
}

/// Writes `NAME.bdf.csv` for each pack of a bank into a folder that exists, from its readings in
/// `[from_ms, until_ms]`; gives how many rows each has.
///
/// # Errors
/// Where the store can't be read or a file not be written.
pub fn batteries(
    connection: &Connection,
    setup: &Setup,
    bank: &Bank,
    stretch_ms: (i64, i64),
    folder: &Path,
) -> Result<Vec<(String, u64)>, ExportError> {
    let mut packs = HashMap::new();
    for pack in &bank.packs {
        let name = &setup.entry(pack.instrument).id;
        let file = File::create(folder.join(format!("{name}.bdf.csv")))?;
        let mut csv = csv_writer(BufWriter::new(file));
        csv.write_record(COLUMNS)?;
        let pack = Pack {
            csv,
            first_ms: None,
            rows: 0,
        };
        packs.insert(name.clone(), pack);
    }
    let mut failed = None;
    store::reading::each_named(connection, stretch_ms, |named| {
        if failed.is_none()
            && let Some(pack) = packs.get_mut(&named.name)
        {
            failed = pack.row(named.at_ms, &named.channels).err();
        }
        Ok(())
    })?;
    if let Some(error) = failed {
        return Err(error);
    }
    let mut written = Vec::new();
    for (name, mut pack) in packs {
        pack.csv.flush()?;
        written.push((name, pack.rows));
    }
    written.sort();
    Ok(written)
}

impl Pack {
    fn row(&mut self, at_ms: i64, channels: &Channels) -> Result<(), ExportError> {
        let value = |channel: Channel| channels.get(channel).map(|value| in_units(channel, value));
        let (Some(voltage), Some(current)) = (value(Channel::Voltage), value(Channel::Current)) else {
            return Ok(());
        };
        let first_ms = *self.first_ms.get_or_insert(at_ms);
        #[expect(clippy::cast_precision_loss, reason = "times in ms are far below 2^52")]
        let seconds = |ms: i64| Some(ms as f64 / 1000.0);
        let fields = [
            seconds(at_ms - first_ms),
            Some(voltage),
            Some(current),
            seconds(at_ms),
            value(Channel::Charge),
            value(Channel::Temperature),
        ];
        let text = fields.map(|field| field.map_or_else(String::new, |figure| figure.to_string()));
        self.csv.write_record(text)?;
        self.rows += 1;
        Ok(())
    }
}
