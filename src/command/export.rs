//! `packdrift export`: readings, hours, full charges, phases, notes and marks for other programs.

use std::{
    collections::BTreeSet,
    fs::{self, File},
    io::{BufWriter, Write, stdout},
    path::{Path, PathBuf},
};

use axum::http::Method;
use clap::Args;

use super::{Failure, ask::Answerer};
use crate::{
    api,
    config::{self, Bank, Setup},
    exchange::export::{self, Format, What},
    store,
};

/// What to export.
#[derive(Args)]
pub struct Arguments {
    /// What.
    #[arg(value_enum, default_value = "readings")]
    what: What,
    /// How it is written.
    #[arg(long, value_enum, default_value = "csv")]
    format: Format,
    /// The file to write, for battery data the folder; left out: standard output.
    #[arg(short, long, value_name = "FILE")]
    output: Option<PathBuf>,
    /// From when: a date in the bank's time zone or an RFC 3339 instant.
    #[arg(long)]
    since: Option<String>,
    /// Until when.
    #[arg(long)]
    until: Option<String>,
    /// The bank; left out: the only one, and for readings every one.
    #[arg(long)]
    bank: Option<String>,
    /// The file with a token, where the daemon wants one.
    #[arg(long, value_name = "FILE")]
    token_file: Option<PathBuf>,
}

/// Exports, whether a daemon runs or not.
///
/// # Errors
/// Where the setup file is wrong, the store can't be read, or the file can't be written.
pub fn run(config: &Path, arguments: &Arguments) -> Result<(), Failure> {
    let setup = config::load(config)?;
    if !setup.store.path.exists() {
        return Err(Failure::NoStore {
            path: setup.store.path.display().to_string(),
        });
    }
    if arguments.what == What::BatteryData {
        return batteries(&setup, arguments);
    }
    let Some(output) = &arguments.output else {
        let mut out = BufWriter::new(stdout().lock());
        write(config, &setup, arguments, &mut out)?;
        return out
            .flush()
            .map_err(Failure::system("standard output can't be written"));
    };
    // Under its name only once it is whole.
    let mut beside = output.clone().into_os_string();
    beside.push(".part");
    let unwritable = || Failure::system(format!("{} can't be written", output.display()));
    let mut out = BufWriter::new(File::create(&beside).map_err(unwritable())?);
    let rows = write(config, &setup, arguments, &mut out)?;
    out.flush().map_err(unwritable())?;
    fs::rename(&beside, output).map_err(unwritable())?;
    println!("{}: {rows} rows", output.display());
    Ok(())
}

/// A file a pack into a folder.
fn batteries(setup: &Setup, arguments: &Arguments) -> Result<(), Failure> {
    let Some(folder) = &arguments.output else {
        return Err(Failure::Words(
            "the Battery Data Format has a file a pack: name a folder with --output".to_owned(),
        ));
    };
    if arguments.format != Format::Csv {
        return Err(Failure::Words(
            "the Battery Data Format is written as CSV".to_owned(),
        ));
    }
    let bank = asked_bank(setup, arguments)?;
    let zone = bank.time_zone;
    let stretch_ms = api::stretch(arguments.since.as_deref(), arguments.until.as_deref(), zone)?;
    let made = fs::create_dir_all(folder);
    made.map_err(Failure::system(format!("{} can't be made", folder.display())))?;
    let connection = store::read_only(&setup.store.path)?;
    for (name, rows) in export::batteries(&connection, setup, bank, stretch_ms, folder)? {
        println!(
            "{}: {rows} rows",
            folder.join(format!("{name}.bdf.csv")).display()
        );
    }
    Ok(())
}

fn asked_bank<'s>(setup: &'s Setup, arguments: &Arguments) -> Result<&'s Bank, Failure> {
    match &arguments.bank {
        None => Ok(&setup.banks[0]),
        Some(name) => setup.bank(name).ok_or_else(|| {
            let known: Vec<_> = setup.banks.iter().map(|bank| bank.id.as_str()).collect();
            Failure::Words(format!(
                "there is no bank “{name}”; there is: {}",
                known.join(", ")
            ))
        }),
    }
}

fn write(config: &Path, setup: &Setup, arguments: &Arguments, out: &mut dyn Write) -> Result<u64, Failure> {
    let bank = asked_bank(setup, arguments)?;
    let (since, until) = (arguments.since.as_deref(), arguments.until.as_deref());
    let stretch_ms = api::stretch(since, until, bank.time_zone)?;
    if arguments.what == What::Readings {
        let connection = store::read_only(&setup.store.path)?;
        let only = arguments.bank.as_ref().map(|_| names(setup, bank));
        return Ok(export::readings(
            &connection,
            stretch_ms,
            only.as_ref(),
            arguments.format,
            out,
        )?);
    }
    if arguments.bank.is_none() && setup.banks.len() > 1 {
        return Err(Failure::Words("say which bank with --bank".to_owned()));
    }
    let answerer = Answerer::find(config, arguments.token_file.as_deref())?;
    // Asking for phases brings the hours up to date as well.
    let path = arguments.what.path(&bank.id, since, until);
    let asked =
        path.unwrap_or_else(|| format!("/v1/phases{}", api::query_string(&[("bank", Some(&bank.id))])));
    let document = answerer.ask(&Method::GET, &asked, None);
    answerer.close();
    let document = document?;
    let table = if arguments.what == What::Hours {
        export::hours(&store::read_only(&setup.store.path)?, setup, bank, stretch_ms)?
    } else {
        arguments.what.table(&document)
    };
    table.write(arguments.format, out)?;
    Ok(table.rows.len() as u64)
}

fn names(setup: &Setup, bank: &Bank) -> BTreeSet<String> {
    let packs = bank.packs.iter().map(|pack| pack.instrument);
    std::iter::once(bank.reference.instrument)
        .chain(packs)
        .map(|instrument| setup.entry(instrument).id.clone())
        .collect()
}
