//! Gives answers back to the broker (`[publish]`): retained, a document a pack, for whoever shows or acts on the
//! corrected state of charge and knows nothing of packdrift.
//!
//! A connection of its own, beside the one that takes readings: what is given never holds up what is taken. The
//! figures are those of the API.

use std::{
    collections::HashMap,
    future::Future,
    pin::pin,
    time::{Duration, Instant},
};

use axum::{Router, http::Method};
use rumqttc::v5::{
    AsyncClient, Event, EventLoop, Incoming, MqttOptions,
    mqttbytes::{QoS, v5::LastWill},
};
use serde_json::{Value, json};
use tokio::time::MissedTickBehavior;

use crate::{
    api,
    config::{Mqtt, Publish},
    intake::mqtt::{Backoff, poll},
};

/// How often answers are looked at, and so how often one is published at most.
const EVERY: Duration = Duration::from_secs(60);

/// Documents under way at once.
const UNDER_WAY: u16 = 100;

/// The name of the schema, for those who keep several.
const SCHEMA_ID: &str = "urn:packdrift:schema:pack:1";

/// What is published of a pack's entry: name, where it stands there, what it is.
const FIGURES: [(&str, &str, &str); 9] = [
    (
        "charge_error_ah",
        "/charge_error/ah",
        "Counted charge less change of stored charge, Ah; positive: the board counted too much",
    ),
    (
        "charge_error_expanded_uncertainty_ah",
        "/charge_error/expanded_uncertainty_ah",
        "Its expanded uncertainty, k = 2, Ah",
    ),
    (
        "drift_rate_ah_per_day",
        "/rate/ah_per_day",
        "How fast the charge error grows, Ah a day",
    ),
    (
        "drift_rate_expanded_uncertainty_ah_per_day",
        "/rate/expanded_uncertainty_ah_per_day",
        "Its expanded uncertainty, k = 2, Ah a day",
    ),
    (
        "displayed_percent",
        "/display/soc_percent",
        "State of charge that the pack displays, %",
    ),
    (
        "actual_percent",
        "/display/actual_percent",
        "State of charge by the reference and the full charges, %",
    ),
    (
        "display_error_points",
        "/display/error_points",
        "Displayed less actual, percentage points",
    ),
    (
        "display_error_expanded_uncertainty_points",
        "/display/expanded_uncertainty_points",
        "Its expanded uncertainty, k = 2, percentage points",
    ),
    (
        "coverage",
        "/coverage/fraction",
        "Part of the time that was heard, 0 to 1",
    ),
];

/// Publishes until `stop`, then says that it is gone. `questions` is the API's router within the program.
///
/// Failures of the connection are retried for ever; each first one stands in the log.
pub async fn run(
    mqtt: Mqtt,
    publish: Publish,
    banks: Vec<String>,
    questions: Router,
    stop: impl Future<Output = ()>,
) {
    let status = format!("{}/status", publish.prefix);
    let mut options = MqttOptions::new(format!("{}-publish", mqtt.client_id), &mqtt.host, mqtt.port);
    options
        .set_clean_start(true)
        .set_keep_alive(Duration::from_secs(30))
        // The client keeps room for as many as may be under way: megabytes, where nothing is said.
        .set_outgoing_inflight_upper_limit(UNDER_WAY)
        .set_last_will(LastWill::new(&status, "offline", QoS::AtLeastOnce, true, None));
    let (client, events) = AsyncClient::new(options, 10_000);
    let prefix = publish.prefix;
    let mut publisher = Publisher {
        client,
        published: HashMap::new(),
    };
    let mut every = tokio::time::interval(EVERY);
    every.set_missed_tick_behavior(MissedTickBehavior::Delay);
    let mut connected = false;
    // Beside the connection, which has to show signs of life however long an answer takes.
    let mut asking = None;
    let mut backoff = Backoff::new();
    let mut told = false;
    let mut polling = Box::pin(poll(Box::new(events), &mqtt, Some(Duration::ZERO)));
    let mut stop = pin!(stop);
    loop {
        tokio::select! {
            (events, outcome) = &mut polling => {
                let mut wait = None;
                match outcome {
                    Ok(Event::Incoming(Incoming::ConnAck(_))) => {
                        (connected, told) = (true, false);
                        backoff.connected(Instant::now());
                        // The broker may have lost what it kept.
                        publisher.published.clear();
                        publisher.send(&status, "online");
                        publisher.send(&format!("{prefix}/schema"), &schema().to_string());
                        every.reset_immediately();
                    }
                    Ok(_) => {}
                    Err(failure) => {
                        connected = false;
                        if !std::mem::replace(&mut told, true) {
                            tracing::warn!("answers can't be published: {}", failure.told());
                        }
                        wait = Some(backoff.failed(Instant::now()));
                    }
                }
                polling.set(poll(events, &mqtt, wait));
            }
            _ = every.tick(), if connected && asking.is_none() => {
                asking = Some(Box::pin(answers(&questions, &banks)));
            }
            documents = outcome_of(&mut asking) => {
                asking = None;
                for (place, document) in documents {
                    publisher.send(&format!("{prefix}/{place}"), &document.to_string());
                }
            }
            () = &mut stop => break,
        }
    }
    publisher.send(&status, "offline");
    // A disconnect in order keeps the last will back, so that it is said above.
    let _ = publisher.client.try_disconnect();
    drop(publisher);
    let _ = tokio::time::timeout(Duration::from_secs(1), flushed(polling, &mqtt)).await;
}

/// Polls until the connection is closed.
async fn flushed(
    polling: std::pin::Pin<
        Box<impl Future<Output = (Box<EventLoop>, Result<Event, crate::intake::mqtt::Failure>)>>,
    >,
    mqtt: &Mqtt,
) {
    let (mut events, mut outcome) = polling.await;
    while outcome.is_ok() {
        (events, outcome) = poll(events, mqtt, None).await;
    }
}

/// What comes of a future; never ready where there is none.
async fn outcome_of<F: Future + Unpin>(future: &mut Option<F>) -> F::Output {
    match future {
        Some(future) => future.await,
        None => std::future::pending().await,
    }
}

/// Every pack's document, with its place behind the prefix.
async fn answers(questions: &Router, banks: &[String]) -> Vec<(String, Value)> {
    let mut documents = Vec::new();
    for bank in banks {
        let path = format!("/v1/drift{}", api::query_string(&[("bank", Some(bank))]));
        let answer = match api::call(questions, &Method::GET, &path, None).await {
            Ok((status, answer)) if status.is_success() => answer,
            Ok((status, _)) => {
                tracing::warn!(%status, bank, "no answer to publish");
                continue;
            }
            Err(error) => {
                tracing::warn!(
                    error = &error as &dyn std::error::Error,
                    bank,
                    "no answer to publish"
                );
                continue;
            }
        };
        for pack in answer["packs"].as_array().into_iter().flatten() {
            let name = pack["pack"].as_str().unwrap_or_default();
            documents.push((format!("{bank}/{name}"), document(&answer, pack)));
        }
    }
    documents
}

struct Publisher {
    client: AsyncClient,
    /// What the broker has, topic by topic.
    published: HashMap<String, String>,
}

impl Publisher {
    /// Publishes what is another document than the broker has.
    fn send(&mut self, topic: &str, body: &str) {
        if self.published.get(topic).is_some_and(|known| known == body) {
            return;
        }
        // What doesn't fit the queue is published with the next look.
        if self
            .client
            .try_publish(topic, QoS::AtLeastOnce, true, body.to_owned())
            .is_ok()
        {
            self.published.insert(topic.to_owned(), body.to_owned());
        }
    }
}

/// What is published of a pack.
fn document(answer: &Value, pack: &Value) -> Value {
    let mut document = json!({
        "$schema": SCHEMA_ID,
        "bank": answer["bank"],
        "pack": pack["pack"],
        "until": answer["until"],
        "basis": pack["charge_error"]["basis"],
        "significant": pack["charge_error"]["significant"],
    });
    for (name, pointer, _) in FIGURES {
        document[name] = pack.pointer(pointer).cloned().unwrap_or(Value::Null);
    }
    document
}

/// The JSON Schema of those documents, published beside them.
fn schema() -> Value {
    let mut properties = json!({
        "$schema": {"const": SCHEMA_ID},
        "bank": {"type": "string"},
        "pack": {"type": "string"},
        "until": {"type": ["string", "null"], "format": "date-time", "description": "The last reading that counts"},
        "basis": {"enum": ["closed", "provisional", "insufficient"]},
        "significant": {"type": ["boolean", "null"], "description": "Whether the charge error is larger than its uncertainty"},
    });
    for (name, _, description) in FIGURES {
        properties[name] = json!({"type": ["number", "null"], "description": description});
    }
    let required: Vec<_> = properties
        .as_object()
        .into_iter()
        .flatten()
        .map(|(name, _)| name.clone())
        .collect();
    json!({
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$id": SCHEMA_ID,
        "title": "What packdrift says of a pack",
        "description": "A figure that can't be given is null. packdrift is a logger, not a protective device.",
        "type": "object",
        "properties": properties,
        "required": required,
    })
}
