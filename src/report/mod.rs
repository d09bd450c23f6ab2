//! The document to hand on: one file that tells a winter to people who don't run packdrift, and a bundle with
//! what it rests on.
//!
//! It shows what the API answered, as the page does, and adds the set-up, the method and how to check it. Nothing
//! in it refers to anything outside it.

mod bundle;
mod csv;
mod document;
mod method;
mod names;
mod results;
mod setup;

use std::io;

use chrono::Utc;
use rusqlite::Connection;
use sha2::{Digest, Sha256};

pub use bundle::{BundleError, bundle};
pub use document::html;
pub use names::{BadRename, Names};

use crate::{
    config::{Bank, Setup},
    exchange::export::ExportError,
    hex::hex,
    page::answers::Series,
    page::evidence::Evidence,
};

/// What a report is made from.
pub struct Report<'a> {
    /// The answers.
    pub evidence: &'a Evidence,
    /// The drift over time; `None` where nothing was heard.
    pub series: Option<&'a Series>,
    /// The setup and the bank in it that the answers are of.
    pub setup: &'a Setup,
    /// The bank.
    pub bank: &'a Bank,
    /// What everybody is called in it.
    pub names: &'a Names,
    /// When it is written, ms since 1970.
    pub written_ms: i64,
    /// The readings' digest and count.
    pub readings: Counted,
    /// `hours.csv`.
    pub hours: Vec<u8>,
}

impl<'a> Report<'a> {
    /// Makes one of the answers; `None` where nothing was heard.
    ///
    /// # Errors
    /// Where the store can't be read.
    pub fn new(
        connection: &Connection,
        (evidence, series): (&'a Evidence, Option<&'a Series>),
        setup: &'a Setup,
        bank: &'a Bank,
        names: &'a Names,
    ) -> Result<Option<Self>, ExportError> {
        let Some(stretch_ms) = evidence.stretch_ms() else {
            return Ok(None);
        };
        Ok(Some(Self {
            evidence,
            series,
            setup,
            bank,
            names,
            written_ms: Utc::now().timestamp_millis(),
            readings: count_readings(connection, setup, bank, names, stretch_ms)?,
            hours: csv::hours(connection, setup, bank, names, stretch_ms)?,
        }))
    }
}

/// How many readings a table has, and the SHA-256 of its bytes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Counted {
    /// Readings in it.
    pub rows: u64,
    /// Lower-case hex.
    pub sha256: String,
}

/// Counts the readings of an answer's stretch and digests `readings.csv` as the bundle holds it.
fn count_readings(
    connection: &Connection,
    setup: &Setup,
    bank: &Bank,
    names: &Names,
    stretch_ms: (i64, i64),
) -> Result<Counted, ExportError> {
    let mut digest = Digesting(Sha256::new());
    let rows = csv::readings(connection, setup, bank, names, stretch_ms, &mut digest)?;
    Ok(Counted {
        rows,
        sha256: hex(&digest.0.finalize()),
    })
}

/// Digests what is written.
struct Digesting(Sha256);

impl io::Write for Digesting {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.0.update(bytes);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}
