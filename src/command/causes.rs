//! `packdrift causes`: why each board drifts, as a table a person can read, or as the API's document.

use std::{
    fmt::Write,
    path::{Path, PathBuf},
};

use axum::http::Method;
use clap::Args;
use serde_json::Value;

use super::{
    Failure,
    ask::{Answerer, query},
    table::table,
};

/// What to ask.
#[derive(Args)]
pub struct Arguments {
    /// From when: a date in the bank's time zone, or RFC 3339. Left out: from the first full charge.
    #[arg(long, value_name = "WHEN")]
    since: Option<String>,
    /// Until when. Left out: until the last reading.
    #[arg(long, value_name = "WHEN")]
    until: Option<String>,
    /// Which bank, where there are several.
    #[arg(long, value_name = "NAME")]
    bank: Option<String>,
    /// Print the document of the API instead of a table.
    #[arg(long)]
    json: bool,
    /// File with the token of a daemon that wants one.
    #[arg(long, value_name = "FILE")]
    token_file: Option<PathBuf>,
}

/// Asks and prints.
///
/// # Errors
/// Where the setup file is wrong, nobody answers, or the question is refused.
pub fn run(config: &Path, arguments: &Arguments) -> Result<(), Failure> {
    let asked = query(&[
        ("since", arguments.since.as_deref()),
        ("until", arguments.until.as_deref()),
        ("bank", arguments.bank.as_deref()),
    ]);
    let answerer = Answerer::find(config, arguments.token_file.as_deref())?;
    let document = answerer.request(&Method::GET, &format!("/v1/causes{asked}"), None)?;
    if arguments.json {
        println!("{document:#}");
    } else {
        print!("{}", shown(&document));
    }
    Ok(())
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
