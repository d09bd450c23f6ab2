//! `GET /metrics`: how packdrift is doing and how far packs have drifted, as OpenMetrics text.
//!
//! Every figure is that of health or of the answer; here it only gets a name with its unit. What is not known has no
//! sample, never a zero.

use std::sync::atomic::AtomicU64;

use axum::{
    Router,
    extract::State,
    http::header,
    response::{IntoResponse, Response},
    routing::get,
};
use prometheus_client::{
    encoding::{EncodeLabelSet, text::encode},
    metrics::{counter::Counter, family::Family, gauge::Gauge, info::Info},
    registry::{Registry, Unit},
};
use serde_json::Value;

use super::{drift, health, problem::Problem, state::App};
use crate::store::quarantine;

/// Of the text format in OpenMetrics 1.0.
const KIND: &str = "application/openmetrics-text; version=1.0.0; charset=utf-8";

pub(super) fn router() -> Router<App> {
    Router::new().route("/metrics", get(metrics))
}

#[derive(Debug, Clone, PartialEq, Eq, Hash, EncodeLabelSet)]
struct OfPack {
    bank: String,
    pack: String,
}

#[derive(Debug, Clone, PartialEq, Eq, Hash, EncodeLabelSet)]
struct OfInstrument {
    instrument: String,
}

#[derive(Debug, Clone, PartialEq, Eq, Hash, EncodeLabelSet)]
struct OfReason {
    reason: String,
}

type Figures<L> = Family<L, Gauge<f64, AtomicU64>>;

async fn metrics(State(app): State<App>) -> Result<Response, Problem> {
    let answers = app
        .ask(|connection, setup| {
            let answers = setup
                .banks
                .iter()
                .map(|bank| drift::document(connection, setup, bank));
            answers.collect::<Result<Vec<_>, _>>()
        })
        .await
        // What is wrong must be seen most of all where nothing can be answered.
        .unwrap_or_default();
    // After the question, which brings up to date when whom was heard last.
    let health = health::look(&app).await?;
    let health = serde_json::to_value(health).map_err(|_| Problem::internal())?;
    let refused = app
        .read(|connection, _| Ok(quarantine::by_reason(connection)?))
        .await?;
    let mut registry = Registry::with_prefix("packdrift");
    of_health(&mut registry, &health);
    let counts = Family::<OfReason, Counter>::default();
    for (reason, messages) in refused {
        counts
            .get_or_create(&OfReason { reason })
            .inc_by(messages.unsigned_abs());
    }
    registry.register("refused_messages", "Messages in quarantine by reason", counts);
    of_answers(&mut registry, &answers);
    let mut text = String::new();
    encode(&mut text, &registry).map_err(|_| Problem::internal())?;
    Ok(([(header::CONTENT_TYPE, KIND)], text).into_response())
}

fn of_health(registry: &mut Registry, health: &Value) {
    let version = health["version"].as_str().unwrap_or_default().to_owned();
    registry.register(
        "build",
        "The program that answers",
        Info::new(vec![("version", version)]),
    );
    let mut gauge = |name: &str, help: &str, unit: Option<Unit>, value: Option<f64>| {
        if let Some(value) = value {
            let gauge = Gauge::<f64, AtomicU64>::default();
            gauge.set(value);
            match unit {
                Some(unit) => registry.register_with_unit(name, help, unit, gauge),
                None => registry.register(name, help, gauge),
            }
        }
    };
    let yes = |value: &Value| value.as_bool().map(|yes| f64::from(u8::from(yes)));
    let (broker, store) = (&health["broker"], &health["store"]);
    gauge(
        "healthy",
        "Whether readings can come in and be kept",
        None,
        yes(&health["ok"]),
    );
    gauge(
        "broker_connected",
        "Whether the broker is reached",
        None,
        yes(&broker["connected"]),
    );
    gauge(
        "broker_subscribed",
        "Whether nothing published from now on is missed",
        None,
        yes(&broker["subscribed"]),
    );
    gauge(
        "unacknowledged_messages",
        "Messages taken and not yet acknowledged to the broker",
        None,
        broker["unacknowledged"].as_f64(),
    );
    gauge(
        "readings",
        "Readings in the store",
        None,
        store["readings"].as_f64(),
    );
    gauge(
        "waiting_messages",
        "Messages that wait for their commit",
        None,
        store["waiting_for_commit"].as_f64(),
    );
    let failing = f64::from(u8::from(!store["commits_fail_since"].is_null()));
    gauge("commits_failing", "Whether commits fail", None, Some(failing));
    gauge(
        "database",
        "Size of the database",
        Some(Unit::Bytes),
        store["database_bytes"].as_f64(),
    );
    gauge(
        "free_disk",
        "Room left beside it",
        Some(Unit::Bytes),
        store["free_disk_bytes"].as_f64(),
    );
    if let Some(taken) = broker["messages_taken"].as_u64() {
        let counter = Counter::<u64>::default();
        counter.inc_by(taken);
        registry.register(
            "taken_messages",
            "Messages taken from the broker since the start",
            counter,
        );
    }
    for (name, help, field) in [
        ("last_reading_age", "Since an instrument was last heard", "age_s"),
        (
            "clock_offset",
            "An instrument's clock less that of this machine",
            "clock_off_s",
        ),
    ] {
        let figures = Figures::<OfInstrument>::default();
        for entry in list(&health["instruments"]) {
            if let (Some(instrument), Some(figure)) = (entry["instrument"].as_str(), entry[field].as_f64()) {
                let labels = OfInstrument {
                    instrument: instrument.to_owned(),
                };
                figures.get_or_create(&labels).set(figure);
            }
        }
        registry.register_with_unit(name, help, Unit::Seconds, figures);
    }
}

/// A figure of each pack: name, help, unit, where it stands in the pack's entry.
const OF_PACK: [(&str, &str, &str, &str); 7] = [
    (
        "charge_error",
        "Counted charge less change of stored charge, from the first reading",
        "ampere_hours",
        "/charge_error/ah",
    ),
    (
        "charge_error_expanded_uncertainty",
        "Expanded uncertainty of the charge error, k = 2",
        "ampere_hours",
        "/charge_error/expanded_uncertainty_ah",
    ),
    (
        "drift_rate",
        "How fast the charge error grows",
        "ampere_hours_per_day",
        "/rate/ah_per_day",
    ),
    (
        "drift_rate_expanded_uncertainty",
        "Expanded uncertainty of that rate, k = 2",
        "ampere_hours_per_day",
        "/rate/expanded_uncertainty_ah_per_day",
    ),
    (
        "display_error",
        "Displayed less actual state of charge",
        "points",
        "/display/error_points",
    ),
    (
        "actual_state_of_charge",
        "State of charge by the reference and the full charges",
        "percent",
        "/display/actual_percent",
    ),
    (
        "coverage",
        "Part of the time that was heard",
        "ratios",
        "/coverage/fraction",
    ),
];

fn of_answers(registry: &mut Registry, answers: &[Value]) {
    for (name, help, unit, pointer) in OF_PACK {
        let figures = Figures::<OfPack>::default();
        for answer in answers {
            for pack in list(&answer["packs"]) {
                let labels = OfPack {
                    bank: answer["bank"].as_str().unwrap_or_default().to_owned(),
                    pack: pack["pack"].as_str().unwrap_or_default().to_owned(),
                };
                if let Some(figure) = pack.pointer(pointer).and_then(Value::as_f64) {
                    figures.get_or_create(&labels).set(figure);
                }
            }
        }
        registry.register_with_unit(name, help, Unit::Other(unit.to_owned()), figures);
    }
}

fn list(value: &Value) -> &[Value] {
    value.as_array().map_or(&[], Vec::as_slice)
}
