//! The acknowledgements owed to the broker on the connection that stands.
//!
//! A packet id means one message on one connection. After a reconnect it may mean another, and an acknowledgement
//! sent late would settle that one unseen. So what is owed ends with its connection: the broker sends again, and
//! the store is idempotent.

use std::{collections::VecDeque, time::Duration};

use rumqttc::v5::{
    AsyncClient,
    mqttbytes::{QoS, v5::Publish},
};
use tokio::time::Instant;

use crate::store::{Committed, Ticket};

/// Half of the smallest window that brokers have by default: so many unacknowledged messages are not worth
/// waiting for more, which the broker may not send.
const ENOUGH: usize = 10;

/// A message that comes this soon after acknowledgements was waiting for them.
const HELD_BACK: Duration = Duration::from_millis(50);

/// What is owed, oldest first. Packet ids bound it to 65,535.
#[derive(Debug, Default)]
pub(super) struct Owed {
    queue: VecDeque<(Publish, Ticket)>,
    connected: bool,
    acknowledged: Option<Instant>,
}

impl Owed {
    /// A connection stands.
    pub(super) fn connected(&mut self) {
        self.connected = true;
    }

    /// The connection is gone, and with it what was owed.
    pub(super) fn lost(&mut self) {
        *self = Self::default();
    }

    /// Notes a message that the writer has taken.
    pub(super) fn add(&mut self, qos: QoS, pkid: u16, ticket: Ticket) {
        if self.connected && qos != QoS::AtMostOnce {
            // The acknowledgement needs no more than this of the message.
            let mut publish = Publish::new("", qos, "", None);
            publish.pkid = pkid;
            self.queue.push_back((publish, ticket));
        }
    }

    /// Hands the client the acknowledgements of all that is committed. What it has no room for waits.
    pub(super) fn settle(&mut self, client: &AsyncClient, committed: &Committed) {
        while let Some((publish, ticket)) = self.queue.front() {
            if !committed.covers(*ticket) || client.try_ack(publish).is_err() {
                return;
            }
            self.queue.pop_front();
            self.acknowledged = Some(Instant::now());
        }
    }

    /// Whether the broker seems to hold messages back until others are acknowledged: then a commit is due now,
    /// or a backlog would come one window every few seconds.
    pub(super) fn holds_back(&self) -> bool {
        self.queue.len() >= ENOUGH || self.acknowledged.is_some_and(|at| at.elapsed() < HELD_BACK)
    }

    pub(super) fn len(&self) -> usize {
        self.queue.len()
    }

    pub(super) fn is_empty(&self) -> bool {
        self.queue.is_empty()
    }
}
