//! packdrift as its own broker, on loopback, for a bank that has none.
//!
//! It keeps nothing: no sessions, no retained messages. A publish goes to the writer, and its acknowledgement
//! waits for the commit, so what a publisher saw acknowledged is in the database. Subscribers get nothing; whoever
//! wants a broker for other purposes runs one.

use std::{future::Future, net::SocketAddr, pin::Pin, sync::Arc, time::Duration};

use mqtt5::{
    MqttError, QoS,
    broker::{
        BrokerConfig, BrokerEventHandler, MqttBroker, PublishAction, config::StorageConfig,
        events::ClientPublishEvent,
    },
    packet::publish::PublishPacket,
};
use tokio::sync::watch;

use super::{Inlet, LARGEST_BODY, live::Marks};
use crate::store::{Stopped, Writer};

/// Why packdrift can't be, or no longer is, its own broker.
#[derive(Debug, thiserror::Error)]
pub enum OwnError {
    /// Anyone on the network could write into the log.
    #[error("packdrift's own broker asks nobody who they are, so it opens on loopback only, not at {0}")]
    NotLoopback(SocketAddr),
    /// Mostly: another broker is there already.
    #[error(
        "cannot open a broker at {listen}; if one runs there already, name it: url = \"mqtt://{listen}\" under [mqtt]"
    )]
    Bind {
        /// Where.
        listen: SocketAddr,
        /// What the broker said.
        source: MqttError,
    },
    /// The broker failed as such.
    #[error("the broker failed")]
    Broker(#[from] MqttError),
    /// Nothing can be kept any more, so nothing is taken.
    #[error("cannot take messages any more")]
    Writer(#[from] Stopped),
}

/// A broker that is bound but takes nothing yet.
pub struct Own {
    broker: MqttBroker,
    address: SocketAddr,
    stopped: watch::Receiver<bool>,
}

impl Own {
    /// Binds; port 0 is any free one.
    ///
    /// # Errors
    /// Where the address is not loopback or can't be bound.
    pub async fn bind(listen: SocketAddr, inlet: Inlet, writer: Writer) -> Result<Self, OwnError> {
        if !listen.ip().is_loopback() {
            return Err(OwnError::NotLoopback(listen));
        }
        let (stop, stopped) = watch::channel(false);
        let mut config = BrokerConfig::new()
            .with_bind_addresses(vec![listen])
            .with_storage(StorageConfig::new().with_persistence(false))
            .with_session_expiry(Duration::ZERO)
            .with_max_packet_size(LARGEST_BODY)
            .with_sys_topics_enabled(false)
            .with_event_handler(Arc::new(Taker { inlet, writer, stop }));
        // With aliases a client could make the broker remember text without bound.
        config.topic_alias_maximum = 0;
        let broker = MqttBroker::with_config(config)
            .await
            .map_err(|source| OwnError::Bind { listen, source })?;
        // Asked before it runs: running takes the listeners out of it.
        let address = broker.local_addr().ok_or_else(|| OwnError::Bind {
            listen,
            source: MqttError::InvalidState("it has no address".into()),
        })?;
        Ok(Self {
            broker,
            address,
            stopped,
        })
    }

    /// Where publishers reach it.
    #[must_use]
    pub fn local_addr(&self) -> SocketAddr {
        self.address
    }

    /// Takes messages until `stop`, then lets every publish under way be committed and acknowledged.
    ///
    /// # Errors
    /// Where the broker fails, or the writer stops before `stop`: nothing is acknowledged from then on.
    pub async fn run(mut self, stop: impl Future<Output = ()>) -> Result<(), OwnError> {
        let shutdown = self.broker.shutdown_handle();
        let mut ready = self.broker.ready_receiver();
        let writer_stopped = &mut self.stopped;
        let mut writer_gone = false;
        let running = self.broker.run();
        tokio::pin!(running);
        tokio::select! {
            ended = &mut running => return Ok(ended?),
            () = async {
                tokio::select! {
                    () = stop => {}
                    _ = writer_stopped.wait_for(|stopped| *stopped) => writer_gone = true,
                }
                // A shutdown before the broker listens for it is lost.
                let _ = ready.wait_for(|ready| *ready).await;
            } => shutdown.shutdown(),
        }
        running.await?;
        if writer_gone { Err(Stopped.into()) } else { Ok(()) }
    }
}

/// What happens to each publish, before it is acknowledged.
struct Taker {
    inlet: Inlet,
    writer: Writer,
    stop: watch::Sender<bool>,
}

impl Taker {
    async fn take(&self, topic: &str, body: bytes::Bytes) -> Result<(), Stopped> {
        let mut message = self.inlet.message(topic.to_owned(), body, Marks::default());
        // The publisher sends its next one only after the acknowledgement of this one.
        message.urgent = true;
        let mut committed = self.writer.committed();
        let ticket = self.writer.take(message).await?;
        committed.wait(ticket).await
    }
}

impl BrokerEventHandler for Taker {
    fn on_client_publish<'a>(
        &'a self,
        event: ClientPublishEvent,
    ) -> Pin<Box<dyn Future<Output = PublishAction> + Send + 'a>> {
        Box::pin(async move {
            if self.take(&event.topic, event.payload).await.is_ok() {
                return PublishAction::Handled;
            }
            self.stop.send_replace(true);
            // Every other action acknowledges; a message of quality of service 0 has no acknowledgement.
            PublishAction::Transform(PublishPacket::new(
                event.topic.to_string(),
                bytes::Bytes::new(),
                QoS::AtMostOnce,
            ))
        })
    }
}
