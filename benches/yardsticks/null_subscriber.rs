//! The limit of intake: takes messages as packdrift does, acknowledges each by hand, and stores nothing.

use std::time::Duration;

use rumqttc::v5::{
    AsyncClient, Event, Incoming, MqttOptions,
    mqttbytes::{QoS, v5::ConnectProperties},
};

/// Takes so many messages. Says “ready” once subscribed and “done” after the last.
pub fn run(port: u16, messages: u64) {
    let mut options = MqttOptions::new("null", "127.0.0.1", port);
    let mut properties = ConnectProperties::new();
    properties.session_expiry_interval = Some(u32::MAX);
    options
        .set_connect_properties(properties)
        .set_clean_start(false)
        .set_manual_acks(true)
        .set_keep_alive(Duration::from_secs(30));
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .unwrap();
    runtime.block_on(async {
        let (client, mut events) = AsyncClient::new(options, 70_000);
        let mut taken = 0;
        while taken < messages {
            match events.poll().await.unwrap() {
                Event::Incoming(Incoming::ConnAck(_)) => {
                    client
                        .try_subscribe("skerry/+/reading", QoS::AtLeastOnce)
                        .unwrap();
                }
                Event::Incoming(Incoming::SubAck(_)) => println!("ready"),
                Event::Incoming(Incoming::Publish(publish)) => {
                    client.try_ack(&publish).unwrap();
                    taken += 1;
                }
                _ => {}
            }
        }
    });
    println!("done");
}
