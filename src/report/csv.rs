//! Tables as text (RFC 4180): readings and hours as an export gives them, with the names of the report; notes as they
//! were written.

use std::{fmt::Write as _, io::Write};

use rusqlite::Connection;

use super::Names;
use crate::{
    config::{Bank, Setup},
    exchange::export::{self, ExportError, Format},
    page::{
        evidence::Evidence,
        words::{rfc3339, visible},
    },
};

/// Writes `readings.csv` of a bank; gives how many there were.
pub(super) fn readings(
    connection: &Connection,
    setup: &Setup,
    bank: &Bank,
    names: &Names,
    stretch_ms: (i64, i64),
    into: &mut (dyn Write + Send),
) -> Result<u64, ExportError> {
    let is_of_bank = |name: &str| bank.instruments().any(|of| setup.entry(of).id == name);
    let called = |name: &str| is_of_bank(name).then(|| harmless(names.of(name)));
    export::readings(connection, &setup.digest, stretch_ms, called, Format::Csv, into)
}

/// `hours.csv`.
pub(super) fn hours(
    connection: &Connection,
    setup: &Setup,
    bank: &Bank,
    names: &Names,
    stretch_ms: (i64, i64),
) -> Result<Vec<u8>, ExportError> {
    let hours = export::hours(connection, setup, bank, stretch_ms, |name| {
        harmless(names.of(name))
    })?;
    let mut csv = Vec::new();
    hours.write(Format::Csv, &setup.digest, &mut csv)?;
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

/// A field of a person's words, in quotes where it must be.
fn quoted(text: &str) -> String {
    let text = harmless(text);
    if text.contains(['"', ',', '\n', '\r']) {
        return format!("\"{}\"", text.replace('"', "\"\""));
    }
    text
}

/// A person's words with invisible characters made visible, and never a formula for the spreadsheet that opens them.
fn harmless(text: &str) -> String {
    let text = visible(text);
    if text.starts_with(['=', '+', '-', '@', '\t']) {
        return format!("'{text}");
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_of_people_stay_one_field() {
        assert_eq!(quoted("cold"), "cold");
        assert_eq!(quoted("a, \"b\"\nc"), "\"a, \"\"b\"\"\nc\"");
        assert_eq!(quoted("=1+1"), "'=1+1");
        assert_eq!(quoted("=1,1"), "\"'=1,1\"");
    }
}
