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

use super::options::WINDOW;
use crate::store::{Committed, Ticket};

/// Half of what is asked for: so many unacknowledged messages are not worth waiting for more.
const ENOUGH: usize = WINDOW as usize / 2;

/// So many messages within so short a time are a backlog, or instruments that send what they remember: brokers hold
/// back what follows until some are acknowledged, twenty by default.
const MANY: usize = 10;
const AT_ONCE: Duration = Duration::from_millis(50);

/// What is owed, oldest first. Packet ids bound it to 65,535.
#[derive(Debug, Default)]
pub(super) struct Owed {
    queue: VecDeque<(u16, QoS, Ticket)>,
    connected: bool,
    /// When the last ones came, at most [`MANY`].
    came: VecDeque<Instant>,
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
            self.came.truncate(MANY - 1);
            self.came.push_front(Instant::now());
            self.queue.push_back((pkid, qos, ticket));
        }
    }

    /// Hands the client the acknowledgements of all that is committed. What it has no room for waits.
    pub(super) fn settle(&mut self, client: &AsyncClient, committed: &Committed) {
        while let Some((pkid, qos, ticket)) = self.queue.front() {
            // The acknowledgement needs no more than this of the message.
            let mut publish = Publish::new("", *qos, "", None);
            publish.pkid = *pkid;
            if !committed.covers(*ticket) || client.try_ack(&publish).is_err() {
                return;
            }
            self.queue.pop_front();
        }
    }

    /// Whether the broker may be holding messages back until others are acknowledged: then a commit is due now, or a
    /// backlog would come one window every few seconds.
    pub(super) fn holds_back(&self) -> bool {
        let hasty = self.came.len() == MANY && self.came[MANY - 1].elapsed() < AT_ONCE;
        hasty || self.queue.len() >= ENOUGH
    }

    pub(super) fn len(&self) -> usize {
        self.queue.len()
    }

    pub(super) fn is_empty(&self) -> bool {
        self.queue.is_empty()
    }
}
