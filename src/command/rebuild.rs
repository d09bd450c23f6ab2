//! `packdrift rebuild`: drops everything derived and derives it again, with the same result to the last digit.

use std::path::Path;

use indicatif::{ProgressBar, ProgressStyle};

use super::Failure;
use crate::{config, ledger, store};

/// Rebuilds the ledger of the setup's store; the daemon must not be running.
///
/// # Errors
/// Where the setup file is wrong, the store is in use, or SQLite says no.
pub fn run(config: &Path) -> Result<(), Failure> {
    let setup = config::load(config)?;
    if !setup.store.path.exists() {
        return Err(Failure::NoStore {
            path: setup.store.path.display().to_string(),
        });
    }
    let _lock = store::Lock::take(&setup.store.path)?;
    let mut connection = store::read_write(&setup.store.path)?;
    let bar = bar("hours");
    ledger::rebuild(&mut connection, &setup, |progress| {
        bar.set_length(progress.of.unsigned_abs());
        bar.set_position(progress.done.unsigned_abs());
    })?;
    bar.finish_and_clear();
    println!("rebuilt the ledger of {}", setup.store.path.display());
    Ok(())
}

/// A progress bar that counts `what`; silent where nobody looks.
pub(super) fn bar(what: &str) -> ProgressBar {
    let style = ProgressStyle::with_template("{bar:30} {pos}/{len} {msg}, {elapsed} so far, {eta} to go");
    let bar = ProgressBar::new(0).with_message(what.to_owned());
    bar.set_style(style.unwrap_or_else(|_| ProgressStyle::default_bar()));
    bar
}
