//! When will displays be too wrong? The answer's shape, and what is refused; how often it holds is the coverage
//! benchmark's.

use axum::http::StatusCode;
use chrono::DateTime;
use serde_json::Value;

use crate::asking::Api;

fn ms(at: &Value) -> Option<i64> {
    at.as_str()
        .map(|text| DateTime::parse_from_rfc3339(text).unwrap().timestamp_millis())
}

#[test]
fn every_pack_has_an_interval_and_a_full_charge_is_recommended_before_the_first() {
    let api = Api::new(8);
    let answer = api.get("/v1/forecast?threshold_points=10");
    let packs = answer["packs"].as_array().unwrap();
    assert_eq!(packs.len(), 5);
    let now_ms = ms(&answer["at"]).unwrap();
    for pack in packs {
        let [earliest, likely, latest] = ["earliest", "passes", "latest"].map(|field| ms(&pack[field]));
        let never = i64::MAX;
        assert!(now_ms <= earliest.unwrap_or(never), "{pack}");
        assert!(earliest.unwrap_or(never) <= likely.unwrap_or(never), "{pack}");
        assert!(likely.unwrap_or(never) <= latest.unwrap_or(never), "{pack}");
        let [now, after] = [
            "charge_error_expanded_uncertainty_ah",
            "after_full_charge_expanded_uncertainty_ah",
        ]
        .map(|field| pack[field].as_f64().unwrap());
        assert!(after < now, "{pack}");
    }
    let first = packs.iter().filter_map(|pack| ms(&pack["earliest"])).min();
    assert!(first.is_some());
    assert_eq!(ms(&answer["full_charge_recommended_by"]), first);
    assert_eq!(answer, api.get("/v1/forecast"), "ten points is the default");
}

#[test]
fn a_higher_threshold_is_passed_later() {
    let api = Api::new(8);
    let (low, high) = (
        api.get("/v1/forecast?threshold_points=8"),
        api.get("/v1/forecast?threshold_points=30"),
    );
    let never = i64::MAX;
    let mut passing = 0;
    for (low, high) in low["packs"]
        .as_array()
        .unwrap()
        .iter()
        .zip(high["packs"].as_array().unwrap())
    {
        let [low, high] = [low, high].map(|pack| ms(&pack["earliest"]).unwrap_or(never));
        assert!(low < high || low == never);
        passing += u32::from(low != never);
    }
    assert!(passing > 0, "nothing passes anything: {low}");
}

#[test]
fn a_threshold_that_is_none_is_refused() {
    let api = Api::new(0);
    for threshold in ["0", "-3", "101", "NaN"] {
        let path = format!("/v1/forecast?threshold_points={threshold}");
        assert_eq!(
            api.send("GET", &path, None).0,
            StatusCode::BAD_REQUEST,
            "{threshold}"
        );
    }
    let answer = api.get("/v1/forecast");
    assert!(answer["full_charge_recommended_by"].is_null());
    assert_eq!(answer["packs"][0]["passes"], Value::Null);
}
