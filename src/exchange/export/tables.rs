//! Full charges, phases, notes and marks as tables, out of the API's documents; hours out of the store.

use clap::ValueEnum;
use rusqlite::Connection;
use serde_json::{Value, json};

use super::Table;
use crate::{
    api::query_string,
    config::{Bank, Setup},
    ledger::Roster,
    page::words::rfc3339,
    store,
};

const HOUR_MS: i64 = 3_600_000;

/// What is exported.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum What {
    /// Every reading.
    Readings,
    /// What each instrument counted, hour by hour.
    Hours,
    /// Full charges, a row a pack.
    Anchors,
    /// What was going on when.
    Phases,
    /// What people noted, with every correction.
    Notes,
    /// Full charges that people stated or vetoed, with every withdrawal.
    Marks,
    /// The packs' readings in the Battery Data Format, a CSV file a pack.
    BatteryData,
}

impl What {
    /// What to GET of the API for a bank and a stretch of time; `None` for what the API doesn't give whole.
    #[must_use]
    pub fn path(self, bank: &str, since: Option<&str>, until: Option<&str>) -> Option<String> {
        let bank = ("bank", Some(bank));
        let stretch = query_string(&[bank, ("since", since), ("until", until)]);
        match self {
            Self::Readings | Self::Hours | Self::BatteryData => None,
            Self::Anchors => Some(format!("/v1/anchors{stretch}")),
            Self::Phases => Some(format!("/v1/phases{stretch}")),
            Self::Notes => Some("/v1/notes?history=true".to_owned()),
            Self::Marks => Some(format!(
                "/v1/marks{}",
                query_string(&[bank, ("history", Some("true"))])
            )),
        }
    }

    /// The table of the API's document.
    #[must_use]
    pub fn table(self, document: &Value) -> Table {
        let list = |name: &str| document[name].as_array().map_or(&[][..], Vec::as_slice);
        match self {
            Self::Readings | Self::Hours | Self::BatteryData => Table::of(&[], []),
            Self::Anchors => {
                let rows: Vec<Value> = list("anchors").iter().flat_map(anchor_rows).collect();
                Table::of(&ANCHOR, &rows)
            }
            Self::Phases => Table::of(&["kind", "begin", "end", "stated"], list("phases")),
            Self::Notes => Table::of(&NOTE, list("notes")),
            Self::Marks => Table::of(&MARK, list("marks")),
        }
    }
}

const ANCHOR: [&str; 18] = [
    "begin",
    "end",
    "voltage_crossed",
    "bank_voltage_v",
    "reference_tail_current_a",
    "asserted",
    "vetoed",
    "pack",
    "counts",
    "reason",
    "voltage_v",
    "tail_current_a",
    "cell_min_v",
    "cell_max_v",
    "cell_difference_v",
    "temperature_c",
    "display_before_percent",
    "display_after_percent",
];

const NOTE: [&str; 10] = [
    "id",
    "revision",
    "written",
    "at",
    "bank",
    "reference",
    "pack",
    "kind",
    "text",
    "withdrawn",
];

const MARK: [&str; 10] = [
    "id",
    "revision",
    "written",
    "bank",
    "kind",
    "at",
    "voltage_v",
    "tail_current_a",
    "text",
    "withdrawn",
];

/// A row a pack of one full charge.
fn anchor_rows(anchor: &Value) -> Vec<Value> {
    let packs = anchor["packs"].as_array().map_or(&[][..], Vec::as_slice);
    let row = |pack: &Value| {
        let mut row = pack.clone();
        for (column, field) in [
            ("begin", "begin"),
            ("end", "end"),
            ("voltage_crossed", "voltage_crossed"),
            ("bank_voltage_v", "voltage_v"),
            ("reference_tail_current_a", "tail_current_a"),
            ("asserted", "asserted"),
            ("vetoed", "vetoed"),
        ] {
            row[column] = anchor[field].clone();
        }
        row
    };
    packs.iter().map(row).collect()
}

/// The hours of a bank's instruments in `[from_ms, until_ms]`, as they were derived last.
///
/// # Errors
/// Whatever SQLite says.
pub fn hours(
    connection: &Connection,
    setup: &Setup,
    bank: &Bank,
    (from_ms, until_ms): (i64, i64),
) -> rusqlite::Result<Table> {
    let roster = Roster::look_up(connection, setup)?;
    let (first, last) = (from_ms.div_euclid(HOUR_MS), until_ms.div_euclid(HOUR_MS));
    let packs = bank.packs.iter().map(|pack| pack.instrument);
    let mut rows = Vec::new();
    for instrument in std::iter::once(bank.reference.instrument).chain(packs) {
        let number = roster.member(instrument).number;
        for hour in store::hour::between(connection, number, first, last)? {
            let extreme = |extremes: Option<(i64, i64)>, per_unit: f64| {
                #[expect(clippy::cast_precision_loss, reason = "kept values are far below 2^52")]
                extremes
                    .map(|(low, high)| (low as f64 / per_unit, high as f64 / per_unit))
                    .unzip()
            };
            let (current_min, current_max): (Option<f64>, Option<f64>) = extreme(hour.current_ma, 1000.0);
            let (voltage_min, voltage_max) = extreme(hour.voltage_mv, 1000.0);
            let (soc_min, soc_max) = extreme(hour.soc_permille, 10.0);
            rows.push(json!({
                "hour_begin": rfc3339(hour.hour * HOUR_MS),
                "instrument": setup.entry(instrument).id,
                "readings": hour.readings,
                "heard_s": hour.counted.heard_ms / 1000,
                "charged_ah": hour.counted.charged_ah(),
                "discharged_ah": hour.counted.discharged_ah(),
                "current_min_a": current_min,
                "current_max_a": current_max,
                "voltage_min_v": voltage_min,
                "voltage_max_v": voltage_max,
                "soc_min_percent": soc_min,
                "soc_max_percent": soc_max,
            }));
        }
    }
    Ok(Table::of(&HOUR, &rows))
}

const HOUR: [&str; 12] = [
    "hour_begin",
    "instrument",
    "readings",
    "heard_s",
    "charged_ah",
    "discharged_ah",
    "current_min_a",
    "current_max_a",
    "voltage_min_v",
    "voltage_max_v",
    "soc_min_percent",
    "soc_max_percent",
];
