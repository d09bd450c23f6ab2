//! What packdrift costs beside what people would otherwise use: whole processes, in turns, in one run.
//!
//! `benches/side_by_side.sh` sees to what this needs and runs it; `benches/yardsticks/` holds what it is measured
//! against.

#[path = "../yardsticks/bare_insert.rs"]
mod bare_insert;
mod flood;
#[allow(dead_code, reason = "the tests use more of it")]
#[path = "../../tests/it/harness.rs"]
mod harness;
mod idle;
mod import;
mod intake;
#[path = "../yardsticks/null_subscriber.rs"]
mod null_subscriber;
mod process;
mod questions;
#[allow(dead_code, reason = "the tests use more of it")]
#[path = "../../tests/it/scenario.rs"]
mod scenario;
mod table;
mod year;

use std::{path::PathBuf, process::Command};

use clap::{Parser, ValueEnum};

use table::Table;

/// Which rows of the table.
#[derive(Clone, Copy, PartialEq, Eq, ValueEnum)]
enum Rows {
    Intake,
    Import,
    Questions,
    Idle,
    Written,
    Burst,
    Binary,
}

/// Measures packdrift side by side with its yardsticks.
#[derive(Parser)]
struct Arguments {
    /// Only these rows.
    rows: Vec<Rows>,
    /// Messages of the intake, readings of the import.
    #[arg(long, default_value_t = 400_000)]
    messages: i64,
    /// How often intake and import take turns with their yardsticks.
    #[arg(long, default_value_t = 5)]
    repeats: usize,
    /// Where the year is made, and left for the next run.
    #[arg(long, default_value = "target/side_by_side")]
    folder: PathBuf,
    /// Leave out SQLite, `DuckDB` and numpy.
    #[arg(long)]
    alone: bool,
    /// Be the null subscriber on this port.
    #[arg(long, hide = true)]
    null_subscriber: Option<u16>,
    /// Cargo says this to every benchmark.
    #[arg(long, hide = true)]
    bench: bool,
}

fn main() {
    let arguments = Arguments::parse();
    if let Some(port) = arguments.null_subscriber {
        null_subscriber::run(port, arguments.messages.unsigned_abs());
        return;
    }
    let wanted = |rows| arguments.rows.is_empty() || arguments.rows.contains(&rows);
    let mut table = Table::default();
    if wanted(Rows::Intake) {
        intake::rows(&mut table, arguments.messages, arguments.repeats);
    }
    if wanted(Rows::Import) {
        import::rows(&mut table, arguments.messages.unsigned_abs(), arguments.repeats);
    }
    if wanted(Rows::Questions) {
        let stores = questions::make(&arguments.folder, &mut table);
        questions::rows(&stores, &mut table, !arguments.alone);
    }
    if wanted(Rows::Idle) {
        idle::cpu(&mut table, 120);
    }
    if wanted(Rows::Written) {
        idle::written(&mut table, 216);
    }
    if wanted(Rows::Burst) {
        intake::burst(&mut table);
    }
    if wanted(Rows::Binary) {
        binary(&mut table);
    }
}

fn binary(table: &mut Table) {
    #[expect(clippy::cast_precision_loss, reason = "a size")]
    let mb = std::fs::metadata(harness::program()).unwrap().len() as f64 / 1e6;
    table.row("binary, MB", &format!("{mb:.1}"), "", "≤ 25", "");
}

/// The middle one.
fn median(values: impl Iterator<Item = f64>) -> f64 {
    let mut values: Vec<f64> = values.collect();
    values.sort_by(f64::total_cmp);
    values[values.len() / 2]
}

/// A yardstick in Python, with what `benches/side_by_side.sh` installs for it.
fn python(script: &str) -> Command {
    let root = env!("CARGO_MANIFEST_DIR");
    let mut command = Command::new(format!("{root}/target/tools/bin/python"));
    command.arg(format!("{root}/benches/yardsticks/{script}"));
    command
}
