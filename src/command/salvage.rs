//! `packdrift salvage`: what can be read of a damaged store, as a new one.

use std::path::PathBuf;

use chrono::{DateTime, SecondsFormat};
use clap::Args;

use super::{Failure, backup::shown};
use crate::store::salvage::{Salvaged, Saved, salvage};

/// What from, where to.
#[derive(Args)]
pub struct Arguments {
    /// The damaged store; it stays as it is.
    from: PathBuf,
    /// The new file.
    to: PathBuf,
}

/// Salvages and says what was saved and what was lost.
///
/// # Errors
/// Where nothing can be read, or the new file is there already or can't be written.
pub fn run(arguments: &Arguments) -> Result<(), Failure> {
    print!("{}", told(&salvage(&arguments.from, &arguments.to)?));
    Ok(())
}

/// What became of it, in words.
fn told(salvaged: &Salvaged) -> String {
    let mut lines = vec![format!("salvaged and checked: {}", shown(&salvaged.copied))];
    lines.extend(salvaged.tables.iter().map(table));
    let at_least = if salvaged.all_counts_read { "" } else { "at least " };
    lines.push(format!(
        "readings lost: {at_least}{}, by what was counted into hours before",
        salvaged.readings_lost
    ));
    lines.push(
        "`packdrift restore` puts it in the place of the store; hours and marks are then derived anew."
            .into(),
    );
    lines.join("\n") + "\n"
}

fn table(saved: &Saved) -> String {
    let mut parts = vec![format!("{}: {} rows saved", saved.table, saved.rows)];
    if saved.spoiled > 0 {
        parts.push(format!("{} spoiled", saved.spoiled));
    }
    let timed = matches!(saved.table.as_str(), "reading" | "conflict");
    let end = |key: i64| {
        DateTime::from_timestamp_millis(key)
            .filter(|_| timed)
            .map_or_else(
                || key.to_string(),
                |at| at.to_rfc3339_opts(SecondsFormat::Millis, true),
            )
    };
    let damaged = saved.damaged.iter();
    parts.extend(damaged.map(|(from, until)| format!("damaged from {} to {}", end(*from), end(*until))));
    parts.join(", ")
}
