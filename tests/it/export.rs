//! Does what goes out come in again as the same, and can others read it?

use std::{
    fs,
    path::Path,
    process::{Command, Stdio},
    thread::sleep,
    time::Duration,
};

use packdrift::{
    demo::{Kind, Plan, simulate},
    reading::{Channel, Channels},
    store::{self, digest, stated_phase},
};

use crate::{
    harness::{Packdrift, eventually},
    past,
    scenario::setup_with_own_broker,
};

/// A folder with the demo's setup and, where `days` are given, a winter of so many.
pub fn place(days: u32) -> tempfile::TempDir {
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
    let formats = ["csv", "json-lines"].into_iter();
    for format in formats.chain(cfg!(feature = "parquet").then_some("parquet")) {
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
        ("answers", "rate_ah_per_day"),
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
    frame = pd.read_parquet(path) if path.endswith("parquet") else pd.read_csv(path)
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
    let setup = packdrift::config::load(&folder.path().join("setup.toml")).unwrap();
    let connection = store::read_only(&setup.store.path).unwrap();
    let formats = ["csv"].into_iter();
    for format in formats.chain(cfg!(feature = "parquet").then_some("parquet")) {
        packdrift(
            folder.path(),
            &["export", "battery-data", "--format", format, "-o", format],
        );
        let mut files: Vec<_> = fs::read_dir(folder.path().join(format))
            .unwrap()
            .map(|entry| entry.unwrap().path().display().to_string())
            .collect();
        files.sort();
        assert_eq!(files.len(), 5, "a file a pack: {files:?}");
        let sums = crate::tools::python(BATTERY_DATA, &serde_json::json!(files).to_string());
        let sums: serde_json::Value = serde_json::from_str(&sums).unwrap();
        for file in files {
            let name = Path::new(&file).file_name().unwrap().to_str().unwrap();
            let name = name.trim_end_matches(&format!(".bdf.{format}"));
            let (rows, amps): (i64, f64) = connection
                .query_row(
                    "SELECT count(*), sum(current) / 1000.0 FROM reading JOIN instrument AS i ON i.id = instrument \
                     WHERE i.name = ?1 AND current IS NOT NULL AND voltage IS NOT NULL",
                    [name],
                    |row| Ok((row.get(0)?, row.get(1)?)),
                )
                .unwrap();
            assert_eq!(sums[&file][0], rows);
            // Sums of as many decimal fractions, in another order.
            assert!(
                (sums[&file][1].as_f64().unwrap() - amps).abs()
                    < 1e-6 * f64::from(u32::try_from(rows).unwrap()),
                "{name}"
            );
        }
    }
}

/// Reads a Parquet file with two other implementations and gives what each finds.
#[cfg(feature = "parquet")]
const PARQUET: &str = r#"
import json, sys
import duckdb, pyarrow.compute as pc, pyarrow.parquet as pq
path = sys.stdin.read()
file = pq.ParquetFile(path)
table = file.read()
assert str(table.schema.field("at").type) == "timestamp[ms, tz=UTC]", table.schema
meta = {key.decode(): value.decode() for key, value in file.metadata.metadata.items() if key != b"ARROW:schema"}
columns = ["current_a", "voltage_v", "soc_percent"]
arrow = [table.num_rows] + [round(pc.sum(table[name]).as_py(), 3) for name in columns]
sums = ", ".join(f"round(sum({name}), 3)" for name in columns)
duck = list(duckdb.execute(f"SELECT count(*), {sums} FROM read_parquet(?)", [path]).fetchone())
assert arrow == duck, (arrow, duck)
assert {file.metadata.row_group(0).column(0).compression} == {"ZSTD"}
print(json.dumps({"sums": arrow, "meta": meta}))
"#;

#[cfg(feature = "parquet")]
#[test]
fn parquet_is_read_by_others_with_the_same_sums_and_says_units_and_setup() {
    let folder = place(5);
    packdrift(
        folder.path(),
        &["export", "--format", "parquet", "-o", "out.parquet"],
    );
    let path = folder.path().join("out.parquet");
    let told = crate::tools::python(PARQUET, path.to_str().unwrap());
    let told: serde_json::Value = serde_json::from_str(&told).unwrap();
    let csv = packdrift(folder.path(), &["export"]);
    let mut reader = csv::Reader::from_reader(csv.as_bytes());
    let (mut rows, mut sums) = (0_i64, [0.0; 3]);
    for record in reader.records() {
        let record = record.unwrap();
        rows += 1;
        for (sum, place) in sums.iter_mut().zip(2..) {
            *sum += record[place].parse().unwrap_or(0.0);
        }
    }
    assert_eq!(told["sums"][0], rows);
    for (place, sum) in sums.into_iter().enumerate() {
        // Sums of as many decimal fractions, in another order, rounded to the thousandth.
        assert!(
            (told["sums"][place + 1].as_f64().unwrap() - sum).abs() < 0.002,
            "{told} {sum}"
        );
    }
    let setup = packdrift::config::load(&folder.path().join("setup.toml")).unwrap();
    assert_eq!(told["meta"]["setup_sha256"], setup.digest);
    let units: serde_json::Value = serde_json::from_str(told["meta"]["units"].as_str().unwrap()).unwrap();
    assert_eq!(units["current_a"], "A");
    let bytes = fs::metadata(&path).unwrap().len();
    let readings = u64::try_from(rows).unwrap();
    assert!(bytes < 3 * readings, "{bytes} bytes for {readings} readings");
}

#[cfg(feature = "parquet")]
#[test]
fn a_folder_of_partitions_is_brought_up_to_date_and_left_alone_where_it_is() {
    let folder = place(5);
    packdrift(
        folder.path(),
        &["note", "--pack", "tern", "--at", "2025-11-03", "seen"],
    );
    let export = || {
        packdrift(
            folder.path(),
            &["export", "--format", "parquet", "--partition", "fleet"],
        )
    };
    let first = export();
    assert!(
        first.starts_with("skerry: ") && first.contains(" 0 as they were, 0 removed"),
        "{first}"
    );
    let hours = folder
        .path()
        .join("fleet/hours/site=skerry/month=2025-11/hours.parquet");
    let written = fs::metadata(&hours).unwrap().modified().unwrap();
    let answers = folder
        .path()
        .join("fleet/answers/site=skerry/month=2025-11/answers.parquet");
    assert!(answers.exists());
    let again = export();
    assert!(again.contains("skerry: 0 files written"), "{again}");
    assert_eq!(fs::metadata(&hours).unwrap().modified().unwrap(), written);
    // A month that has no rows any more.
    let gone = folder.path().join("fleet/hours/site=skerry/month=2024-01");
    fs::create_dir_all(&gone).unwrap();
    fs::copy(&hours, gone.join("hours.parquet")).unwrap();
    assert!(export().contains("1 removed"));
    assert!(!gone.exists());
}

/// Checks the tables of a folder against its data dictionary, and that a wrong table is found out.
const DICTIONARY: &str = r#"
import sys
from pathlib import Path
from frictionless import Package, validate
folder = Path(sys.stdin.read())
package = Package(folder / "datapackage.json")
report = validate(folder / "datapackage.json")
assert report.valid, report.flatten(["name", "rowNumber", "fieldName", "type", "note"])
empty = [task.name for task in report.tasks if not task.stats.get("rows")]
assert empty == ["stated-phases"], empty
hours = folder / "hours.csv"
hours.write_text(hours.read_text().replace("charged_ah", "charged", 1))
assert not validate(folder / "datapackage.json").valid
"#;

#[test]
fn the_data_dictionary_says_what_every_table_has() {
    let folder = place(5);
    let path = folder.path();
    packdrift(
        path,
        &[
            "note",
            "--pack",
            "tern",
            "--at",
            "2025-11-03",
            "said, and \"quoted\"\nover two lines",
        ],
    );
    packdrift(
        path,
        &[
            "mark",
            "assert",
            "--at",
            "2025-11-03T01:00:00Z",
            "--voltage",
            "53.1",
            "seen at the charger",
        ],
    );
    packdrift(path, &["export", "dictionary", "-o", "datapackage.json"]);
    let derived = ["readings", "hours", "anchors", "phases", "answers"];
    for table in derived.into_iter().chain(["notes", "marks", "stated-phases"]) {
        packdrift(path, &["export", table, "-o", &format!("{table}.csv")]);
    }
    crate::tools::python(DICTIONARY, path.to_str().unwrap());
}

#[test]
fn what_people_said_goes_round_and_is_taken_once() {
    let from = place(5);
    let path = from.path();
    packdrift(
        path,
        &[
            "note",
            "--pack",
            "tern",
            "--at",
            "2025-11-03",
            "said, and \"quoted\"\nover two lines",
        ],
    );
    packdrift(
        path,
        &[
            "note",
            "--kind",
            "recalibration",
            "--pack",
            "petrel",
            "--at",
            "2025-11-04",
            "zero set anew",
        ],
    );
    packdrift(
        path,
        &[
            "mark",
            "assert",
            "--at",
            "2025-11-03T01:00:00Z",
            "--voltage",
            "53.1",
            "seen at the charger",
        ],
    );
    packdrift(path, &["mark", "withdraw", "1"]);
    let setup = packdrift::config::load(&path.join("setup.toml")).unwrap();
    let rest = stated_phase::Said {
        bank: "skerry".to_owned(),
        kind: packdrift::charge::phase::Kind::Rest,
        begin_ms: 1_762_128_000_000,
        end_ms: 1_762_131_600_000,
        text: "the inverter was off".to_owned(),
    };
    let connection = store::read_write(&setup.store.path).unwrap();
    stated_phase::add(&connection, 1_762_200_000_000, rest).unwrap();
    drop(connection);
    packdrift(path, &["export", "-o", "readings"]);
    let formats = ["csv", "json-lines"].into_iter();
    for format in formats.chain(cfg!(feature = "parquet").then_some("parquet")) {
        let tables = [
            "notes",
            "marks",
            "stated-phases",
            "phases",
            "anchors",
            "hours",
            "answers",
        ];
        let export = |place: &Path| {
            tables.map(|table| {
                packdrift(place, &["export", table, "--format", format, "-o", table]);
                fs::read(place.join(table)).unwrap()
            })
        };
        let tables_there = export(path);
        let into = place(0);
        let file = |name: &str| path.join(name).display().to_string();
        let files = ["readings", "notes", "marks", "stated-phases"].map(file);
        let arguments: Vec<_> = ["import"]
            .into_iter()
            .chain(files.iter().map(String::as_str))
            .collect();
        let told = packdrift(into.path(), &[&arguments[..], &["--yes"]].concat());
        assert!(
            told.contains("2 revisions of notes, 0 of phases, 0 of marks"),
            "{told}"
        );
        assert!(
            export(into.path()) == tables_there,
            "{format}: comes out as other bytes"
        );
        // Once more changes nothing, and so does the store itself as a file to import.
        let store = setup.store.path.display().to_string();
        packdrift(into.path(), &[&arguments[..], &[&store, "--yes"]].concat());
        assert!(export(into.path()) == tables_there, "{format}: taken twice");
    }
}

#[test]
fn what_people_said_of_something_unknown_is_refused_with_its_line() {
    let folder = place(0);
    let head = "id,revision,written,at,bank,reference,pack,kind,text,withdrawn\r\n";
    let refused = |row: &str, words: &str| {
        fs::write(folder.path().join("notes.csv"), format!("{head}{row}\r\n")).unwrap();
        let output = Command::new(env!("CARGO_BIN_EXE_packdrift"))
            .args(["import", "notes.csv", "--yes", "--config", "setup.toml"])
            .current_dir(folder.path())
            .output()
            .unwrap();
        let told = String::from_utf8(output.stderr).unwrap();
        assert!(
            !output.status.success() && told.contains("line 2") && told.contains(words),
            "{told}"
        );
    };
    let at = "2025-11-03T00:00:00Z";
    refused(
        &format!("1,1,{at},{at},,,auk,observation,x,false"),
        "“auk” is no bank, reference or pack",
    );
    refused(
        &format!("1,1,{at},{at},,,tern,hunch,x,false"),
        "“hunch” is no kind",
    );
    refused(
        &format!("1,1,{at},yesterday,,,tern,observation,x,false"),
        "“yesterday” in the column “at”",
    );
    refused(
        &format!("one,1,{at},{at},,,tern,observation,x,false"),
        "invalid digit",
    );
}

#[test]
fn an_export_waits_for_a_daemon_whose_writer_is_busy() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    fs::write(folder.join("setup.toml"), setup_with_own_broker(folder)).unwrap();
    let daemon = Packdrift::start(folder);
    // Another program holds the store while hours wait to be counted, for longer than a question waits.
    let other = rusqlite::Connection::open(folder.join("packdrift.sqlite")).unwrap();
    let note = serde_json::json!({"at": "2025-11-03T09:00:00Z", "pack": "tern", "kind": "observation", "text": "cold"});
    assert_eq!(daemon.post("/v1/notes", &note).0, 201);
    let stale = "INSERT INTO stale_hour SELECT hour.value, (SELECT min(id) FROM instrument) \
                 FROM json_each('[499000, 500000]') AS hour; BEGIN IMMEDIATE";
    eventually("another program has it", Duration::from_secs(20), || {
        other.execute_batch(stale).is_ok()
    });
    let export = Command::new(env!("CARGO_BIN_EXE_packdrift"))
        .args(["export", "anchors", "--config", "setup.toml"])
        .current_dir(folder)
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    sleep(Duration::from_secs(7));
    other.execute_batch("COMMIT").unwrap();
    let output = export.wait_with_output().unwrap();
    assert!(
        output.status.success(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
}
