//! A file of a gigabyte that somebody's log grew to: does its import take no more memory than a small one, and does one
//! that was killed go on where it was?
//!
//! ```sh
//! cargo build --release && cargo run --release --example large_import -- --megabytes 1024
//! ```
//!
//! The file is made, imported, and not kept.

#[allow(dead_code, reason = "the tests use more of it")]
#[path = "../tests/it/harness.rs"]
mod harness;

use std::{
    fs::{self, File},
    io::{BufWriter, Write},
    path::Path,
    process::{Child, Command, ExitCode, Stdio},
    thread,
    time::{Duration, Instant},
};

use clap::Parser;
use packdrift::store::{self, digest};

/// 2024-01-01T00:00:00Z, s.
const BEGIN_S: u64 = 1_704_067_200;
const NAMES: [&str; 3] = ["tern", "fulmar", "shunt"];
/// More than this is not what it may take, KiB.
const MOST_KIB: u64 = 64 * 1024;

const SETUP: &str = r#"
[[bank]]
id = "skerry"
chemistry = "lfp"
cells_in_series = 16
full = { volts = 56.0, tail_fraction = 0.05, hold = "5m" }
reference = { id = "shunt" }
pack = [{ id = "tern", capacity_ah = 200, revision = "A" }, { id = "fulmar", capacity_ah = 230, revision = "B" }]
[[source]]
topic = "skerry/{instrument}/reading"
format = "json"
time = "/at"
channels = { current = "/amps", voltage = "/volts", soc = "/soc" }
"#;

const MAP: &str = r#"
time = { column = "at" }
instrument = { column = "device" }
[columns]
"Current (A)" = "current"
"Voltage (V)" = "voltage"
"State of charge (%)" = "soc"
"#;

/// How large.
#[derive(Parser)]
struct Arguments {
    /// Size of the file, MB.
    #[arg(long, default_value_t = 1024)]
    megabytes: u64,
}

fn main() -> ExitCode {
    let arguments = Arguments::parse();
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    fs::write(folder.join("setup.toml"), SETUP).unwrap();
    fs::write(folder.join("map.toml"), MAP).unwrap();
    let (rows, bytes) = write(&folder.join("log.csv"), arguments.megabytes * 1_000_000);
    println!("{rows} rows, {} MB", bytes / 1_000_000);

    // Killed once something was committed.
    let begun = Instant::now();
    let mut import = start(folder);
    while !folder.join("packdrift.sqlite.import").exists() {
        assert!(
            import.try_wait().unwrap().is_none(),
            "it ended before it was killed"
        );
        thread::sleep(Duration::from_millis(20));
    }
    let first_s = begun.elapsed().as_secs();
    import.kill().unwrap();
    import.wait().unwrap();

    let begun = Instant::now();
    let mut import = start(folder);
    let mut peak_kib = 0;
    while import.try_wait().unwrap().is_none() {
        peak_kib = peak_kib.max(peak(import.id()).unwrap_or(0));
        thread::sleep(Duration::from_millis(200));
    }
    let took_s = begun.elapsed().as_secs();
    let mut told = String::new();
    std::io::Read::read_to_string(&mut import.stdout.take().unwrap(), &mut told).unwrap();
    let store = store::read_only(&folder.join("packdrift.sqlite")).unwrap();
    let kept = digest::of_readings(&store).unwrap().readings;
    let last = told.lines().last().unwrap_or_default();
    println!(
        "killed after {first_s} s, then {took_s} s; at most {} MiB resident; {last}",
        peak_kib / 1024
    );
    let good = kept == rows && peak_kib < MOST_KIB && last.contains("by the run before");
    if good {
        ExitCode::SUCCESS
    } else {
        println!("{kept} readings of {rows} are there");
        ExitCode::FAILURE
    }
}

/// Writes a log of states, whose columns mostly say nothing.
fn write(path: &Path, size: u64) -> (u64, u64) {
    let mut file = BufWriter::with_capacity(1 << 20, File::create(path).unwrap());
    let (mut rows, mut bytes) = (0, 0);
    let padding =
        "place=cellar;floor=stone;door=closed;lamp=off;frost=none;visitors=none;logged_by=gateway;checked=no";
    let mut line = String::from("at,device,Current (A),Voltage (V),State of charge (%),attributes\n");
    loop {
        file.write_all(line.as_bytes()).unwrap();
        bytes += line.len() as u64;
        if bytes >= size {
            break;
        }
        let at_s = BEGIN_S + rows / 3 * 10;
        let ma = (rows * 7919 % 40_000).cast_signed() - 20_000;
        let at = chrono::DateTime::from_timestamp(at_s.cast_signed(), 0).unwrap();
        line = format!(
            "{},{},{}.{:03},{}.{:02},{}.{},{padding}\n",
            at.format("%Y-%m-%dT%H:%M:%SZ"),
            NAMES[usize::try_from(rows % 3).unwrap()],
            ma / 1000,
            ma.unsigned_abs() % 1000,
            52 + rows % 4,
            rows % 100,
            rows % 100,
            rows % 10,
        );
        rows += 1;
    }
    file.flush().unwrap();
    (rows, bytes)
}

fn start(folder: &Path) -> Child {
    Command::new(harness::program())
        .args(["import", "log.csv", "--map", "map.toml", "--yes"])
        .current_dir(folder)
        .stdout(Stdio::piped())
        .spawn()
        .unwrap()
}

/// The largest resident size of a process so far, KiB.
fn peak(process: u32) -> Option<u64> {
    let status = fs::read_to_string(format!("/proc/{process}/status")).ok()?;
    let line = status.lines().find(|line| line.starts_with("VmHWM"))?;
    line.split_whitespace().nth(1)?.parse().ok()
}
