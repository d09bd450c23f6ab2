//! `packdrift export`: readings, hours, full charges, phases, notes, marks and answers for other programs.

#[cfg(feature = "parquet")]
mod partition;

use std::{
    collections::BTreeSet,
    fs::{self, File},
    io::{BufWriter, Write},
    path::{Path, PathBuf},
    thread::sleep,
    time::{Duration, Instant},
};

use axum::http::Method;
use clap::Args;

use super::{
    Failure,
    ask::{Answerer, accepted, whole},
    bank::asked_bank,
    printed::Printed,
};
use crate::{
    api,
    config::{self, Bank, Setup},
    exchange::export::{self, Format, Table, What},
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
    /// Bring a folder up to date that holds every table but the readings, by site (a bank each) and month; what is in
    /// it as it should be is left alone, so that a file sync carries it from many sites to one place.
    #[cfg(feature = "parquet")]
    #[arg(long, value_name = "DIR", conflicts_with_all = ["what", "output", "since", "until"])]
    partition: Option<PathBuf>,
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
    if arguments.what == What::Dictionary {
        return dictionary(arguments.output.as_deref());
    }
    if !setup.store.path.exists() {
        return Err(Failure::NoStore {
            path: setup.store.path.display().to_string(),
        });
    }
    #[cfg(feature = "parquet")]
    if let Some(folder) = &arguments.partition {
        if arguments.format != Format::Parquet {
            return Err(Failure::Words(
                "--partition goes with --format parquet".to_owned(),
            ));
        }
        let banks = match &arguments.bank {
            Some(id) => vec![asked_bank(&setup, Some(id))?],
            None => setup.banks.iter().collect(),
        };
        let answerer = Answerer::find(config, arguments.token_file.as_deref())?;
        let done = partition::partitions(&answerer, &setup, &banks, folder);
        answerer.close();
        return done;
    }
    if arguments.what == What::BatteryData {
        return batteries(&setup, arguments);
    }
    let Some(output) = &arguments.output else {
        let mut out = BufWriter::new(Printed::new());
        write(config, &setup, arguments, &mut out)?;
        return out
            .flush()
            .map_err(Failure::system("standard output can't be written"));
    };
    // Under its name only once it is whole, unless the name is that of no file, like /dev/stdout: a device or a link
    // must stay what it is.
    let is_file = fs::symlink_metadata(output).map_or(true, |found| found.is_file());
    let mut part = output.clone().into_os_string();
    if is_file {
        part.push(".part");
    }
    let unwritable = || Failure::system(format!("{} can't be written", output.display()));
    let mut out = BufWriter::new(File::create(&part).map_err(unwritable())?);
    let rows = write(config, &setup, arguments, &mut out)?;
    out.flush().map_err(unwritable())?;
    if is_file {
        fs::rename(&part, output).map_err(unwritable())?;
    }
    println!("{}: {rows} rows", output.display());
    Ok(())
}

/// The data dictionary, which needs no store.
fn dictionary(output: Option<&Path>) -> Result<(), Failure> {
    let text = format!("{:#}\n", export::dictionary());
    match output {
        None => {
            print!("{text}");
            Ok(())
        }
        Some(path) => {
            fs::write(path, text).map_err(Failure::system(format!("{} can't be written", path.display())))
        }
    }
}

/// A file a pack into a folder.
fn batteries(setup: &Setup, arguments: &Arguments) -> Result<(), Failure> {
    let Some(folder) = &arguments.output else {
        return Err(Failure::Words(
            "the Battery Data Format has a file a pack: name a folder with --output".to_owned(),
        ));
    };
    let bank = asked_bank(setup, arguments.bank.as_deref())?;
    let zone = bank.time_zone;
    let stretch_ms = api::stretch(arguments.since.as_deref(), arguments.until.as_deref(), zone)?;
    let made = fs::create_dir_all(folder);
    made.map_err(Failure::system(format!("{} can't be made", folder.display())))?;
    let connection = store::read_only(&setup.store.path)?;
    let written = export::batteries(&connection, setup, bank, stretch_ms, arguments.format, folder)?
        .ok_or_else(|| Failure::Words("the Battery Data Format is written as CSV or Parquet".to_owned()))?;
    for (path, rows) in written {
        println!("{}: {rows} rows", path.display());
    }
    Ok(())
}

fn write(
    config: &Path,
    setup: &Setup,
    arguments: &Arguments,
    out: &mut (dyn Write + Send),
) -> Result<u64, Failure> {
    if arguments.what == What::Readings {
        return readings(setup, arguments, out);
    }
    let bank = asked_bank(setup, arguments.bank.as_deref())?;
    let (since, until) = (arguments.since.as_deref(), arguments.until.as_deref());
    let answerer = Answerer::find(config, arguments.token_file.as_deref())?;
    let found = table(&answerer, setup, bank, arguments.what, since, until);
    answerer.close();
    Ok(found?.write(arguments.format, &setup.digest, out)?)
}

/// The readings of a bank, or of all of them.
fn readings(setup: &Setup, arguments: &Arguments, out: &mut (dyn Write + Send)) -> Result<u64, Failure> {
    let banks = match &arguments.bank {
        Some(id) => vec![asked_bank(setup, Some(id))?],
        None => setup.banks.iter().collect(),
    };
    let (since, until) = (arguments.since.as_deref(), arguments.until.as_deref());
    let stretches = banks
        .iter()
        .map(|bank| api::stretch(since, until, bank.time_zone));
    let stretches_ms = stretches.collect::<Result<BTreeSet<_>, _>>()?;
    let (1, Some(stretch_ms)) = (stretches_ms.len(), stretches_ms.first()) else {
        return Err(Failure::Words(
            "a date begins at another time at each bank: say which with --bank, or write instants like \
             2026-01-10T08:00:00Z"
                .to_owned(),
        ));
    };
    let connection = store::read_only(&setup.store.path)?;
    let only = arguments.bank.as_ref().map(|_| names(setup, banks[0]));
    Ok(export::readings(
        &connection,
        &setup.digest,
        *stretch_ms,
        |name| {
            only.as_ref()
                .is_none_or(|only| only.contains(name))
                .then(|| name.to_owned())
        },
        arguments.format,
        out,
    )?)
}

/// How long an answer is waited for that the API refuses for now: while hours are being derived, it does.
const PATIENCE: Duration = Duration::from_secs(600);
/// How long to wait between two questions.
const PAUSE: Duration = Duration::from_secs(1);

/// Asks for a table of a bank.
fn table(
    answerer: &Answerer,
    setup: &Setup,
    bank: &Bank,
    what: What,
    since: Option<&str>,
    until: Option<&str>,
) -> Result<Table, Failure> {
    // Of what is read from the store, asking for phases brings the hours up to date.
    let phases = || format!("/v1/phases{}", api::query_string(&[("bank", Some(&bank.id))]));
    let asked = what.path(&bank.id, since, until).unwrap_or_else(phases);
    let asked_at = Instant::now();
    let document = whole(&asked, |path| {
        loop {
            let (status, document) = answerer.answer(&Method::GET, path, None)?;
            if status != 503 || asked_at.elapsed() > PATIENCE {
                return accepted(status, document);
            }
            sleep(PAUSE);
        }
    })?;
    let kept = || store::read_only(&setup.store.path);
    Ok(match what {
        What::Hours => {
            let stretch_ms = api::stretch(since, until, bank.time_zone)?;
            export::hours(&kept()?, setup, bank, stretch_ms, str::to_owned)?
        }
        What::StatedPhases => export::stated_phases(&kept()?, bank)?,
        _ => what.table(&document),
    })
}

fn names(setup: &Setup, bank: &Bank) -> BTreeSet<String> {
    bank.instruments()
        .map(|instrument| setup.entry(instrument).id.clone())
        .collect()
}
