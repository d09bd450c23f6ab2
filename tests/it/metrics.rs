//! Does the reference parser of OpenMetrics read what is served, and do the figures agree with the answer?

use axum::{
    body::{Body, to_bytes},
    http::Request,
};
use packdrift::api;
use serde_json::Value;
use tower::ServiceExt;

use crate::{past, tools::python};

/// Parses with the reference parser and gives every sample as [name, labels, value].
const PARSE: &str = "
import json, sys
from prometheus_client.openmetrics.parser import text_string_to_metric_families as parse
families = list(parse(sys.stdin.read()))
print(json.dumps([[s.name, s.labels, s.value, f.type, f.unit] for f in families for s in f.samples]))
";

fn served(days: u32) -> (String, Value, Value) {
    let (app, runtime, _folder) = past::app(days, |_| None);
    let router = api::app(app);
    runtime.block_on(async {
        let ask = |path: &str| {
            router
                .clone()
                .oneshot(Request::get(path).body(Body::empty()).unwrap())
        };
        let response = ask("/metrics").await.unwrap();
        assert_eq!(
            response.headers()["content-type"],
            "application/openmetrics-text; version=1.0.0; charset=utf-8"
        );
        let text = to_bytes(response.into_body(), usize::MAX).await.unwrap();
        let health = ask("/v1/health").await.unwrap();
        let health = to_bytes(health.into_body(), usize::MAX).await.unwrap();
        let drift = ask("/v1/drift").await.unwrap();
        let drift = to_bytes(drift.into_body(), usize::MAX).await.unwrap();
        (
            String::from_utf8(text.to_vec()).unwrap(),
            serde_json::from_slice(&drift).unwrap(),
            serde_json::from_slice(&health).unwrap(),
        )
    })
}

fn samples(text: &str) -> Vec<Value> {
    let parsed: Value = serde_json::from_str(&python(PARSE, text)).unwrap();
    parsed.as_array().unwrap().clone()
}

#[test]
fn the_reference_parser_reads_the_figures_of_the_answer() {
    let (text, drift, health) = served(4);
    let samples = samples(&text);
    let of = |name: &str, pack: &str| {
        let found = samples
            .iter()
            .find(|sample| sample[0] == name && sample[1]["pack"] == pack);
        found.unwrap_or_else(|| panic!("no {name} of {pack} in {text}"))[2].as_f64()
    };
    for pack in drift["packs"].as_array().unwrap() {
        let name = pack["pack"].as_str().unwrap();
        assert_eq!(
            of("packdrift_charge_error_ampere_hours", name),
            pack["charge_error"]["ah"].as_f64()
        );
        assert_eq!(
            of("packdrift_coverage_ratios", name),
            pack["coverage"]["fraction"].as_f64()
        );
    }
    let plain = |name: &str| {
        samples
            .iter()
            .find(|sample| sample[0] == name)
            .map(|sample| &sample[2])
    };
    assert_eq!(plain("packdrift_healthy"), Some(&1.0.into()));
    assert!(plain("packdrift_readings").is_some() && plain("packdrift_build_info").is_some());
    let ages = samples
        .iter()
        .filter(|sample| sample[0] == "packdrift_last_reading_age_seconds");
    // Of whom nothing was heard for long, nothing is said.
    let heard = health["instruments"].as_array().unwrap().iter();
    assert_eq!(
        ages.count(),
        heard.filter(|entry| !entry["age_s"].is_null()).count()
    );
}

#[test]
fn what_is_not_known_has_no_sample() {
    let (text, _, _) = served(0);
    let samples = samples(&text);
    assert!(
        samples
            .iter()
            .all(|sample| sample[0] != "packdrift_charge_error_ampere_hours"),
        "{text}"
    );
    assert!(samples.iter().any(|sample| sample[0] == "packdrift_healthy"));
}

#[test]
fn where_no_answer_can_be_given_what_is_wrong_is_told_all_the_same() {
    let (app, runtime, folder) = past::app(2, |_| None);
    // Another program holds the store, so that no hour can be counted.
    let other = rusqlite::Connection::open(folder.path().join("packdrift.sqlite")).unwrap();
    other.execute_batch("BEGIN IMMEDIATE").unwrap();
    let text = runtime.block_on(async {
        let ask = |path: &str| {
            let request = Request::get(path).body(Body::empty()).unwrap();
            api::app(app.clone()).oneshot(request)
        };
        assert_eq!(ask("/v1/drift").await.unwrap().status(), 503);
        let response = ask("/metrics").await.unwrap();
        assert_eq!(response.status(), 200);
        let text = to_bytes(response.into_body(), usize::MAX).await.unwrap();
        String::from_utf8(text.to_vec()).unwrap()
    });
    assert!(
        text.contains("packdrift_healthy") && text.contains("packdrift_commits_failing"),
        "{text}"
    );
    assert!(!text.contains("packdrift_charge_error_ampere_hours{"), "{text}");
}

#[test]
fn the_parser_reads_the_examples_of_the_specification() {
    let example = include_str!("../published/openmetrics_spec_example.txt");
    assert!(samples(example).len() >= 7);
}
