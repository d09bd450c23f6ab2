//! Clocks: the daemon's own, those of instruments, and times that are odd by law.

use std::{
    fs,
    path::Path,
    process::Command,
    time::{Duration, Instant},
};

use chrono::{DateTime, TimeDelta};

use crate::{
    Arguments, Outcome,
    harness::{Packdrift, Publisher, number, program},
    load::{Load, judge, until},
    scenario::{own_port, setup_with_own_broker},
};

/// Where Debian keeps the library that shows a program another time.
const FAKETIME: &str = "/usr/lib/x86_64-linux-gnu/faketime/libfaketimeMT.so.1";

pub fn steps(_: &Arguments) -> Outcome {
    assert!(Path::new(FAKETIME).exists(), "Debian's faketime is not installed");
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    fs::write(folder.join("setup.toml"), setup_with_own_broker(folder)).unwrap();
    let clock = folder.join("clock");
    fs::write(&clock, "+0\n").unwrap();
    let mut command = Command::new(program());
    command
        .env("LD_PRELOAD", FAKETIME)
        .env("FAKETIME_TIMESTAMP_FILE", &clock)
        .env("FAKETIME_CACHE_DURATION", "1")
        .env("FAKETIME_DONT_FAKE_MONOTONIC", "1");
    let packdrift = Packdrift::start_by(folder, command);
    let load = Load::start(own_port(folder), 300, i64::MAX);
    let mut mended = Instant::now();
    for step in ["-6h\n", "+2h\n"] {
        load.flows();
        fs::write(&clock, step).unwrap();
        mended = Instant::now();
        std::thread::sleep(Duration::from_secs(3));
        load.flows();
    }
    let log = fs::read_to_string(folder.join("packdrift.log")).unwrap();
    let sent = load.end();
    let answers = packdrift.get("/v1/health").0;
    let times: Vec<_> = log.lines().filter_map(|line| line.get(..13)).collect();
    judge(
        folder,
        sent,
        mended,
        format!("health {answers}; log from {:?}", times.first()),
    )
}

/// Publishes readings of tern with these times, as written, and gives how many differ as instants.
fn publish(folder: &Path, times: &[String]) -> i64 {
    let mut publisher = Publisher::connect(own_port(folder), "board").unwrap();
    let bodies = times.iter().map(|at| {
        (
            "skerry/tern/reading",
            format!(r#"{{"at": "{at}", "volts": 53.2, "amps": 4.0}}"#).into_bytes(),
        )
    });
    publisher.publish_all(bodies).unwrap();
    let instants: std::collections::BTreeSet<_> = times
        .iter()
        .map(|at| DateTime::parse_from_rfc3339(at).unwrap().timestamp_millis())
        .collect();
    i64::try_from(instants.len()).unwrap()
}

fn counted(folder: &Path, expected: i64, begun: Instant, remark: &str) -> Outcome {
    until("all is stored", 30, || {
        number(folder, "SELECT count(*) FROM reading") >= expected
    });
    let stored = number(folder, "SELECT count(*) FROM reading");
    let void = number(folder, "SELECT count(*) FROM conflict");
    Outcome {
        lost: usize::try_from((expected - stored).max(0)).unwrap(),
        doubled: usize::try_from((stored - expected).max(0) + void).unwrap(),
        by_itself: true,
        measured: false,
        seconds: begun.elapsed().as_secs_f64(),
        remark: format!("{expected} readings; {remark}"),
    }
}

pub fn odd_times(_: &Arguments) -> Outcome {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    fs::write(folder.join("setup.toml"), setup_with_own_broker(folder)).unwrap();
    let _packdrift = Packdrift::start(folder);
    // Local time from an hour before the clocks go back until an hour after: 02:30 comes twice.
    let first = DateTime::parse_from_rfc3339("2025-10-26T00:00:00+02:00").unwrap();
    let mut times: Vec<String> = (0..6 * 360)
        .map(|n| {
            let at = first + TimeDelta::seconds(10 * n);
            let hours = if n < 3 * 360 { 2 } else { 1 };
            let zone = chrono::FixedOffset::east_opt(3600 * hours).unwrap();
            at.with_timezone(&zone).to_rfc3339()
        })
        .collect();
    // An instrument every 10 s over a leap second.
    times.extend(["23:59:40", "23:59:50", "23:59:60"].map(|time| format!("2016-12-31T{time}Z")));
    times.extend(["00:00:09", "00:00:19"].map(|time| format!("2017-01-01T{time}Z")));
    let begun = Instant::now();
    let expected = publish(folder, &times);
    counted(
        folder,
        expected,
        begun,
        "02:30 twice and 23:59:60 once, told by their offsets",
    )
}

pub fn replay(_: &Arguments) -> Outcome {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    fs::write(folder.join("setup.toml"), setup_with_own_broker(folder)).unwrap();
    let _packdrift = Packdrift::start(folder);
    let first = DateTime::parse_from_rfc3339("2024-12-01T00:00:00Z").unwrap();
    let times: Vec<String> = (0..20_000)
        .map(|n| (first + TimeDelta::seconds(10 * n)).to_rfc3339())
        .collect();
    let begun = Instant::now();
    let expected = publish(folder, &times);
    publish(folder, &times);
    counted(folder, expected, begun, "each sent twice")
}
