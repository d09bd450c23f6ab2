//! Throws mutated inputs at what reads from outside: message bodies, setup files, addresses with their queries,
//! files to import with their maps.
//!
//! ```sh
//! cargo run --example fuzz -- decode --inputs 1000000
//! cargo run --example fuzz --features parquet -- import --inputs 100000 --seed 7
//! ```
//!
//! Runs on stable and needs nothing but this. Inputs start from those in `tests/fuzz/`, whose names begin with that
//! of the target. An input that panics, takes five seconds or more than 16 MiB is written there, and from then on
//! `cargo test` tries it too.

#[allow(dead_code, reason = "the tests use more of it")]
#[path = "../../tests/it/past.rs"]
mod past;
#[allow(dead_code, reason = "the tests use more of it")]
#[path = "../../tests/it/taken.rs"]
mod taken;
mod words;

use std::{
    fs,
    panic::{AssertUnwindSafe, catch_unwind},
    path::PathBuf,
    process::ExitCode,
    time::{Duration, Instant},
};

use clap::Parser;
use peak_alloc::PeakAlloc;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use taken::{Target, kept};
use words::words;

#[global_allocator]
static MEMORY: PeakAlloc = PeakAlloc;

/// An input may take this long, on a machine that has other work too.
const SLOW: Duration = Duration::from_secs(5);
/// And this much memory.
const LARGE: usize = 16 << 20;
/// The longest input.
const LONGEST: usize = 64 << 10;

/// What to throw at whom.
#[derive(Parser)]
struct Arguments {
    /// decode, setup, query or import.
    target: Target,
    /// How many inputs.
    #[arg(long, default_value_t = 100_000)]
    inputs: u64,
    /// Everything random in them.
    #[arg(long, default_value_t = 1)]
    seed: u64,
}

fn main() -> ExitCode {
    let arguments = Arguments::parse();
    // Panics are counted, not printed one by one.
    std::panic::set_hook(Box::new(|_| {}));
    let target = arguments.target;
    let mut corpus: Vec<Vec<u8>> = kept(target).into_iter().map(|(_, input)| input).collect();
    let begun_with = corpus.len();
    assert!(begun_with > 0, "no inputs to start from");
    let taker = target.taker();
    let mut random = ChaCha8Rng::seed_from_u64(arguments.seed);
    let (mut bad, mut slowest, mut largest) = (0, Duration::ZERO, 0);
    let begun = Instant::now();
    for number in 0..arguments.inputs {
        let input = mutated(&corpus, words(target), &mut random);
        let before = MEMORY.current_usage();
        MEMORY.reset_peak_usage();
        let thrown = Instant::now();
        let came = catch_unwind(AssertUnwindSafe(|| taker(&input)));
        let took = thrown.elapsed();
        let used = MEMORY.peak_usage().saturating_sub(before);
        (slowest, largest) = (slowest.max(took), largest.max(used));
        if came.is_err() || took > SLOW || used > LARGE {
            bad += 1;
            let file = folder().join(format!("{}-found-{}-{number}", target.name(), arguments.seed));
            println!(
                "{}: panic {}, {took:?}, {used} bytes",
                file.display(),
                came.is_err()
            );
            fs::write(file, &input).unwrap();
        }
        // What was accepted is worth going on from; the corpus of this run forgets the oldest of those.
        if matches!(came, Ok(true)) && random.random_bool(0.05) {
            if corpus.len() < begun_with + 500 {
                corpus.push(input);
            } else {
                let place = random.random_range(begun_with..corpus.len());
                corpus[place] = input;
            }
        }
    }
    println!(
        "{}: {} inputs in {:.0} s from {begun_with} of tests/fuzz, {bad} bad; slowest {:.1} ms, largest {} KiB",
        target.name(),
        arguments.inputs,
        begun.elapsed().as_secs_f64(),
        1000.0 * slowest.as_secs_f64(),
        largest / 1024
    );
    if bad == 0 {
        ExitCode::SUCCESS
    } else {
        ExitCode::FAILURE
    }
}

fn folder() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/fuzz")
}

/// An input that was changed in a few places.
fn mutated(corpus: &[Vec<u8>], words: &[&str], random: &mut ChaCha8Rng) -> Vec<u8> {
    let mut input = corpus[random.random_range(0..corpus.len())].clone();
    for _ in 0..random.random_range(1..6) {
        let at = random.random_range(0..=input.len());
        let to = random.random_range(at..=input.len().min(at + 40));
        match random.random_range(0..8) {
            0 => input.insert(at, random.random()),
            1 if at < input.len() => input[at] ^= 1 << random.random_range(0..8),
            2 => drop(input.drain(at..to)),
            3 | 4 => {
                let word = words[random.random_range(0..words.len())];
                input.splice(at..to, word.bytes());
            }
            5 => {
                let piece = input[at..to].to_vec();
                let times = random.random_range(1..200);
                input.splice(at..at, piece.repeat(times));
            }
            6 => {
                let other = &corpus[random.random_range(0..corpus.len())];
                let from = random.random_range(0..=other.len());
                input.splice(at..to, other[from..].iter().copied());
            }
            _ => {
                let number: f64 = f64::from_bits(random.random());
                input.splice(at..to, number.to_string().into_bytes());
            }
        }
        input.truncate(LONGEST);
    }
    input
}
