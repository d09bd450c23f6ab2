//! Does packdrift as its own broker acknowledge what is committed, and nothing else?

use std::{collections::HashMap, sync::Arc, time::Duration};

use packdrift::{
    config::Source,
    intake::{
        Decoder, Inlet,
        clocks::Clocks,
        live::Live,
        own::{Own, OwnError},
    },
    reading::Reason,
};
use rumqttc::v5::{AsyncClient, Event, EventLoop, Incoming, MqttOptions, mqttbytes::QoS};

use crate::fixture::{Kept, json_source, setup, until};

/// Commits only when somebody waits.
const HARDLY_EVER: Duration = Duration::from_secs(60);

fn body(minute: u32) -> String {
    format!(r#"{{"at":"2026-01-10T08:{minute:02}:00Z","voltage":53.1}}"#)
}

async fn own(kept: &Kept) -> Own {
    let decoder = Arc::new(Decoder::new(&setup(vec![json_source("skerry/{instrument}")])));
    Own::bind(
        ([127, 0, 0, 1], 0).into(),
        Inlet::new(decoder, Live::default(), Clocks::new(0)),
        kept.writer.clone(),
    )
    .await
    .unwrap()
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
    let kept = Kept::start(HARDLY_EVER);
    let own = own(&kept).await;
    let (client, mut events) = publisher(&own);
    let (stop, stopped) = tokio::sync::oneshot::channel::<()>();
    let running = tokio::spawn(own.run(async { drop(stopped.await) }));
    client
        .publish("skerry/tern", QoS::AtLeastOnce, true, body(0))
        .await
        .unwrap();
    client
        .publish("skerry/puffin", QoS::AtLeastOnce, false, body(0))
        .await
        .unwrap();
    acknowledged(&mut events, 2).await;
    // Committed before the acknowledgement, so they are here already.
    assert_eq!((kept.readings(), kept.refused(Reason::UnknownInstrument)), (1, 1));
    client
        .publish("skerry/tern", QoS::AtMostOnce, false, body(1))
        .await
        .unwrap();
    let polling = tokio::spawn(async move { while events.poll().await.is_ok() {} });
    until(|| kept.readings() == 2).await;
    stop.send(()).unwrap();
    running.await.unwrap().unwrap();
    polling.await.unwrap();
}

#[tokio::test]
async fn what_is_repeated_after_a_restart_without_a_time_is_not_integrated() {
    let kept = Kept::start(HARDLY_EVER);
    let untimed = Source {
        time: None,
        ..json_source("skerry/{instrument}")
    };
    let decoder = Arc::new(Decoder::new(&setup(vec![untimed])));
    // As the store says after a start: tern has spoken before, every minute.
    let live = Live::restarted(HashMap::from([("skerry/tern".to_owned(), 60_000)]));
    let own = Own::bind(
        ([127, 0, 0, 1], 0).into(),
        Inlet::new(decoder, live, Clocks::new(0)),
        kept.writer.clone(),
    )
    .await
    .unwrap();
    let (client, mut events) = publisher(&own);
    let running = tokio::spawn(own.run(std::future::pending()));
    for minute in 0..50 {
        client
            .publish("skerry/tern", QoS::AtLeastOnce, false, body(minute))
            .await
            .unwrap();
    }
    client
        .publish("skerry/fulmar", QoS::AtLeastOnce, false, body(0))
        .await
        .unwrap();
    acknowledged(&mut events, 51).await;
    assert_eq!((kept.readings(), kept.refused(Reason::Untimed)), (1, 50));
    running.abort();
}

#[tokio::test]
async fn nothing_is_acknowledged_once_the_writer_has_stopped() {
    let kept = Kept::start(HARDLY_EVER);
    let own = own(&kept).await;
    // A writer that fails takes its thread along.
    assert!(
        kept.writer
            .run(|_| panic!("the writer fails, as this test wants"))
            .await
            .is_err()
    );
    let (client, mut events) = publisher(&own);
    let running = tokio::spawn(own.run(std::future::pending()));
    client
        .publish("skerry/tern", QoS::AtLeastOnce, false, body(0))
        .await
        .unwrap();
    while let Ok(event) = events.poll().await {
        assert!(!matches!(event, Event::Incoming(Incoming::PubAck(_))));
    }
    assert!(matches!(running.await.unwrap(), Err(OwnError::Writer(_))));
}

#[tokio::test]
async fn the_broker_opens_where_it_may_and_says_where_it_cannot() {
    let kept = Kept::start(HARDLY_EVER);
    let first = own(&kept).await;
    let bind = |listen| {
        let decoder = Arc::new(Decoder::new(&setup(Vec::new())));
        Own::bind(
            listen,
            Inlet::new(decoder, Live::default(), Clocks::new(0)),
            kept.writer.clone(),
        )
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
