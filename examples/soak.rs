//! A year's readings at high speed with faults on: does memory stay flat, do descriptors, and is everything there
//! at the end?
//!
//! ```sh
//! cargo build --release && cargo run --release --example soak -- --minutes 30
//! ```
//!
//! Readings go through Mosquitto, which is restarted now and then. Somebody asks all the while. At the end count and digest must agree with what was sent.

#[allow(dead_code, reason = "the tests use more of it")]
#[path = "../tests/it/harness.rs"]
mod harness;
#[allow(dead_code, reason = "the tests use more of it")]
#[path = "../tests/it/scenario.rs"]
mod scenario;

use std::{
    cell::Cell,
    fs,
    path::Path,
    process::ExitCode,
    sync::atomic::{AtomicBool, AtomicI64, Ordering::SeqCst},
    thread,
    time::{Duration, Instant},
};

use clap::Parser;
use packdrift::store::{self, digest};

use harness::{Mosquitto, Packdrift, Publisher, eventually, number};
use scenario::{reading, setup_with_broker};

/// 2024-01-01T00:00:00Z: a whole year before now, whenever that is.
const BEGIN_MS: i64 = 1_704_067_200_000;

/// The `n`th reading of the year: six instruments take turns, each every minute.
fn yearly(n: i64) -> (String, Vec<u8>, &'static str, i64) {
    let (topic, body, instrument, _) = reading(n);
    let at_ms = BEGIN_MS + n / 6 * 60_000;
    let mut body: serde_json::Value = serde_json::from_slice(&body).unwrap();
    body["at"] = at_ms.into();
    (topic, body.to_string().into_bytes(), instrument, at_ms)
}

/// How long.
#[derive(Parser)]
struct Arguments {
    /// Minutes of load.
    #[arg(long, default_value_t = 30)]
    minutes: u64,
    /// Readings: a year of six instruments every minute.
    #[arg(long, default_value_t = 6 * 525_600)]
    readings: i64,
}

/// One look at the daemon.
struct Sample {
    resident_kib: u64,
    descriptors: usize,
    database_bytes: u64,
    sent: i64,
}

/// More than this is not what it may take, KiB.
const MOST_KIB: u64 = 64 * 1024;

fn main() -> ExitCode {
    let arguments = Arguments::parse();
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let mut mosquitto = Mosquitto::start(folder);
    fs::write(folder.join("setup.toml"), setup_with_broker(mosquitto.port)).unwrap();
    let packdrift = Packdrift::start(folder);
    packdrift.subscribed();
    let (sent, stop) = (AtomicI64::new(0), AtomicBool::new(false));
    let port = mosquitto.port;
    let lasts = Duration::from_secs(60 * arguments.minutes);
    let begun = Instant::now();
    let samples = thread::scope(|scope| {
        scope.spawn(|| publish(port, &arguments, lasts, &sent, &stop));
        let mut samples = Vec::new();
        let mut next_restart = lasts / 8;
        while begun.elapsed() < lasts && sent.load(SeqCst) < arguments.readings {
            thread::sleep(Duration::from_secs(1));
            packdrift.get("/v1/health");
            packdrift.get("/v1/drift");
            packdrift.get("/v1/drift/series?step=PT12H");
            samples.push(look(folder, &packdrift, sent.load(SeqCst)));
            if begun.elapsed() > next_restart {
                next_restart += lasts / 8;
                mosquitto.restart();
            }
        }
        stop.store(true, SeqCst);
        samples
    });
    let sent = sent.load(SeqCst);
    eventually("all is stored", Duration::from_secs(300), || {
        number(folder, "SELECT count(*) FROM reading") >= sent
    });
    let peak_kib = packdrift.peak_kib();
    assert_eq!(packdrift.stop(), Some(0));
    verdict(folder, sent, &samples, peak_kib, begun.elapsed())
}

fn publish(port: u16, arguments: &Arguments, lasts: Duration, sent: &AtomicI64, stop: &AtomicBool) {
    const WINDOW: i64 = 40;
    let begun = Instant::now();
    // What was sent once is sent until it is acknowledged: part of it may be stored.
    let owed = Cell::new(false);
    let goes_on = || owed.get() || !stop.load(SeqCst) && sent.load(SeqCst) < arguments.readings;
    while goes_on() {
        let Ok(mut publisher) = Publisher::connect(port, "instruments") else {
            thread::sleep(Duration::from_millis(100));
            continue;
        };
        while goes_on() {
            let first = sent.load(SeqCst);
            let next = (first + WINDOW).min(arguments.readings);
            owed.set(true);
            let mut window = || -> std::io::Result<()> {
                for n in first..next {
                    let (topic, body, ..) = yearly(n);
                    publisher.send(&topic, &body, false)?;
                }
                (first..next).try_for_each(|_| publisher.acknowledged().map(drop))
            };
            if window().is_err() {
                break;
            }
            sent.store(next, SeqCst);
            owed.set(false);
            // Evenly over the time there is.
            #[expect(clippy::cast_precision_loss, reason = "a pace")]
            let due = lasts.mul_f64(next as f64 / arguments.readings as f64);
            thread::sleep(due.saturating_sub(begun.elapsed()));
        }
    }
}

fn look(folder: &Path, packdrift: &Packdrift, sent: i64) -> Sample {
    let bytes = |ending: &str| {
        let file = folder.join(format!("packdrift.sqlite{ending}"));
        fs::metadata(file).map_or(0, |file| file.len())
    };
    Sample {
        resident_kib: packdrift.resident_kib(),
        descriptors: packdrift.descriptors(),
        database_bytes: bytes("") + bytes("-wal"),
        sent,
    }
}

fn verdict(folder: &Path, sent: i64, samples: &[Sample], peak_kib: u64, took: Duration) -> ExitCode {
    let quarter = samples.len() / 4;
    if quarter == 0 {
        eprintln!("too short to say anything");
        return ExitCode::FAILURE;
    }
    // The beginning fills caches and is left to the first quarter all the same.
    let median = |part: &[Sample], of: fn(&Sample) -> u64| {
        let mut values: Vec<u64> = part.iter().map(of).collect();
        values.sort_unstable();
        values[values.len() / 2]
    };
    let (first, last) = (&samples[..quarter], &samples[samples.len() - quarter..]);
    let resident = |part| median(part, |sample| sample.resident_kib);
    let descriptors = |part| {
        median(part, |sample| {
            u64::try_from(sample.descriptors).unwrap_or(u64::MAX)
        })
    };
    println!("{sent} readings in {:.0} s", took.as_secs_f64());
    println!(
        "resident, KiB: first quarter {}, last quarter {}, peak {peak_kib}",
        resident(first),
        resident(last)
    );
    println!(
        "descriptors: first quarter {}, last quarter {}",
        descriptors(first),
        descriptors(last)
    );
    if let Some(end) = samples.last() {
        #[expect(clippy::cast_precision_loss, reason = "bytes a reading")]
        let each = end.database_bytes as f64 / end.sent.max(1) as f64;
        println!(
            "database: {} MB, {each:.1} bytes a reading",
            end.database_bytes / 1_000_000
        );
    }
    // The same readings, put straight into a store of their own.
    let expected = expected(sent);
    let found = digest::of_readings(&store::read_only(&folder.join("packdrift.sqlite")).unwrap()).unwrap();
    println!(
        "digest: {} {}",
        found.readings,
        if found == expected {
            "as sent"
        } else {
            "NOT as sent"
        }
    );
    let flat = resident(last) * 100 <= resident(first) * 105 && descriptors(last) <= descriptors(first);
    if found == expected && flat && peak_kib <= MOST_KIB {
        ExitCode::SUCCESS
    } else {
        println!(
            "a bar was missed: flat {flat}, peak at most 64 MiB {}",
            peak_kib <= MOST_KIB
        );
        ExitCode::FAILURE
    }
}

/// The digest of a store that holds the first so many readings.
fn expected(sent: i64) -> digest::ReadingsDigest {
    use packdrift::reading::{Channel, Channels};
    let mut connection = store::read_write(Path::new(":memory:")).unwrap();
    let transaction = connection.transaction().unwrap();
    let mut insert = store::reading::Insert::new(&transaction).unwrap();
    for n in 0..sent {
        let (_, body, instrument, at_ms) = yearly(n);
        let body: serde_json::Value = serde_json::from_slice(&body).unwrap();
        let number = store::instrument::number_of(&transaction, instrument).unwrap();
        let mut channels = Channels::default();
        for (channel, field) in [
            (Channel::Voltage, "volts"),
            (Channel::Current, "amps"),
            (Channel::Soc, "soc"),
        ] {
            #[expect(clippy::cast_possible_truncation, reason = "the bench's own values")]
            let kept = (body[field].as_f64().unwrap() * channel.kept_per_unit()).round() as i64;
            channels.set(channel, Some(kept));
        }
        insert.put(number, at_ms, &channels).unwrap();
    }
    drop(insert);
    transaction.commit().unwrap();
    digest::of_readings(&connection).unwrap()
}
