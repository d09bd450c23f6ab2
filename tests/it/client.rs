//! Does the cookbook's Python, with a client that a generator made of the API's description, read the answer?

use std::{fs, process::Command};

use packdrift::demo::{Kind, Plan, simulate};
use serde_json::Value;

use crate::{
    harness::Packdrift,
    past,
    scenario::setup_with_own_broker,
    tools::{python, tool},
};

/// The cookbook's program, for a daemon at this address.
fn program(address: &str) -> String {
    let cookbook = include_str!("../../deploy/cookbook.md");
    let (_, program) = cookbook.split_once("```python\n").unwrap();
    let (program, _) = program.split_once("```").unwrap();
    assert!(program.contains("127.0.0.1:8077") && program.contains("date(2026, 1, 10)"));
    program
        .replace("127.0.0.1:8077", address)
        .replace("date(2026, 1, 10)", "date(2025, 11, 2)")
}

#[test]
fn the_cookbooks_python_reads_drift_by_a_generated_client() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    fs::write(folder.join("setup.toml"), setup_with_own_broker(folder)).unwrap();
    let mut connection = packdrift::store::read_write(&folder.join("packdrift.sqlite")).unwrap();
    let winter = simulate(&Plan {
        days: 5,
        ..Plan::new(Kind::Sparse, 3)
    });
    past::put(&mut connection, &past::setup(), winter.readings());
    drop(connection);
    let daemon = Packdrift::start(folder);

    let (_, description) = daemon.get("/v1/openapi.json");
    let path = folder.join("openapi.json");
    fs::write(&path, description.to_string()).unwrap();
    let generated = Command::new(tool("python"))
        .args([
            "-m",
            "openapi_python_client",
            "generate",
            "--meta",
            "none",
            "--path",
        ])
        .arg(&path)
        .arg("--output-path")
        .arg(folder.join("packdrift_api"))
        .output()
        .unwrap();
    let told = String::from_utf8_lossy(&generated.stdout);
    assert!(generated.status.success(), "{told}");
    // The generator leaves out what it doesn't understand, and says so.
    assert!(
        !told.contains("WARNING parsing") && !told.contains("Unable to"),
        "{told}"
    );

    let script = format!(
        "import sys\nsys.path.insert(0, {:?})\n{}\nprint(packs.to_json(orient='index'))",
        folder,
        program(&daemon.address().unwrap())
    );
    let printed = python(&script, "");
    let read: Value = serde_json::from_str(printed.lines().last().unwrap()).unwrap();
    let (_, drift) = daemon.get("/v1/drift?since=2025-11-02");
    let packs = drift["packs"].as_array().unwrap();
    assert_eq!(read.as_object().unwrap().len(), packs.len());
    for pack in packs {
        let read = &read[pack["pack"].as_str().unwrap()];
        let off = read["charge_error.ah"].as_f64().unwrap() - pack["charge_error"]["ah"].as_f64().unwrap();
        // pandas writes ten digits.
        assert!(off.abs() < 1e-9, "{read} {pack}");
    }
    assert_eq!(daemon.stop(), Some(0));
}
