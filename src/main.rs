//! Command line in, exit code out.

use std::{path::PathBuf, process::ExitCode};

use clap::{CommandFactory, Parser, Subcommand};
use packdrift::command;

/// Logs a winter test of parallel battery packs and says how far each pack's own charge count has drifted.
///
/// packdrift listens only: it is a logger, not a protective device.
#[derive(Parser)]
#[command(version, max_term_width = 100)]
struct Cli {
    /// The setup file.
    #[arg(long, global = true, value_name = "FILE", default_value = "setup.toml")]
    config: PathBuf,
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    /// Take readings in and answer questions until told to stop.
    Serve(command::serve::Arguments),
    /// Say what a setup file means, or everything that is wrong with it.
    Check(command::check::Arguments),
    /// How far each pack's count has drifted, as a table.
    Drift(command::drift::Arguments),
    /// Why each board drifts, as far as the readings can tell.
    Causes(command::causes::Arguments),
    /// The packs' counts together against the reference's, day by day.
    Balance(command::balance::Arguments),
    /// Packs by how fast they drift, and what can be said of board revisions and firmwares.
    Compare(command::compare::Arguments),
    /// When displays will be too wrong, and what a full charge now would be good for.
    Forecast(command::forecast::Arguments),
    /// What the reference counted from full charge to full charge, and what of it is its own error.
    Reference(command::reference::Arguments),
    /// How long a test must run to see a given difference between boards.
    Plan(command::plan::Arguments),
    /// The answer of `drift` anew every while, until it is ended.
    Watch(command::watch::Arguments),
    /// Draw a plot as an SVG file.
    Plot(command::plot::Arguments),
    /// Write a report that tells a winter in one file.
    Report(command::report::Arguments),
    /// Attach a note: an observation, a manual recalibration, a wiring change.
    Note(command::note::Arguments),
    /// Say that the bank was full when the log missed it, or was not when the log took it so.
    Mark(command::mark::Arguments),
    /// List the notes.
    Notes(command::notes::Arguments),
    /// List what was going on: full charges, cycling, rest, outages, packs off the busbar.
    Phases(command::phases::Arguments),
    /// How the logger is doing: broker, store, instruments and their clocks; fails where it can't keep its promise.
    Health(command::health::Arguments),
    /// List the setup files that were served, and what each changed of the past.
    Setups(command::setups::Arguments),
    /// Take over what others logged: CSV, JSON lines, SenML, Parquet, another packdrift's store.
    Import(command::import::Arguments),
    /// Write readings, hours, full charges, phases, stated ones, notes, marks, answers, battery data or the data
    /// dictionary for other programs.
    Export(command::export::Arguments),
    /// Drop everything derived from the readings and derive it again.
    Rebuild,
    /// Copy the store to a new file that is checked before it gets its name; the daemon may run.
    Backup(command::backup::Arguments),
    /// Put a backup in the place of the store, and that aside; the daemon must not run.
    Restore(command::restore::Arguments),
    /// Say whether a store or a backup is sound, and its hours and marks follow from its readings.
    Verify(command::verify::Arguments),
    /// Save what can be read of a damaged store into a new one, and say what is lost.
    Salvage(command::salvage::Arguments),
    /// Make a token for an API that listens beyond this machine.
    Token(command::token::Arguments),
    /// Print completions for a shell.
    Completions(command::shell::Completions),
    /// Write manual pages into a folder.
    Man(command::shell::Man),
    /// Run a simulated winter through the whole program and compare the answer with the truth.
    Demo(command::demo::Arguments),
}

fn main() -> ExitCode {
    command::end_where_unprinted();
    let cli = Cli::parse();
    let done = match cli.command {
        Command::Serve(arguments) => command::serve::run(&cli.config, &arguments),
        Command::Check(arguments) => return command::check::run(&cli.config, &arguments),
        Command::Drift(arguments) => command::drift::run(&cli.config, &arguments),
        Command::Causes(arguments) => command::causes::run(&cli.config, &arguments),
        Command::Balance(arguments) => command::balance::run(&cli.config, &arguments),
        Command::Compare(arguments) => command::compare::run(&cli.config, &arguments),
        Command::Forecast(arguments) => command::forecast::run(&cli.config, &arguments),
        Command::Reference(arguments) => command::reference::run(&cli.config, &arguments),
        Command::Plan(arguments) => command::plan::run(&cli.config, &arguments),
        Command::Watch(arguments) => command::watch::run(&cli.config, &arguments),
        Command::Plot(arguments) => command::plot::run(&cli.config, &arguments),
        Command::Report(arguments) => command::report::run(&cli.config, &arguments),
        Command::Note(arguments) => command::note::run(&cli.config, &arguments),
        Command::Mark(arguments) => command::mark::run(&cli.config, &arguments),
        Command::Notes(arguments) => command::notes::run(&cli.config, &arguments),
        Command::Phases(arguments) => command::phases::run(&cli.config, &arguments),
        Command::Health(arguments) => command::health::run(&cli.config, &arguments),
        Command::Setups(arguments) => command::setups::run(&cli.config, &arguments),
        Command::Import(arguments) => command::import::run(&cli.config, &arguments),
        Command::Export(arguments) => command::export::run(&cli.config, &arguments),
        Command::Rebuild => command::rebuild::run(&cli.config),
        Command::Backup(arguments) => command::backup::run(&cli.config, &arguments),
        Command::Restore(arguments) => command::restore::run(&cli.config, &arguments),
        Command::Verify(arguments) => command::verify::run(&cli.config, &arguments),
        Command::Salvage(arguments) => command::salvage::run(&arguments),
        Command::Token(arguments) => command::token::run(&arguments),
        Command::Completions(arguments) => {
            command::shell::completions(Cli::command(), &arguments);
            Ok(())
        }
        Command::Man(arguments) => command::shell::man(Cli::command(), &arguments),
        Command::Demo(arguments) => command::demo::run(&arguments),
    };
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(failure) => {
            eprintln!("{failure:?}");
            ExitCode::FAILURE
        }
    }
}
