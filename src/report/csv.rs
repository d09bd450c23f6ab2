//! Tables as text (RFC 4180): readings as they were kept, hours as they were counted, notes as they were written.

use std::{collections::BTreeMap, fmt::Write};

use rusqlite::Connection;

use super::Names;
use crate::{
    api::field,
    config::{Bank, Setup},
    ledger::Roster,
    page::{
        evidence::Evidence,
        words::{rfc3339, visible},
    },
    reading::{Channel, HOUR_MS, Instrument},
    store,
};

/// The instruments of a bank with their numbers in the store, the reference first.
fn members(connection: &Connection, setup: &Setup, bank: &Bank) -> rusqlite::Result<Vec<(Instrument, i64)>> {
    let roster = Roster::look_up(connection, setup)?;
    let packs = bank.packs.iter().map(|pack| pack.instrument);
    let instruments = std::iter::once(bank.reference.instrument).chain(packs);
    Ok(instruments
        .map(|instrument| (instrument, roster.member(instrument).number))
        .collect())
}

/// `readings.csv` a day at a time, in order of time, since a winter of readings is large.
pub(super) struct Readings<'a> {
    connection: &'a Connection,
    names: BTreeMap<i64, String>,
    from_ms: i64,
    until_ms: i64,
    /// Rows given so far.
    pub rows: u64,
}

impl<'a> Readings<'a> {
    /// The readings of a bank in `[from, until]`.
    pub(super) fn new(
        connection: &'a Connection,
        setup: &Setup,
        bank: &Bank,
        names: &Names,
        (from_ms, until_ms): (i64, i64),
    ) -> rusqlite::Result<Self> {
        let members = members(connection, setup, bank)?.into_iter();
        let names =
            members.map(|(instrument, number)| (number, quoted(names.of(&setup.entry(instrument).id))));
        Ok(Self {
            connection,
            names: names.collect(),
            from_ms,
            until_ms,
            rows: 0,
        })
    }

    /// The first line.
    pub(super) fn head() -> String {
        let fields: Vec<_> = Channel::ALL.into_iter().map(field).collect();
        format!("at,instrument,{}\r\n", fields.join(","))
    }

    /// The lines of the next day, perhaps none; `None` after the last.
    pub(super) fn next_day(&mut self) -> rusqlite::Result<Option<String>> {
        if self.from_ms > self.until_ms {
            return Ok(None);
        }
        let end_ms = (self.from_ms + 24 * HOUR_MS).min(self.until_ms + 1);
        let mut lines = String::new();
        let (names, rows) = (&self.names, &mut self.rows);
        store::reading::each_between(
            self.connection,
            self.from_ms,
            end_ms,
            |(at_ms, number, channels)| {
                let Some(name) = names.get(&number) else {
                    return Ok(());
                };
                *rows += 1;
                // Writing to a String does not fail.
                let _ = write!(lines, "{},{name}", rfc3339(at_ms));
                for channel in Channel::ALL {
                    lines.push(',');
                    if let Some(value) = channels.get(channel) {
                        let _ = write!(lines, "{}", in_units(value, channel));
                    }
                }
                lines.push_str("\r\n");
                Ok(())
            },
        )?;
        self.from_ms = end_ms;
        Ok(Some(lines))
    }
}

#[expect(clippy::cast_precision_loss, reason = "kept values are far below 2^52")]
fn in_units(value: i64, channel: Channel) -> f64 {
    value as f64 / channel.kept_per_unit()
}

/// `hours.csv`.
pub(super) fn hours(
    connection: &Connection,
    setup: &Setup,
    bank: &Bank,
    names: &Names,
    (from_ms, until_ms): (i64, i64),
) -> rusqlite::Result<String> {
    let mut csv = String::from(
        "hour_begin,instrument,readings,heard_s,charged_ah,discharged_ah,current_min_a,current_max_a,\
         voltage_min_v,voltage_max_v,soc_min_percent,soc_max_percent\r\n",
    );
    let (first, last) = (from_ms.div_euclid(HOUR_MS), until_ms.div_euclid(HOUR_MS));
    for (instrument, number) in members(connection, setup, bank)? {
        let name = quoted(names.of(&setup.entry(instrument).id));
        for hour in store::hour::between(connection, number, first, last)? {
            let _ = write!(
                csv,
                "{},{name},{},{},{:.4},{:.4}",
                rfc3339(hour.hour * HOUR_MS),
                hour.readings,
                hour.counted.heard_ms / 1000,
                hour.counted.charged_ah(),
                hour.counted.discharged_ah()
            );
            for (extremes, channel) in [
                (hour.current_ma, Channel::Current),
                (hour.voltage_mv, Channel::Voltage),
                (hour.soc_permille, Channel::Soc),
            ] {
                match extremes {
                    Some((low, high)) => {
                        let _ = write!(csv, ",{},{}", in_units(low, channel), in_units(high, channel));
                    }
                    None => csv.push_str(",,"),
                }
            }
            csv.push_str("\r\n");
        }
    }
    Ok(csv)
}

/// `notes.csv`, of names that are replaced already.
pub(super) fn notes(evidence: &Evidence) -> String {
    let mut csv = String::from("number,at,of,kind,text\r\n");
    for (number, note) in evidence.numbered_notes() {
        let _ = write!(
            csv,
            "{number},{},{},{},{}\r\n",
            rfc3339(note.at.ms),
            quoted(note.whom()),
            note.kind,
            quoted(&note.text)
        );
    }
    csv
}

/// A field of a person's words: in quotes where it must be, invisible characters made visible, and never a formula
/// for the spreadsheet that opens it.
fn quoted(text: &str) -> String {
    let text = visible(text);
    let formula = if text.starts_with(['=', '+', '-', '@', '\t']) {
        "'"
    } else {
        ""
    };
    if formula.is_empty() && !text.contains(['"', ',', '\n', '\r']) {
        return text;
    }
    format!("\"{formula}{}\"", text.replace('"', "\"\""))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_of_people_stay_one_field() {
        assert_eq!(quoted("cold"), "cold");
        assert_eq!(quoted("a, \"b\"\nc"), "\"a, \"\"b\"\"\nc\"");
        assert_eq!(quoted("=1+1"), "\"'=1+1\"");
    }
}
