//! What is so now: what is wrong, and the last reading of each instrument. Also as Server-Sent Events, so that a
//! page left open follows.
//!
//! Each event stream says how things are and ends; the browser asks again after a while (HTML standard,
//! Server-sent events, `retry`). So no stream holds the daemon up when it stops.

use axum::{
    extract::{Query, State},
    http::{HeaderValue, Method, header},
    response::{IntoResponse, Response},
};
use chrono_tz::Tz;
use maud::{Markup, html};
use serde::Deserialize;

use super::{
    Page,
    asked::{Refused, ask},
    logger::Logger,
    words::{seconds_or_more, visible},
};
use crate::{api::query_string, config::Bank};

/// How long the browser waits before it asks again, ms.
const RETRY_MS: u32 = 10_000;

/// The last reading of each instrument of a bank, and the state of the logger.
pub(super) struct Now {
    /// The state of the logger.
    pub logger: Logger,
    latest: Vec<Latest>,
    zone: Tz,
}

struct Latest {
    instrument: String,
    age_s: i64,
    reading: Reading,
}

#[derive(Deserialize)]
struct Readings {
    readings: Vec<Reading>,
}

#[derive(Deserialize)]
struct Reading {
    current_a: Option<f64>,
    voltage_v: Option<f64>,
    soc_percent: Option<f64>,
}

/// Which bank.
#[derive(Deserialize)]
pub(super) struct Wanted {
    bank: Option<String>,
}

/// How things are, as an event. What can't be said is an event too: a browser gives up a stream that is refused.
pub(super) async fn events(State(page): State<Page>, Query(wanted): Query<Wanted>) -> Response {
    let now = match page.bank(wanted.bank.as_deref()) {
        Ok(bank) => page.now(bank).await,
        Err(refused) => Err(refused),
    };
    event(&now.map_or_else(|refused| untold(&refused), |now| now.shown()))
}

/// That whoever follows is signed in no longer, as an event.
pub(super) fn signed_out() -> Response {
    event(&html! {
        (head())
        p class="wrong" { "You are signed in no longer. " a href="/sign-in" { "Sign in" } " to see how things are." }
    })
}

fn event(fragment: &Markup) -> Response {
    let mut event = format!("retry: {RETRY_MS}\n");
    for line in fragment.0.lines() {
        event.push_str("data: ");
        event.push_str(line);
        event.push('\n');
    }
    event.push('\n');
    let kind = HeaderValue::from_static("text/event-stream");
    (
        [
            (header::CONTENT_TYPE, kind),
            (header::CACHE_CONTROL, HeaderValue::from_static("no-store")),
        ],
        event,
    )
        .into_response()
}

fn head() -> Markup {
    html! { h2 { "What is wrong now" } }
}

/// The section's body where nothing is known.
fn untold(refused: &Refused) -> Markup {
    html! {
        (head())
        p class="wrong" { "How things are is not known. " (visible(&refused.title)) ": " (visible(&refused.detail)) "." }
    }
}

impl Page {
    /// How things are with a bank.
    pub(super) async fn now(&self, bank: &Bank) -> Result<Now, Refused> {
        let mut logger = self.logger().await?;
        let setup = self.app.setup();
        logger.only(|name| {
            let entry = setup.instruments.iter().find(|entry| entry.id == name);
            entry.is_some_and(|entry| setup.banks[entry.bank].id == bank.id)
        });
        let mut latest = Vec::new();
        for (instrument, last, age_s) in logger.last_readings() {
            let query = query_string(&[
                ("instrument", Some(instrument)),
                ("since", Some(&super::words::rfc3339(last))),
                ("limit", Some("1")),
            ]);
            let document = ask(
                &self.questions,
                Method::GET,
                &format!("/v1/readings{query}"),
                None,
            )
            .await?;
            let read: Result<Readings, _> = serde_json::from_value(document);
            let read = read.map_err(|error| Refused::unreadable(&error))?;
            latest.extend(read.readings.into_iter().next().map(|reading| Latest {
                instrument: instrument.to_owned(),
                age_s,
                reading,
            }));
        }
        Ok(Now {
            logger,
            latest,
            zone: bank.time_zone,
        })
    }
}

impl Now {
    /// The section's body.
    pub(super) fn shown(&self) -> Markup {
        let wrong = self.logger.wrong(self.zone);
        let figure = |value: Option<f64>, digits: usize| {
            value.map_or("–".to_owned(), |value| {
                format!("{value:.digits$}").replace('-', "−")
            })
        };
        html! {
            (head())
            @if wrong.is_empty() { p { "Nothing: every instrument of this bank is heard, and what is heard is kept." } }
            @else { ul class="wrong" { @for sentence in wrong { li { (sentence) } } } }
            @if !self.latest.is_empty() {
                table class="latest" {
                    caption { "Last readings" }
                    thead { tr { @for head in ["of", "current, A", "voltage, V", "displays, %", "age"] { th scope="col" { (head) } } } }
                    tbody { @for latest in &self.latest {
                        tr {
                            th scope="row" { (visible(&latest.instrument)) }
                            td { (figure(latest.reading.current_a, 2)) }
                            td { (figure(latest.reading.voltage_v, 2)) }
                            td { (figure(latest.reading.soc_percent, 1)) }
                            td { (seconds_or_more(latest.age_s.max(0))) }
                        }
                    } }
                }
            }
        }
    }
}
