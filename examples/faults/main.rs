//! Injects faults into a running packdrift, one row each, and prints what was lost, what was doubled, whether it
//! recovered by itself, and how long after the end of the fault.
//!
//! ```sh
//! cargo build && cargo run --example faults              # every row, some minutes
//! cargo run --example faults -- kills proxy              # those whose name holds a word
//! cargo run --example faults -- --kills 200 kill-9       # with so many kills
//! ```
//!
//! Mosquitto must be installed; rows that need what this machine doesn't have say so and count as failed.

mod broker;
mod clock;
mod instruments;
mod kills;
mod load;
mod proxy;
mod store;

#[allow(dead_code, reason = "the tests use more of it")]
#[path = "../../tests/it/harness.rs"]
mod harness;
#[allow(dead_code, reason = "the tests use more of it")]
#[path = "../../tests/it/past.rs"]
mod past;
#[allow(dead_code, reason = "the tests use more of it")]
#[path = "../../tests/it/scenario.rs"]
mod scenario;

use std::{process::ExitCode, time::Instant};

use clap::Parser;

/// What came of a fault.
pub struct Outcome {
    /// Readings acknowledged and not in the store.
    pub lost: usize,
    /// Readings in the store twice, or void because two values met.
    pub doubled: usize,
    /// Nobody had to do anything.
    pub by_itself: bool,
    /// What is lost here is not packdrift's: measured, without a bar.
    pub measured: bool,
    /// From the end of the fault until everything acknowledged was in the store, s.
    pub seconds: f64,
    /// How much was at stake, and what else is to be said.
    pub remark: String,
}

/// Which faults.
#[derive(Parser)]
pub struct Arguments {
    /// Kills with -9 in the rows that kill the daemon.
    #[arg(long, default_value_t = 50)]
    kills: u32,
    /// Readings under way during those.
    #[arg(long, default_value_t = 60_000)]
    readings: i64,
    /// How long another program holds the database, s.
    #[arg(long, default_value_t = 120)]
    locked_s: u64,
    /// Only rows whose name holds one of these.
    rows: Vec<String>,
}

/// A row: its name and what makes it.
type Row = (&'static str, fn(&Arguments) -> Outcome);

const ROWS: &[Row] = &[
    ("broker away at start", broker::away_at_start),
    ("broker away for a minute", broker::away),
    ("packdrift away for a day", broker::away_for_a_day),
    ("broker restarted with its sessions", broker::restarted),
    ("broker restarted without its sessions", broker::forgetful),
    ("broker killed with -9, 20 times", broker::killed),
    (
        "broker killed with -9 while packdrift is away, 20 times",
        broker::killed_alone,
    ),
    ("second client with the same id", broker::taken_over),
    ("network cut in the middle of packets, 100 times", broker::cut),
    ("daemon killed with -9 under Mosquitto", kills::under_mosquitto),
    ("daemon killed with -9 as its own broker", kills::as_own_broker),
    ("killed with -9 during a rebuild", store::killed_in_rebuild),
    ("killed with -9 during a backup", store::killed_in_backup),
    ("killed with -9 during a migration", store::killed_in_migration),
    ("database held by another program", store::locked),
    ("disk full for a minute", store::disk_full),
    (
        "memory limit of 64 MiB, 100 times the rate for a minute",
        store::little_memory,
    ),
    ("clock steps back six hours and forward eight", clock::steps),
    ("daylight saving ends, and a leap second", clock::odd_times),
    ("instrument replays last year's buffer, twice", clock::replay),
    (
        "instrument's clock is twelve minutes behind",
        instruments::wrong_clock,
    ),
    ("instrument silent for thirty hours", instruments::silent),
    ("instrument stuck at one current for two days", instruments::stuck),
    ("instrument switches its sign for two days", instruments::reversed),
    (
        "instrument's counter begins anew every five days",
        instruments::counter_resets,
    ),
    ("reference set anew within a span", instruments::set_anew),
];

fn main() -> ExitCode {
    let arguments = Arguments::parse();
    let mut failed = 0;
    println!("| fault | lost | doubled | by itself | recovers in, s | what was at stake |");
    println!("| --- | --- | --- | --- | --- | --- |");
    for (name, row) in ROWS {
        if !arguments.rows.is_empty() && !arguments.rows.iter().any(|word| name.contains(word.as_str())) {
            continue;
        }
        let begun = Instant::now();
        // A row that panics has failed; the others still count.
        match std::panic::catch_unwind(|| row(&arguments)) {
            Ok(Outcome {
                lost,
                doubled,
                by_itself,
                measured,
                seconds,
                remark,
            }) => {
                failed += usize::from(!measured && (lost + doubled > 0 || !by_itself));
                let alone = if by_itself { "yes" } else { "no" };
                println!("| {name} | {lost} | {doubled} | {alone} | {seconds:.1} | {remark} |");
            }
            Err(_) => {
                failed += 1;
                println!(
                    "| {name} | ? | ? | no | – | failed after {:.0} s |",
                    begun.elapsed().as_secs_f64()
                );
            }
        }
    }
    if failed == 0 {
        ExitCode::SUCCESS
    } else {
        ExitCode::FAILURE
    }
}
