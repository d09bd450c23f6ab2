//! `[[source]]`: which topics, what their bodies are, and where in them a reading stands.

use std::time::Duration;

use crate::reading::{Channel, Instrument};

/// `[[source]]`: how the messages of some topics become readings.
#[derive(Debug, Clone)]
pub struct Source {
    /// Which topics, and what stands in them.
    pub topic: TopicPattern,
    /// What the bodies are.
    pub format: Format,
    /// Who a message is of, where the topic doesn't say.
    pub instrument: Option<InstrumentName>,
    /// Pointer to the time; `None`: arrival time.
    pub time: Option<String>,
    /// Pointer to an array or object with one entry an instrument.
    pub each: Option<String>,
    /// True where the instrument reports charging as a negative current.
    pub charging_negative: bool,
    /// Where the channels are. For [`Format::Number`] with `{channel}` in the topic: only scales, pointers empty. For
    /// [`Format::Senml`] names of records in place of pointers, or nothing where records are called like channels.
    pub channels: Vec<ChannelAt>,
    /// How values are reported.
    pub on_change: Option<Duration>,
    /// From when on messages are like this, ms since 1970; `None`: from the beginning.
    pub from_ms: Option<i64>,
    /// Up to when, not included.
    pub until_ms: Option<i64>,
}

impl Source {
    /// Whether messages are like this at an instant.
    #[must_use]
    pub fn holds_at(&self, at_ms: i64) -> bool {
        self.from_ms.is_none_or(|from_ms| at_ms >= from_ms)
            && self.until_ms.is_none_or(|until_ms| at_ms < until_ms)
    }

    /// Whether messages are an instrument's; `None` where only the message tells.
    pub(in crate::config) fn is_of(&self, instrument: Instrument) -> Option<bool> {
        match &self.instrument {
            Some(InstrumentName::Fixed(fixed)) => Some(*fixed == instrument),
            Some(InstrumentName::Pointer(_)) | None => None,
        }
    }

    /// Whether messages can bring a current.
    pub(in crate::config) fn brings_current(&self) -> bool {
        // SenML that lists no channels brings whatever its records are called.
        let unlisted = self.format == Format::Senml && self.channels.is_empty();
        unlisted
            || self.topic.names_channel()
            || self.channels.iter().any(|at| at.channel == Channel::Current)
    }

    /// Whether there is an instant at which both hold.
    pub(in crate::config) fn overlaps(&self, other: &Self) -> bool {
        let ends_before = |one: &Self, other: &Self| {
            one.until_ms
                .zip(other.from_ms)
                .is_some_and(|(until_ms, from_ms)| until_ms <= from_ms)
        };
        !ends_before(self, other) && !ends_before(other, self)
    }
}

/// What a body is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Format {
    /// One JSON document.
    Json,
    /// One plain number.
    Number,
    /// A `SenML` pack (RFC 8428), JSON or CBOR.
    Senml,
}

/// How a source names its instrument outside the topic.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum InstrumentName {
    /// Always this one.
    Fixed(Instrument),
    /// An RFC 6901 pointer inside each entry.
    Pointer(String),
}

/// Where a channel's value stands in a JSON body.
#[derive(Debug, Clone, PartialEq)]
pub struct ChannelAt {
    /// Which channel.
    pub channel: Channel,
    /// RFC 6901 pointer.
    pub pointer: String,
    /// What the number there is multiplied with to give A, V, %, Ah or °C.
    pub scale: f64,
}

/// A topic with `{instrument}` and `{channel}` in it, e.g. `skerry/{instrument}_{channel}`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct TopicPattern {
    /// As written.
    pub written: String,
    /// Level by level.
    pub levels: Vec<Vec<Part>>,
}

/// A piece of a topic level.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Part {
    /// This text.
    Text(String),
    /// Any text: the instrument's name.
    Instrument,
    /// Any text: the channel's name.
    Channel,
}
