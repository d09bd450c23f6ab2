//! Full charges, phases, notes, marks and answers as tables, out of the API's documents; hours and stated phases out
//! of the store.

use clap::ValueEnum;
use rusqlite::Connection;
use serde_json::{Value, json};

use super::{
    Column, Field, Table,
    columns::{ANCHOR, ANSWER, HOUR, MARK, NOTE, PHASE, STATED_PHASE},
    readings,
};
use crate::{
    api::query_string,
    config::{Bank, Setup},
    ledger::Roster,
    reading::{Channel, HOUR_MS},
    store::{self, stated_phase::StatedPhase},
};

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
    /// Phases that people stated, with every withdrawal.
    StatedPhases,
    /// What people noted, with every correction.
    Notes,
    /// Full charges that people stated or vetoed, with every withdrawal.
    Marks,
    /// How far each pack's count has drifted, a row a pack.
    Answers,
    /// The packs' readings in the Battery Data Format, a file a pack.
    BatteryData,
    /// What every column of these tables means and in which unit it is, as a data package's `datapackage.json`.
    Dictionary,
}

impl What {
    /// What to GET of the API for a bank and a stretch of time; `None` for what the API doesn't give whole.
    #[must_use]
    pub fn path(self, bank: &str, since: Option<&str>, until: Option<&str>) -> Option<String> {
        let bank = ("bank", Some(bank));
        let stretch = query_string(&[bank, ("since", since), ("until", until)]);
        let history = query_string(&[bank, ("history", Some("true"))]);
        match self {
            Self::Readings | Self::Hours | Self::StatedPhases | Self::BatteryData | Self::Dictionary => None,
            Self::Anchors => Some(format!("/v1/anchors{stretch}")),
            Self::Phases => Some(format!("/v1/phases{stretch}")),
            Self::Answers => Some(format!("/v1/drift{stretch}")),
            Self::Notes => Some(format!("/v1/notes{history}")),
            Self::Marks => Some(format!("/v1/marks{history}")),
        }
    }

    /// The columns of the table; none where it is no table of one kind of rows.
    #[must_use]
    pub fn columns(self) -> Vec<Column> {
        match self {
            Self::Readings => readings::columns(),
            Self::Hours => HOUR.to_vec(),
            Self::Anchors => ANCHOR.to_vec(),
            Self::Phases => PHASE.to_vec(),
            Self::StatedPhases => STATED_PHASE.to_vec(),
            Self::Notes => NOTE.to_vec(),
            Self::Marks => MARK.to_vec(),
            Self::Answers => ANSWER.to_vec(),
            Self::BatteryData | Self::Dictionary => Vec::new(),
        }
    }

    /// The table of the API's document.
    #[must_use]
    pub fn table(self, document: &Value) -> Table {
        let list = |name: &str| document[name].as_array().map_or(&[][..], Vec::as_slice);
        let rows: Vec<Value> = match self {
            Self::Readings | Self::Hours | Self::StatedPhases | Self::BatteryData | Self::Dictionary => {
                Vec::new()
            }
            Self::Anchors => list("anchors").iter().flat_map(anchor_rows).collect(),
            Self::Phases => list("phases").to_vec(),
            Self::Notes => list("notes").to_vec(),
            Self::Marks => list("marks").to_vec(),
            Self::Answers => list("packs")
                .iter()
                .map(|pack| answer_row(document, pack))
                .collect(),
        };
        Table::of(self.columns(), &rows)
    }
}

/// A row of one pack's answer.
fn answer_row(answer: &Value, pack: &Value) -> Value {
    let (error, rate, display) = (&pack["charge_error"], &pack["rate"], &pack["display"]);
    let epoch = pack["epochs"].as_array().and_then(|epochs| epochs.last());
    let counted = &pack["counted"];
    json!({
        "bank": answer["bank"],
        "pack": pack["pack"],
        "revision": pack["revision"],
        "firmware": pack["firmware"],
        "capacity_ah": pack["capacity_ah"],
        "since": answer["since"],
        "until": answer["until"],
        "charge_error_ah": error["ah"],
        "charge_error_expanded_uncertainty_ah": error["expanded_uncertainty_ah"],
        "basis": error["basis"],
        "reason": error["reason"],
        "rate_begin": epoch.map(|epoch| &epoch["begin"]),
        "rate_end": epoch.map(|epoch| &epoch["end"]),
        "rate_ah_per_day": rate["ah_per_day"],
        "rate_expanded_uncertainty_ah_per_day": rate["expanded_uncertainty_ah_per_day"],
        "rate_points_per_month": rate["points_per_month"],
        "charged_ah": counted["charged_ah"],
        "discharged_ah": counted["discharged_ah"],
        "equivalent_full_cycles": counted["equivalent_full_cycles"],
        "coverage_fraction": pack["coverage"]["fraction"],
        "off_busbar_s": pack["coverage"]["off_busbar_s"],
        "displayed_percent": display["soc_percent"],
        "actual_percent": display["actual_percent"],
        "display_error_points": display["error_points"],
        "display_expanded_uncertainty_points": display["expanded_uncertainty_points"],
    })
}

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

/// The hours of a bank's instruments in `[from_ms, until_ms]`, as they were derived last. `called` says what an
/// instrument is called in the table.
///
/// # Errors
/// Whatever SQLite says.
pub fn hours(
    connection: &Connection,
    setup: &Setup,
    bank: &Bank,
    (from_ms, until_ms): (i64, i64),
    called: impl Fn(&str) -> String,
) -> rusqlite::Result<Table> {
    let roster = Roster::look_up(connection, setup)?;
    let (first, last) = (from_ms.div_euclid(HOUR_MS), until_ms.div_euclid(HOUR_MS));
    let mut rows = Vec::new();
    for instrument in bank.instruments() {
        let number = roster.member(instrument).number;
        for hour in store::hour::between(connection, number, first, last)? {
            let extremes = |extremes: Option<(i64, i64)>, channel: Channel| {
                let (lowest, highest) = extremes.unzip();
                [lowest, highest].map(|value| Field::from(value.map(|value| channel.in_units(value))))
            };
            let counted = [
                Field::Instant(hour.hour * HOUR_MS),
                called(&setup.entry(instrument).id).into(),
                hour.readings.into(),
                (hour.counted.heard_ms / 1000).into(),
                hour.counted.charged_ah().into(),
                hour.counted.discharged_ah().into(),
            ];
            let of_channels = [
                extremes(hour.current_ma, Channel::Current),
                extremes(hour.voltage_mv, Channel::Voltage),
                extremes(hour.soc_permille, Channel::Soc),
            ];
            rows.push(
                counted
                    .into_iter()
                    .chain(of_channels.into_iter().flatten())
                    .collect(),
            );
        }
    }
    Ok(Table {
        columns: HOUR.to_vec(),
        rows,
    })
}

/// The phases that people stated of a bank, with every withdrawal.
///
/// # Errors
/// Whatever SQLite says.
pub fn stated_phases(connection: &Connection, bank: &Bank) -> rusqlite::Result<Table> {
    let mut phases = store::stated_phase::history(connection)?;
    phases.retain(|phase| phase.said.bank == bank.id);
    let row = |phase: StatedPhase| {
        vec![
            phase.id.into(),
            phase.revision.into(),
            Field::Instant(phase.written_ms),
            phase.said.bank.into(),
            phase.said.kind.word().to_owned().into(),
            Field::Instant(phase.said.begin_ms),
            Field::Instant(phase.said.end_ms),
            phase.said.text.into(),
            phase.withdrawn.into(),
        ]
    };
    Ok(Table {
        columns: STATED_PHASE.to_vec(),
        rows: phases.into_iter().map(row).collect(),
    })
}
