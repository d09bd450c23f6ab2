//! `packdrift watch`: the answer as a table, anew every while.

use std::{
    io::{IsTerminal, stdout},
    path::Path,
    time::Duration,
};

use clap::Args;

use super::{Failure, drift};
use crate::config;

/// What to watch.
#[derive(Args)]
#[group(skip)]
pub struct Arguments {
    #[command(flatten)]
    drift: drift::Arguments,
    /// How often.
    #[arg(long, value_name = "DURATION", default_value = "1m", value_parser = every)]
    every: Duration,
}

fn every(text: &str) -> Result<Duration, String> {
    config::duration(text)
        .ok()
        .filter(|every| !every.is_zero())
        .ok_or_else(|| "write it like 1m or PT1M".to_owned())
}

/// Asks and prints until it is ended. Once it was answered, a failure is shown and the question asked again.
///
/// # Errors
/// Where the setup file is wrong, nobody answers, or the question is refused the first time.
pub fn run(config: &Path, arguments: &Arguments) -> Result<(), Failure> {
    drift::run(config, &arguments.drift)?;
    loop {
        std::thread::sleep(arguments.every);
        if stdout().is_terminal() {
            // Erase the screen and go to its corner (ECMA-48: ED, CUP).
            print!("\x1b[2J\x1b[H");
        }
        if let Err(failure) = drift::run(config, &arguments.drift) {
            eprintln!("{failure:?}");
        }
    }
}
