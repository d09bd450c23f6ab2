//! What people said elsewhere: exports of notes, stated phases and marks, and those of another packdrift's store.
//!
//! Which of the three a row is shows in its kind. Names that the setup doesn't have are refused.

use std::{io::BufRead, path::Path, sync::Arc};

use chrono::DateTime;
use rusqlite::Connection;
use serde::Deserialize;
use serde_json::Value;

use super::{file, trouble::Trouble};
use crate::{
    charge::phase,
    config::Setup,
    store::{
        note::{self, Note, Subject},
        stated_mark::{self, StatedMark},
        stated_phase::{self, StatedPhase},
    },
};

/// Columns that these exports have and logs of readings have not.
const THEIRS: [&str; 3] = ["revision", "written", "withdrawn"];

/// What people said, revision by revision.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Said {
    /// Notes.
    pub notes: Vec<Note>,
    /// Phases.
    pub phases: Vec<StatedPhase>,
    /// Full charges.
    pub marks: Vec<StatedMark>,
}

/// A row as exports have it.
#[derive(Deserialize)]
struct Row {
    id: i64,
    revision: i64,
    written: String,
    kind: String,
    #[serde(default)]
    text: Option<String>,
    withdrawn: bool,
    at: Option<String>,
    begin: Option<String>,
    end: Option<String>,
    bank: Option<String>,
    reference: Option<String>,
    pack: Option<String>,
    voltage_v: Option<f64>,
    tail_current_a: Option<f64>,
}

impl Said {
    /// Whether nobody said anything.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.notes.is_empty() && self.phases.is_empty() && self.marks.is_empty()
    }

    /// Adds what isn't there yet; gives how many revisions that was.
    pub(super) fn take(&self, connection: &mut Connection) -> rusqlite::Result<u64> {
        let transaction = connection.transaction()?;
        let added = note::take(&transaction, &self.notes)?
            + stated_phase::take(&transaction, &self.phases)?
            + stated_mark::take(&transaction, &self.marks)?;
        transaction.commit()?;
        Ok(added)
    }

    /// All of a store that speaks of what the setup has, and how many revisions don't.
    pub(super) fn in_store(connection: &Connection, setup: &Setup) -> rusqlite::Result<(Self, usize)> {
        let mut said = Self {
            notes: note::history(connection)?,
            phases: stated_phase::history(connection)?,
            marks: stated_mark::all(connection)?,
        };
        let count = |said: &Self| said.notes.len() + said.phases.len() + said.marks.len();
        let all = count(&said);
        said.notes.retain(|note| knows(setup, &note.said.subject));
        said.phases.retain(|phase| setup.bank(&phase.said.bank).is_some());
        said.marks.retain(|mark| setup.bank(&mark.said.bank).is_some());
        let left_out = all - count(&said);
        Ok((said, left_out))
    }

    /// What a file says; `None` where it is no export of such.
    pub(super) fn in_file(path: &Path, setup: &Setup) -> Result<Option<Self>, Trouble> {
        let mut contents = file::open(path, &Arc::default())?;
        let head = contents.fill_buf()?;
        let first_line = head.split(|byte| *byte == b'\n').next().unwrap_or_default();
        let first_line = String::from_utf8_lossy(first_line).into_owned();
        let mut said = Self::default();
        #[cfg(feature = "parquet")]
        if head.starts_with(b"PAR1") {
            return Self::in_parquet(path, setup);
        }
        if first_line.trim_start().starts_with('{') {
            let first: Value = serde_json::from_str(&first_line).unwrap_or_default();
            if THEIRS.iter().any(|name| first.get(name).is_none()) {
                return Ok(None);
            }
            for (line, text) in (1..).zip(contents.lines()) {
                let row = serde_json::from_str(&text?);
                said.add(
                    row.map_err(|error| unreadable(line, error.to_string()))?,
                    line,
                    setup,
                )?;
            }
            return Ok(Some(said));
        }
        let header: Vec<_> = first_line.trim().split(',').collect();
        if THEIRS.iter().any(|name| !header.contains(name)) {
            return Ok(None);
        }
        let mut reader = csv::Reader::from_reader(contents);
        let header = reader.headers().map_err(broken)?.clone();
        let mut record = csv::StringRecord::new();
        // The reader's own count is behind by one where lines end in CR LF.
        let mut next_line = 2;
        while reader.read_record(&mut record).map_err(broken)? {
            let line = next_line;
            next_line += 1 + record
                .iter()
                .map(|field| field.matches('\n').count() as u64)
                .sum::<u64>();
            let row = record.deserialize(Some(&header));
            let row = row.map_err(|error| unreadable(line, error.to_string()))?;
            said.add(row, line, setup)?;
        }
        Ok(Some(said))
    }

    #[cfg(feature = "parquet")]
    fn in_parquet(path: &Path, setup: &Setup) -> Result<Option<Self>, Trouble> {
        let mut columns = super::parquet::Columns::open(path, &Arc::default())?;
        if THEIRS
            .iter()
            .any(|name| !columns.header.iter().any(|column| column == name))
        {
            return Ok(None);
        }
        let mut said = Self::default();
        while columns.next()? {
            let row = serde_json::from_value(columns.object());
            let row = row.map_err(|error| unreadable(columns.row, error.to_string()))?;
            said.add(row, columns.row, setup)?;
        }
        Ok(Some(said))
    }

    fn add(&mut self, row: Row, line: u64, setup: &Setup) -> Result<(), Trouble> {
        let (id, revision, withdrawn) = (row.id, row.revision, row.withdrawn);
        let written_ms = instant(Some(&row.written), "written", line)?;
        let at = |name, text: &Option<String>| instant(text.as_deref(), name, line);
        let text = row.text.unwrap_or_default();
        let bank = |bank: Option<String>| {
            let bank = bank.unwrap_or_default();
            match setup.bank(&bank) {
                Some(_) => Ok(bank),
                None => Err(unknown(line, &bank, "bank")),
            }
        };
        if let Some(kind) = note::Kind::of(&row.kind) {
            let instrument = row.reference.or(row.pack);
            let subject = match (row.bank, instrument) {
                (_, Some(name)) => Subject::Instrument(name),
                (bank, None) => Subject::Bank(bank.unwrap_or_default()),
            };
            if !knows(setup, &subject) {
                let (Subject::Bank(name) | Subject::Instrument(name)) = &subject;
                return Err(unknown(line, name, "bank, reference or pack"));
            }
            let said = note::Said {
                at_ms: at("at", &row.at)?,
                subject,
                kind,
                text,
            };
            self.notes.push(Note {
                id,
                revision,
                written_ms,
                said,
                withdrawn,
            });
        } else if let Some(kind) = stated_mark::Kind::of(&row.kind) {
            let said = stated_mark::Said {
                bank: bank(row.bank)?,
                kind,
                at_ms: at("at", &row.at)?,
                voltage_mv: row.voltage_v.map(thousandths),
                tail_ma: row.tail_current_a.map(thousandths),
                text,
            };
            self.marks.push(StatedMark {
                id,
                revision,
                written_ms,
                said,
                withdrawn,
            });
        } else if let Some(kind) = phase::Kind::of(&row.kind) {
            let said = stated_phase::Said {
                bank: bank(row.bank)?,
                kind,
                begin_ms: at("begin", &row.begin)?,
                end_ms: at("end", &row.end)?,
                text,
            };
            if said.begin_ms >= said.end_ms {
                return Err(Trouble::at(
                    line,
                    "the phase ends before it begins",
                    "mend or delete the line",
                ));
            }
            self.phases.push(StatedPhase {
                id,
                revision,
                written_ms,
                said,
                withdrawn,
            });
        } else {
            return Err(unknown(line, &row.kind, "kind of note, phase or mark"));
        }
        Ok(())
    }
}

fn knows(setup: &Setup, subject: &Subject) -> bool {
    match subject {
        Subject::Bank(name) => setup.bank(name).is_some(),
        Subject::Instrument(name) => setup.instrument(name).is_some(),
    }
}

fn instant(text: Option<&str>, name: &str, line: u64) -> Result<i64, Trouble> {
    let text = text.unwrap_or_default();
    let at = DateTime::parse_from_rfc3339(text).map_err(|_| {
        let what = format!("“{text}” in the column “{name}” is no instant");
        Trouble::at(line, what, "write it like 2026-01-10T08:00:00Z")
    })?;
    Ok(at.timestamp_millis())
}

/// V or A in mV or mA; what is far outside ends at the largest number there is.
#[expect(clippy::cast_possible_truncation, reason = "saturates")]
fn thousandths(value: f64) -> i64 {
    (value * 1000.0).round() as i64
}

fn unknown(line: u64, name: &str, what: &str) -> Trouble {
    Trouble::at(
        line,
        format!("“{name}” is no {what} of the setup"),
        "mend or delete the line",
    )
}

fn unreadable(line: u64, why: String) -> Trouble {
    Trouble::at(line, why, "mend or delete the line")
}

fn broken(error: csv::Error) -> Trouble {
    let line = error.position().map_or(0, csv::Position::line);
    match error.into_kind() {
        csv::ErrorKind::Io(error) => Trouble::Read(error),
        other => unreadable(line, format!("this is no row of it: {other:?}")),
    }
}
