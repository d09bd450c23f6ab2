//! How long answers about a year take, beside what databases take for a part of the same question.

use std::{
    path::{Path, PathBuf},
    process::{Command, Stdio},
    thread,
    time::{Duration, Instant},
};

use chrono::{DateTime, SecondsFormat};
use rusqlite::named_params;

use crate::{
    harness::{self, Packdrift},
    median, process, python,
    scenario::setup_with_own_broker,
    table::Table,
    year::{self, DAY_MS},
};

/// Asked so often, each time about other instants, so that no answer is one that was given before.
const TIMES: i64 = 41;
const YEAR_DAYS: i64 = 365;
/// Clients that ask at once.
const AT_ONCE: i64 = 12;

/// A year on disk.
pub struct Stores {
    tens: PathBuf,
    minutes: PathBuf,
    readings: i64,
}

/// Makes the stores, where an earlier run has not left them, and measures their rebuild.
pub fn make(folder: &Path, table: &mut Table) -> Stores {
    let tens = folder.join("tens");
    let minutes = folder.join("minutes");
    for (folder, report_s) in [(&tens, 10), (&minutes, 60)] {
        if !folder.join("packdrift.sqlite").exists() {
            std::fs::create_dir_all(folder).unwrap();
            year::store_in(folder, year::YEAR, report_s);
        }
        std::fs::write(folder.join("setup.toml"), setup_with_own_broker(folder)).unwrap();
    }
    rebuild(&minutes);
    let (took, peak_mib) = rebuild(&tens);
    let readings = harness::number(&tens, "SELECT count(*) FROM reading");
    #[expect(clippy::cast_precision_loss, reason = "a count")]
    let per_s = readings as f64 / took.as_secs_f64();
    table.row(
        "rebuild, readings/s",
        &format!("{per_s:.0}"),
        &format!("{readings} readings in {:.1} s", took.as_secs_f64()),
        "≥ 1 000 000",
        "",
    );
    table.row(
        "resident during a rebuild, MiB at most",
        &format!("{peak_mib:.1}"),
        "",
        "≤ 64",
        "",
    );
    #[expect(clippy::cast_precision_loss, reason = "a size")]
    let bytes = std::fs::metadata(tens.join("packdrift.sqlite")).unwrap().len() as f64 / readings as f64;
    table.row(
        "bytes a reading, everything derived included",
        &format!("{bytes:.1}"),
        "bare rows 31 to 35",
        "≤ 36",
        "",
    );
    Stores {
        tens,
        minutes,
        readings,
    }
}

/// Rebuilds what is derived: how long, and how much memory at most, MiB.
fn rebuild(folder: &Path) -> (Duration, f64) {
    let begun = Instant::now();
    let mut child = Command::new(harness::program())
        .args(["rebuild", "--config"])
        .arg(folder.join("setup.toml"))
        .stdout(Stdio::null())
        .spawn()
        .unwrap();
    let mut peak_mib = 0.0;
    while child.try_wait().unwrap().is_none() {
        peak_mib = process::peak_mib(&child).unwrap_or(peak_mib);
        thread::sleep(Duration::from_millis(20));
    }
    assert!(child.wait().unwrap().success());
    (begun.elapsed(), peak_mib)
}

/// `/v1/drift`, the series and the first answer, over HTTP.
pub fn rows(stores: &Stores, table: &mut Table, with_yardsticks: bool) {
    let begun = Instant::now();
    let packdrift = start(&stores.tens);
    packdrift.get("/v1/drift");
    table.row(
        "first answer after start, s",
        &format!("{:.2}", begun.elapsed().as_secs_f64()),
        "",
        "≤ 1",
        "",
    );
    let year_ms = drift_ms(&packdrift, YEAR_DAYS - 5);
    let week_ms = drift_ms(&packdrift, 7);
    let series_ms = asked_ms(&packdrift, 9, |n| {
        format!("/v1/drift/series?step=PT1H&{}", window(n, YEAR_DAYS - 1))
    });
    let again_ms = asked_ms(&packdrift, 9, |_| {
        format!("/v1/drift/series?step=PT1H&{}", window(0, YEAR_DAYS - 1))
    });
    let address = packdrift.address().unwrap();
    thread::scope(|scope| {
        for n in 10..10 + AT_ONCE {
            let path = format!("/v1/drift/series?step=PT1H&{}", window(n, YEAR_DAYS - 1));
            let url = format!("http://{address}{path}");
            scope.spawn(move || {
                ureq::get(&url)
                    .call()
                    .unwrap()
                    .body_mut()
                    .read_to_string()
                    .unwrap()
            });
        }
    });
    let peak_mib = process::peak_mib(&packdrift.child).unwrap();
    packdrift.get("/v1/health");
    let idle_mib = process::resident_mib(&packdrift.child);
    assert_eq!(packdrift.stop(), Some(0));
    let coarse = start(&stores.minutes);
    let coarse_ms = drift_ms(&coarse, YEAR_DAYS - 5);
    assert_eq!(coarse.stop(), Some(0));

    let readings = stores.readings;
    table.row(
        &format!("/v1/drift over a year, {readings} readings, ms"),
        &format!("{year_ms:.2}"),
        "",
        "≤ 10",
        "",
    );
    table.row(
        "the same over a week, ms",
        &format!("{week_ms:.2}"),
        "",
        "year ≤ 1.5 × week",
        &format!("{:.2} ×", year_ms / week_ms),
    );
    table.row(
        "the same over a year at 60 s, ms",
        &format!("{coarse_ms:.2}"),
        "",
        "10 s ≤ 2 × 60 s",
        &format!("{:.2} ×", year_ms / coarse_ms),
    );
    table.row(
        "series over a year, a point an hour, ms",
        &format!("{series_ms:.1}"),
        "",
        "≤ 60",
        "",
    );
    table.row("the same series again, ms", &format!("{again_ms:.1}"), "", "", "");
    table.row(
        &format!("resident while {AT_ONCE} ask for such series at once, MiB at most"),
        &format!("{peak_mib:.1}"),
        "",
        "≤ 64",
        "",
    );
    table.row(
        "resident, idle after all these, MiB",
        &format!("{idle_mib:.1}"),
        "",
        "≤ 32",
        "",
    );
    if with_yardsticks {
        yardsticks(stores, table, year_ms);
    }
}

/// Starts `packdrift serve` in the environment that the unit file gives it.
fn start(folder: &Path) -> Packdrift {
    let mut command = Command::new(harness::program());
    let lines = include_str!("../../deploy/packdrift.service").lines();
    let set = lines.filter_map(|line| line.strip_prefix("Environment=")?.split_once('='));
    command.envs(set);
    Packdrift::start_by(folder, command)
}

fn yardsticks(stores: &Stores, table: &mut Table, year_ms: f64) {
    let (since_ms, until_ms) = window_ms(0, YEAR_DAYS - 5);
    let connection = harness::store(&stores.tens);
    let mut question = connection
        .prepare(include_str!("../yardsticks/window.sql"))
        .unwrap();
    let begun = Instant::now();
    let mut rows = question
        .query(named_params! { ":since": since_ms, ":until": until_ms })
        .unwrap();
    let mut instruments = 0;
    while rows.next().unwrap().is_some() {
        instruments += 1;
    }
    assert_eq!(instruments, 6);
    let sqlite_ms = begun.elapsed().as_secs_f64() * 1000.0;
    table.row(
        "SQLite, window functions over a year, ms",
        &format!("{sqlite_ms:.0}"),
        "",
        "≥ 200 × packdrift",
        &format!("{:.0} ×", sqlite_ms / year_ms),
    );
    let csv = stores.tens.with_file_name("year.csv");
    if !csv.exists() {
        year::plain_csv(&csv, year::YEAR, 10);
    }
    let mut duck = python("duck.py");
    duck.arg(&csv);
    duck.args([since_ms.to_string(), until_ms.to_string()]);
    let mut arrays = python("arrays.py");
    arrays.arg(csv.with_extension("parquet"));
    for mut command in [duck, arrays] {
        let output = command.arg("5").output().unwrap();
        assert!(
            output.status.success(),
            "{}",
            String::from_utf8_lossy(&output.stderr)
        );
        for line in String::from_utf8(output.stdout).unwrap().lines() {
            let (name, seconds) = line.split_once(' ').unwrap();
            let ms = seconds.parse::<f64>().unwrap() * 1000.0;
            let (what, bar) = match name {
                "parquet" => ("DuckDB on Parquet, ms", ""),
                "table" => ("DuckDB on its own table, ms", "≥ 20 × packdrift"),
                _ => ("numpy, arrays in memory, ms", ""),
            };
            table.row(
                what,
                &format!("{ms:.0}"),
                "",
                bar,
                &format!("{:.0} ×", ms / year_ms),
            );
        }
    }
}

/// Median time of `/v1/drift` over so many days.
fn drift_ms(packdrift: &Packdrift, days: i64) -> f64 {
    asked_ms(packdrift, TIMES, |n| format!("/v1/drift?{}", window(n, days)))
}

/// Median time of a question over a connection that is kept open.
fn asked_ms(packdrift: &Packdrift, times: i64, path: impl Fn(i64) -> String) -> f64 {
    let address = packdrift.address().unwrap();
    let agent = ureq::Agent::new_with_defaults();
    let ask = |n: i64| {
        let url = format!("http://{address}{}", path(n));
        let begun = Instant::now();
        let text = agent.get(&url).call().unwrap().body_mut().read_to_string();
        assert!(text.unwrap().contains("\"tern\""));
        begun.elapsed().as_secs_f64() * 1000.0
    };
    ask(times);
    median((0..times).map(ask))
}

/// The `n`th window of so many days, in odd places of their hours.
fn window(n: i64, days: i64) -> String {
    let at = |ms| {
        let at = DateTime::from_timestamp_millis(ms).unwrap();
        at.to_rfc3339_opts(SecondsFormat::Millis, true)
    };
    let (since_ms, until_ms) = window_ms(n, days);
    format!("since={}&until={}", at(since_ms), at(until_ms))
}

fn window_ms(n: i64, days: i64) -> (i64, i64) {
    let since_ms = year::begin_ms() + (YEAR_DAYS - days) * DAY_MS / 2 + n * 1_234_567;
    (since_ms, since_ms + days * DAY_MS - TIMES * 1_234_567)
}
