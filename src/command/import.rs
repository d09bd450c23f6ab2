//! `packdrift import`: takes over what others logged, after showing how it was understood.

use std::{
    fmt::Write as _,
    io::{IsTerminal, Write as _, stdin, stdout},
    path::{Path, PathBuf},
};

use clap::Args;
use indicatif::{ProgressBar, ProgressStyle};

use super::{Failure, table::table};
use crate::{
    api::field,
    config::{self, Setup},
    daemon,
    exchange::import::{self, Look, Map},
    page::words::rfc3339,
    reading::Channel,
    store::{self, Lock, Writer},
};

/// What to import.
#[derive(Args)]
pub struct Arguments {
    /// Files: CSV, JSON lines or SenML, also as gz or zst, Parquet, packdrift's own exports of readings, notes, stated
    /// phases and marks, or another packdrift's store.
    #[arg(required = true)]
    files: Vec<PathBuf>,
    /// The map: a TOML file that says what the columns mean. packdrift's own exports need none.
    #[arg(long, value_name = "FILE")]
    map: Option<PathBuf>,
    /// Show how the files are understood, and write nothing.
    #[arg(long)]
    dry_run: bool,
    /// Write without asking.
    #[arg(long, conflicts_with = "dry_run")]
    yes: bool,
}

/// Imports into the setup's store; the daemon must not be running.
///
/// # Errors
/// Whatever is wrong with a file: then nothing of any of them is written.
pub fn run(config: &Path, arguments: &Arguments) -> Result<(), Failure> {
    let setup = config::load(config)?;
    let map = arguments
        .map
        .as_deref()
        .map(Map::read)
        .transpose()
        .map_err(import::ImportError::from)?;
    let mut looks = Vec::new();
    for file in &arguments.files {
        let bar = bar(file, "reading");
        let look = import::look(file, map.as_ref(), &setup, |bytes, rows| tell(&bar, bytes, rows))?;
        bar.finish_and_clear();
        print!("{}", told(&setup, file, &look));
        looks.push(look);
    }
    if arguments.dry_run {
        println!("nothing was written");
        return Ok(());
    }
    if !arguments.yes && !agreed()? {
        return Err(Failure::Words(
            "nothing was written; --yes writes without asking".to_owned(),
        ));
    }
    let _lock = Lock::take(&setup.store.path)?;
    let connection = store::read_write(&setup.store.path)?;
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_time()
        .build()
        .map_err(Failure::system("no threads to work with"))?;
    let (writer, thread) = Writer::start(connection, daemon::writer_options(&setup))?;
    for (file, look) in arguments.files.iter().zip(&looks) {
        let bar = bar(file, "writing");
        let with = (&writer, runtime.handle());
        let before = import::write(file, map.as_ref(), &setup, look, with, |bytes, rows| {
            tell(&bar, bytes, rows);
        });
        bar.finish_and_clear();
        let before = match before? {
            0 => String::new(),
            items => format!(", {items} of them by the run before"),
        };
        println!("{}: {} readings written{before}", file.display(), look.readings);
    }
    drop(writer);
    thread.join();
    Ok(())
}

/// Asks the person at the terminal; without one nobody agrees.
fn agreed() -> Result<bool, Failure> {
    if !stdin().is_terminal() {
        return Ok(false);
    }
    print!("Write this? [y/N] ");
    let failed = || Failure::system("the terminal can't be asked");
    stdout().flush().map_err(failed())?;
    let mut answer = String::new();
    stdin().read_line(&mut answer).map_err(failed())?;
    Ok(matches!(answer.trim(), "y" | "Y" | "yes"))
}

/// A progress bar over the bytes of a file; silent where nobody looks.
fn bar(file: &Path, doing: &str) -> ProgressBar {
    let style = ProgressStyle::with_template("{prefix} {bar:24} {bytes}/{total_bytes}, {msg}, {eta} left");
    let bytes = std::fs::metadata(file).map_or(0, |file| file.len());
    let bar = ProgressBar::new(bytes).with_prefix(format!("{doing} {}", file.display()));
    bar.set_style(style.unwrap_or_else(|_| ProgressStyle::default_bar()));
    bar
}

fn tell(bar: &ProgressBar, bytes: u64, rows: u64) {
    bar.set_position(bytes);
    let seconds = bar.elapsed().as_secs_f64().max(0.001);
    #[expect(clippy::cast_precision_loss, reason = "a rate for a person")]
    let rate = rows as f64 / seconds;
    bar.set_message(format!("{rate:.0} rows/s"));
}

/// How a file was understood, for a person.
fn told(setup: &Setup, file: &Path, look: &Look) -> String {
    let mut text = String::new();
    let extent = look.extent_ms.map_or_else(String::new, |(first, last)| {
        format!(" from {} to {}", rfc3339(first), rfc3339(last))
    });
    // Writing to a String does not fail.
    let _ = writeln!(text, "{}: {} readings{extent}", file.display(), look.readings);
    if look.readings > 0 {
        understood(&mut text, setup, look);
    }
    for (reason, count, first) in &look.refused {
        let _ = writeln!(
            text,
            "to quarantine: {count} for {}, the first {first}",
            reason.word()
        );
    }
    let said = &look.said;
    if !said.is_empty() {
        let _ = writeln!(
            text,
            "what people said: {} revisions of notes, {} of phases, {} of marks",
            said.notes.len(),
            said.phases.len(),
            said.marks.len()
        );
    }
    for remark in &look.remarks {
        let _ = writeln!(text, "note: {remark}");
    }
    text
}

/// What each instrument reports, and the first readings.
fn understood(text: &mut String, setup: &Setup, look: &Look) {
    let rows = look.channels.iter().map(|((instrument, channel), values)| {
        [
            setup.entry(*instrument).id.clone(),
            field(*channel).to_owned(),
            values.taken.to_string(),
            shown(*channel, values.lowest),
            shown(*channel, values.highest),
        ]
    });
    let head = ["instrument", "channel", "values", "lowest", "highest"];
    let _ = writeln!(text, "{}", table(head, &[0, 1], rows));
    let rows = look.first.iter().map(|(line, reading)| {
        let values: Vec<_> = reading
            .channels
            .iter()
            .map(|(channel, value)| format!("{} {}", field(channel), shown(channel, value)))
            .collect();
        [
            line.to_string(),
            rfc3339(reading.at_ms),
            setup.entry(reading.instrument).id.clone(),
            values.join(", "),
        ]
    });
    let _ = writeln!(
        text,
        "{}",
        table(["line", "at", "instrument", "read as"], &[1, 2, 3], rows)
    );
}

fn shown(channel: Channel, value: i64) -> String {
    channel.in_units(value).to_string()
}
