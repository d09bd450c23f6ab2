//! The one task that owns the connection to somebody's MQTT broker.
//!
//! It keeps a persistent session, hands every message to the writer, and acknowledges it once it is committed;
//! meanwhile it goes on polling, or the broker would miss its signs of life. Memory is bounded by the writer, which
//! lets this task wait, and with it the broker, when it is behind.

mod link;
mod listen;
mod options;
mod owed;
mod status;

use std::{future::Future, pin::pin, time::Duration};

use rumqttc::v5::{
    AsyncClient, Event, EventLoop, Incoming,
    mqttbytes::{
        QoS,
        v5::{Filter, Publish, RetainForwardRule, SubAck, SubscribeReasonCode},
    },
};
use tokio::{
    sync::watch,
    time::{Instant, timeout_at},
};
use tracing::{error, info, warn};

use self::owed::Owed;
use super::{Inlet, live::Marks, now_ms};
use crate::{
    config::Mqtt,
    store::{Committed, Stopped, Writer},
};

pub(crate) use self::link::{Backoff, Failure, poll};
pub use self::{
    listen::{Overheard, Unheard, listen},
    status::Status,
};

/// Room for an acknowledgement of every packet id there is, and for the other requests.
const REQUESTS: usize = 70_000;

/// How long a stop may take.
const STOPPING: Duration = Duration::from_secs(3);

/// Takes messages until `stop`; then commits, acknowledges and leaves, with the session kept. What the session still
/// has of the `outdated` filters is unsubscribed.
///
/// Failures of the connection are retried for ever, told in the log once each and in `status`.
///
/// # Errors
/// Where the writer stops first.
pub async fn run(
    mqtt: Mqtt,
    inlet: Inlet,
    outdated: Vec<String>,
    writer: Writer,
    status: watch::Sender<Status>,
    stop: impl Future<Output = ()>,
) -> Result<(), Stopped> {
    let (client, events) = AsyncClient::new(options::options(&mqtt), REQUESTS);
    let mut intake = Intake {
        client,
        filters: inlet.filters(),
        outdated,
        inlet,
        committed: writer.committed(),
        writer,
        status,
        owed: Owed::default(),
        taken: 0,
        subscribed: false,
    };
    let mut backoff = Backoff::new();
    let mut stop = pin!(stop);
    let mut polling = Box::pin(poll(Box::new(events), &mqtt, Some(Duration::ZERO)));
    loop {
        tokio::select! {
            () = &mut stop => break,
            changed = intake.committed.changed() => changed?,
            (mut events, outcome) = &mut polling => {
                let wait = match outcome {
                    // Something was sent, mostly an acknowledgement: nothing is owed or known that wasn't before.
                    Ok(Event::Outgoing(_)) => {
                        polling.set(poll(events, &mqtt, None));
                        continue;
                    }
                    Ok(event) => {
                        if matches!(event, Event::Incoming(Incoming::ConnAck(_))) {
                            backoff.connected(std::time::Instant::now());
                        }
                        intake.handle(event).await?;
                        // What was read along with it would come one by one from further polls.
                        while let Some(event) = events.state.events.pop_front() {
                            intake.handle(event).await?;
                        }
                        None
                    }
                    Err(failure) => {
                        intake.lost(&mut events, &failure).await?;
                        Some(backoff.failed(std::time::Instant::now()))
                    }
                };
                polling.set(poll(events, &mqtt, wait));
            }
        }
        intake.settle();
    }
    if intake.status.borrow().connected_since_ms.is_some() {
        let leaving = async {
            let (events, outcome) = polling.await;
            outcome.is_ok().then_some(events)
        };
        intake.leave(leaving).await;
    }
    Ok(())
}

struct Intake {
    client: AsyncClient,
    filters: Vec<String>,
    /// Filters still to be unsubscribed.
    outdated: Vec<String>,
    inlet: Inlet,
    committed: Committed,
    writer: Writer,
    status: watch::Sender<Status>,
    owed: Owed,
    /// Messages handed to the writer.
    taken: u64,
    /// Every filter has been granted by this process: filters of an older setup may differ.
    subscribed: bool,
}

impl Intake {
    async fn handle(&mut self, event: Event) -> Result<(), Stopped> {
        match event {
            Event::Incoming(Incoming::ConnAck(connack)) => self.connected(connack.session_present),
            Event::Incoming(Incoming::SubAck(suback)) => {
                self.granted(&suback);
                self.unsubscribe_next();
            }
            Event::Incoming(Incoming::UnsubAck(_)) => self.unsubscribe_next(),
            Event::Incoming(Incoming::Publish(publish)) => self.take(publish).await?,
            _ => {}
        }
        Ok(())
    }

    fn connected(&mut self, session_present: bool) {
        info!(session_present, "connected to the broker");
        self.owed.connected();
        self.inlet.connected(session_present);
        self.status.send_modify(|status| {
            status.connected_since_ms = Some(now_ms());
            status.session_present = session_present;
            status.subscribed = session_present && self.subscribed;
            status.last_error = None;
        });
        if session_present && self.subscribed {
            return;
        }
        let filters = self.filters.iter().map(|filter| Filter {
            // A filter that the session has already doesn't bring its retained messages again.
            retain_forward_rule: RetainForwardRule::OnNewSubscribe,
            ..Filter::new(filter, QoS::AtLeastOnce)
        });
        if let Err(error) = self.client.try_subscribe_many(filters) {
            error!(%error, "cannot ask the broker for messages");
        }
    }

    /// The broker answers a subscription filter by filter, in order.
    fn granted(&mut self, suback: &SubAck) {
        let mut refused = Vec::new();
        for (filter, code) in self.filters.iter().zip(&suback.return_codes) {
            if !matches!(code, SubscribeReasonCode::Success(_)) {
                error!(
                    filter,
                    ?code,
                    "the broker refuses a subscription: nothing will come from there"
                );
                refused.push(filter.clone());
            }
        }
        self.subscribed = refused.is_empty();
        self.status.send_modify(|status| {
            status.subscribed = refused.is_empty();
            status.refused_filters = refused;
        });
    }

    /// One after the other: the client gives all such requests one packet id.
    fn unsubscribe_next(&mut self) {
        if let Some(filter) = self.outdated.pop()
            && let Err(error) = self.client.try_unsubscribe(&filter)
        {
            error!(%error, filter, "what an earlier setup subscribed to goes on coming");
        }
    }

    async fn take(&mut self, publish: Publish) -> Result<(), Stopped> {
        // A topic is bytes on the wire; what isn't text matches no source and is refused as such.
        let topic = String::from_utf8_lossy(&publish.topic).into_owned();
        let marks = Marks {
            retained: publish.retain,
            redelivered: publish.dup,
        };
        let mut message = self.inlet.message(topic, publish.payload, marks);
        message.urgent |= self.owed.holds_back();
        let ticket = self.writer.take(message).await?;
        self.owed.add(publish.qos, publish.pkid, ticket);
        self.taken += 1;
        Ok(())
    }

    async fn lost(&mut self, events: &mut EventLoop, failure: &Failure) -> Result<(), Stopped> {
        self.owed.lost();
        // What was read before the failure is still in the client, and would come after the next CONNACK as if
        // it belonged to that connection.
        for event in std::mem::take(&mut events.state.events) {
            if let Event::Incoming(Incoming::Publish(publish)) = event {
                self.take(publish).await?;
            }
        }
        let told = failure.told();
        self.status.send_if_modified(|status| {
            let news = status.last_error.as_ref() != Some(&told);
            if news {
                warn!(error = told, "no connection to the broker, trying on");
            }
            status.connected_since_ms = None;
            status.subscribed = false;
            status.last_error = Some(told);
            news
        });
        Ok(())
    }

    fn settle(&mut self) {
        self.owed.settle(&self.client, &self.committed);
        let now = (self.taken, self.owed.len());
        self.status.send_if_modified(|status| {
            let before = (status.taken, status.unacknowledged);
            (status.taken, status.unacknowledged) = now;
            before != now
        });
    }

    /// Waits for the commit of what was taken, acknowledges it, and closes the connection.
    ///
    /// What still comes in is not taken: the broker keeps it. `polling` is the poll under way; nothing where it
    /// failed.
    async fn leave(&mut self, polling: impl Future<Output = Option<Box<EventLoop>>>) {
        let deadline = Instant::now() + STOPPING;
        let mut polling = pin!(polling);
        let mut events = None;
        let committing = async {
            while !self.owed.is_empty() {
                tokio::select! {
                    changed = self.committed.changed() => if changed.is_err() { return },
                    polled = &mut polling, if events.is_none() => match polled {
                        Some(polled) => events = Some(polled),
                        None => return,
                    },
                }
                self.settle();
            }
        };
        if timeout_at(deadline, committing).await.is_err() {
            warn!(
                unacknowledged = self.owed.len(),
                "stopped before everything taken was committed: the broker will send it again"
            );
        }
        if self.client.try_disconnect().is_err() {
            return;
        }
        // Until the broker closes, so that it has read every acknowledgement.
        let closing = async {
            let mut events = match events {
                Some(events) => events,
                None => match polling.await {
                    Some(events) => events,
                    None => return,
                },
            };
            while events.poll().await.is_ok() {}
        };
        if timeout_at(deadline, closing).await.is_err() {
            warn!("the broker did not close the connection");
        }
    }
}
