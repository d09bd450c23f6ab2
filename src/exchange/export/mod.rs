//! What packdrift has, in forms that other programs read: readings one by one, everything else as tables.
//!
//! Columns carry their units in their names. Readings come in again by `packdrift import` as the same readings.

mod battery;
mod column;
mod columns;
mod dictionary;
#[cfg(feature = "parquet")]
mod parquet;
#[cfg(feature = "parquet")]
pub mod partition;
mod readings;
mod sheet;
mod table;
mod tables;

use clap::ValueEnum;

pub use battery::batteries;
pub use column::{Column, Field, Kind};
pub use dictionary::dictionary;
pub use readings::readings;
pub use table::Table;
pub use tables::{What, hours, stated_phases};

/// How an export is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Format {
    /// RFC 4180.
    Csv,
    /// A JSON object a line; what has no value is left out.
    JsonLines,
    /// Apache Parquet, compressed with Zstandard.
    #[cfg(feature = "parquet")]
    Parquet,
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
    /// A row can't be put as Parquet.
    #[cfg(feature = "parquet")]
    #[error("the export can't be written as Parquet")]
    Parquet(#[from] ::parquet::errors::ParquetError),
}
