//! `packdrift causes`: why each board drifts, as a table a person can read, or as the API's document.

use std::{fmt::Write, path::Path};

use serde_json::Value;

use super::{Failure, table::table};

pub use super::stretch::Stretch as Arguments;

/// Asks and prints.
///
/// # Errors
/// Where the setup file is wrong, nobody answers, or the question is refused.
pub fn run(config: &Path, arguments: &Arguments) -> Result<(), Failure> {
    arguments.print(config, "/v1/causes", shown)
}

/// The document as a person reads it.
#[must_use]
pub fn shown(document: &Value) -> String {
    let bank = document["bank"].as_str().unwrap_or("?");
    if let Some(reason) = document["reason"].as_str() {
        return format!("bank {bank}: the causes can't be told: {reason}\n");
    }
    let word = |value: &Value| value.as_str().unwrap_or("?").to_owned();
    let none = Vec::new();
    let packs = document["packs"].as_array().unwrap_or(&none);
    let head = [
        "pack",
        "steady error\nmA",
        "asymmetry\n%",
        "unseen charge\nAh",
        "charge error\nAh",
        "of it explained\nAh",
        "left\nAh",
    ];
    let mut text = format!(
        "bank {bank}, causes of drift from {} to {}\n{}\n",
        word(&document["since"]),
        word(&document["until"]),
        table(head, &[0], packs.iter().map(row))
    );
    for pack in packs {
        let name = pack["pack"].as_str().unwrap_or("?");
        let reasons = ["reason", "steady_reason", "asymmetry_reason", "blind_reason"];
        let mut said: Vec<&str> = reasons.iter().filter_map(|field| pack[*field].as_str()).collect();
        said.dedup();
        let asked = pack["questions"].as_array().unwrap_or(&none).iter();
        let asked =
            asked.map(|question| format!("{}: {}", word(&question["at"]), word(&question["question"])));
        for line in said.into_iter().map(str::to_owned).chain(asked) {
            let _ = writeln!(text, "{name}: {line}");
        }
    }
    text.push_str(
        "steady error: offset and the draw that the board doesn't see; asymmetry: gain of charging less gain of \
         discharging; unseen charge: what flowed while the board reported nothing.\n\
         ± is the expanded uncertainty, k = 2; – can't be told.\n",
    );
    text
}

fn row(pack: &Value) -> [String; 7] {
    let figure =
        |field: &str, expanded: &str, digits: usize| match (pack[field].as_f64(), pack[expanded].as_f64()) {
            (Some(value), Some(expanded)) => format!("{value:+.digits$} ± {expanded:.digits$}"),
            _ => "–".to_owned(),
        };
    let ah = |value: &Value| value.as_f64().map_or("–".to_owned(), |ah| format!("{ah:+.1}"));
    [
        pack["pack"].as_str().unwrap_or("?").to_owned(),
        figure("steady_ma", "steady_expanded_uncertainty_ma", 0),
        figure("asymmetry_percent", "asymmetry_expanded_uncertainty_percent", 1),
        figure("blind_ah", "blind_expanded_uncertainty_ah", 1),
        ah(&pack["charge_error_ah"]),
        ah(&pack["explained"]["sum_ah"]),
        ah(&pack["unexplained_ah"]),
    ]
}
