//! Is every answer what the description of the API says that it is?

use axum::{
    body::{Body, to_bytes},
    http::{Request, header},
};
use packdrift::api;
use serde_json::{Value, json};
use tower::ServiceExt;

use crate::{past, tools::python};

/// Validates the description itself, then each answer against the schema of its operation and status.
const CHECK: &str = r#"
import json, sys
from jsonschema import Draft202012Validator
from openapi_spec_validator import OpenAPIV31SpecValidator
given = json.load(sys.stdin)
api = given["api"]
OpenAPIV31SpecValidator(api).validate()
for method, template, status, kind, body in given["answers"]:
    responses = api["paths"][template][method.lower()]["responses"]
    content = responses.get(str(status), responses["default"])["content"]
    schema = {"components": api["components"], **content[kind]["schema"]}
    errors = list(Draft202012Validator(schema).iter_errors(body))
    if errors:
        sys.exit(f"{method} {template} {status}: " + "; ".join(f"{e.json_path}: {e.message[:300]}" for e in errors[:3]))
print(sorted({(m, t) for m, t, *_ in given["answers"]} ^ {(m.upper(), t) for t, o in api["paths"].items() for m in o}))
"#;

/// So many of the questions below are answered, the rest refused.
const ANSWERED: usize = 25;

#[test]
fn every_operation_answers_as_described() {
    let (app, runtime, _folder) = past::app(5, |_| None);
    let router = api::app(app);
    let send = |method: &str, path: &str, body: &Value| {
        let request = Request::builder()
            .method(method)
            .uri(path)
            .header(header::CONTENT_TYPE, "application/json")
            .body(if body.is_null() {
                Body::empty()
            } else {
                Body::from(body.to_string())
            })
            .unwrap();
        runtime.block_on(async {
            let response = router.clone().oneshot(request).await.unwrap();
            let status = response.status().as_u16();
            let kind = response.headers()[header::CONTENT_TYPE]
                .to_str()
                .unwrap()
                .to_owned();
            let bytes = to_bytes(response.into_body(), usize::MAX).await.unwrap();
            (status, kind, serde_json::from_slice::<Value>(&bytes).unwrap())
        })
    };
    let (_, _, description) = send("GET", "/v1/openapi.json", &Value::Null);
    let note =
        json!({"at": "2025-11-03T09:00:00Z", "pack": "petrel", "kind": "recalibration", "text": "zero set"});
    let phase = json!({"kind": "rest", "begin": "2025-11-02T10:00:00Z", "end": "2025-11-02T11:00:00Z"});
    let mark =
        json!({"kind": "assert", "at": "2025-11-04T03:00:00Z", "voltage_v": 53.0, "tail_current_a": 3.0});
    let nothing = Value::Null;
    let mut answers = Vec::new();
    for (method, path, body) in [
        ("POST", "/v1/notes", &note),
        ("PUT", "/v1/notes/1", &note),
        ("GET", "/v1/notes?history=true", &nothing),
        ("POST", "/v1/phases", &phase),
        ("POST", "/v1/marks", &mark),
        ("GET", "/v1/marks?history=true", &nothing),
        ("GET", "/v1/drift", &nothing),
        ("GET", "/v1/drift?since=2025-11-02&pack=tern", &nothing),
        ("GET", "/v1/drift/series?step=PT6H", &nothing),
        ("GET", "/v1/balance", &nothing),
        ("GET", "/v1/causes", &nothing),
        ("GET", "/v1/setups", &nothing),
        ("GET", "/v1/compare", &nothing),
        ("GET", "/v1/forecast?threshold_points=5", &nothing),
        ("GET", "/v1/reference", &nothing),
        ("GET", "/v1/packs/tern/evidence", &nothing),
        ("GET", "/v1/anchors", &nothing),
        ("GET", "/v1/phases", &nothing),
        ("GET", "/v1/packs", &nothing),
        ("GET", "/v1/readings?instrument=tern&limit=50", &nothing),
        ("GET", "/v1/quarantine", &nothing),
        ("GET", "/v1/health", &nothing),
        ("DELETE", "/v1/notes/1", &nothing),
        ("DELETE", "/v1/phases/1", &nothing),
        ("DELETE", "/v1/marks/1", &nothing),
        // And what is refused.
        ("GET", "/v1/drift?since=yesterday", &nothing),
        ("GET", "/v1/readings?instrument=albatross", &nothing),
        ("GET", "/v1/readings", &nothing),
        ("GET", "/v1/setups/none", &nothing),
        ("DELETE", "/v1/notes/99", &nothing),
        ("DELETE", "/v1/notes/last", &nothing),
        ("POST", "/v1/phases", &note),
    ] {
        let (status, kind, document) = send(method, path, body);
        let bare = path.split('?').next().unwrap();
        let last = bare.rsplit('/').next().unwrap();
        let numbered = last == "last" || last.parse::<u32>().is_ok();
        let before = &bare[..bare.len() - last.len()];
        let template = match before {
            _ if numbered => format!("{before}{{id}}"),
            "/v1/setups/" => format!("{before}{{digest}}"),
            "/v1/packs/tern/" => "/v1/packs/{pack}/evidence".to_owned(),
            _ => bare.to_owned(),
        };
        answers.push(json!([method, template, status, kind, document]));
    }
    let statuses: Vec<_> = answers.iter().map(|answer| answer[2].as_u64().unwrap()).collect();
    assert!(
        statuses[..ANSWERED]
            .iter()
            .all(|status| (200..300).contains(status)),
        "{statuses:?}"
    );
    assert!(
        statuses[ANSWERED..]
            .iter()
            .all(|status| (400..500).contains(status)),
        "{statuses:?}"
    );
    let missed = python(
        CHECK,
        &json!({"api": description, "answers": answers}).to_string(),
    );
    assert_eq!(missed.trim(), "[]", "operations that no answer was checked of");
}
