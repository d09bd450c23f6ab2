//! Does what goes out come in again as the same, and can others read it?

use std::{fs, path::Path, process::Command};

use packdrift::{
    demo::{Kind, Plan, simulate},
    reading::{Channel, Channels},
    store::{self, digest},
};

use crate::past;

/// A folder with the demo's setup and, where `days` are given, a winter of so many.
fn place(days: u32) -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    let setup = fs::read_to_string(format!("{}/demo-data/skerry.toml", env!("CARGO_MANIFEST_DIR"))).unwrap();
    fs::write(folder.path().join("setup.toml"), setup).unwrap();
    let setup = packdrift::config::load(&folder.path().join("setup.toml")).unwrap();
    if days > 0 {
        let winter = simulate(&Plan {
            days,
            ..Plan::new(Kind::Sparse, 3)
        });
        let mut connection = store::read_write(&setup.store.path).unwrap();
        past::put(&mut connection, &setup, winter.readings());
        // Two values of one instant void each other: that must come through too.
        let (at_ms, _) = store::reading::extent(&connection).unwrap().unwrap();
        for soc in [500, 510] {
            let channels = Channels::from_iter([(Channel::Soc, soc)]);
            past::put(&mut connection, &setup, [(at_ms + 1, 1, channels)]);
        }
    }
    folder
}

fn packdrift(folder: &Path, arguments: &[&str]) -> String {
    let output = Command::new(env!("CARGO_BIN_EXE_packdrift"))
        .args(arguments)
        .args(["--config", "setup.toml"])
        .current_dir(folder)
        .output()
        .unwrap();
    let (out, err) = (
        String::from_utf8(output.stdout).unwrap(),
        String::from_utf8(output.stderr).unwrap(),
    );
    assert!(output.status.success(), "{arguments:?}: {out}{err}");
    out
}

fn digest_of(folder: &Path) -> digest::ReadingsDigest {
    let setup = packdrift::config::load(&folder.join("setup.toml")).unwrap();
    digest::of_readings(&store::read_only(&setup.store.path).unwrap()).unwrap()
}

#[test]
fn readings_go_round_to_the_same_bytes_digest_and_answers() {
    let from = place(5);
    for format in ["csv", "json-lines"] {
        packdrift(from.path(), &["export", "--format", format, "-o", "out"]);
        let out = fs::read(from.path().join("out")).unwrap();
        let into = place(0);
        fs::write(into.path().join("in"), &out).unwrap();
        packdrift(into.path(), &["import", "in", "--yes"]);
        packdrift(into.path(), &["export", "--format", format, "-o", "out"]);
        assert!(
            fs::read(into.path().join("out")).unwrap() == out,
            "{format} comes out as other bytes"
        );
        assert_eq!(digest_of(into.path()), digest_of(from.path()), "{format}");
        let answer = |place: &tempfile::TempDir| packdrift(place.path(), &["drift", "--json"]);
        assert_eq!(answer(&into), answer(&from), "{format}");
    }
}

#[test]
fn another_packdrifts_store_is_a_file_to_import() {
    let (from, into) = (place(2), place(0));
    let setup = packdrift::config::load(&from.path().join("setup.toml")).unwrap();
    let file = setup.store.path.display().to_string();
    packdrift(into.path(), &["import", &file, "--yes"]);
    assert_eq!(digest_of(into.path()), digest_of(from.path()));
}

#[test]
fn a_dry_run_writes_nothing_and_nobody_at_the_terminal_agrees_to_nothing() {
    let (from, into) = (place(1), place(0));
    packdrift(from.path(), &["export", "-o", "out.csv"]);
    let file = from.path().join("out.csv").display().to_string();
    let told = packdrift(into.path(), &["import", &file, "--dry-run"]);
    assert!(
        told.contains("nothing was written") && told.contains("current_a"),
        "{told}"
    );
    let asked = Command::new(env!("CARGO_BIN_EXE_packdrift"))
        .args(["import", &file])
        .current_dir(into.path())
        .stdin(std::process::Stdio::null())
        .output()
        .unwrap();
    assert!(!asked.status.success());
    assert!(String::from_utf8(asked.stderr).unwrap().contains("--yes"));
    assert!(!into.path().join("packdrift.sqlite").exists());
}

#[test]
fn tables_have_a_row_for_each_thing_and_units_in_their_names() {
    let folder = place(5);
    for (what, column) in [
        ("hours", "charged_ah"),
        ("anchors", "tail_current_a"),
        ("phases", "kind"),
        ("notes", "text"),
        ("marks", "voltage_v"),
    ] {
        let csv = packdrift(folder.path(), &["export", what]);
        let mut reader = csv::Reader::from_reader(csv.as_bytes());
        assert!(
            reader.headers().unwrap().iter().any(|name| name == column),
            "{what}: {csv}"
        );
        let rows: Vec<_> = reader.records().map(Result::unwrap).collect();
        let lines = packdrift(folder.path(), &["export", what, "--format", "json-lines"]);
        assert_eq!(lines.lines().count(), rows.len(), "{what}");
        for line in lines.lines() {
            serde_json::from_str::<serde_json::Value>(line).unwrap();
        }
        assert!(!rows.is_empty() || matches!(what, "notes" | "marks"), "{what}");
    }
}

/// Reads every file as the format's own tool does, and gives what each file sums up to.
const BATTERY_DATA: &str = r#"
import json, sys, warnings
import pandas as pd
from bdf.validate import validate_df
warnings.simplefilter("error")
sums = {}
for path in json.load(sys.stdin):
    frame = pd.read_csv(path)
    report = validate_df(frame)
    assert report["ok"] and not report["extras"], report
    seconds = frame["Unix Time / s"].diff().fillna(0)
    assert (frame["Test Time / s"].diff().fillna(0) - seconds).abs().max() < 1e-3
    sums[path] = [len(frame), frame["Current / A"].sum(), frame["Voltage / V"].min()]
print(json.dumps(sums))
"#;

#[test]
fn battery_data_passes_the_formats_own_validator() {
    let folder = place(2);
    packdrift(folder.path(), &["export", "battery-data", "-o", "packs"]);
    let mut files: Vec<_> = fs::read_dir(folder.path().join("packs"))
        .unwrap()
        .map(|entry| entry.unwrap().path().display().to_string())
        .collect();
    files.sort();
    assert_eq!(files.len(), 5, "a file a pack: {files:?}");
    let sums = crate::tools::python(BATTERY_DATA, &serde_json::json!(files).to_string());
    let sums: serde_json::Value = serde_json::from_str(&sums).unwrap();
    let setup = packdrift::config::load(&folder.path().join("setup.toml")).unwrap();
    let connection = store::read_only(&setup.store.path).unwrap();
    for file in files {
        let name = Path::new(&file)
            .file_name()
            .unwrap()
            .to_str()
            .unwrap()
            .trim_end_matches(".bdf.csv")
            .to_owned();
        let (rows, amps): (i64, f64) = connection
            .query_row(
                "SELECT count(*), sum(current) / 1000.0 FROM reading JOIN instrument AS i ON i.id = instrument \
                 WHERE i.name = ?1 AND current IS NOT NULL AND voltage IS NOT NULL",
                [&name],
                |row| Ok((row.get(0)?, row.get(1)?)),
            )
            .unwrap();
        assert_eq!(sums[&file][0], rows);
        // Sums of as many decimal fractions, in another order.
        assert!(
            (sums[&file][1].as_f64().unwrap() - amps).abs() < 1e-6 * f64::from(u32::try_from(rows).unwrap()),
            "{name}"
        );
    }
}
