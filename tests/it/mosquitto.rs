//! Does a real broker's every message come in once committed, through outages and backlogs?

use std::{
    collections::HashSet,
    net::TcpListener,
    path::Path,
    process::{Child, Command, Stdio},
    sync::Arc,
    time::Duration,
};

use packdrift::{
    config::{Mqtt, Source},
    intake::{
        Decoder,
        live::Live,
        mqtt::{self, Status},
    },
    reading::Reason,
    store::writer::{Message, Stopped, Writer},
};
use rumqttc::v5::{
    AsyncClient, Event, Incoming, MqttOptions,
    mqttbytes::{QoS, v5::Filter},
};
use tokio::{
    sync::{mpsc::UnboundedReceiver, oneshot, watch},
    task::JoinHandle,
    time::timeout,
};

use crate::fixture::{json_source, setup};

const PATIENCE: Duration = Duration::from_secs(20);

/// A Mosquitto of one's own, ended with the value.
struct Broker {
    port: u16,
    folder: tempfile::TempDir,
    running: Child,
}

impl Broker {
    async fn start() -> Self {
        let port = TcpListener::bind("127.0.0.1:0")
            .unwrap()
            .local_addr()
            .unwrap()
            .port();
        let folder = tempfile::tempdir().unwrap();
        let config = format!(
            "listener {port} 127.0.0.1\nallow_anonymous true\nmax_queued_messages 0\npersistence true\n\
             persistence_location {}/\nuser root\n",
            folder.path().display()
        );
        std::fs::write(folder.path().join("mosquitto.conf"), config).unwrap();
        let running = Self::spawn(folder.path());
        let broker = Self {
            port,
            folder,
            running,
        };
        broker.answers().await;
        broker
    }

    fn spawn(folder: &Path) -> Child {
        Command::new("mosquitto")
            .env(
                "PATH",
                "/usr/sbin:/usr/bin:/usr/local/sbin:/usr/local/bin:/opt/homebrew/sbin",
            )
            .arg("-c")
            .arg(folder.join("mosquitto.conf"))
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .expect("Mosquitto is installed")
    }

    async fn answers(&self) {
        timeout(PATIENCE, async {
            while tokio::net::TcpStream::connect(("127.0.0.1", self.port))
                .await
                .is_err()
            {
                tokio::time::sleep(Duration::from_millis(10)).await;
            }
        })
        .await
        .unwrap();
    }

    /// Ends it in good order, its store saved.
    fn stop(&mut self) {
        let pid = self.running.id().to_string();
        Command::new("kill").args(["-TERM", &pid]).status().unwrap();
        self.running.wait().unwrap();
    }

    async fn start_again(&mut self) {
        self.running = Self::spawn(self.folder.path());
        self.answers().await;
    }

    /// Publishes bodies to a topic and waits until the broker has them all.
    async fn publish(&self, topic: &str, bodies: impl IntoIterator<Item = String>) {
        let (client, mut events) =
            AsyncClient::new(MqttOptions::new("board", "127.0.0.1", self.port), 10_000);
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
        let mut options = MqttOptions::new("packdrift", "127.0.0.1", self.port);
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

impl Drop for Broker {
    fn drop(&mut self) {
        let _ = self.running.kill();
        let _ = self.running.wait();
    }
}

/// A running intake.
struct Running {
    messages: UnboundedReceiver<Message>,
    status: watch::Receiver<Status>,
    stop: oneshot::Sender<()>,
    task: JoinHandle<Result<(), Stopped>>,
}

impl Running {
    fn start(port: u16, source: Source, commit_after: Duration) -> Self {
        let (writer, messages) = Writer::stub(commit_after);
        let (status, seen) = watch::channel(Status::default());
        let (stop, stopped) = oneshot::channel::<()>();
        let decoder = Arc::new(Decoder::new(&setup(vec![source])));
        let broker = Mqtt {
            host: "127.0.0.1".into(),
            port,
            tls: false,
            client_id: "packdrift".into(),
            username: None,
            password_file: None,
            ca_file: None,
        };
        let running = mqtt::run(broker, decoder, Live::default(), writer, status, async {
            drop(stopped.await);
        });
        Self {
            messages,
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
        self.until(|status| status.connected_since_ms.is_some()).await;
        tokio::time::sleep(Duration::from_millis(100)).await;
    }

    async fn messages(&mut self, count: usize) -> Vec<Message> {
        let mut messages = Vec::new();
        while messages.len() < count {
            messages.push(timeout(PATIENCE, self.messages.recv()).await.unwrap().unwrap());
        }
        messages
    }

    async fn stop(self) {
        self.stop.send(()).unwrap();
        timeout(PATIENCE, self.task).await.unwrap().unwrap().unwrap();
    }
}

fn source() -> Source {
    json_source("skerry/{instrument}")
}

fn bodies(count: i64) -> impl Iterator<Item = String> {
    (0..count).map(|n| format!(r#"{{"at":{},"voltage":53.1}}"#, 1_768_032_000 + n))
}

fn instants(messages: &[Message]) -> HashSet<i64> {
    messages
        .iter()
        .flat_map(|message| message.decoded.readings.iter().map(|reading| reading.at_ms))
        .collect()
}

#[tokio::test]
async fn every_message_is_taken_and_acknowledged() {
    let broker = Broker::start().await;
    let mut intake = Running::start(broker.port, source(), Duration::from_millis(50));
    intake.subscribed().await;
    broker.publish("skerry/tern", bodies(1000)).await;
    let messages = intake.messages(1000).await;
    assert_eq!(instants(&messages).len(), 1000);
    // Stopped with acknowledgements under way, which all must arrive.
    intake.stop().await;
    assert_eq!(broker.still_owes().await, 0);
}

#[tokio::test]
async fn what_is_published_during_an_outage_comes_afterwards() {
    let mut broker = Broker::start().await;
    let mut intake = Running::start(broker.port, source(), Duration::from_millis(50));
    intake.subscribed().await;
    broker.stop();
    intake
        .until(|status| status.connected_since_ms.is_none() && status.last_error.is_some())
        .await;
    broker.start_again().await;
    broker.publish("skerry/tern", bodies(10)).await;
    assert_eq!(instants(&intake.messages(10).await).len(), 10);
    assert!(intake.status.borrow().session_present);
    intake.stop().await;
}

#[tokio::test]
async fn a_backlog_does_not_wait_for_the_age_of_batches() {
    let broker = Broker::start().await;
    let mut intake = Running::start(broker.port, source(), Duration::from_secs(5));
    intake.subscribed().await;
    intake.stop().await;
    broker.publish("skerry/tern", bodies(8000)).await;

    let mut intake = Running::start(broker.port, source(), Duration::from_secs(5));
    let begun = std::time::Instant::now();
    assert_eq!(instants(&intake.messages(8000).await).len(), 8000);
    let took = begun.elapsed();
    // The broker sends some thousands before it waits; then it would be one such window every 5 s.
    assert!(took < Duration::from_secs(8), "{took:?}");
    intake.stop().await;
    assert_eq!(broker.still_owes().await, 0);
}

#[tokio::test]
async fn an_untimed_backlog_is_refused_and_acknowledged() {
    let broker = Broker::start().await;
    let untimed = || Source {
        time: None,
        ..source()
    };
    let mut intake = Running::start(broker.port, untimed(), Duration::from_secs(2));
    intake.subscribed().await;
    broker.publish("skerry/tern", bodies(3)).await;
    let live = intake.messages(3).await;
    assert!(live.iter().all(|message| message.decoded.readings.len() == 1));
    intake.stop().await;
    broker.publish("skerry/tern", bodies(500)).await;

    let mut intake = Running::start(broker.port, untimed(), Duration::from_secs(2));
    for message in intake.messages(500).await {
        assert_eq!(message.decoded.refusals[0].reason, Reason::Untimed);
        assert!(message.urgent);
    }
    intake.stop().await;
    assert_eq!(broker.still_owes().await, 0);
}
