//! What is asked of a stretch of a bank's record, and shown as a table or as the API's document.

use std::path::{Path, PathBuf};

use axum::http::Method;
use clap::Args;
use serde_json::Value;

use super::{
    Failure,
    ask::{Answerer, query},
    local::local,
};

/// What to ask.
#[derive(Args)]
pub struct Stretch {
    /// From when: a date in the bank's time zone, or RFC 3339. Left out: from the beginning.
    #[arg(long, value_name = "WHEN")]
    since: Option<String>,
    /// Until when. Left out: until the last reading.
    #[arg(long, value_name = "WHEN")]
    until: Option<String>,
    #[command(flatten)]
    how: How,
}

/// Whom to ask, and how to show it.
#[derive(Args)]
pub struct How {
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

impl Stretch {
    /// Asks what stands at `path` of the API and prints it, as `shown` has it.
    ///
    /// # Errors
    /// Where the setup file is wrong, nobody answers, or the question is refused.
    pub(super) fn print(
        &self,
        config: &Path,
        path: &str,
        shown: impl Fn(&Value) -> String,
    ) -> Result<(), Failure> {
        let asked = [("since", self.since.as_deref()), ("until", self.until.as_deref())];
        self.how.print(config, path, &asked, shown)
    }
}

impl How {
    /// Asks what stands at `path` of the API with a query and prints it, as `shown` has it.
    ///
    /// # Errors
    /// Where the setup file is wrong, nobody answers, or the question is refused.
    pub(super) fn print(
        &self,
        config: &Path,
        path: &str,
        asked: &[(&str, Option<&str>)],
        shown: impl Fn(&Value) -> String,
    ) -> Result<(), Failure> {
        let asked = [asked, &[("bank", self.bank.as_deref())]].concat();
        let answerer = Answerer::find(config, self.token_file.as_deref())?;
        let zone = answerer.zone(self.bank.as_deref());
        let document = answerer.request(&Method::GET, &format!("{path}{}", query(&asked)), None)?;
        if self.json {
            println!("{document:#}");
        } else {
            print!("{}", shown(&local(document, zone)));
        }
        Ok(())
    }
}
