//! `packdrift reference`: what the reference counted from full charge to full charge, and what of it is its own.

use std::path::Path;

use serde_json::Value;

use super::{
    Failure,
    figure::{day, number, with_uncertainty},
    table::table,
};

pub use super::stretch::Stretch as Arguments;

/// Asks and prints.
///
/// # Errors
/// Where the setup file is wrong, nobody answers, or the question is refused.
pub fn run(config: &Path, arguments: &Arguments) -> Result<(), Failure> {
    arguments.print(config, "/v1/reference", shown)
}

/// The document as a person reads it.
#[must_use]
pub fn shown(document: &Value) -> String {
    let head = [
        "from",
        "to",
        "closure\nAh",
        "of throughput\n%",
        "draws\nAh",
        "self-discharge\nAh",
        "coulombic loss\nAh",
        "left\nAh",
        "left\nmA",
        "data sheet\nallows Ah",
    ];
    let spans = document["spans"].as_array().into_iter().flatten();
    let pooled = document["pooled"].as_array().into_iter().flatten();
    // One span alone is its own pool.
    let pooled = pooled.filter(|trial| trial["spans"].as_u64() > Some(1));
    let table = table(head, &[0, 1], spans.chain(pooled).map(row));
    format!(
        "{}: from full charge to full charge, pooled below\n{table}\n{}\n± is the expanded uncertainty, k = 2.\n",
        document["reference"].as_str().unwrap_or("?"),
        document["verdict"].as_str().unwrap_or("?"),
    )
}

fn row(trial: &Value) -> [String; 10] {
    let (closure, left) = (&trial["closure"], &trial["remainder"]);
    let uncertainty = "expanded_uncertainty_ah";
    let expected = |place: usize| {
        let part = &trial["expected"][place];
        with_uncertainty(&part["ah"], &part[uncertainty], 1)
    };
    [
        day(&trial["begin"]).to_owned(),
        day(&trial["end"]).to_owned(),
        with_uncertainty(&closure["ah"], &closure[uncertainty], 1),
        number(&closure["percent_of_throughput"], |percent| {
            format!("{percent:+.2}")
        }),
        expected(0),
        expected(1),
        expected(2),
        with_uncertainty(&left["ah"], &left[uncertainty], 1),
        with_uncertainty(&left["ma"], &left["expanded_uncertainty_ma"], 0),
        number(&trial["allowed_by_data_sheet_ah"], |ah| format!("{ah:.1}")),
    ]
}
