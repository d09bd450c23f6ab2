//! `packdrift plot`: one plot as an SVG file that can be read by itself.

use std::path::{Path, PathBuf};

use clap::Args;

use super::{
    Failure,
    evidence::{Asked, write},
};
use crate::{
    config,
    page::plots::{Plot, Size},
};

/// What to draw.
#[derive(Args)]
pub struct Arguments {
    /// Which plot.
    #[arg(value_name = "NAME")]
    plot: Plot,
    #[command(flatten)]
    asked: Asked,
    /// For what width.
    #[arg(long, default_value = "wide")]
    size: Size,
    /// Where to write it. Left out: to standard output.
    #[arg(short, long, value_name = "FILE")]
    output: Option<PathBuf>,
}

/// Asks and draws.
///
/// # Errors
/// Where the setup file is wrong, nobody answers, the question is refused, or the file can't be written.
pub fn run(config: &Path, arguments: &Arguments) -> Result<(), Failure> {
    let setup = config::load(config)?;
    let documents = arguments.asked.gather(config, arguments.plot.needs_series())?;
    let zone = documents.zone(&setup);
    let (evidence, series) = documents.read(zone)?;
    let svg = arguments
        .plot
        .draw(&evidence, series.as_ref(), arguments.size, true)
        .into_string();
    match &arguments.output {
        Some(path) => write(path, svg.as_bytes()),
        None => {
            print!("{svg}");
            Ok(())
        }
    }
}
