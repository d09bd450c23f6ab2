//! Two banks in one setup: is each answered as if it were alone, and is nobody's taken for the other's?

use std::{fs, path::Path, process::Command};

use axum::http::StatusCode;
use packdrift::{
    config::{self, Setup},
    demo::{Kind, Plan, Winter, simulate},
    store,
};
use serde_json::{Value, json};

use crate::{asking::Api, past};

/// What the second bank calls what the demo's bank calls so.
const NAMES: [(&str, &str); 7] = [
    ("skerry", "islet"),
    ("shunt", "sill"),
    ("tern", "puffin"),
    ("fulmar", "auk"),
    ("gannet", "eider"),
    ("petrel", "shag"),
    ("skua", "kittiwake"),
];

/// The same words about the second bank.
fn renamed(text: &str) -> String {
    NAMES
        .iter()
        .fold(text.to_owned(), |text, (name, other)| text.replace(name, other))
}

/// The demo's setup, and once more under other names; the second bank's dates are those of another zone.
fn text() -> String {
    let demo = past::setup().text;
    let (before, banks) = demo.split_at(demo.find("[[bank]]").unwrap());
    let (bank, source) = banks.split_at(banks.find("[[source]]").unwrap());
    let other = renamed(bank).replace("Europe/Oslo", "Australia/Sydney");
    format!("{before}{bank}{other}{source}")
}

fn winter() -> Winter {
    simulate(&Plan {
        days: 12,
        ..Plan::new(Kind::Usual, 5)
    })
}

fn both() -> (Setup, Vec<(i64, u16, packdrift::reading::Channels)>) {
    let setup = config::parse("setup.toml", &text(), Path::new("")).unwrap();
    let others = u16::try_from(setup.instruments.len() / 2).unwrap();
    let winter = winter();
    let readings = winter.readings();
    let readings =
        readings.flat_map(|(at_ms, of, channels)| [(at_ms, of, channels), (at_ms, of + others, channels)]);
    (setup, readings.collect())
}

/// Questions that are of one bank, with how a further parameter is put to them.
const OF_ONE_BANK: [&str; 11] = [
    "/v1/drift?",
    "/v1/drift?since=2025-11-04T00:00:00Z&",
    "/v1/drift/series?step=PT6H&",
    "/v1/compare?",
    "/v1/forecast?",
    "/v1/reference?",
    "/v1/causes?",
    "/v1/balance?",
    "/v1/anchors?",
    "/v1/phases?",
    "/v1/marks?",
];

/// But for the setup, of which there is another.
fn told(mut answer: Value) -> Value {
    answer["setup"] = Value::Null;
    answer
}

#[test]
fn each_bank_is_answered_as_if_it_were_alone() {
    let alone = Api::on(past::setup(), winter().readings());
    let (setup, readings) = both();
    let api = Api::on(setup, readings);
    for path in OF_ONE_BANK {
        let expect = told(alone.get(&format!("{path}bank=skerry")));
        assert_eq!(told(api.get(&format!("{path}bank=skerry"))), expect, "{path}");
        let other: Value = serde_json::from_str(&renamed(&expect.to_string())).unwrap();
        assert_eq!(told(api.get(&format!("{path}bank=islet"))), other, "{path}");

        let (status, problem) = api.send("GET", path.trim_end_matches(['?', '&']), None);
        assert_eq!(status, StatusCode::BAD_REQUEST, "{path}: {problem}");
        let detail = problem["detail"].as_str().unwrap();
        assert!(
            detail.contains("say which bank") && detail.contains("skerry, islet"),
            "{detail}"
        );
    }
    // A date is the bank's own.
    let since = |bank: &str| api.get(&format!("/v1/drift?since=2025-11-04&bank={bank}"))["since"].clone();
    assert_eq!(since("skerry"), "2025-11-03T23:00:00Z");
    assert_eq!(since("islet"), "2025-11-03T13:00:00Z");
    // What is named is of one bank anyway.
    let evidence = |api: &Api, pack: &str| told(api.get(&format!("/v1/packs/{pack}/evidence"))).to_string();
    assert_eq!(evidence(&api, "puffin"), renamed(&evidence(&alone, "tern")));
}

#[test]
fn what_people_say_of_one_bank_leaves_the_other_alone() {
    let (setup, readings) = both();
    let api = Api::on(setup, readings);
    let ask = |path: &str, bank: &str| told(api.get(&format!("{path}bank={bank}")));
    let before: Vec<_> = OF_ONE_BANK.iter().map(|path| ask(path, "skerry")).collect();
    let mark = api.get("/v1/anchors?bank=islet")["anchors"][0]["end"].clone();
    for (path, body) in [
        (
            "/v1/marks",
            json!({"kind": "veto", "at": mark, "bank": "islet", "text": "only a test of the charger"}),
        ),
        (
            "/v1/notes",
            json!({"kind": "recalibration", "at": "2025-11-06T09:00:00Z", "pack": "puffin", "text": "zero set"}),
        ),
        (
            "/v1/phases",
            json!({"kind": "rest", "begin": "2025-11-06T09:00:00Z", "end": "2025-11-06T10:00:00Z", "bank": "islet"}),
        ),
    ] {
        let (status, said) = api.send("POST", path, Some(body.clone()));
        assert_eq!(status, StatusCode::CREATED, "{said}");
        if path != "/v1/notes" {
            let mut nobodys = body;
            nobodys["bank"] = Value::Null;
            assert_eq!(api.send("POST", path, Some(nobodys)).0, StatusCode::BAD_REQUEST);
        }
    }
    let changed = |path: &str| {
        ask(path, "islet")
            != renamed(&ask(path, "skerry").to_string())
                .parse::<Value>()
                .unwrap()
    };
    assert!(changed("/v1/drift?") && changed("/v1/phases?") && changed("/v1/marks?"));
    let after: Vec<_> = OF_ONE_BANK.iter().map(|path| ask(path, "skerry")).collect();
    assert_eq!(after, before);
}

#[test]
fn a_command_says_which_bank_or_is_asked() {
    let folder = tempfile::tempdir().unwrap();
    let (setup, readings) = both();
    fs::write(folder.path().join("setup.toml"), &setup.text).unwrap();
    let mut connection = store::read_write(&folder.path().join("packdrift.sqlite")).unwrap();
    past::put(&mut connection, &setup, readings.into_iter().take(60_000));
    drop(connection);
    let run = |arguments: &[&str]| {
        let done = Command::new(env!("CARGO_BIN_EXE_packdrift"))
            .current_dir(folder.path())
            .args(arguments)
            .output()
            .unwrap();
        let told = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
        (done.status.success(), told(&done.stdout), told(&done.stderr))
    };
    for command in [
        &["drift"][..],
        &["compare"],
        &["forecast"],
        &["reference"],
        &["causes"],
        &["balance"],
        &["phases"],
        &["plan"],
        &["plot", "charge-error", "-o", "drift.svg"],
        &["export", "hours"],
        &["export", "anchors"],
        &["export", "battery-data", "-o", "packs"],
        // Their dates begin at other times.
        &["export", "readings", "--since", "2025-11-03"],
    ] {
        let (done, _, failure) = run(command);
        assert!(!done && failure.contains("which"), "{command:?}: {failure}");
        let (done, _, failure) = run(&[command, &["--bank", "islet"]].concat());
        assert!(done, "{command:?}: {failure}");
    }
    let (_, drift, _) = run(&["drift", "--bank", "islet"]);
    assert!(drift.contains("puffin") && !drift.contains("tern"), "{drift}");
    let mut packs: Vec<_> = fs::read_dir(folder.path().join("packs")).unwrap().collect();
    assert_eq!(packs.len(), 5);
    let names = packs
        .iter()
        .map(|file| file.as_ref().unwrap().file_name().into_string().unwrap());
    let names = names.collect::<Vec<_>>().join(" ");
    assert!(names.contains("puffin") && !names.contains("tern"), "{names}");
    packs.clear();
    // An instant is the same everywhere.
    let (done, readings, failure) = run(&["export", "readings", "--since", "2025-11-03T00:00:00Z"]);
    assert!(done, "{failure}");
    assert!(readings.contains("puffin") && readings.contains("tern"));
}
