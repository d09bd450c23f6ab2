//! Marks that people know of: asserted, vetoed, withdrawn. Do answers follow, and come back to the last digit?

use axum::http::StatusCode;
use packdrift::{
    demo::{Kind, Plan, simulate},
    reading::Channel,
};
use serde_json::{Value, json};

use crate::{asking::Api, past};

/// In the middle of partial cycling.
const NOON: &str = "2025-11-12T14:00:00Z";
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

/// What the bank's voltage was logged as, V.
fn logged_v(api: &Api, at: &str) -> f64 {
    let readings = api.get(&format!("/v1/readings?instrument=shunt&since={at}&limit=1"));
    readings["readings"][0]["voltage_v"].as_f64().unwrap()
}

fn refused(api: &Api, body: Value) -> String {
    let (status, problem) = api.send("POST", "/v1/marks", Some(body));
    assert_eq!(status, StatusCode::UNPROCESSABLE_ENTITY, "{problem}");
    problem["detail"].as_str().unwrap().to_owned()
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
            "kind": "assert", "at": NOON, "voltage_v": logged_v(&api, NOON), "tail_current_a": 12.0,
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
        (json!({"kind": "veto", "at": "yesterday"}), "is no instant"),
        (json!({"kind": "perhaps", "at": mark(&api, 0)}), "no kind of mark"),
    ] {
        let told = refused(&api, body);
        assert!(told.contains(why), "{told}");
    }
}

#[test]
fn what_the_log_speaks_against_is_refused() {
    let api = api();
    let logged_v = logged_v(&api, NOON);
    assert!(logged_v < 55.0);
    let wrong_day = refused(&api, json!({"kind": "assert", "at": NOON}));
    assert!(
        wrong_day.contains(&format!("the log has {logged_v} V")) && wrong_day.contains("full at 56 V"),
        "{wrong_day}"
    );
    // No pack would be taken for one on the busbar.
    let far_off = refused(&api, json!({"kind": "assert", "at": NOON, "voltage_v": 56.2}));
    assert!(
        far_off.contains("56.2 V") && far_off.contains(&format!("{logged_v} V")),
        "{far_off}"
    );
    say(&api, json!({"kind": "assert", "at": NOON, "voltage_v": logged_v}));
    assert_eq!(standing(&api), 1);
}

#[test]
fn an_asserted_mark_is_withdrawn_not_vetoed() {
    let api = api();
    let at = mark(&api, 1);
    let veto = say(&api, json!({"kind": "veto", "at": at}));
    let asserted = say(&api, json!({"kind": "assert", "at": at}));
    let with_it = api.get(DRIFT);
    let told = refused(&api, json!({"kind": "veto", "at": at}));
    assert!(told.contains(&format!("withdraw mark {asserted}")), "{told}");
    assert_eq!(api.get(DRIFT), with_it);
    withdraw(&api, asserted);
    withdraw(&api, veto);
    say(&api, json!({"kind": "veto", "at": at}));
}

#[test]
fn an_asserted_mark_is_held_against_the_banks_own_voltage_as_logged() {
    let winter = simulate(&Plan {
        days: 30,
        ..Plan::new(Kind::Usual, 17)
    });
    // The shunt has no voltage: the bank's is the median of its packs. For two hours nobody is heard.
    let (from_ms, until_ms) = (1_763_128_800_000, 1_763_136_000_000); // 2025-11-14T14:00 to 16:00 UTC
    let readings = winter.readings().filter_map(|(at_ms, of, mut channels)| {
        if of == 0 {
            channels.set(Channel::Voltage, None);
        }
        (!(from_ms..until_ms).contains(&at_ms)).then_some((at_ms, of, channels))
    });
    let api = Api::on(past::setup(), readings);
    api.get("/v1/anchors");
    let asserted = |at: &str| {
        let id = say(
            &api,
            json!({"kind": "assert", "at": at, "text": "seen at the charger"}),
        );
        let anchors = api.get("/v1/anchors");
        let mut anchors = anchors["anchors"].as_array().unwrap().iter();
        anchors.find(|anchor| anchor["asserted"] == id).unwrap().clone()
    };
    let at = mark(&api, 1);
    say(&api, json!({"kind": "veto", "at": at}));
    let logged = asserted(&at);
    let volts = logged["voltage_v"].as_f64().unwrap();
    assert!((55.8..56.6).contains(&volts), "{logged}");
    let packs = logged["packs"].as_array().unwrap();
    assert!(
        packs.iter().all(|pack| pack["reason"] != "off_busbar"),
        "{logged}"
    );
    // Where nothing was logged, nothing is known.
    let unlogged = asserted("2025-11-14T15:00:00Z");
    for field in ["voltage_v", "tail_current_a"] {
        assert_eq!(unlogged[field], Value::Null, "{unlogged}");
    }
}
