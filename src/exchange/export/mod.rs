//! What packdrift has, in forms that other programs read: readings one by one, everything else as tables.
//!
//! Columns carry their units in their names. Readings come in again by `packdrift import` as the same readings.

mod battery;
mod readings;
mod table;
mod tables;

use std::io::Write;

use clap::ValueEnum;

pub use battery::batteries;
pub use readings::readings;
pub use table::Table;
pub use tables::{What, hours};

/// How an export is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Format {
    /// RFC 4180.
    Csv,
    /// A JSON object a line.
    JsonLines,
}

/// Why an export broke off.
#[derive(Debug, thiserror::Error)]
pub enum ExportError {
    /// The store can't be read.
    #[error("the store can't be read")]
    Store(#[from] rusqlite::Error),
    /// The output can't be written.
    #[error("the export can't be written")]
    Write(#[from] std::io::Error),
    /// A row can't be put as CSV.
    #[error("the export can't be written as CSV")]
    Csv(#[from] csv::Error),
}

/// CSV as RFC 4180 has it: a line ends in CR LF.
fn csv_writer<W: Write>(into: W) -> csv::Writer<W> {
    csv::WriterBuilder::new()
        .terminator(csv::Terminator::CRLF)
        .from_writer(into)
}
