//! Does packdrift as its own broker acknowledge what is committed, and nothing else?

use std::{sync::Arc, time::Duration};

use packdrift::{
    intake::{
        Decoder,
        own::{Own, OwnError},
    },
    reading::Reason,
    store::writer::{Message, Writer},
};
use rumqttc::v5::{AsyncClient, Event, EventLoop, Incoming, MqttOptions, mqttbytes::QoS};
use tokio::sync::mpsc::UnboundedReceiver;

use crate::fixture::{json_source, setup};

const BODY: &str = r#"{"at":"2026-01-10T08:00:00Z","voltage":53.1}"#;

async fn own() -> (Own, UnboundedReceiver<Message>) {
    let (writer, messages) = Writer::stub(Duration::from_secs(60));
    let decoder = Arc::new(Decoder::new(&setup(vec![json_source("skerry/{instrument}")])));
    let own = Own::bind(([127, 0, 0, 1], 0).into(), decoder, writer)
        .await
        .unwrap();
    (own, messages)
}

fn publisher(own: &Own) -> (AsyncClient, EventLoop) {
    let mut options = MqttOptions::new("board", "127.0.0.1", own.local_addr().port());
    options.set_keep_alive(Duration::from_secs(5));
    AsyncClient::new(options, 100)
}

/// Polls until so many publishes are acknowledged.
async fn acknowledged(events: &mut EventLoop, count: usize) {
    let mut seen = 0;
    while seen < count {
        if let Event::Incoming(Incoming::PubAck(_)) = events.poll().await.unwrap() {
            seen += 1;
        }
    }
}

#[tokio::test]
async fn a_publish_is_acknowledged_after_its_commit() {
    let (own, mut messages) = own().await;
    let (client, mut events) = publisher(&own);
    let (stop, stopped) = tokio::sync::oneshot::channel::<()>();
    let running = tokio::spawn(own.run(async { drop(stopped.await) }));
    client
        .publish("skerry/tern", QoS::AtLeastOnce, true, BODY)
        .await
        .unwrap();
    client
        .publish("skerry/puffin", QoS::AtLeastOnce, false, BODY)
        .await
        .unwrap();
    acknowledged(&mut events, 2).await;
    // Committed before the acknowledgement, so they are here already.
    let first = messages.try_recv().unwrap();
    assert!(first.urgent);
    assert_eq!(first.decoded.readings.len(), 1);
    let second = messages.try_recv().unwrap();
    assert_eq!(second.decoded.refusals[0].reason, Reason::UnknownInstrument);
    client
        .publish("skerry/tern", QoS::AtMostOnce, false, BODY)
        .await
        .unwrap();
    let polling = tokio::spawn(async move { while events.poll().await.is_ok() {} });
    assert_eq!(messages.recv().await.unwrap().topic, "skerry/tern");
    stop.send(()).unwrap();
    running.await.unwrap().unwrap();
    polling.await.unwrap();
}

#[tokio::test]
async fn nothing_is_acknowledged_once_the_writer_has_stopped() {
    let decoder = Arc::new(Decoder::new(&setup(vec![json_source("skerry/{instrument}")])));
    let own = Own::bind(([127, 0, 0, 1], 0).into(), decoder, Writer::stopped())
        .await
        .unwrap();
    let (client, mut events) = publisher(&own);
    let running = tokio::spawn(own.run(std::future::pending()));
    client
        .publish("skerry/tern", QoS::AtLeastOnce, false, BODY)
        .await
        .unwrap();
    while let Ok(event) = events.poll().await {
        assert!(!matches!(event, Event::Incoming(Incoming::PubAck(_))));
    }
    assert!(matches!(running.await.unwrap(), Err(OwnError::Writer(_))));
}

#[tokio::test]
async fn the_broker_opens_where_it_may_and_says_where_it_cannot() {
    let (first, _messages) = own().await;
    let bind = |listen| {
        let decoder = Arc::new(Decoder::new(&setup(Vec::new())));
        Own::bind(listen, decoder, Writer::stopped())
    };
    assert!(matches!(
        bind(first.local_addr()).await,
        Err(OwnError::Bind { .. })
    ));
    assert!(matches!(
        bind(([0, 0, 0, 0], 0).into()).await,
        Err(OwnError::NotLoopback(_))
    ));
}
