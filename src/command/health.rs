//! `packdrift health`: how the logger is doing, as a table or as the API's document.

use std::path::{Path, PathBuf};

use axum::http::Method;
use clap::Args;
use serde_json::Value;

use super::{Failure, ask::Answerer, figure::number, table::table};
use crate::page::words::{seconds_or_more, visible};

/// Whom to ask, and how to show it.
#[derive(Args)]
pub struct Arguments {
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
/// Where the setup file is wrong, nobody answers, or readings can't come in and be kept.
pub fn run(config: &Path, arguments: &Arguments) -> Result<(), Failure> {
    let answerer = Answerer::find(config, arguments.token_file.as_deref())?;
    let answer = answerer.answer(&Method::GET, "/v1/health", None);
    answerer.close();
    let (status, document) = answer?;
    if !document["store"].is_object() {
        return super::ask::accepted(status, document).map(drop);
    }
    if arguments.json {
        println!("{document:#}");
    } else {
        print!("{}", shown(&document));
    }
    if document["ok"] == true {
        Ok(())
    } else {
        Err(Failure::Words("readings can't come in and be kept".to_owned()))
    }
}

/// The document as a person reads it.
#[must_use]
pub fn shown(document: &Value) -> String {
    let (broker, store) = (&document["broker"], &document["store"]);
    let mut lines = vec![told_of_broker(broker)];
    let megabytes = |field: &str| number(&store[field], |bytes| format!("{:.0} MB", bytes / 1e6));
    lines.push(format!(
        "store: {} readings, {} waiting for commit, {} messages refused, {} in conflict with others, {}, {} free beside it",
        store["readings"],
        store["waiting_for_commit"],
        store["refused_messages"],
        store["conflicting_messages"],
        megabytes("database_bytes"),
        megabytes("free_disk_bytes")
    ));
    if let Some(mend) = store["mend"].as_str() {
        let since = store["commits_fail_since"].as_str().unwrap_or("?");
        lines.push(format!("store: nothing can be committed since {since}: {mend}"));
    }
    let backups = &document["backups"];
    if backups.is_object() {
        lines.push(format!(
            "backups: last {}",
            backups["last"].as_str().unwrap_or("none")
        ));
    }
    if let Some(mend) = backups["mend"].as_str() {
        lines.push(format!("backups: the last try failed: {mend}"));
    }
    let rows = document["instruments"].as_array().into_iter().flatten().map(row);
    let head = ["instrument", "last reading", "age", "clock off\ns", ""];
    format!("{}\n{}\n", lines.join("\n"), table(head, &[0, 1, 4], rows))
}

fn told_of_broker(broker: &Value) -> String {
    if !broker.is_object() {
        return "broker: none, no daemon runs on this store".to_owned();
    }
    if broker["own"] == true {
        return format!(
            "broker: packdrift's own, {}",
            broker["address"].as_str().unwrap_or("?")
        );
    }
    let error = broker["last_error"].as_str().map(visible);
    match (broker["subscribed"] == true, error) {
        (true, _) => format!(
            "broker: subscribed, {} messages taken, {} not acknowledged yet",
            broker["messages_taken"], broker["unacknowledged"]
        ),
        (false, Some(error)) => format!("broker: away, {error}"),
        (false, None) => "broker: not subscribed".to_owned(),
    }
}

fn row(instrument: &Value) -> [String; 5] {
    let wrong = if instrument["clock_wrong"] == true {
        "set its clock"
    } else {
        ""
    };
    let age = instrument["age_s"].as_i64();
    [
        visible(instrument["instrument"].as_str().unwrap_or("?")),
        instrument["last_reading"].as_str().unwrap_or("never").to_owned(),
        age.map_or("–".to_owned(), |age_s| seconds_or_more(age_s.max(0))),
        number(&instrument["clock_off_s"], |off_s| format!("{off_s:+.0}")),
        wrong.to_owned(),
    ]
}
