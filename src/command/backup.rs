//! `packdrift backup`: a checked copy of the store, whether a daemon runs or not.

use std::path::{Path, PathBuf};

use clap::Args;

use super::Failure;
use crate::{
    config,
    store::backup::{Copied, backup, backup_in},
};

/// Where to.
#[derive(Args)]
pub struct Arguments {
    /// The new file; a folder: a file in it named by the present instant.
    to: PathBuf,
}

/// Makes the backup and prints what is in it.
///
/// # Errors
/// Where the setup file is wrong, the new file is there already, or the store is damaged or can't be read.
pub fn run(config: &Path, arguments: &Arguments) -> Result<(), Failure> {
    let store = config::load(config)?.store.path;
    if !store.exists() {
        return Err(Failure::NoStore {
            path: store.display().to_string(),
        });
    }
    let copied = if arguments.to.is_dir() {
        backup_in(&store, &arguments.to, usize::MAX)?
    } else {
        backup(&store, &arguments.to)?
    };
    println!("backed up and checked: {}", shown(&copied));
    Ok(())
}

/// A copy in words: where, how large, what readings.
pub(super) fn shown(copied: &Copied) -> String {
    format!(
        "{}, {} bytes\nreadings: {}, digest {}",
        copied.path.display(),
        copied.bytes,
        copied.readings.readings,
        copied.readings.sha256
    )
}
