//! The state of the logger: what is wrong now, and the figures behind it.

use chrono_tz::Tz;
use maud::{Markup, html};
use serde::Deserialize;
use serde_json::Value;

use super::{
    answers::At,
    words::{plain, seconds_or_more, time, visible},
};

/// Silence that is worth a sentence, s.
const SILENCE_S: i64 = 15 * 60;
/// Free space that is worth a sentence.
const LITTLE_DISK: u64 = 1_000_000_000;
/// Kinds of refusals that are listed.
const LISTED: usize = 5;

/// `/v1/health` and `/v1/quarantine`.
pub(super) struct Logger {
    health: Health,
    quarantine: Quarantine,
}

#[derive(Deserialize)]
struct Health {
    version: String,
    started: At,
    broker: Option<Broker>,
    store: Store,
    instruments: Vec<Reporter>,
}

#[derive(Deserialize)]
struct Broker {
    own: bool,
    connected: bool,
    subscribed: bool,
    last_error: Option<String>,
    refused_filters: Vec<String>,
    unacknowledged: Option<u64>,
}

#[derive(Deserialize)]
struct Store {
    readings: i64,
    waiting_for_commit: u64,
    commits_fail_since: Option<At>,
    refused_messages: u64,
    conflicting_messages: u64,
    database_bytes: Option<u64>,
    free_disk_bytes: Option<u64>,
}

#[derive(Deserialize)]
struct Reporter {
    instrument: String,
    last_reading: Option<At>,
    age_s: Option<i64>,
    clock_off_s: Option<f64>,
    clock_wrong: bool,
}

#[derive(Deserialize)]
struct Quarantine {
    messages: i64,
    counts: Vec<Count>,
}

#[derive(Deserialize)]
struct Count {
    day: Option<String>,
    topic: String,
    reason: String,
    messages: i64,
}

impl Logger {
    pub(super) fn read(health: Value, quarantine: Value) -> Result<Self, serde_json::Error> {
        Ok(Self {
            health: serde_json::from_value(health)?,
            quarantine: serde_json::from_value(quarantine)?,
        })
    }

    /// Leaves out the instruments that are not of this bank.
    pub(super) fn only(&mut self, here: impl Fn(&str) -> bool) {
        self.health.instruments.retain(|it| here(&it.instrument));
    }

    /// Who was ever heard, when last in ms since 1970, and how long ago in s.
    pub(super) fn last_readings(&self) -> impl Iterator<Item = (&str, i64, i64)> {
        let instruments = self.health.instruments.iter();
        instruments.filter_map(|it| Some((it.instrument.as_str(), it.last_reading?.ms, it.age_s?)))
    }

    /// What is wrong now, a sentence each.
    pub(super) fn wrong(&self, zone: Tz) -> Vec<Markup> {
        let mut wrong = Vec::new();
        if let Some(broker) = &self.health.broker {
            if !broker.connected {
                let because = broker
                    .last_error
                    .as_deref()
                    .map(|error| format!(": {}", visible(error)));
                wrong.push(html! { "The broker is not connected" (because.unwrap_or_default()) "." });
            } else if !broker.subscribed {
                let filters = broker.refused_filters.join(", ");
                wrong.push(html! { "The broker has not granted everything that was asked of it" @if !filters.is_empty() { ": " (visible(&filters)) } "." });
            }
        }
        if let Some(since) = self.health.store.commits_fail_since {
            wrong.push(
                html! { "Nothing can be committed since " (time(since.ms, zone)) "; what was taken waits." },
            );
        }
        if self
            .health
            .store
            .free_disk_bytes
            .is_some_and(|free| free < LITTLE_DISK)
        {
            wrong.push(html! { "Less than 1 GB is free where the readings are kept." });
        }
        let instruments = &self.health.instruments;
        let is_silent = |it: &&Reporter| it.age_s.is_none_or(|age_s| age_s > SILENCE_S);
        let silent: Vec<_> = instruments.iter().filter(is_silent).collect();
        if !silent.is_empty() && silent.len() == instruments.len() {
            let last = silent.iter().filter_map(|it| it.last_reading).max();
            wrong.push(match last {
                Some(last) => html! { "Nothing was heard of this bank since " (time(last.ms, zone)) "." },
                None => html! { "Nothing was ever heard of this bank." },
            });
        } else {
            wrong.extend(silent.into_iter().map(|it| match it.last_reading {
                Some(last) => {
                    html! { (visible(&it.instrument)) " is silent since " (time(last.ms, zone)) "." }
                }
                None => html! { (visible(&it.instrument)) " was never heard." },
            }));
        }
        wrong.extend(instruments.iter().filter(|it| it.clock_wrong).filter_map(|it| {
            let off_s = it.clock_off_s?;
            let direction = if off_s > 0.0 { "ahead" } else { "behind" };
            #[expect(clippy::cast_possible_truncation, reason = "a clock that is off, in s")]
            let by = seconds_or_more(off_s.abs() as i64);
            Some(html! { "The clock of " (visible(&it.instrument)) " is " (by) " " (direction) "; its readings are dated wrongly until it is set." })
        }));
        let store = &self.health.store;
        if store.refused_messages > 0 {
            wrong.push(html! { (store.refused_messages) " messages could not be taken as readings; " a href="#logger" { "see why" } "." });
        }
        if store.conflicting_messages > 0 {
            wrong.push(html! { (store.conflicting_messages) " messages contradict what was said of the same instant, and neither is believed; " a href="#logger" { "see whose" } "." });
        }
        wrong
    }

    /// The figures.
    pub(super) fn section(&self, zone: Tz) -> Markup {
        let store = &self.health.store;
        let broker = self.health.broker.as_ref().map(|broker| {
            let whose = if broker.own { "packdrift’s own" } else { "yours" };
            let state = if broker.connected { "connected" } else { "away" };
            let owed = broker.unacknowledged.filter(|owed| *owed > 0);
            let owed = owed.map_or(String::new(), |owed| format!(", {owed} messages to acknowledge"));
            format!("{whose}, {state}{owed}")
        });
        html! {
            section id="logger" {
                h2 { "State of the logger" }
                dl class="facts" {
                    dt { "Running since" } dd { (time(self.health.started.ms, zone)) ", version " (self.health.version) }
                    @if let Some(broker) = broker { dt { "Broker" } dd { (broker) } }
                    dt { "Readings kept" } dd { (store.readings) }
                    dt { "Waiting for commit" } dd { (store.waiting_for_commit) }
                    @if let Some(bytes) = store.database_bytes { dt { "Database" } dd { (megabytes(bytes)) } }
                    @if let Some(bytes) = store.free_disk_bytes { dt { "Free beside it" } dd { (megabytes(bytes)) } }
                    dt { "In quarantine" } dd { (self.quarantine.messages) " messages" }
                }
                @if !self.quarantine.counts.is_empty() {
                    ul {
                        @for count in self.quarantine.counts.iter().take(LISTED) {
                            li {
                                (count.messages) " on " (count.day.as_deref().unwrap_or("?")) ", "
                                (plain(&count.reason)) ": " bdi { code { (visible(&count.topic)) } }
                            }
                        }
                        @if self.quarantine.counts.len() > LISTED { li { a href="/v1/quarantine" { "all of it" } } }
                    }
                }
            }
        }
    }
}

#[expect(clippy::cast_precision_loss, reason = "shown in megabytes")]
fn megabytes(bytes: u64) -> String {
    format!("{:.0} MB", bytes as f64 / 1e6)
}
