//! The one thing that flows through packdrift: what an instrument said at one instant.
//!
//! Every quantity is an integer of a small unit, so that what arrives twice is equal, sums are exact, and
//! nothing depends on the order of arrival. How text becomes a reading is `intake`'s; where it is kept is `store`'s.

use chrono::{DateTime, SecondsFormat};

/// An hour, ms: what is derived from readings is kept by the hour since 1970.
pub const HOUR_MS: i64 = 3_600_000;
/// A day, ms.
pub const DAY_MS: i64 = 24 * HOUR_MS;

/// An instant, ms since 1970, for a person: RFC 3339 in UTC, to the millisecond where there is one.
#[must_use]
pub fn rfc3339(at_ms: i64) -> String {
    DateTime::from_timestamp_millis(at_ms).map_or_else(
        || format!("{at_ms} ms since 1970"),
        |instant| instant.to_rfc3339_opts(SecondsFormat::AutoSi, true),
    )
}

/// So many instruments fit into a store: the key of its readings has 12 bits for them, and none is numbered 0.
pub const MOST_INSTRUMENTS: u16 = 4095;

/// An instrument of the setup, by its position in [`Setup::instruments`](crate::config::Setup::instruments).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Instrument(pub u16);

/// One reported quantity.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Channel {
    /// Current in A, kept in mA; charging is positive.
    Current,
    /// Terminal voltage in V, kept in mV.
    Voltage,
    /// Displayed state of charge in %, kept in tenths of a percent.
    Soc,
    /// The instrument's own charge counter in Ah, kept in mAh.
    Charge,
    /// Temperature in °C, kept in tenths of a degree.
    Temperature,
    /// Lowest cell voltage in V, kept in mV.
    CellMin,
    /// Highest cell voltage in V, kept in mV.
    CellMax,
    /// Whether the board's switch connects the pack to the busbar, 0 or 1.
    Connected,
    /// Whether the instrument is there at all, 0 or 1: its birth and its last will.
    Alive,
}

impl Channel {
    /// Every channel, in the order of [`Channels`].
    pub const ALL: [Self; 9] = [
        Self::Current,
        Self::Voltage,
        Self::Soc,
        Self::Charge,
        Self::Temperature,
        Self::CellMin,
        Self::CellMax,
        Self::Connected,
        Self::Alive,
    ];

    /// The name a setup file and a topic use.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Current => "current",
            Self::Voltage => "voltage",
            Self::Soc => "soc",
            Self::Charge => "charge",
            Self::Temperature => "temperature",
            Self::CellMin => "cell_min",
            Self::CellMax => "cell_max",
            Self::Connected => "connected",
            Self::Alive => "alive",
        }
    }

    /// The channel of that name.
    #[must_use]
    pub fn named(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|channel| channel.name() == name)
    }

    /// Whether its values are 0 and 1 only.
    #[must_use]
    pub fn is_switch(self) -> bool {
        matches!(self, Self::Connected | Self::Alive)
    }

    /// How many kept units make one of the unit people report in (A, V, %, Ah, °C).
    #[must_use]
    pub fn kept_per_unit(self) -> f64 {
        match self {
            Self::Current | Self::Voltage | Self::Charge | Self::CellMin | Self::CellMax => 1000.0,
            Self::Soc | Self::Temperature => 10.0,
            Self::Connected | Self::Alive => 1.0,
        }
    }

    /// A kept value in the unit that people report in. What is read back from its shortest decimal form is the same.
    #[must_use]
    #[expect(clippy::cast_precision_loss, reason = "kept values are far below 2^52")]
    pub fn in_units(self, value: i64) -> f64 {
        value as f64 / self.kept_per_unit()
    }
}

/// The values of one reading, one place a channel, in kept units.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Channels([Option<i64>; Channel::ALL.len()]);

impl Channels {
    /// The value of a channel in its kept unit.
    #[must_use]
    pub fn get(&self, channel: Channel) -> Option<i64> {
        self.0[channel as usize]
    }

    /// Puts a value, in its kept unit, or takes it away.
    pub fn set(&mut self, channel: Channel, value: Option<i64>) {
        self.0[channel as usize] = value;
    }

    /// True where no channel has a value.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.0.iter().all(Option::is_none)
    }

    /// The channels that have a value.
    pub fn iter(&self) -> impl Iterator<Item = (Channel, i64)> + '_ {
        Channel::ALL
            .into_iter()
            .filter_map(|channel| Some((channel, self.get(channel)?)))
    }
}

impl FromIterator<(Channel, i64)> for Channels {
    fn from_iter<I: IntoIterator<Item = (Channel, i64)>>(values: I) -> Self {
        let mut channels = Self::default();
        for (channel, value) in values {
            channels.set(channel, Some(value));
        }
        channels
    }
}

/// What one instrument said at one instant.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Reading {
    /// Who said it.
    pub instrument: Instrument,
    /// When it held, in ms since 1970-01-01T00:00:00Z.
    pub at_ms: i64,
    /// What it said.
    pub channels: Channels,
}

/// Why a message was not taken as readings. The word is what the quarantine counts by.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Reason {
    /// No source of the setup file takes this topic.
    UnknownTopic,
    /// The message names an instrument that the setup file doesn't have.
    UnknownInstrument,
    /// The message names a channel that isn't one.
    UnknownChannel,
    /// The body is not what the source's format says.
    Malformed,
    /// Nothing in the message is a channel of the source.
    Empty,
    /// A value is not a finite number.
    NotANumber,
    /// A value is outside what the instrument can do.
    OutOfRange,
    /// The time is missing where the source promises one, or can't be read.
    BadTime,
    /// The time is before 2010 or more than a day ahead.
    ImplausibleTime,
    /// No time of its own, and it came out of the broker's store: nobody knows when it held.
    Untimed,
    /// Two values of one channel at one instant.
    Conflict,
}

impl Reason {
    /// The word in the store, the log and the API.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::UnknownTopic => "unknown_topic",
            Self::UnknownInstrument => "unknown_instrument",
            Self::UnknownChannel => "unknown_channel",
            Self::Malformed => "malformed",
            Self::Empty => "empty",
            Self::NotANumber => "not_a_number",
            Self::OutOfRange => "out_of_range",
            Self::BadTime => "bad_time",
            Self::ImplausibleTime => "implausible_time",
            Self::Untimed => "untimed",
            Self::Conflict => "conflict",
        }
    }
}

/// A message that goes to quarantine instead of the readings.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{}: {detail}", reason.word())]
pub struct Refusal {
    /// What kind of refusal it is.
    pub reason: Reason,
    /// What was wrong and where, for a person.
    pub detail: String,
}

/// What decoding made of one message: usually one reading, sometimes several packs of which one is wrong.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Decoded {
    /// What can be stored.
    pub readings: Vec<Reading>,
    /// What can't.
    pub refusals: Vec<Refusal>,
}

impl Decoded {
    /// Nothing but a refusal.
    #[must_use]
    pub fn refused(refusal: Refusal) -> Self {
        Self {
            readings: Vec::new(),
            refusals: vec![refusal],
        }
    }
}
