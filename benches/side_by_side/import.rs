//! How fast a log is imported, beside SQLite taking the same rows from memory.

use std::{process::Command, time::Instant};

use crate::{
    bare_insert,
    harness::{self, free_port, number},
    median,
    scenario::setup_with_broker,
    table::Table,
    year,
};

const MAP: &str = r#"
time = { column = "at" }
instrument = { column = "instrument" }
columns = { amps = "current", volts = "voltage", soc = "soc" }
"#;

/// Imports so many readings and inserts the same, in turns.
pub fn rows(table: &mut Table, readings: u64, repeats: usize) {
    let folder = tempfile::tempdir().unwrap();
    let log = folder.path().join("log.csv");
    let rows = year::log(&log, usize::try_from(readings).unwrap());
    let (mut imported, mut bare) = (Vec::new(), Vec::new());
    #[expect(clippy::cast_precision_loss, reason = "a count")]
    let count = rows.len() as f64;
    for _ in 0..repeats {
        let folder = tempfile::tempdir().unwrap();
        let folder = folder.path();
        std::fs::write(folder.join("setup.toml"), setup_with_broker(free_port())).unwrap();
        std::fs::write(folder.join("map.toml"), MAP).unwrap();
        let begun = Instant::now();
        let output = Command::new(harness::program())
            .args(["import", "--yes", "--config"])
            .arg(folder.join("setup.toml"))
            .arg("--map")
            .arg(folder.join("map.toml"))
            .arg(&log)
            .output()
            .unwrap();
        imported.push(count / begun.elapsed().as_secs_f64());
        assert!(
            output.status.success(),
            "{}",
            String::from_utf8_lossy(&output.stderr)
        );
        let stored = number(folder, "SELECT count(*) FROM reading");
        assert_eq!(u64::try_from(stored).unwrap(), rows.len() as u64);
        let took = bare_insert::run(&folder.join("bare.sqlite"), &rows);
        bare.push(count / took.as_secs_f64());
        eprintln!(
            "readings/s: import {:.0}, bare insert {:.0}",
            imported[imported.len() - 1],
            bare[bare.len() - 1]
        );
    }
    let ratio = median(imported.iter().zip(&bare).map(|(ours, bare)| ours / bare));
    table.row(
        "import of a CSV, readings/s",
        &format!("{:.0}", median(imported.into_iter())),
        &format!("bare insert {:.0}", median(bare.into_iter())),
        "≥ 0.5 × bare insert",
        &format!("{ratio:.2} ×"),
    );
}
