//! Are questions answered, notes kept, and mistakes explained?

use std::fmt::Write;

use axum::http::StatusCode;
use packdrift::reading::{Channel, Channels};
use serde_json::{Value, json};

use crate::{asking::Api, past};

#[test]
fn before_the_first_reading_nothing_is_known_and_nothing_is_zero() {
    let api = Api::new(0);
    let drift = api.get("/v1/drift");
    for pack in drift["packs"].as_array().unwrap() {
        assert_eq!(pack["charge_error"]["basis"], "insufficient");
        assert_eq!(pack["charge_error"]["ah"], Value::Null);
        assert_eq!(pack["rate"], Value::Null);
        assert_eq!(pack["display"], Value::Null);
    }
    assert_eq!(api.get("/v1/phases")["phases"], json!([]));
    assert_eq!(api.get("/v1/anchors")["anchors"], json!([]));
    assert_eq!(api.get("/v1/drift/series")["at"], json!([]));
}

#[test]
fn the_answer_adds_up() {
    let api = Api::new(6);
    let drift = api.get("/v1/drift?since=2025-11-02");
    assert_eq!(drift["since"], "2025-11-01T23:00:00Z", "midnight in Oslo");
    for pack in drift["packs"].as_array().unwrap() {
        let error = &pack["charge_error"];
        let lines = error["budget"].as_array().unwrap();
        let sum: f64 = lines
            .iter()
            .map(|line| line["standard_uncertainty_ah"].as_f64().unwrap().powi(2))
            .sum();
        let stated = error["expanded_uncertainty_ah"].as_f64().unwrap();
        // Lines are given to four digits behind the point, the sum to three.
        assert!((2.0 * sum.sqrt() - stated).abs() < 2e-3, "{error}");
        let largest_first = lines.windows(2).all(|pair| {
            pair[0]["standard_uncertainty_ah"].as_f64() >= pair[1]["standard_uncertainty_ah"].as_f64()
        });
        assert!(largest_first);
        let counted = &pack["counted"];
        let net = counted["charged_ah"].as_f64().unwrap() - counted["discharged_ah"].as_f64().unwrap();
        assert!((net - counted["net_ah"].as_f64().unwrap()).abs() < 2e-3);
    }
    let only = api.get("/v1/drift?pack=gannet");
    assert_eq!(only["packs"].as_array().unwrap().len(), 1);
}

#[test]
fn after_the_last_reading_a_series_is_one_instant() {
    let api = Api::new(2);
    let drift = api.get("/v1/drift?since=2030-01-01");
    let series = api.get("/v1/drift/series?since=2030-01-01");
    assert_eq!(series["at"], json!([drift["until"]]));
    assert_eq!(series["packs"][0]["charge_error_ah"].as_array().unwrap().len(), 1);
}

#[test]
fn health_counts_what_is_stored_before_anybody_has_asked_for_more() {
    let api = Api::new(1);
    let count = || api.get("/v1/health")["store"]["readings"].as_i64().unwrap();
    let before = count();
    assert!(before > 0);
    api.get("/v1/drift");
    assert_eq!(count(), before);
}

#[test]
fn who_has_the_answer_already_gets_none_however_a_proxy_marked_it() {
    let api = Api::new(0);
    let (_, tag, _) = api.send_with("GET", "/v1/packs", None, None);
    let tag = tag.unwrap();
    for (known, status) in [
        (tag.clone(), StatusCode::NOT_MODIFIED),
        (format!("W/{tag}"), StatusCode::NOT_MODIFIED),
        (format!("\"other\", W/{tag}"), StatusCode::NOT_MODIFIED),
        ("*".to_owned(), StatusCode::NOT_MODIFIED),
        ("W/\"other\"".to_owned(), StatusCode::OK),
    ] {
        assert_eq!(
            api.send_with("GET", "/v1/packs", None, Some(&known)).0,
            status,
            "{known}"
        );
    }
}

#[test]
fn a_series_ends_where_the_answer_does() {
    let api = Api::new(6);
    let drift = api.get("/v1/drift?since=2025-11-03&until=2025-11-05");
    let series = api.get("/v1/drift/series?since=2025-11-03&until=2025-11-05&step=PT1H");
    assert_eq!(series["at"].as_array().unwrap().len(), 49);
    for (pack, line) in drift["packs"]
        .as_array()
        .unwrap()
        .iter()
        .zip(series["packs"].as_array().unwrap())
    {
        let last = line["charge_error_ah"].as_array().unwrap().last().unwrap();
        assert_eq!(*last, pack["charge_error"]["ah"]);
        let last = line["display_percent"].as_array().unwrap().last().unwrap();
        assert_eq!(*last, pack["display"]["soc_percent"]);
    }
}

#[test]
fn each_point_of_a_series_is_the_answer_at_that_instant() {
    let api = Api::new(6);
    let series = api.get("/v1/drift/series?since=2025-11-03&until=2025-11-05&step=PT1H");
    for point in [1, 17, 30, 47] {
        let at = series["at"][point].as_str().unwrap();
        let drift = api.get(&format!("/v1/drift?since=2025-11-03&until={at}"));
        let packs = drift["packs"].as_array().unwrap();
        assert_eq!(packs.len(), 5);
        for (pack, line) in packs.iter().zip(series["packs"].as_array().unwrap()) {
            let (error, display) = (&pack["charge_error"], &pack["display"]);
            assert_eq!(line["charge_error_ah"][point], error["ah"]);
            assert_eq!(
                line["expanded_uncertainty_ah"][point],
                error["expanded_uncertainty_ah"]
            );
            assert_eq!(line["display_percent"][point], display["soc_percent"]);
            assert_eq!(line["actual_percent"][point], display["actual_percent"]);
        }
    }
}

#[test]
fn notes_are_corrected_and_withdrawn_but_never_lost() {
    let api = Api::new(4);
    let note =
        json!({"at": "2025-11-03T09:00:00Z", "pack": "petrel", "kind": "recalibration", "text": "zero set"});
    let (status, first) = api.send("POST", "/v1/notes", Some(note.clone()));
    assert_eq!((status, &first["revision"]), (StatusCode::CREATED, &json!(1)));
    let epochs = |api: &Api| {
        api.get("/v1/drift?pack=petrel")["packs"][0]["epochs"]
            .as_array()
            .unwrap()
            .len()
    };
    assert_eq!(epochs(&api), 2);

    let path = format!("/v1/notes/{}", first["id"]);
    let corrected = json!({"at": "2025-11-03T09:00:00Z", "pack": "gannet", "kind": "recalibration", "text": "it was gannet"});
    assert_eq!(api.send("PUT", &path, Some(corrected)).1["revision"], 2);
    assert_eq!(epochs(&api), 1);
    assert_eq!(api.send("DELETE", &path, None).1["withdrawn"], true);
    assert_eq!(api.get("/v1/notes")["notes"], json!([]));
    let history = api.get("/v1/notes?history=true");
    assert_eq!(history["notes"].as_array().unwrap().len(), 3);
    assert_eq!(history["notes"][0]["text"], "zero set");
}

#[test]
fn a_persons_phase_stands_over_the_derived_ones_until_it_is_withdrawn() {
    let api = Api::new(4);
    let before = api.get("/v1/phases");
    let stated = json!({"kind": "calibration", "begin": "2025-11-02T10:00:00Z", "end": "2025-11-02T11:00:00Z", "text": "clamp meter"});
    let (status, phase) = api.send("POST", "/v1/phases", Some(stated));
    assert_eq!(status, StatusCode::CREATED);
    let phases = api.get("/v1/phases");
    let calibration: Vec<_> = phases["phases"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|phase| phase["kind"] == "calibration")
        .collect();
    assert_eq!(calibration.len(), 1);
    assert_eq!(calibration[0]["stated"], phase["id"]);
    assert_eq!(
        api.send("DELETE", &format!("/v1/phases/{}", phase["id"]), None).0,
        StatusCode::OK
    );
    assert_eq!(api.get("/v1/phases"), before);
}

#[test]
fn who_has_the_answer_already_gets_none() {
    let api = Api::new(4);
    let (_, tag, _) = api.send_with("GET", "/v1/drift", None, None);
    let (status, again, body) = api.send_with("GET", "/v1/drift", None, tag.as_deref());
    assert_eq!((status, body), (StatusCode::NOT_MODIFIED, Value::Null));
    assert_eq!(again, tag);
    let (status, ..) = api.send_with("GET", "/v1/drift?since=2025-11-03", None, tag.as_deref());
    assert_eq!(status, StatusCode::OK);
}

#[test]
fn mistakes_are_explained() {
    let api = Api::new(4);
    let mut told = String::new();
    for (method, path, body) in [
        ("GET", "/v1/drift?since=10+January", None),
        ("GET", "/v1/drift?since=2025-11-03&until=2025-11-02", None),
        ("GET", "/v1/drift?bank=island", None),
        ("GET", "/v1/drift?pack=albatross", None),
        ("GET", "/v1/drift?sinse=2025-11-03", None),
        ("GET", "/v1/drift/series?step=soon", None),
        ("GET", "/v1/readings?instrument=albatross", None),
        ("GET", "/elsewhere", None),
        ("DELETE", "/v1/drift", None),
        (
            "POST",
            "/v1/notes",
            Some(json!({"at": "2025-11-03", "kind": "observation", "text": "whom?"})),
        ),
        (
            "POST",
            "/v1/notes",
            Some(json!({"at": "2025-11-03", "pack": "tern", "kind": "gossip", "text": ""})),
        ),
        (
            "POST",
            "/v1/notes",
            Some(json!({"at": "2999-11-03", "pack": "tern", "kind": "observation", "text": "to come"})),
        ),
        (
            "POST",
            "/v1/marks",
            Some(json!({"at": "2999-11-03", "kind": "assert", "text": "to come"})),
        ),
        (
            "POST",
            "/v1/notes",
            Some(json!({"at": "2025-11-03", "pack": "tern", "kind": "observation", "text": " \n\u{a0}"})),
        ),
        (
            "POST",
            "/v1/notes",
            Some(json!({"at": "2025-11-03", "pack": "shunt", "kind": "observation", "text": "cold"})),
        ),
        (
            "POST",
            "/v1/notes",
            Some(json!({"at": "2025-11-03", "reference": "tern", "kind": "observation", "text": "cold"})),
        ),
        ("DELETE", "/v1/notes/99", None),
        (
            "POST",
            "/v1/phases",
            Some(json!({"kind": "rest", "begin": "2025-11-03", "end": "2025-11-02"})),
        ),
    ] {
        let (status, problem) = api.send(method, path, body);
        assert_eq!(problem["status"], status.as_u16());
        let word = |field: &str| problem[field].as_str().unwrap().to_owned();
        writeln!(
            told,
            "{method} {path}\n  {status} {}: {}",
            word("title"),
            word("detail")
        )
        .unwrap();
    }
    insta::assert_snapshot!(told);
}

#[test]
fn readings_are_found_whatever_is_reported_and_before_they_are_derived() {
    let (tern, fulmar) = (1, 2);
    let begin_ms = 1_767_225_600_000;
    let readings = (0..50_i64).map(|n| {
        (
            begin_ms + n * 3_600_000,
            tern,
            Channels::from_iter([(Channel::Soc, 610)]),
        )
    });
    let api = Api::on(
        past::setup(),
        readings.chain([(begin_ms, fulmar, Channels::from_iter([(Channel::Current, 9)]))]),
    );
    let count = |path: &str| api.get(path)["readings"].as_array().unwrap().len();
    let of = |name: &str, since: &str| count(&format!("/v1/readings?instrument={name}{since}"));
    let all = || {
        (
            of("tern", ""),
            of("tern", "&since=2026-01-02"),
            of("fulmar", ""),
            of("skua", ""),
        )
    };
    assert_eq!(all(), (50, 27, 1, 0));
    api.get("/v1/drift");
    assert_eq!(all(), (50, 27, 1, 0));
}

#[test]
fn what_is_withdrawn_twice_is_withdrawn_once() {
    let api = Api::new(1);
    let (at, end) = ("2025-11-01T08:00:00Z", "2025-11-01T09:00:00Z");
    let note = json!({"at": at, "pack": "tern", "kind": "observation", "text": "cold"});
    let phase = json!({"kind": "rest", "begin": at, "end": end});
    let mark = json!({"kind": "assert", "at": "2025-11-01T03:00:00Z", "voltage_v": 53.3});
    for (of, said) in [("notes", note), ("phases", phase), ("marks", mark)] {
        let (status, said) = api.send("POST", &format!("/v1/{of}"), Some(said));
        assert_eq!(status, StatusCode::CREATED, "{said}");
        let path = format!("/v1/{of}/{}", said["id"]);
        let once = api.send("DELETE", &path, None);
        assert_eq!(
            (once.0, &once.1["withdrawn"], &once.1["revision"]),
            (StatusCode::OK, &json!(true), &json!(2))
        );
        assert_eq!(api.send("DELETE", &path, None), once);
        assert_eq!(
            api.send("DELETE", &format!("/v1/{of}/99"), None).0,
            StatusCode::NOT_FOUND
        );
    }
}
