//! Gathers what a plot or a report shows, from whoever answers.

use std::path::Path;

use axum::http::Method;
use chrono_tz::Tz;
use clap::Args;
use serde_json::Value;

use super::{
    Failure,
    ask::{Answerer, whole},
};
use crate::{
    config::Setup,
    page::answers::Series,
    page::evidence::{Evidence, Question},
};

/// What to ask, on the command line.
#[derive(Args, Clone)]
pub struct Asked {
    /// From when: a date in the bank's time zone, or RFC 3339. Left out: from the first reading.
    #[arg(long, value_name = "WHEN")]
    since: Option<String>,
    /// Until when. Left out: until the last reading.
    #[arg(long, value_name = "WHEN")]
    until: Option<String>,
    /// Which bank, where there are several.
    #[arg(long, value_name = "NAME")]
    bank: Option<String>,
    /// File with the token of a daemon that wants one.
    #[arg(long, value_name = "FILE")]
    token_file: Option<std::path::PathBuf>,
}

/// The answers' documents, as they came.
pub(super) struct Documents {
    pub evidence: [Value; 6],
    pub series: Option<Value>,
    balance: Value,
}

impl Asked {
    /// Asks everything that a report needs; the series only where it is wanted.
    pub(super) fn gather(&self, config: &Path, with_series: bool) -> Result<Documents, Failure> {
        let answerer = Answerer::find(config, self.token_file.as_deref())?;
        let gathered = self.gather_from(&answerer, with_series);
        answerer.close();
        gathered
    }

    fn gather_from(&self, answerer: &Answerer, with_series: bool) -> Result<Documents, Failure> {
        let question = Question {
            bank: self.bank.clone(),
            since: self.since.clone(),
            until: self.until.clone(),
        };
        let get = |path: &str| answerer.ask(&Method::GET, path, None);
        let mut evidence: [Value; 6] = Default::default();
        for (document, path) in evidence.iter_mut().zip(question.paths()) {
            *document = whole(&path, get)?;
        }
        let mut series = None;
        if with_series {
            let drift = serde_json::from_value(evidence[0].clone()).map_err(|error| unreadable(&error))?;
            series = question.series_path(&drift).map(|path| get(&path)).transpose()?;
        }
        let balance = get(&question.balance_path())?;
        Ok(Documents {
            evidence,
            series,
            balance,
        })
    }
}

impl Documents {
    /// Reads them. The documents must be of a bank of this setup.
    pub(super) fn read(self, zone: Tz) -> Result<(Evidence, Option<Series>), Failure> {
        let evidence =
            Evidence::read(self.evidence, zone).and_then(|evidence| evidence.with_balance(self.balance));
        let evidence = evidence.map_err(|error| unreadable(&error))?;
        let series = self.series.map(serde_json::from_value).transpose();
        Ok((evidence, series.map_err(|error| unreadable(&error))?))
    }

    /// Where dates of the bank that answered are read.
    pub(super) fn zone(&self, setup: &Setup) -> Tz {
        let bank = self.evidence[0]["bank"].as_str().and_then(|id| setup.bank(id));
        bank.map_or(Tz::UTC, |bank| bank.time_zone)
    }
}

pub(super) fn unreadable(error: &serde_json::Error) -> Failure {
    Failure::Words(format!(
        "the answer can't be read; is the daemon of another version? {error}"
    ))
}

/// Writes a file, or says why not.
pub(super) fn write(path: &Path, contents: &[u8]) -> Result<(), Failure> {
    std::fs::write(path, contents).map_err(Failure::system(format!("{} can't be written", path.display())))
}
