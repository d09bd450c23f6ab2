//! From topic and bytes to readings, or to typed refusals.
//!
//! Pure: no clock, no network, no memory of earlier messages. One bad channel refuses the whole reading, since a
//! message that is wrong in one place is not to be believed in another; the other packs of a message of several
//! are readings of their own.

use std::collections::{BTreeMap, HashMap};

use serde_json::Value;

use super::{
    instant,
    limits::Limits,
    senml,
    topics::{Route, Topics},
    value,
};
use crate::{
    config::{Format, InstrumentName, Setup, Source},
    reading::{Channel, Channels, Decoded, Instrument, Reading, Reason, Refusal},
    unit,
};

/// How a message came.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Arrival {
    /// When, ms since 1970-01-01T00:00:00Z.
    pub at_ms: i64,
    /// Straight from the instrument, so that the arrival time is the reading's; not out of a broker's store.
    pub live: bool,
}

/// Turns messages into readings as one setup has it.
#[derive(Debug)]
pub struct Decoder {
    topics: Topics,
    sources: Vec<Source>,
    limits: Vec<Limits>,
    instruments: HashMap<String, Instrument>,
}

impl Decoder {
    /// Prepares what every message needs: all the topics there can be, and what each instrument can do.
    #[must_use]
    pub fn new(setup: &Setup) -> Self {
        Self {
            topics: Topics::new(setup),
            sources: setup.sources.clone(),
            limits: setup.instruments.iter().map(Limits::new).collect(),
            instruments: setup
                .all_instruments()
                .map(|instrument| (setup.entry(instrument).id.clone(), instrument))
                .collect(),
        }
    }

    /// Whether the messages of a topic bring a time of their own. What no source takes brings none.
    #[must_use]
    pub fn timed(&self, topic: &str) -> bool {
        let timed = |route: &Route| {
            let source = &self.sources[route.source];
            source.time.is_some() || source.format == Format::Senml
        };
        self.topics
            .routes(topic)
            .is_ok_and(|routes| routes.iter().all(timed))
    }

    /// Whether a message of a topic may be dated by its arrival. In `SenML` each record may have a time or none.
    #[must_use]
    pub fn dated_by_arrival(&self, topic: &str) -> bool {
        let by_arrival = |route: &Route| self.sources[route.source].time.is_none();
        self.topics
            .routes(topic)
            .is_ok_and(|routes| routes.iter().any(by_arrival))
    }

    /// The MQTT topic filters that bring the messages of every source.
    #[must_use]
    pub fn filters(&self) -> Vec<String> {
        self.topics.filters()
    }

    /// The topic pattern of the source that takes a topic, of several the last.
    #[must_use]
    pub fn taken_by(&self, topic: &str) -> Option<String> {
        let route = self.topics.routes(topic).ok()?.last()?;
        Some(self.sources[route.source].topic.written.clone())
    }

    /// Gives a value back, in its kept unit, where the instrument can have it.
    pub(crate) fn possible(
        &self,
        instrument: Instrument,
        channel: Channel,
        value: i64,
    ) -> Result<i64, Refusal> {
        self.limits[usize::from(instrument.0)].check(channel, value)
    }

    /// What a message says. Never empty: a message without a reading has at least one refusal.
    #[must_use]
    pub fn decode(&self, topic: &str, body: &[u8], arrival: Arrival) -> Decoded {
        let routes = match self.topics.routes(topic) {
            Ok(routes) => routes,
            Err(refusal) => return Decoded::refused(refusal),
        };
        // Which of several sources a message belongs to is told by the time it brings; where it can't be read, by
        // the time at which it came.
        let mut now = None;
        for route in routes {
            let taken = Taken {
                decoder: self,
                source: &self.sources[route.source],
                route: *route,
                arrival,
            };
            let decoded = taken.decoded(body);
            if !decoded.readings.is_empty() {
                return decoded;
            }
            if taken.source.holds_at(arrival.at_ms) && !decoded.refusals.is_empty() {
                now = Some(decoded);
            }
        }
        now.unwrap_or_else(|| {
            let topic = value::shortened(topic);
            let detail = format!("no source takes {topic} at the time that it tells");
            Decoded::refused(refusal(Reason::UnknownTopic, detail))
        })
    }
}

/// A message whose source is known.
struct Taken<'a> {
    decoder: &'a Decoder,
    source: &'a Source,
    route: Route,
    arrival: Arrival,
}

impl Taken<'_> {
    /// What it says of the time in which its source holds.
    fn decoded(&self, body: &[u8]) -> Decoded {
        let readings = match self.source.format {
            Format::Json => self.document(body),
            Format::Number => Ok(vec![self.plain_number(body)]),
            Format::Senml => self.pack(body),
        };
        let mut decoded = Decoded::default();
        for reading in readings.unwrap_or_else(|refusal| vec![Err(refusal)]) {
            match reading {
                Ok(reading) if self.source.holds_at(reading.at_ms) => decoded.readings.push(reading),
                Ok(_) => {}
                Err(refusal) => decoded.refusals.push(refusal),
            }
        }
        decoded
    }

    fn plain_number(&self, body: &[u8]) -> Result<Reading, Refusal> {
        if body.is_empty() {
            return Err(refusal(Reason::Empty, "the body has no bytes"));
        }
        let text = std::str::from_utf8(body)
            .map_err(|_| refusal(Reason::Malformed, "the body is not UTF-8 text"))?;
        let listed = self.source.channels.iter();
        let (channel, scale) = match self.route.channel {
            Some(channel) => {
                let scale = listed
                    .filter(|at| at.channel == channel)
                    .map(|at| at.scale)
                    .next();
                (channel, scale.unwrap_or(1.0))
            }
            None => listed
                .map(|at| (at.channel, at.scale))
                .next()
                .ok_or_else(|| refusal(Reason::UnknownChannel, "nothing says which channel the number is"))?,
        };
        let instrument = self.instrument(None, &Value::Null)?;
        let value = value::from_text(channel, text, scale)?;
        self.reading(instrument, [(channel, value)], self.arrived()?)
    }

    /// One result for each pack in the document.
    fn document(&self, body: &[u8]) -> Result<Vec<Result<Reading, Refusal>>, Refusal> {
        if body.is_empty() {
            return Err(refusal(Reason::Empty, "the body has no bytes"));
        }
        let document: Value = serde_json::from_slice(body)
            .map_err(|error| refusal(Reason::Malformed, format!("not JSON: {error}")))?;
        let Some(each) = &self.source.each else {
            return Ok(vec![self.entry(None, &document, &document)]);
        };
        let readings: Vec<_> = match found(&document, each) {
            Some(Value::Array(entries)) => entries
                .iter()
                .map(|entry| self.entry(None, entry, &document))
                .collect(),
            Some(Value::Object(entries)) => {
                let entry = |(key, entry): (&String, &Value)| self.entry(Some(key), entry, &document);
                entries.iter().map(entry).collect()
            }
            _ => {
                let detail = format!("no array or object at {each:?}");
                return Err(refusal(Reason::Malformed, detail));
            }
        };
        if readings.is_empty() {
            return Err(refusal(Reason::Empty, format!("no entries at {each:?}")));
        }
        Ok(readings)
    }

    /// One result for each instant of a `SenML` pack.
    fn pack(&self, body: &[u8]) -> Result<Vec<Result<Reading, Refusal>>, Refusal> {
        let instrument = self.instrument(None, &Value::Null)?;
        let mut instants: BTreeMap<i64, Result<Vec<(Channel, i64)>, Refusal>> = BTreeMap::new();
        for record in senml::resolve(body)? {
            let Some((channel, scale)) = self.named(&record.name) else {
                continue;
            };
            let at_ms = match record.time {
                senml::Time::Absolute(s) => instant::from_count(s),
                senml::Time::Relative(s) => Some(self.arrived()? + relative_ms(s)),
            };
            let at_ms = at_ms.ok_or_else(|| refusal(Reason::BadTime, "the time is no instant"))?;
            let values = instants.entry(at_ms).or_insert_with(|| Ok(Vec::new()));
            if let Ok(known) = values {
                match recorded(channel, scale, &record) {
                    Ok(value) => known.extend(value.map(|value| (channel, value))),
                    Err(refusal) => *values = Err(refusal),
                }
            }
        }
        if instants.is_empty() {
            return Err(refusal(Reason::Empty, "no record in it is called like a channel"));
        }
        let readings = instants.into_iter();
        Ok(readings
            .map(|(at_ms, values)| self.reading(instrument, values?, at_ms))
            .collect())
    }

    /// The channel of a record's name, and what its number is multiplied with.
    fn named(&self, name: &str) -> Option<(Channel, f64)> {
        let last = name.rsplit([':', '/', '.']).next().unwrap_or(name);
        if self.source.channels.is_empty() {
            return Channel::named(last).map(|channel| (channel, 1.0));
        }
        let listed = self.source.channels.iter();
        let mut called = listed.filter(|at| at.pointer == name || at.pointer == last);
        called.next().map(|at| (at.channel, at.scale))
    }

    fn entry(&self, key: Option<&String>, entry: &Value, document: &Value) -> Result<Reading, Refusal> {
        let instrument = self.instrument(key, entry)?;
        let mut values = Vec::new();
        for at in &self.source.channels {
            if self.route.channel.is_some_and(|channel| channel != at.channel) {
                continue;
            }
            if let Some(value) = found(entry, &at.pointer) {
                let value = value::from_json(at.channel, value, at.scale)?;
                values.extend(value.map(|value| (at.channel, value)));
            }
        }
        let at_ms = match &self.source.time {
            // A message of several packs may have one time for all of them.
            Some(time) => match found(entry, time).or_else(|| found(document, time)) {
                Some(value) => instant::from_value(value)?,
                None => return Err(refusal(Reason::BadTime, format!("no time at {time:?}"))),
            },
            None => self.arrived()?,
        };
        self.reading(instrument, values, at_ms)
    }

    fn instrument(&self, key: Option<&String>, entry: &Value) -> Result<Instrument, Refusal> {
        let name = match (&self.source.instrument, self.route.instrument, key) {
            (Some(InstrumentName::Pointer(pointer)), ..) => match found(entry, pointer) {
                Some(Value::String(name)) => name.clone(),
                // Boards that are numbered say so with a number.
                Some(Value::Number(number)) => number.to_string(),
                _ => {
                    return Err(refusal(
                        Reason::UnknownInstrument,
                        format!("no name at {pointer:?}"),
                    ));
                }
            },
            (_, Some(instrument), _) => return Ok(instrument),
            (Some(InstrumentName::Fixed(instrument)), ..) => return Ok(*instrument),
            (None, None, Some(key)) => key.clone(),
            (None, None, None) => {
                return Err(refusal(
                    Reason::UnknownInstrument,
                    "nothing says which instrument it is",
                ));
            }
        };
        self.decoder.instruments.get(&name).copied().ok_or_else(|| {
            let detail = format!("{} is no instrument of the setup", value::shortened(&name));
            refusal(Reason::UnknownInstrument, detail)
        })
    }

    fn reading(
        &self,
        instrument: Instrument,
        values: impl IntoIterator<Item = (Channel, i64)>,
        at_ms: i64,
    ) -> Result<Reading, Refusal> {
        let limits = &self.decoder.limits[usize::from(instrument.0)];
        let mut channels = Channels::default();
        for (channel, value) in values {
            // Only the current has a direction of its own; a counter that runs the other way has a scale below 0.
            let turned = channel == Channel::Current && self.source.charging_negative;
            let value = limits.check(channel, if turned { -value } else { value })?;
            channels.set(channel, Some(value));
        }
        if channels.is_empty() {
            return Err(refusal(Reason::Empty, "nothing in it is a channel of the source"));
        }
        Ok(Reading {
            instrument,
            at_ms: instant::plausible(at_ms, self.arrival.at_ms)?,
            channels,
        })
    }

    /// The arrival time, where it is the reading's.
    fn arrived(&self) -> Result<i64, Refusal> {
        if self.arrival.live {
            Ok(self.arrival.at_ms)
        } else {
            Err(refusal(
                Reason::Untimed,
                "it brings no time and came out of the broker's store",
            ))
        }
    }
}

/// What a pointer (RFC 6901) points at. `serde_json` itself copies every part of it to undo escapes, which hardly any
/// has.
fn found<'v>(value: &'v Value, pointer: &str) -> Option<&'v Value> {
    let parts = pointer.strip_prefix('/').filter(|parts| !parts.contains('~'));
    let Some(parts) = parts else {
        return value.pointer(pointer);
    };
    parts.split('/').try_fold(value, |value, part| match value {
        Value::Object(fields) => fields.get(part),
        other => other.pointer(&format!("/{part}")),
    })
}

/// The value of a channel that a record has, in its kept unit; its unit must be one of the channel's.
fn recorded(channel: Channel, scale: f64, record: &senml::Record) -> Result<Option<i64>, Refusal> {
    let unit = match &record.unit {
        None => 1.0,
        Some(unit) => unit::scale(channel, unit).ok_or_else(|| {
            let detail = format!("{}: {unit:?} is no unit of it", channel.name());
            refusal(Reason::Malformed, detail)
        })?,
    };
    match &record.value {
        None => Ok(None),
        Some(senml::Value::Number(number)) => value::from_json(channel, &Value::from(*number), scale * unit),
        Some(senml::Value::Text(text)) => value::from_text(channel, text, scale * unit).map(Some),
        Some(senml::Value::Switch(on)) => value::from_json(channel, &Value::Bool(*on), 1.0),
    }
}

/// Seconds from now in ms; below 2^28 s by what makes a time relative.
#[expect(
    clippy::cast_possible_truncation,
    reason = "bounded, and saturating where a sender is absurd"
)]
fn relative_ms(s: f64) -> i64 {
    (s * 1000.0).round().clamp(-1e15, 1e15) as i64
}

fn refusal(reason: Reason, detail: impl Into<String>) -> Refusal {
    Refusal {
        reason,
        detail: detail.into(),
    }
}
