//! The instruments of a simulated winter as MQTT clients: every reading is published with QoS 1 and waited for.

use std::{net::SocketAddr, sync::Arc, time::Duration};

use rumqttc::v5::{
    AsyncClient, Event, EventLoop, Incoming, MqttOptions,
    mqttbytes::{QoS, v5::PubAckReason},
};
use serde_json::json;
use tokio::task::JoinSet;

use super::Winter;
use crate::reading::{Channel, Channels};

/// Connections an instrument. The broker answers one publish of a connection after the other, and commits those of
/// all connections together, so that more of them make larger commits.
const CONNECTIONS_EACH: usize = 24;
/// Publishes under way on a connection.
const UNDER_WAY: u16 = 16;

/// Why the winter could not be published.
#[derive(Debug, thiserror::Error)]
pub enum PublishError {
    /// A connection broke.
    #[error("a simulated instrument lost its connection")]
    Connection(#[from] Box<rumqttc::v5::ConnectionError>),
    /// A client stopped.
    #[error("a simulated instrument stopped")]
    Client(#[from] Box<rumqttc::v5::ClientError>),
    /// The broker refused a reading.
    #[error("the broker refused a reading: {0:?}")]
    Refused(PubAckReason),
    /// A task ended badly.
    #[error("a simulated instrument ended badly")]
    Task(#[from] tokio::task::JoinError),
}

/// Publishes a winter to a broker; `acknowledged` hears of every reading that the broker has acknowledged.
///
/// # Errors
/// Where a connection breaks: nothing but the demo's own broker should do that.
pub async fn publish(
    winter: Arc<Winter>,
    broker: SocketAddr,
    acknowledged: impl Fn() + Clone + Send + 'static,
) -> Result<(), PublishError> {
    let instruments = winter.instruments().len();
    let mut tasks = JoinSet::new();
    for instrument in 0..instruments {
        for part in 0..CONNECTIONS_EACH {
            let (winter, acknowledged) = (winter.clone(), acknowledged.clone());
            tasks.spawn(async move { one_connection(&winter, instrument, part, broker, acknowledged).await });
        }
    }
    while let Some(done) = tasks.join_next().await {
        done??;
    }
    Ok(())
}

/// Publishes every so-manieth reading of one instrument.
async fn one_connection(
    winter: &Winter,
    instrument: usize,
    part: usize,
    broker: SocketAddr,
    acknowledged: impl Fn(),
) -> Result<(), PublishError> {
    let name = winter.instruments()[instrument];
    let mut options = MqttOptions::new(format!("{name}-{part}"), broker.ip().to_string(), broker.port());
    options.set_keep_alive(Duration::from_secs(60));
    options.set_outgoing_inflight_upper_limit(UNDER_WAY);
    let (client, mut events) = AsyncClient::new(options, usize::from(UNDER_WAY));
    let topic = format!("skerry/{name}/reading");
    let readings = winter
        .readings()
        .filter(|(_, of, _)| usize::from(*of) == instrument)
        .skip(part)
        .step_by(CONNECTIONS_EACH);
    let mut count = 0_usize;
    let feeding = async {
        for (at_ms, _, channels) in readings {
            let sent = client.publish(&topic, QoS::AtLeastOnce, false, document(at_ms, &channels));
            sent.await.map_err(Box::new)?;
            count += 1;
        }
        Ok::<_, PublishError>(())
    };
    let mut seen = 0;
    {
        let mut feeding = std::pin::pin!(feeding);
        loop {
            tokio::select! {
                fed = &mut feeding => { fed?; break }
                acknowledgement = next_acknowledgement(&mut events) => {
                    acknowledgement?;
                    acknowledged();
                    seen += 1;
                }
            }
        }
    }
    while seen < count {
        next_acknowledgement(&mut events).await?;
        acknowledged();
        seen += 1;
    }
    // The broker closes after this; what it says then is of no interest.
    let _ = client.disconnect().await;
    while events.poll().await.is_ok() {}
    Ok(())
}

async fn next_acknowledgement(events: &mut EventLoop) -> Result<(), PublishError> {
    loop {
        if let Event::Incoming(Incoming::PubAck(acknowledgement)) = events.poll().await.map_err(Box::new)? {
            // "No matching subscribers" is what a broker says that keeps readings but hands none on.
            return match acknowledgement.reason {
                PubAckReason::Success | PubAckReason::NoMatchingSubscribers => Ok(()),
                reason => Err(PublishError::Refused(reason)),
            };
        }
    }
}

/// A reading as the demo's instruments send it.
fn document(at_ms: i64, channels: &Channels) -> String {
    let value = |channel: Channel| channels.get(channel).map(|kept| channel.in_units(kept));
    json!({
        "at": at_ms,
        "volts": value(Channel::Voltage),
        "amps": value(Channel::Current),
        "soc": value(Channel::Soc),
    })
    .to_string()
}
