//! `packdrift report`: one file that tells a winter, and a bundle with what it rests on.

use std::{
    fs::File,
    io::BufWriter,
    path::{Path, PathBuf},
};

use clap::Args;

use super::{
    Failure,
    evidence::{Asked, write},
};
use crate::{
    config,
    report::{self, Names, Report},
    store,
};

/// What to report.
#[derive(Args)]
pub struct Arguments {
    #[command(flatten)]
    asked: Asked,
    /// Where to write the report.
    #[arg(short, long, value_name = "FILE")]
    output: PathBuf,
    /// Also write the report, the readings, notes, set-up and checksums into this archive.
    #[arg(long, value_name = "FILE")]
    bundle: Option<PathBuf>,
    /// Call them otherwise: neither their names nor topics, paths or hosts are left. Whoever is not named is called
    /// P1, P2, …, reference, bank.
    #[arg(long, value_name = "NAME=OTHER", value_delimiter = ',')]
    rename: Vec<String>,
}

/// Asks and writes.
///
/// # Errors
/// Where the setup file is wrong, nobody answers, a name is unknown, nothing was heard, or a file can't be written.
pub fn run(config: &Path, arguments: &Arguments) -> Result<(), Failure> {
    let setup = config::load(config)?;
    let mut documents = arguments.asked.gather(config, true)?;
    let zone = documents.zone(&setup);
    let bank = documents.evidence[0]["bank"]
        .as_str()
        .and_then(|id| setup.bank(id));
    let bank =
        bank.ok_or_else(|| Failure::Words("the daemon has another setup than this file".to_owned()))?;
    let names = Names::read(&arguments.rename, &setup, bank)
        .map_err(|error| Failure::Words(format!("--rename: {error}")))?;
    for document in documents.evidence.iter_mut().chain(&mut documents.series) {
        names.in_document(document);
    }
    let (evidence, series) = documents.read(zone)?;
    // Past whoever has the store: a connection that only reads disturbs nobody.
    let connection = store::read_only(&setup.store.path)?;
    let answers = (&evidence, series.as_ref());
    let (Some(report), Some(stretch_ms)) = (
        Report::new(&connection, answers, &setup, bank, &names)?,
        evidence.stretch_ms(),
    ) else {
        return Err(Failure::Words("nothing was heard of this bank yet".to_owned()));
    };
    write(&arguments.output, report::html(&report).as_bytes())?;
    println!("Wrote {}.", arguments.output.display());
    if let Some(path) = &arguments.bundle {
        let file =
            File::create(path).map_err(Failure::system(format!("{} can't be written", path.display())))?;
        report::bundle(&report, &connection, stretch_ms, BufWriter::new(file))?;
        println!("Wrote {}.", path.display());
    }
    if names.hide() && !evidence.notes.is_empty() {
        println!("Notes are as people wrote them, with names replaced: read them before you hand this on.");
    }
    Ok(())
}
