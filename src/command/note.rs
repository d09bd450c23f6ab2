//! `packdrift note`: attach a note, correct one, or take one back.

use std::path::{Path, PathBuf};

use axum::http::Method;
use chrono::{SecondsFormat, Utc};
use clap::Args;
use serde_json::{Value, json};

use super::{Failure, ask::Answerer};
use crate::page::words::visible;

/// What to write.
#[derive(Args)]
pub struct Arguments {
    /// The note is of this pack.
    #[arg(long, value_name = "NAME", group = "whom")]
    pack: Option<String>,
    /// The note is of this reference.
    #[arg(long, value_name = "NAME", group = "whom")]
    reference: Option<String>,
    /// The note is of this bank.
    #[arg(long, value_name = "NAME", group = "whom")]
    bank: Option<String>,
    /// observation, recalibration (begins a new epoch) or wiring.
    #[arg(long, value_name = "KIND", default_value = "observation")]
    kind: String,
    /// The instant it speaks of: a date in the bank's time zone, or RFC 3339. Left out: now.
    #[arg(long, value_name = "WHEN")]
    at: Option<String>,
    /// Correct the note with this number; what it said before is kept.
    #[arg(long, value_name = "NUMBER")]
    correct: Option<i64>,
    /// Take the note with this number back; what it said is kept.
    #[arg(long, value_name = "NUMBER", conflicts_with_all = ["whom", "correct", "at", "text"])]
    withdraw: Option<i64>,
    /// The words.
    #[arg(required_unless_present = "withdraw")]
    text: Option<String>,
    /// File with the token of a daemon that wants one.
    #[arg(long, value_name = "FILE")]
    token_file: Option<PathBuf>,
}

/// Writes the note and prints it as it now stands.
///
/// # Errors
/// Where the setup file is wrong, nobody answers, or the note is refused.
pub fn run(config: &Path, arguments: &Arguments) -> Result<(), Failure> {
    let answerer = Answerer::find(config, arguments.token_file.as_deref())?;
    let note = if let Some(id) = arguments.withdraw {
        answerer.request(&Method::DELETE, &format!("/v1/notes/{id}"), None)?
    } else {
        let body = body(arguments);
        match arguments.correct {
            Some(id) => answerer.request(&Method::PUT, &format!("/v1/notes/{id}"), Some(&body))?,
            None => answerer.request(&Method::POST, "/v1/notes", Some(&body))?,
        }
    };
    println!("{}", line(&note));
    Ok(())
}

fn body(arguments: &Arguments) -> Value {
    let now = || Utc::now().to_rfc3339_opts(SecondsFormat::Secs, true);
    let mut body = json!({
        "at": arguments.at.clone().unwrap_or_else(now),
        "kind": arguments.kind,
        "text": arguments.text,
    });
    for (field, name) in [
        ("pack", &arguments.pack),
        ("reference", &arguments.reference),
        ("bank", &arguments.bank),
    ] {
        if let Some(name) = name {
            body[field] = name.as_str().into();
        }
    }
    body
}

/// Text for one line of a terminal: nothing in what people write may act on it.
pub(super) fn printable(text: &str) -> String {
    visible(text).replace('\n', "␊").replace('\t', "␉")
}

/// To what a note is attached.
pub(super) fn whom(note: &Value) -> String {
    let named = |field| Some(format!("{field} {}", note[field].as_str()?));
    let mut fields = ["pack", "reference", "bank"].into_iter();
    fields.find_map(named).unwrap_or_default()
}

/// A note in one line.
fn line(note: &Value) -> String {
    let whom = whom(note);
    let word = |field: &str| note[field].as_str().unwrap_or("?").to_owned();
    let withdrawn = if note["withdrawn"] == true {
        " (withdrawn)"
    } else {
        ""
    };
    let text = printable(&word("text"));
    format!(
        "note {}.{} {} {whom}, {}{withdrawn}: {text}",
        note["id"],
        note["revision"],
        word("at"),
        word("kind")
    )
}
