//! `packdrift export --format parquet --partition DIR`: every table but the readings, by site and month.
//!
//! A site is a bank. Answers stand as they were at the end of each month, from the first reading on.

use std::path::Path;

use chrono::{Months, NaiveDate};

use super::table;
use crate::{
    command::{Failure, ask::Answerer},
    config::{Bank, Setup},
    exchange::export::{What, partition},
};

/// What goes into the folder, and by which of its instants.
const TABLES: [(What, &str, &str); 6] = [
    (What::Hours, "hours", "hour_begin"),
    (What::Anchors, "anchors", "end"),
    (What::Phases, "phases", "begin"),
    (What::StatedPhases, "stated_phases", "written"),
    (What::Notes, "notes", "written"),
    (What::Marks, "marks", "written"),
];

/// Brings the folder up to date with these banks.
pub(super) fn partitions(
    answerer: &Answerer,
    setup: &Setup,
    banks: &[&Bank],
    folder: &Path,
) -> Result<(), Failure> {
    for bank in banks {
        let mut done = partition::Done::default();
        let mut put = |name, months| {
            done += partition::put(folder, name, &bank.id, &setup.digest, months)?;
            Ok::<_, Failure>(())
        };
        let mut heard = Vec::new();
        for (what, name, by) in TABLES {
            let all = table(answerer, setup, bank, what, None, None)?;
            let months = partition::by_month(all, by);
            if what == What::Hours {
                heard = months.keys().cloned().collect();
            }
            put(name, months)?;
        }
        let mut answers = Vec::new();
        for month in heard {
            let until = end(&month);
            let then = table(answerer, setup, bank, What::Answers, None, until.as_deref())?;
            answers.push((month, then));
        }
        put("answers", answers.into_iter().collect())?;
        println!(
            "{}: {} files written, {} as they were, {} removed",
            bank.id, done.written, done.kept, done.removed
        );
    }
    Ok(())
}

/// When a month like `2026-01` ends, in RFC 3339.
fn end(month: &str) -> Option<String> {
    let begin: NaiveDate = format!("{month}-01").parse().ok()?;
    let end = begin.checked_add_months(Months::new(1))?;
    Some(format!("{end}T00:00:00Z"))
}
