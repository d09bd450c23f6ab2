//! Messages on their way into one transaction: readings to `reading`, refusals to quarantine, touched hours marked.

use bytes::Bytes;
use rusqlite::{Connection, TransactionBehavior};

use super::{
    instrument,
    quarantine::{self, Room},
    reading::{self, TouchedHours},
    writer::{Options, Waiting},
};
use crate::reading::{Channel, Decoded, HOUR_MS, Reading, Reason, Refusal, rfc3339};

/// One message as it came, and what decoding made of it.
#[derive(Debug, Clone)]
pub struct Message {
    /// The topic it came under.
    pub topic: String,
    /// Its body, kept only where something in it was refused.
    pub body: Bytes,
    /// When it came, ms since 1970.
    pub arrived_ms: i64,
    /// What is in it.
    pub decoded: Decoded,
    /// Commit at once: somebody waits for it.
    pub urgent: bool,
}

impl Message {
    /// The memory that it takes while it waits, bytes.
    pub(super) fn bytes(&self) -> usize {
        let Decoded { readings, refusals } = &self.decoded;
        let details: usize = refusals.iter().map(|refusal| refusal.detail.len()).sum();
        self.topic.len()
            + self.body.len()
            + details
            + readings.capacity() * size_of::<Reading>()
            + refusals.capacity() * size_of::<Refusal>()
    }
}

/// Messages that wait for their commit.
pub(super) struct Batch {
    messages: Vec<Waiting>,
    /// The store's number of each instrument, by its index.
    numbers: Vec<i64>,
    names: Vec<String>,
    room: Room,
}

impl Batch {
    pub(super) fn new(connection: &Connection, options: Options) -> rusqlite::Result<Self> {
        let numbers = options
            .instruments
            .iter()
            .map(|name| instrument::number_of(connection, name))
            .collect::<rusqlite::Result<_>>()?;
        Ok(Self {
            messages: Vec::new(),
            numbers,
            names: options.instruments,
            room: Room::left(connection, options.quarantine_bytes)?,
        })
    }

    pub(super) fn push(&mut self, waiting: Waiting) {
        self.messages.push(waiting);
    }

    pub(super) fn len(&self) -> usize {
        self.messages.len()
    }

    pub(super) fn last_ticket(&self) -> Option<u64> {
        self.messages.last().map(|waiting| waiting.ticket)
    }

    /// Writes everything in one transaction and forgets it. On an error nothing is written and all is kept.
    pub(super) fn write(&mut self, connection: &mut Connection) -> rusqlite::Result<u64> {
        // Immediate: waits for its turn at the beginning rather than failing in the middle.
        let transaction = connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
        let mut touched = TouchedHours::new();
        let mut room = self.room.clone();
        let mut readings = reading::Insert::new(&transaction)?;
        for Waiting { message, .. } in &self.messages {
            let mut first_conflict = None;
            for reading in &message.decoded.readings {
                let number = self.numbers[usize::from(reading.instrument.0)];
                let stored = readings.put(number, reading.at_ms, &reading.channels)?;
                if stored.changed {
                    touched.insert((reading.at_ms.div_euclid(HOUR_MS), number));
                }
                if let Some((channel, value)) = stored.conflicts.first() {
                    let name = &self.names[usize::from(reading.instrument.0)];
                    first_conflict.get_or_insert_with(|| conflict(name, reading, *channel, *value));
                }
            }
            quarantine::add(
                &transaction,
                &mut room,
                message.arrived_ms,
                &message.topic,
                &message.body,
                first_conflict.iter().chain(&message.decoded.refusals),
            )?;
        }
        drop(readings);
        reading::mark_stale(&transaction, &touched)?;
        transaction.commit()?;
        self.room = room;
        let written = self.messages.len() as u64;
        self.messages.clear();
        Ok(written)
    }
}

fn conflict(name: &str, reading: &Reading, channel: Channel, value: i64) -> Refusal {
    let at = rfc3339(reading.at_ms);
    let shown = channel.in_units(value);
    Refusal {
        reason: Reason::Conflict,
        detail: format!(
            "{name} has more than one {} at {at}; {shown} is one of them and none is believed",
            channel.name()
        ),
    }
}
