//! Power cuts: records what a packdrift under load writes and syncs, replays beginnings of it with what was not
//! synced left out, torn or reordered, and looks whether the database opens, is sound, and has everything that was
//! acknowledged by then.
//!
//! ```sh
//! cargo build && cargo run --example power_cuts -- --cuts 600
//! ```
//!
//! Needs Linux and strace. What a disk may do is taken from SQLite's own assumptions: a sector of 512 bytes is
//! written whole or not at all, what was synced stays, and between two syncs anything may be on the disk or not.

#[allow(dead_code, reason = "the tests use more of it")]
#[path = "../tests/it/harness.rs"]
mod harness;
#[allow(dead_code, reason = "the tests use more of it")]
#[path = "../tests/it/scenario.rs"]
mod scenario;

use std::{
    collections::{BTreeMap, BTreeSet},
    fs,
    path::Path,
    process::{Command, ExitCode},
    time::Duration,
};

use clap::Parser;
use packdrift::store::{self, soundness};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use harness::{Packdrift, Publisher, eventually, program};
use scenario::{own_port, reading, setup_with_own_broker};

/// How many.
#[derive(Parser)]
struct Arguments {
    /// Power cuts.
    #[arg(long, default_value_t = 600)]
    cuts: usize,
    /// Readings published meanwhile.
    #[arg(long, default_value_t = 6000)]
    readings: i64,
}

/// What a disk writes whole or not at all.
const SECTOR: usize = 512;

/// One thing that the daemon did, in order.
enum Event {
    Write {
        file: String,
        at: usize,
        bytes: Vec<u8>,
    },
    Truncate {
        file: String,
        to: usize,
    },
    Sync {
        file: String,
    },
    Remove {
        file: String,
    },
    /// So many readings more are acknowledged.
    Acknowledge(usize),
}

fn main() -> ExitCode {
    let arguments = Arguments::parse();
    let folder = tempfile::tempdir().unwrap();
    let events = recorded(folder.path(), arguments.readings);
    let (mut writes, mut syncs, mut acknowledged) = (0, 0, 0);
    for event in &events {
        match event {
            Event::Write { .. } | Event::Truncate { .. } => writes += 1,
            Event::Sync { .. } => syncs += 1,
            Event::Remove { .. } => {}
            Event::Acknowledge(more) => acknowledged += more,
        }
    }
    println!("recorded: {writes} writes, {syncs} syncs, {acknowledged} acknowledgements");
    assert!(acknowledged > 0 && syncs > 0, "nothing was recorded");

    let mut random = ChaCha8Rng::seed_from_u64(1);
    let mut disk = Disk::default();
    let mut kept = 0;
    let (mut cuts, mut pending, mut bad) = (0, 0, 0);
    for (index, event) in events.iter().enumerate() {
        match event {
            Event::Acknowledge(more) => kept += more,
            change => disk.take(change),
        }
        // Spread evenly over the events; what was left out or torn is another at each.
        while cuts * events.len() < (index + 1) * arguments.cuts {
            let image = disk.cut(cuts % 4, &mut random);
            pending += usize::from(disk.has_pending());
            if let Err(why) = survives(&image, kept) {
                bad += 1;
                println!("cut {cuts} after event {index}, {}: {why}", KINDS[cuts % 4]);
            }
            cuts += 1;
        }
    }
    println!("{cuts} power cuts ({pending} with something unsynced): {bad} lost or damaged anything");
    if bad == 0 {
        ExitCode::SUCCESS
    } else {
        ExitCode::FAILURE
    }
}

/// Runs a packdrift under strace and under load, and reads what it did.
fn recorded(folder: &Path, readings: i64) -> Vec<Event> {
    fs::write(folder.join("setup.toml"), setup_with_own_broker(folder)).unwrap();
    let trace = folder.join("trace");
    let mut strace = Command::new("strace");
    strace
        .args(["-D", "-f", "-q", "-yy", "-xx", "-s", "10000000", "-o"])
        .arg(&trace)
        .args(["-e", "trace=pwrite64,pwritev,write,writev,sendto,sendmsg,ftruncate,fsync,fdatasync,unlink,unlinkat,rename"])
        .arg(program());
    let packdrift = Packdrift::start_by(folder, strace);
    let mut publisher = Publisher::connect(own_port(folder), "instruments").unwrap();
    for n in 0..readings {
        let (topic, body, ..) = reading(n);
        publisher.send(&topic, &body, false).unwrap();
        if n % 20 == 19 {
            for _ in 0..20 {
                publisher.acknowledged().unwrap();
            }
        }
        if n % 1000 == 999 {
            // Derived rows and notes are written too.
            packdrift.get("/v1/drift");
        }
    }
    // The end with its checkpoint belongs to the record, which is complete a little after it.
    assert_eq!(packdrift.stop(), Some(0));
    eventually("the record ends", Duration::from_secs(30), || {
        fs::read_to_string(&trace)
            .unwrap()
            .trim_end()
            .ends_with("exited with 0 +++")
    });
    let base = folder.join("packdrift.sqlite").display().to_string();
    let text = fs::read_to_string(&trace).unwrap();
    text.lines().filter_map(|line| event(line, &base)).collect()
}

/// Reads a line of the trace. A write counts from when it begins, a sync only once it has ended.
fn event(line: &str, base: &str) -> Option<Event> {
    let (thread, call) = line.split_once(' ')?;
    let call = call.trim_start();
    if let Some(resumed) = call.strip_prefix("<... ") {
        let ended = resumed.starts_with("fsync") || resumed.starts_with("fdatasync");
        return (ended && resumed.ends_with("= 0")).then(|| Event::Sync {
            file: UNFINISHED
                .with_borrow_mut(|map| map.remove(thread))
                .unwrap_or_default(),
        });
    }
    let (name, rest) = call.split_once('(')?;
    let of = |rest: &str| Some(spelt(rest.split_once('<')?.1.split_once('>')?.0));
    match name {
        "fsync" | "fdatasync" => {
            let file = of(rest)?;
            if rest.contains("<unfinished") {
                UNFINISHED.with_borrow_mut(|map| map.insert(thread.to_owned(), file));
                return None;
            }
            Some(Event::Sync { file })
        }
        "pwrite64" | "ftruncate" => {
            let file = of(rest)?;
            // The lock holds nothing, and what readers share is made anew at each start.
            if !["", "-wal", "-journal"]
                .iter()
                .any(|ending| file == format!("{base}{ending}"))
            {
                return None;
            }
            if name == "ftruncate" {
                let to = numbers(rest.split_once(">, ")?.1).next()?;
                return Some(Event::Truncate { file, to });
            }
            let (bytes, after) = text(rest)?;
            let at = numbers(after).nth(1)?;
            Some(Event::Write { file, at, bytes })
        }
        "write" | "writev" | "sendto" | "sendmsg" if of(rest)?.starts_with("TCP:") => {
            let mut bytes = Vec::new();
            let mut rest = rest;
            while let Some((more, after)) = text(rest) {
                bytes.extend(more);
                rest = after;
            }
            let acknowledged = pubacks(&bytes);
            (acknowledged > 0).then_some(Event::Acknowledge(acknowledged))
        }
        "unlink" => {
            let file = String::from_utf8(text(rest)?.0).ok()?;
            file.starts_with(base).then_some(Event::Remove { file })
        }
        // What else is written is the log, or the lock with the address.
        "write" | "sendto" | "sendmsg" | "unlinkat" => None,
        other => panic!(
            "this record can't be replayed: {other} {}",
            &rest[..rest.len().min(100)]
        ),
    }
}

thread_local! {
    /// Syncs that have begun: the file, by thread.
    static UNFINISHED: std::cell::RefCell<BTreeMap<String, String>> = const { std::cell::RefCell::new(BTreeMap::new()) };
}

/// A name, which strace spells in hexadecimal like every text.
fn spelt(name: &str) -> String {
    let byte = |digits: &str| u8::from_str_radix(digits, 16).ok();
    let bytes: Option<Vec<u8>> = name.split("\\x").skip(1).map(byte).collect();
    match bytes {
        Some(bytes) if name.starts_with("\\x") => String::from_utf8_lossy(&bytes).into_owned(),
        _ => name.to_owned(),
    }
}

/// The first text in a call, as bytes, and what follows it.
fn text(call: &str) -> Option<(Vec<u8>, &str)> {
    let (_, rest) = call.split_once('"')?;
    let (hex, after) = rest.split_once('"')?;
    assert!(!after.starts_with("..."), "cut short by strace");
    let byte = |digits: &str| u8::from_str_radix(digits, 16).unwrap();
    Some((hex.split("\\x").skip(1).map(byte).collect(), after))
}

fn numbers(text: &str) -> impl Iterator<Item = usize> {
    text.split(|letter: char| !letter.is_ascii_digit())
        .filter(|digits| !digits.is_empty())
        .map_while(|digits| digits.parse().ok())
}

/// How many PUBACKs are in what was sent at once (MQTT 5.0, 3.4).
fn pubacks(mut bytes: &[u8]) -> usize {
    let mut found = 0;
    while let [kind, length, rest @ ..] = bytes {
        if *length > 127 || rest.len() < usize::from(*length) {
            break;
        }
        found += usize::from(*kind == 0x40);
        bytes = &rest[usize::from(*length)..];
    }
    found
}

/// A change that may not be on the disk yet.
#[derive(Clone)]
enum Pending {
    Write(usize, Vec<u8>),
    Truncate(usize),
}

#[derive(Default, Clone)]
struct File {
    synced: Vec<u8>,
    pending: Vec<Pending>,
    /// Its name would survive: it, or its folder, has been synced.
    named: bool,
}

/// The database's files, each with what is on the disk for good and what may be.
#[derive(Default)]
struct Disk(BTreeMap<String, File>);

/// What becomes of what was not synced.
const KINDS: [&str; 4] = [
    "all of it lost",
    "all of it written",
    "any sectors of it",
    "some of it in order, the last torn",
];

impl Disk {
    fn take(&mut self, event: &Event) {
        match event {
            Event::Write { file, at, bytes } => {
                let pending = &mut self.0.entry(file.clone()).or_default().pending;
                pending.push(Pending::Write(*at, bytes.clone()));
            }
            Event::Truncate { file, to } => {
                let pending = &mut self.0.entry(file.clone()).or_default().pending;
                pending.push(Pending::Truncate(*to));
            }
            Event::Sync { file } => {
                let folder = !file.contains(".sqlite");
                for (name, known) in &mut self.0 {
                    if name == file {
                        for change in std::mem::take(&mut known.pending) {
                            apply(&mut known.synced, &change);
                        }
                        known.named = true;
                    }
                    known.named |= folder;
                }
            }
            Event::Remove { file } => drop(self.0.remove(file)),
            Event::Acknowledge(_) => {}
        }
    }

    fn has_pending(&self) -> bool {
        self.0.values().any(|file| !file.pending.is_empty())
    }

    /// The files as the next start finds them.
    fn cut(&self, kind: usize, random: &mut ChaCha8Rng) -> BTreeMap<String, Vec<u8>> {
        let mut image = BTreeMap::new();
        for (name, file) in &self.0 {
            if !file.named && kind == 0 {
                continue;
            }
            let mut bytes = file.synced.clone();
            let stays = random.random_range(0..=file.pending.len());
            for (index, change) in file.pending.iter().enumerate() {
                match (kind, change) {
                    (1, change) => apply(&mut bytes, change),
                    (3, change) if index < stays => apply(&mut bytes, change),
                    (2, Pending::Truncate(_)) if random.random_bool(0.5) => apply(&mut bytes, change),
                    (2, Pending::Write(at, written)) => {
                        sectors(&mut bytes, *at, written, |_| random.random_bool(0.5));
                    }
                    (3, Pending::Write(at, written)) if index == stays => {
                        let torn = random.random_range(0..=written.len() / SECTOR);
                        sectors(&mut bytes, *at, written, |sector| sector < torn);
                    }
                    _ => {}
                }
            }
            image.insert(name.clone(), bytes);
        }
        image
    }
}

fn apply(bytes: &mut Vec<u8>, change: &Pending) {
    match change {
        Pending::Truncate(to) => bytes.resize(*to, 0),
        Pending::Write(at, written) => {
            let end = at + written.len();
            if bytes.len() < end {
                bytes.resize(end, 0);
            }
            bytes[*at..end].copy_from_slice(written);
        }
    }
}

/// Writes those sectors of the disk that `stays` names, counted from the first one touched.
fn sectors(bytes: &mut Vec<u8>, at: usize, written: &[u8], mut stays: impl FnMut(usize) -> bool) {
    let first = at / SECTOR;
    let mut from = at;
    while from < at + written.len() {
        let sector = from / SECTOR;
        let to = ((sector + 1) * SECTOR).min(at + written.len());
        if stays(sector - first) {
            apply(bytes, &Pending::Write(from, written[from - at..to - at].to_vec()));
        }
        from = to;
    }
}

/// Opens what is left as the daemon does, and looks for what was acknowledged.
fn survives(image: &BTreeMap<String, Vec<u8>>, acknowledged: usize) -> Result<(), String> {
    let folder = tempfile::tempdir().unwrap();
    for (name, bytes) in image {
        let name = Path::new(name).file_name().unwrap();
        fs::write(folder.path().join(name), bytes).unwrap();
    }
    let path = folder.path().join("packdrift.sqlite");
    let connection = store::read_write(&path).map_err(|error| format!("it does not open: {error:?}"))?;
    let complaints = soundness::complaints(&connection).map_err(|error| error.to_string())?;
    if !complaints.is_empty() {
        return Err(complaints.join("; "));
    }
    let stored: BTreeSet<(String, i64)> = connection
        .prepare("SELECT name, at_ms FROM reading JOIN instrument ON instrument.id = reading.instrument")
        .and_then(|mut statement| {
            statement
                .query_map([], |row| Ok((row.get(0)?, row.get(1)?)))?
                .collect()
        })
        .map_err(|error| error.to_string())?;
    let lost = (0..i64::try_from(acknowledged).unwrap())
        .filter(|n| {
            let (_, _, instrument, at_ms) = reading(*n);
            !stored.contains(&(instrument.to_owned(), at_ms))
        })
        .count();
    if lost > 0 {
        Err(format!("{lost} of {acknowledged} acknowledged are gone"))
    } else {
        Ok(())
    }
}
