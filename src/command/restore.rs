//! `packdrift restore`: a backup in the place of the store.

use std::path::{Path, PathBuf};

use clap::Args;

use super::{Failure, backup::shown};
use crate::{config, store::backup::restore};

/// What from.
#[derive(Args)]
pub struct Arguments {
    /// The backup; it stays where it is.
    from: PathBuf,
}

/// Puts a copy of the backup in the place of the store, which is kept aside; the daemon must not be running.
///
/// # Errors
/// Where the setup file is wrong, the store is in use, or the backup is damaged or can't be read.
pub fn run(config: &Path, arguments: &Arguments) -> Result<(), Failure> {
    let store = config::load(config)?.store.path;
    let (copied, aside) = restore(&arguments.from, &store)?;
    println!("restored and checked: {}", shown(&copied));
    if let Some(aside) = aside {
        println!("what was there before: {}", aside.display());
    }
    Ok(())
}
