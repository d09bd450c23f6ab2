//! `packdrift phases`: what was going on, as a table or as the API's document.

use std::path::Path;

use chrono::DateTime;
use serde_json::Value;

use super::{Failure, table::table};
use crate::page::words::{lasting, plain};

pub use super::stretch::Stretch as Arguments;

/// Asks and prints.
///
/// # Errors
/// Where the setup file is wrong, nobody answers, or the question is refused.
pub fn run(config: &Path, arguments: &Arguments) -> Result<(), Failure> {
    arguments.print(config, "/v1/phases", shown)
}

/// The document as a person reads it.
#[must_use]
pub fn shown(document: &Value) -> String {
    let bank = document["bank"].as_str().unwrap_or("?");
    let entries = |field: &str| document[field].as_array().into_iter().flatten();
    let phases = entries("phases").map(|phase| {
        let basis = phase["stated"]
            .as_i64()
            .map_or("derived".to_owned(), |number| format!("stated, {number}"));
        row(phase, plain(phase["kind"].as_str().unwrap_or("?")), basis)
    });
    let away = entries("off_busbar").map(|stretch| {
        let pack = stretch["pack"].as_str().unwrap_or("?");
        row(stretch, format!("{pack} off the busbar"), "derived".to_owned())
    });
    let rows: Vec<_> = phases.chain(away).collect();
    if rows.is_empty() {
        return format!("bank {bank}: no phase yet\n");
    }
    let head = ["from", "to", "lasting", "what", "basis"];
    format!("bank {bank}\n{}\n", table(head, &[0, 1, 3, 4], rows))
}

fn row(stretch: &Value, what: String, basis: String) -> [String; 5] {
    let instant = |field: &str| {
        let text = stretch[field].as_str()?;
        DateTime::parse_from_rfc3339(text).ok()
    };
    let shown = |field: &str| {
        instant(field).map_or("–".to_owned(), |at| at.format("%Y-%m-%d %H:%M%:z").to_string())
    };
    let lasts = instant("begin")
        .zip(instant("end"))
        .map_or("–".to_owned(), |(begin, end)| {
            lasting((end - begin).num_milliseconds())
        });
    [shown("begin"), shown("end"), lasts, what, basis]
}
