//! Is the stated uncertainty true? Thousands of simulated winters, each asked what a person would ask, beside their
//! truth. Past network and store: readings in memory go straight to the arithmetic.
//!
//! ```text
//! cargo bench --bench coverage -- --winters 2000 --from-seed 3001 --kind usual
//! ```
//!
//! Seeds below 3000 are for developing the budget, seeds from 3001 on for reporting.

mod causes;
mod forecast;
mod heard;
mod ranking;
mod reference;
mod sort;
mod tally;
mod winter;

use std::{
    ops::Range,
    path::Path,
    sync::atomic::{AtomicU64, Ordering},
    thread,
};

use clap::Parser;
use packdrift::config;

use sort::Sort;
use winter::Rows;

/// Asks simulated winters and compares the answers with the truth.
#[derive(Parser)]
struct Arguments {
    /// How many winters of each kind.
    #[arg(long, default_value_t = 100)]
    winters: u64,
    /// The first one's seed.
    #[arg(long, default_value_t = 3001)]
    from_seed: u64,
    /// Which kind; several may be named. Left out: all.
    #[arg(long)]
    kind: Vec<Sort>,
    /// Only tell causes of drift.
    #[arg(long)]
    causes: bool,
    /// Only rank revisions: this many drawn winters of two revisions with two units each.
    #[arg(long, value_name = "WINTERS")]
    ranking: Option<u64>,
    /// Cargo says this to every benchmark.
    #[arg(long, hide = true)]
    bench: bool,
}

fn main() {
    let arguments = Arguments::parse();
    if let Some(winters) = arguments.ranking {
        ranking::run(winters, arguments.from_seed);
        return;
    }
    let path = format!("{}/demo-data/skerry.toml", env!("CARGO_MANIFEST_DIR"));
    let demo = config::load(Path::new(&path)).expect("the demo's setup is sound");
    let kinds = if arguments.kind.is_empty() {
        Sort::ALL.to_vec()
    } else {
        arguments.kind
    };
    let seeds = arguments.from_seed..arguments.from_seed + arguments.winters;
    println!("seeds {} to {}", seeds.start, seeds.end - 1);
    for kind in kinds {
        println!("\n{kind:44} {}", tally::HEAD);
        let setup = kind.setup(&demo);
        if arguments.causes {
            let ask = |seed, rows: &mut causes::Rows| causes::ask(&setup, kind, seed, rows);
            each_winter(seeds.clone(), ask, causes::Rows::append).print();
            continue;
        }
        let ask = |seed, rows: &mut Rows| winter::ask(&setup, kind, seed, rows);
        for (name, tally) in each_winter(seeds.clone(), ask, Rows::append).named() {
            if let Some(summary) = tally.summary() {
                println!("{name:44} {summary}");
            }
        }
    }
}

/// Asks the winters of these seeds on all cores.
fn each_winter<R: Default + Send>(
    seeds: Range<u64>,
    ask: impl Fn(u64, &mut R) + Sync,
    append: impl Fn(&mut R, R),
) -> R {
    let next = AtomicU64::new(seeds.start);
    let threads = thread::available_parallelism().map_or(1, usize::from);
    let mut all = R::default();
    thread::scope(|scope| {
        let workers: Vec<_> = (0..threads)
            .map(|_| {
                scope.spawn(|| {
                    let mut rows = R::default();
                    loop {
                        let seed = next.fetch_add(1, Ordering::Relaxed);
                        if seed >= seeds.end {
                            return rows;
                        }
                        ask(seed, &mut rows);
                    }
                })
            })
            .collect();
        for worker in workers {
            append(&mut all, worker.join().expect("a winter can be asked"));
        }
    });
    all
}
