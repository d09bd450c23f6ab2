//! `packdrift mark`: say that the bank was full when the log missed it, or was not when the log took it so.

use std::path::{Path, PathBuf};

use axum::http::Method;
use clap::{Args, Subcommand};
use serde_json::{Value, json};

use super::{Failure, ask::Answerer, note::printable};

/// What to say.
#[derive(Args)]
pub struct Arguments {
    #[command(subcommand)]
    what: What,
    /// File with the token of a daemon that wants one.
    #[arg(long, global = true, value_name = "FILE")]
    token_file: Option<PathBuf>,
}

#[derive(Subcommand)]
enum What {
    /// The bank was full at an instant.
    Assert(Stated),
    /// What was taken for a full charge near an instant was none.
    Veto(Stated),
    /// Take a mark back by its number; what it said is kept.
    Withdraw {
        /// Its number.
        number: i64,
    },
}

#[derive(Args)]
struct Stated {
    /// The instant: RFC 3339, or a date in the bank's time zone.
    #[arg(long, value_name = "WHEN")]
    at: String,
    /// Which bank, where there are several.
    #[arg(long, value_name = "NAME")]
    bank: Option<String>,
    /// The voltage that you saw, V. Left out: as logged.
    #[arg(long, value_name = "VOLTS")]
    voltage: Option<f64>,
    /// The current that you saw, A. Left out: as logged.
    #[arg(long, value_name = "AMPERES", allow_negative_numbers = true)]
    tail: Option<f64>,
    /// How you know.
    text: String,
}

/// Says it and prints it as it now stands.
///
/// # Errors
/// Where the setup file is wrong, nobody answers, or what is said is refused.
pub fn run(config: &Path, arguments: &Arguments) -> Result<(), Failure> {
    let answerer = Answerer::find(config, arguments.token_file.as_deref())?;
    let (method, path, body) = match &arguments.what {
        What::Assert(stated) => (Method::POST, "/v1/marks".to_owned(), Some(body("assert", stated))),
        What::Veto(stated) => (Method::POST, "/v1/marks".to_owned(), Some(body("veto", stated))),
        What::Withdraw { number } => (Method::DELETE, format!("/v1/marks/{number}"), None),
    };
    let mark = answerer.request(&method, &path, body.as_ref())?;
    println!("{}", line(&mark));
    Ok(())
}

fn body(kind: &str, stated: &Stated) -> Value {
    json!({
        "kind": kind,
        "at": stated.at,
        "bank": stated.bank,
        "voltage_v": stated.voltage,
        "tail_current_a": stated.tail,
        "text": stated.text,
    })
}

fn line(mark: &Value) -> String {
    let word = |field: &str| mark[field].as_str().unwrap_or("?");
    let withdrawn = if mark["withdrawn"] == true {
        " (withdrawn)"
    } else {
        ""
    };
    format!(
        "mark {}.{} {} bank {}, {}{withdrawn}: {}",
        mark["id"],
        mark["revision"],
        word("at"),
        word("bank"),
        word("kind"),
        printable(word("text"))
    )
}
