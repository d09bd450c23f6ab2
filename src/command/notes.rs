//! `packdrift notes`: the notes that stand, or all that was ever written.

use std::path::{Path, PathBuf};

use axum::http::Method;
use clap::Args;

use super::{Failure, ask::Answerer, note::line};

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

/// Lists the notes, a line each.
///
/// # Errors
/// Where the setup file is wrong or nobody answers.
pub fn run(config: &Path, arguments: &Arguments) -> Result<(), Failure> {
    let answerer = Answerer::find(config, arguments.token_file.as_deref())?;
    let path = format!("/v1/notes?history={}", arguments.history);
    let document = answerer.request(&Method::GET, &path, None)?;
    for note in document["notes"].as_array().into_iter().flatten() {
        println!("{}", line(note));
    }
    Ok(())
}
