//! `packdrift notes`: the newest of the notes that stand, or of all that was ever written.

use std::path::{Path, PathBuf};

use axum::http::Method;
use clap::Args;
use serde_json::Value;

use super::{
    Failure,
    ask::Answerer,
    note::{printable, whom},
    table::table,
};

/// What to list.
#[derive(Args)]
pub struct Arguments {
    /// Every revision, withdrawn ones too.
    #[arg(long)]
    history: bool,
    /// File with the token of a daemon that wants one.
    #[arg(long, value_name = "FILE")]
    token_file: Option<PathBuf>,
}

/// Lists the notes as a table.
///
/// # Errors
/// Where the setup file is wrong or nobody answers.
pub fn run(config: &Path, arguments: &Arguments) -> Result<(), Failure> {
    let answerer = Answerer::find(config, arguments.token_file.as_deref())?;
    let path = format!("/v1/notes?history={}", arguments.history);
    println!("{}", shown(&answerer.request(&Method::GET, &path, None)?));
    Ok(())
}

/// The document as a person reads it.
#[must_use]
pub fn shown(document: &Value) -> String {
    let notes = document["notes"].as_array().map_or(&[][..], Vec::as_slice);
    if notes.is_empty() {
        return "no note yet".to_owned();
    }
    let head = ["note", "at", "of", "kind", "words"];
    let shown = table(head, &[0, 1, 2, 3, 4], notes.iter().map(row));
    if document["next_before"].is_null() {
        return shown;
    }
    let (last, all) = (notes.len(), &document["in_all"]);
    format!(
        "{shown}\nThese are the last {last} of {all}; `packdrift export notes` writes every revision of all of them."
    )
}

fn row(note: &Value) -> [String; 5] {
    let word = |field: &str| note[field].as_str().unwrap_or("?").to_owned();
    let withdrawn = if note["withdrawn"] == true {
        ", withdrawn"
    } else {
        ""
    };
    [
        format!("{}.{}{withdrawn}", note["id"], note["revision"]),
        word("at"),
        whom(note),
        word("kind"),
        printable(&word("text")),
    ]
}
