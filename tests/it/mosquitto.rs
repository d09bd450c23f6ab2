//! Does a real broker's every message come in once committed, through outages and backlogs?

use std::{sync::Arc, time::Duration};

use packdrift::{
    config::Source,
    intake::{
        Decoder, Inlet,
        clocks::Clocks,
        live::Live,
        mqtt::{self, Status},
    },
    reading::Reason,
    store::Stopped,
};
use rumqttc::v5::{
    AsyncClient, Event, Incoming, MqttOptions,
    mqttbytes::{QoS, v5::Filter},
};
use tokio::{
    sync::{oneshot, watch},
    task::JoinHandle,
    time::timeout,
};

use crate::{
    fixture::{Kept, json_source, setup, until},
    harness::{Mosquitto, plain_mqtt},
};

const PATIENCE: Duration = Duration::from_secs(20);

/// A Mosquitto of this test's own.
struct Broker {
    mosquitto: Mosquitto,
    _folder: tempfile::TempDir,
}

impl Broker {
    fn start() -> Self {
        let folder = tempfile::tempdir().unwrap();
        Self {
            mosquitto: Mosquitto::start(folder.path()),
            _folder: folder,
        }
    }

    /// Publishes bodies to a topic and waits until the broker has them all.
    async fn publish(&self, topic: &str, bodies: impl IntoIterator<Item = String>) {
        let (client, mut events) = AsyncClient::new(
            MqttOptions::new("board", "127.0.0.1", self.mosquitto.port),
            10_000,
        );
        let mut owed = 0;
        for body in bodies {
            client.try_publish(topic, QoS::AtLeastOnce, false, body).unwrap();
            owed += 1;
        }
        while owed > 0 {
            let event = timeout(PATIENCE, events.poll()).await.unwrap().unwrap();
            owed -= usize::from(matches!(event, Event::Incoming(Incoming::PubAck(_))));
        }
    }

    /// How many messages the broker still has for packdrift.
    async fn still_owes(&self) -> usize {
        let mut options = MqttOptions::new("packdrift", "127.0.0.1", self.mosquitto.port);
        options
            .set_clean_start(false)
            .set_session_expiry_interval(Some(u32::MAX));
        let (client, mut events) = AsyncClient::new(options, 10);
        let filter = Filter::new("nothing", QoS::AtLeastOnce);
        client.try_subscribe_many([filter]).unwrap();
        let mut owed = 0;
        loop {
            match timeout(Duration::from_millis(300), events.poll()).await {
                Ok(Ok(Event::Incoming(Incoming::ConnAck(connack)))) => assert!(connack.session_present),
                Ok(Ok(Event::Incoming(Incoming::Publish(_)))) => owed += 1,
                Ok(event) => drop(event.unwrap()),
                Err(_) => return owed,
            }
        }
    }
}

/// A running intake.
struct Running {
    kept: Kept,
    status: watch::Receiver<Status>,
    stop: oneshot::Sender<()>,
    task: JoinHandle<Result<(), Stopped>>,
}

impl Running {
    fn start(port: u16, source: Source, kept: Kept) -> Self {
        let writer = kept.writer.clone();
        let (status, seen) = watch::channel(Status::default());
        let (stop, stopped) = oneshot::channel::<()>();
        let decoder = Arc::new(Decoder::new(&setup(vec![source])));
        let broker = plain_mqtt(port);
        let running = mqtt::run(
            broker,
            Inlet::new(decoder, Live::default(), Clocks::new(0)),
            Vec::new(),
            writer,
            status,
            async {
                drop(stopped.await);
            },
        );
        Self {
            kept,
            status: seen,
            stop,
            task: tokio::spawn(running),
        }
    }

    async fn until(&mut self, what: impl FnMut(&Status) -> bool) {
        timeout(PATIENCE, self.status.wait_for(what))
            .await
            .unwrap()
            .unwrap();
    }

    async fn subscribed(&mut self) {
        self.until(|status| status.subscribed).await;
    }

    /// Stops in order; the store goes on.
    async fn stop(self) -> Kept {
        self.stop.send(()).unwrap();
        timeout(PATIENCE, self.task).await.unwrap().unwrap().unwrap();
        self.kept
    }
}

fn source() -> Source {
    json_source("skerry/{instrument}")
}

fn bodies(count: i64) -> impl Iterator<Item = String> {
    (0..count).map(|n| format!(r#"{{"at":{},"voltage":53.1}}"#, 1_768_032_000 + n))
}

#[tokio::test]
async fn every_message_is_taken_and_acknowledged() {
    let broker = Broker::start();
    let mut intake = Running::start(
        broker.mosquitto.port,
        source(),
        Kept::start(Duration::from_millis(50)),
    );
    intake.subscribed().await;
    broker.publish("skerry/tern", bodies(1000)).await;
    intake.kept.has(1000).await;
    // Stopped with acknowledgements under way, which all must arrive.
    intake.stop().await;
    assert_eq!(broker.still_owes().await, 0);
}

#[tokio::test]
async fn what_is_published_after_an_outage_comes_too() {
    let mut broker = Broker::start();
    let mut intake = Running::start(
        broker.mosquitto.port,
        source(),
        Kept::start(Duration::from_millis(50)),
    );
    intake.subscribed().await;
    broker.mosquitto.restart();
    broker.publish("skerry/tern", bodies(10)).await;
    intake.kept.has(10).await;
    assert!(intake.status.borrow().session_present);
    intake.stop().await;
}

#[tokio::test]
async fn a_backlog_does_not_wait_for_the_age_of_batches() {
    let broker = Broker::start();
    let mut intake = Running::start(
        broker.mosquitto.port,
        source(),
        Kept::start(Duration::from_secs(5)),
    );
    intake.subscribed().await;
    let kept = intake.stop().await;
    broker.publish("skerry/tern", bodies(8000)).await;

    let begun = std::time::Instant::now();
    let intake = Running::start(broker.mosquitto.port, source(), kept);
    intake.kept.has(8000).await;
    let took = begun.elapsed();
    // The broker sends some thousands before it waits; then it would be one such window every 5 s.
    assert!(took < Duration::from_secs(8), "{took:?}");
    intake.stop().await;
    assert_eq!(broker.still_owes().await, 0);
}

#[tokio::test]
async fn an_untimed_backlog_is_refused_and_acknowledged() {
    let broker = Broker::start();
    let untimed = || Source {
        time: None,
        ..source()
    };
    let mut intake = Running::start(
        broker.mosquitto.port,
        untimed(),
        Kept::start(Duration::from_millis(200)),
    );
    intake.subscribed().await;
    // Of three instruments: what arrives of one in the same ms would be one reading.
    for instrument in ["shunt", "tern", "fulmar"] {
        broker.publish(&format!("skerry/{instrument}"), bodies(1)).await;
    }
    intake.kept.has(3).await;
    let kept = intake.stop().await;
    broker.publish("skerry/tern", bodies(500)).await;

    let intake = Running::start(broker.mosquitto.port, untimed(), kept);
    until(|| intake.kept.refused(Reason::Untimed) == 500).await;
    intake.kept.has(3).await;
    intake.stop().await;
    assert_eq!(broker.still_owes().await, 0);
}
