//! Listens to everything a broker has, keeps nothing and owes nothing: for a look before anything is stored.

use std::future::Future;

use rumqttc::v5::{AsyncClient, Event, Incoming, MqttOptions, mqttbytes::QoS};

use super::{
    link::{Failure, poll},
    options::LARGEST,
};
use crate::config::Mqtt;

/// Why nothing can be listened to, for a person.
#[derive(Debug, thiserror::Error)]
#[error("the broker {host}:{port} can't be listened to: {told}")]
pub struct Unheard {
    host: String,
    port: u16,
    told: String,
}

/// A message as it came.
#[derive(Debug)]
pub struct Overheard {
    /// Its topic.
    pub topic: String,
    /// Its body.
    pub body: bytes::Bytes,
    /// The broker had kept it from before.
    pub retained: bool,
}

/// Hands every message of a broker to `heard` until `stop`. Uses a session of its own, so that packdrift's is left
/// alone.
///
/// # Errors
/// Where the broker can't be reached or goes away.
pub async fn listen(
    mqtt: &Mqtt,
    mut heard: impl FnMut(Overheard),
    stop: impl Future<Output = ()>,
) -> Result<(), Unheard> {
    let client_id = format!("{}-check-{}", mqtt.client_id, std::process::id());
    let mut options = MqttOptions::new(client_id, &mqtt.host, mqtt.port);
    options.set_clean_start(true).set_max_packet_size(Some(LARGEST));
    let (client, events) = AsyncClient::new(options, 10);
    let mut events = Box::new(events);
    let unheard = |failure: &Failure| Unheard {
        host: mqtt.host.clone(),
        port: mqtt.port,
        told: failure.told(),
    };
    let listening = async {
        let mut wait = Some(std::time::Duration::ZERO);
        loop {
            let (back, outcome) = poll(events, mqtt, wait.take()).await;
            events = back;
            match outcome.map_err(|failure| unheard(&failure))? {
                Event::Incoming(Incoming::ConnAck(_)) => {
                    if let Err(error) = client.try_subscribe("#", QoS::AtMostOnce) {
                        let told = error.to_string();
                        return Err(Unheard {
                            host: mqtt.host.clone(),
                            port: mqtt.port,
                            told,
                        });
                    }
                }
                Event::Incoming(Incoming::Publish(publish)) => heard(Overheard {
                    topic: String::from_utf8_lossy(&publish.topic).into_owned(),
                    body: publish.payload,
                    retained: publish.retain,
                }),
                _ => {}
            }
        }
    };
    tokio::select! {
        ended = listening => ended,
        () = stop => Ok(()),
    }
}
