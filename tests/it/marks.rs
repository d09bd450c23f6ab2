//! Marks that people know of: asserted, vetoed, withdrawn. Do answers follow, and come back to the last digit?

use axum::http::StatusCode;
use packdrift::demo::{Kind, Plan, simulate};
use serde_json::{Value, json};

use crate::{asking::Api, past};

const DRIFT: &str = "/v1/drift?since=2025-11-03T00:00:00Z";

fn api() -> Api {
    let winter = simulate(&Plan {
        days: 30,
        ..Plan::new(Kind::Usual, 17)
    });
    Api::on(past::setup(), winter.readings())
}

/// The end of an anchor, by its place.
fn mark(api: &Api, place: usize) -> String {
    let anchors = api.get("/v1/anchors");
    let anchor = &anchors["anchors"][place];
    anchor["end"].as_str().unwrap().to_owned()
}

fn say(api: &Api, body: Value) -> i64 {
    let (status, mark) = api.send("POST", "/v1/marks", Some(body));
    assert_eq!(status, StatusCode::CREATED, "{mark}");
    mark["id"].as_i64().unwrap()
}

fn withdraw(api: &Api, id: i64) {
    let (status, mark) = api.send("DELETE", &format!("/v1/marks/{id}"), None);
    assert_eq!((status, &mark["withdrawn"]), (StatusCode::OK, &Value::Bool(true)));
}

fn standing(api: &Api) -> usize {
    let marks = api.get("/v1/marks");
    marks["marks"].as_array().unwrap().len()
}

#[test]
fn what_is_said_of_marks_changes_answers_and_what_is_taken_back_changes_them_back() {
    let api = api();
    let before = api.get(DRIFT);
    let anchors = api.get("/v1/anchors");
    let veto = say(
        &api,
        json!({"kind": "veto", "at": mark(&api, 1), "text": "the charger was only testing"}),
    );
    let vetoed = api.get(DRIFT);
    assert_ne!(vetoed["packs"], before["packs"]);
    let assert = say(
        &api,
        json!({
            "kind": "assert", "at": "2025-11-12T14:00:00Z", "voltage_v": 56.2, "tail_current_a": 12.0,
            "text": "seen at the charger, while the shunt was off",
        }),
    );
    let asserted = api.get(DRIFT);
    assert_ne!(asserted["packs"], vetoed["packs"]);
    assert_eq!(standing(&api), 2);
    let shown = api.get("/v1/anchors")["anchors"].as_array().unwrap().clone();
    assert!(
        shown
            .iter()
            .any(|anchor| anchor["vetoed"] != Value::Null && anchor["vetoed"] != false),
        "{shown:?}"
    );
    assert!(
        shown
            .iter()
            .any(|anchor| anchor["asserted"] != Value::Null && anchor["asserted"] != false),
        "{shown:?}"
    );

    withdraw(&api, assert);
    assert_eq!(api.get(DRIFT), vetoed);
    withdraw(&api, veto);
    assert_eq!(api.get(DRIFT), before);
    assert_eq!(api.get("/v1/anchors"), anchors);
    assert_eq!(standing(&api), 0);
    let history = api.get("/v1/marks?history=true");
    let history = history["marks"].as_array().unwrap();
    assert_eq!(history.len(), 4, "what was said, and that it was taken back");
}

#[test]
fn what_makes_no_sense_of_marks_is_refused() {
    let api = api();
    for (body, why) in [
        (
            json!({"kind": "veto", "at": "2025-11-12T14:00:00Z"}),
            "no full charge stands",
        ),
        (
            json!({"kind": "assert", "at": mark(&api, 0)}),
            "stands within an hour",
        ),
        (json!({"kind": "perhaps", "at": mark(&api, 0)}), "no kind of mark"),
    ] {
        let (status, problem) = api.send("POST", "/v1/marks", Some(body));
        assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY, "{problem}");
        assert!(problem["detail"].as_str().unwrap().contains(why), "{problem}");
    }
}
