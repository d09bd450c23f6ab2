//! Do the questions to many sites give what is published, what is true, and take what `packdrift export` writes?

use serde_json::{Value, json};

use crate::tools;

/// Asks a question of rows: a site and pack each, all of one revision.
const OF_ROWS: &str = r#"
import json, sys
import duckdb, pyarrow
asked = json.load(sys.stdin)
connection = duckdb.connect()
connection.register("answers", pyarrow.Table.from_pylist(asked["answers"]))
answer = connection.execute(open(asked["question"], encoding="utf-8").read())
print(json.dumps([dict(zip([column[0] for column in answer.description], row)) for row in answer.fetchall()]))
"#;

fn question(name: &str) -> String {
    format!("{}/deploy/fleet/{name}.sql", env!("CARGO_MANIFEST_DIR"))
}

fn ask(name: &str, answers: &[Value]) -> Vec<Value> {
    let input = json!({ "question": question(name), "answers": answers });
    serde_json::from_str(&tools::python(OF_ROWS, &input.to_string())).unwrap()
}

fn answer(site: &str, pack: &str, revision: &str, rate: f64, variance: f64) -> Value {
    json!({
        "site": site,
        "pack": pack,
        "revision": revision,
        "until": "2026-01-01",
        "rate_ah_per_day": rate,
        "rate_expanded_uncertainty_ah_per_day": 2.0 * variance.sqrt(),
    })
}

#[test]
fn random_effects_are_those_published() {
    let published = include_str!("../published/kacker_dersimonian_laird.json");
    let published: Value = serde_json::from_str(published).unwrap();
    let figures = |name: &str| {
        published[name]
            .as_array()
            .unwrap()
            .iter()
            .map(|figure| figure.as_f64().unwrap())
    };
    let answers: Vec<_> = figures("value")
        .zip(figures("variance"))
        .enumerate()
        .map(|(lab, (value, variance))| answer(&format!("lab {lab}"), "only", "A", value, variance))
        .collect();
    let told = ask("drift_by_revision", &answers);
    let tau = told[0]["scatter_between_sites_ah_per_day"].as_f64().unwrap();
    let got = |name: &str| told[0][name].as_f64().unwrap();
    for (mine, theirs) in [
        (got("rate_ah_per_day"), "mean"),
        (got("standard_uncertainty_ah_per_day"), "standard_uncertainty"),
        (got("low_ah_per_day"), "low"),
        (got("high_ah_per_day"), "high"),
        (tau * tau, "tau2"),
        (got("sites_q"), "q"),
    ] {
        let theirs = published[theirs].as_f64().unwrap();
        // Given to fifteen digits; values of 62 that differ by 0.5 lose four of them.
        assert!((mine / theirs - 1.0).abs() < 1e-10, "{mine} {theirs}");
    }
}

#[test]
fn what_a_site_does_to_all_its_packs_cancels_between_revisions() {
    // Sites differ by 10, revisions by exactly 2.
    let answers: Vec<_> = (0..6)
        .flat_map(|site| {
            let rate = 10.0 * f64::from(site);
            let name = format!("hut {site}");
            [
                answer(&name, "old", "A", rate + 2.0, 0.01),
                answer(&name, "new", "B", rate, 0.04),
            ]
        })
        .collect();
    let told = ask("revisions_compared", &answers);
    assert_eq!(told.len(), 1);
    let got = |name: &str| told[0][name].as_f64().unwrap();
    // Rounding only.
    assert!((got("difference_ah_per_day") - 2.0).abs() < 1e-9);
    assert!((got("standard_uncertainty_ah_per_day") - (0.05_f64 / 6.0).sqrt()).abs() < 1e-9);
    // One site says nothing of others.
    assert!(ask("revisions_compared", &answers[..2])[0]["low_ah_per_day"].is_null());
    let alone = ask("drift_by_revision", &answers[..2]);
    assert!(alone[0]["low_ah_per_day"].is_null() && alone[0]["scatter_between_packs_ah_per_day"].is_null());
}

/// How many of a hundred simulated fleets' intervals hold the truth, revision by revision.
const FLEETS: &str = r#"
import json, runpy, sys
run = runpy.run_path(sys.stdin.read().strip(), run_name="fleet")
print(json.dumps(run["holds"]()))
"#;

#[test]
fn the_stated_interval_holds_the_truth_of_simulated_fleets() {
    let run = format!("{}/benches/fleet/run", env!("CARGO_MANIFEST_DIR"));
    let held: Value = serde_json::from_str(&tools::python(FLEETS, &run)).unwrap();
    for (revision, held) in held.as_object().unwrap() {
        // 95 % of 100, and fewer than 93 by chance in one of eight.
        assert!(held.as_u64().unwrap() >= 93, "{revision}: {held}");
    }
}

#[cfg(feature = "parquet")]
#[test]
fn every_question_is_answered_from_what_sites_export() {
    use std::{fs, process::Command};

    let folder = tempfile::tempdir().unwrap();
    let binary = env!("CARGO_BIN_EXE_packdrift");
    let ran = |command: &mut Command| {
        let output = command.current_dir(folder.path()).output().unwrap();
        let told = String::from_utf8_lossy(&output.stderr).into_owned();
        assert!(output.status.success(), "{told}");
        String::from_utf8(output.stdout).unwrap()
    };
    let place = crate::export::place(40);
    let setup = place.path().join("setup.toml");
    ran(Command::new(binary)
        .args([
            "export",
            "--format",
            "parquet",
            "--partition",
            "fleet",
            "--config",
        ])
        .arg(&setup));
    for name in ["drift_by_revision", "revisions_compared", "outliers", "coverage"] {
        assert!(fs::exists(question(name)).unwrap());
        let asked = format!("{}/deploy/fleet/ask.py", env!("CARGO_MANIFEST_DIR"));
        let csv = ran(Command::new(tools::tool("python"))
            .args([&asked, "duckdb", "fleet"])
            .arg(question(name)));
        let mut reader = csv::Reader::from_reader(csv.as_bytes());
        let head = reader.headers().unwrap().clone();
        let rows: Vec<_> = reader.records().map(Result::unwrap).collect();
        match name {
            // Revision C has one pack on the one site there is.
            "drift_by_revision" => assert_eq!(rows.len(), 3, "{csv}"),
            "coverage" => {
                assert_eq!(rows.len(), 6, "{csv}");
                let column = head.iter().position(|name| name == "coverage_fraction").unwrap();
                assert!(
                    rows.iter().all(|row| row[column].parse::<f64>().unwrap() > 0.9),
                    "{csv}"
                );
            }
            _ => {}
        }
    }
}
