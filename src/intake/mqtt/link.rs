//! The connection as a sequence of outcomes: connecting, waiting before the next try, and what comes in.
//!
//! The client's event loop is moved into each poll (in a box: it is large) and comes back with its outcome, so that a
//! poll is never dropped half-way while something else is awaited beside it: dropped while connecting, it would begin anew.

use std::{
    error::Error,
    io::ErrorKind,
    time::{Duration, Instant},
};

use chrono::Utc;
use rumqttc::v5::{ConnectionError, Event, EventLoop, mqttbytes::v5::ConnectReturnCode};
use tokio::time::sleep;

use super::options::{Unready, prepare};
use crate::config::Mqtt;

/// The first wait; doubled for each failure.
const SHORTEST_WAIT: Duration = Duration::from_millis(200);

/// The longest wait.
const LONGEST_WAIT: Duration = Duration::from_secs(30);

/// A connection that stood this long has proved that connecting works. Two programs under one client id throw
/// each other out at once, and must not do so five times a second.
const STEADY: Duration = Duration::from_secs(30);

/// Why there is no connection.
#[derive(Debug, thiserror::Error)]
pub(crate) enum Failure {
    #[error(transparent)]
    Unready(#[from] Unready),
    #[error(transparent)]
    Connection(#[from] ConnectionError),
}

impl Failure {
    /// The failure with what is behind it, for a person.
    pub(crate) fn told(&self) -> String {
        match self {
            Self::Connection(ConnectionError::ConnectionRefused(
                ConnectReturnCode::BadUserNamePassword | ConnectReturnCode::NotAuthorized,
            )) => "the broker doesn't let packdrift in; `username` and `password_file` under [mqtt] say who it is"
                .to_owned(),
            Self::Connection(ConnectionError::Io(error)) if error.kind() == ErrorKind::ConnectionRefused => {
                "nothing listens there; is the broker running, and is `url` under [mqtt] right?".to_owned()
            }
            // Its texts hold those of their sources already.
            Self::Connection(error) => error.to_string(),
            Self::Unready(error) => match error.source() {
                None => error.to_string(),
                Some(source) => format!("{error}: {source}"),
            },
        }
    }
}

/// One poll, after a wait.
pub(crate) async fn poll(
    mut events: Box<EventLoop>,
    mqtt: &Mqtt,
    wait: Option<Duration>,
) -> (Box<EventLoop>, Result<Event, Failure>) {
    if let Some(wait) = wait {
        sleep(wait).await;
        if let Err(unready) = prepare(&mut events.options, mqtt) {
            return (events, Err(unready.into()));
        }
    }
    let outcome = events.poll().await;
    (events, outcome.map_err(Failure::from))
}

/// How long to wait before the next try.
#[derive(Debug)]
pub(crate) struct Backoff {
    next: Duration,
    connected: Option<Instant>,
}

impl Backoff {
    pub(crate) fn new() -> Self {
        Self {
            next: SHORTEST_WAIT,
            connected: None,
        }
    }

    pub(crate) fn connected(&mut self, now: Instant) {
        self.connected = Some(now);
    }

    /// The wait after a failure.
    pub(crate) fn failed(&mut self, now: Instant) -> Duration {
        if self
            .connected
            .take()
            .is_some_and(|since| now.duration_since(since) >= STEADY)
        {
            self.next = SHORTEST_WAIT;
        }
        let wait = self.next;
        self.next = (wait * 2).min(LONGEST_WAIT);
        // Clients that lost the same broker don't all come back in the same ms.
        wait.mul_f64(0.75 + f64::from(Utc::now().timestamp_subsec_micros() % 1000) / 4000.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn waits_grow_until_a_connection_has_stood() {
        let mut backoff = Backoff::new();
        let now = Instant::now();
        let waits: Vec<_> = (0..10).map(|_| backoff.failed(now)).collect();
        assert!(waits[0] <= SHORTEST_WAIT && waits[0] >= SHORTEST_WAIT / 2);
        assert!(waits[9] <= LONGEST_WAIT && waits[9] >= LONGEST_WAIT / 2);
        backoff.connected(now);
        assert!(backoff.failed(now + STEADY / 2) >= LONGEST_WAIT / 2);
        backoff.connected(now);
        assert!(backoff.failed(now + STEADY) <= SHORTEST_WAIT);
    }
}
