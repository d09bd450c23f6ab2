//! What does a broker that refuses, or goes away at the wrong moment, do to the acknowledgements?

use std::{
    io::{ErrorKind, Read, Write},
    net::{TcpListener, TcpStream},
    sync::Arc,
    thread,
    time::Duration,
};

use packdrift::intake::{
    Decoder, Inlet,
    clocks::Clocks,
    live::Live,
    mqtt::{self, Status},
};
use tokio::{sync::watch, time::timeout};

use crate::{
    fixture::{Kept, json_source, setup},
    harness::plain_mqtt,
};

const PATIENCE: Duration = Duration::from_secs(10);

const CONNACK_NEW: [u8; 5] = [0x20, 3, 0, 0, 0];
const CONNACK_RESUMED: [u8; 5] = [0x20, 3, 1, 0, 0];
const SUBSCRIBE: u8 = 0x80;
const PUBACK: u8 = 0x40;

/// A broker's end of one connection, byte by byte.
struct Peer(TcpStream);

impl Peer {
    fn accept(listener: &TcpListener, connack: &[u8]) -> Self {
        let (stream, _) = listener.accept().unwrap();
        stream.set_read_timeout(Some(PATIENCE)).unwrap();
        let mut peer = Self(stream);
        peer.packet().unwrap();
        peer.0.write_all(connack).unwrap();
        peer
    }

    /// The next packet's first byte and what follows its length; `None` where nothing comes.
    fn packet(&mut self) -> Option<(u8, Vec<u8>)> {
        let mut head = [0; 2];
        match self.0.read_exact(&mut head) {
            Err(error) if matches!(error.kind(), ErrorKind::WouldBlock | ErrorKind::TimedOut) => return None,
            read => read.unwrap(),
        }
        assert!(head[1] < 0x80, "a short packet");
        let mut rest = vec![0; head[1].into()];
        self.0.read_exact(&mut rest).unwrap();
        Some((head[0], rest))
    }

    fn grant(&mut self, codes: &[u8]) {
        let (kind, rest) = self.packet().unwrap();
        assert_eq!(kind & 0xf0, SUBSCRIBE);
        let mut suback = vec![0x90, 3 + u8::try_from(codes.len()).unwrap(), rest[0], rest[1], 0];
        suback.extend(codes);
        self.0.write_all(&suback).unwrap();
    }

    /// Sends messages of quality of service 1 and what follows them in one piece.
    fn publish(&mut self, packet_ids: impl IntoIterator<Item = u8>, then: &[u8]) {
        let body = br#"{"at":1768032000,"voltage":53}"#;
        let topic = b"skerry/tern";
        let mut bytes = Vec::new();
        for packet_id in packet_ids {
            bytes.extend([
                0x32,
                u8::try_from(2 + topic.len() + 3 + body.len()).unwrap(),
                0,
                11,
            ]);
            bytes.extend(topic);
            bytes.extend([0, packet_id, 0]);
            bytes.extend(body);
        }
        bytes.extend(then);
        self.0.write_all(&bytes).unwrap();
    }
}

fn start(port: u16, commit_after: Duration) -> (watch::Receiver<Status>, tokio::task::JoinHandle<()>) {
    let kept = Kept::start(commit_after);
    let writer = kept.writer.clone();
    let (status, seen) = watch::channel(Status::default());
    let sources = vec![
        json_source("skerry/{instrument}"),
        json_source("cellar/{instrument}"),
    ];
    let decoder = Arc::new(Decoder::new(&setup(sources)));
    let broker = plain_mqtt(port);
    let task = tokio::spawn(async move {
        mqtt::run(
            broker,
            Inlet::new(decoder, Live::default(), Clocks::new(0)),
            Vec::new(),
            writer,
            status,
            std::future::pending(),
        )
        .await
        .unwrap();
        drop(kept);
    });
    (seen, task)
}

#[tokio::test]
async fn a_refused_subscription_is_told_by_its_filter() {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let (mut status, task) = start(listener.local_addr().unwrap().port(), Duration::from_millis(50));
    let peer = thread::spawn(move || {
        let mut peer = Peer::accept(&listener, &CONNACK_NEW);
        peer.grant(&[0x87, 1]);
        peer
    });
    let refused = status.wait_for(|status| !status.refused_filters.is_empty());
    let refused = timeout(PATIENCE, refused)
        .await
        .unwrap()
        .unwrap()
        .refused_filters
        .clone();
    assert_eq!(refused, ["cellar/+"]);
    task.abort();
    peer.join().unwrap();
}

#[tokio::test]
async fn no_acknowledgement_outlives_its_connection() {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let (mut status, task) = start(listener.local_addr().unwrap().port(), Duration::from_secs(1));
    let (release, reconnect) = std::sync::mpsc::channel();
    let peer = thread::spawn(move || {
        let mut peer = Peer::accept(&listener, &CONNACK_NEW);
        peer.grant(&[1, 1]);
        // The grant is read by itself.
        thread::sleep(Duration::from_millis(100));
        // Gone before the commit, by a packet that isn't one, read in one go with the messages before it.
        peer.publish(1..=8, &[0, 0]);
        drop(peer);
        reconnect.recv().unwrap();
        let mut peer = Peer::accept(&listener, &CONNACK_RESUMED);
        peer.0.set_read_timeout(Some(Duration::from_secs(2))).unwrap();
        assert_eq!(
            peer.packet(),
            None,
            "acknowledges what this connection never sent"
        );
        // Its own messages are acknowledged in order.
        peer.publish([5, 6], &[]);
        peer.0.set_read_timeout(Some(PATIENCE)).unwrap();
        for packet_id in [5, 6] {
            let (kind, rest) = peer.packet().unwrap();
            assert_eq!((kind, &rest[..2]), (PUBACK, &[0, packet_id][..]));
        }
    });
    // What was read is taken when it came, not when the next connection stands.
    timeout(PATIENCE, status.wait_for(|status| status.taken == 8))
        .await
        .unwrap()
        .unwrap();
    release.send(()).unwrap();
    timeout(PATIENCE, status.wait_for(|status| status.taken == 10))
        .await
        .unwrap()
        .unwrap();
    tokio::task::spawn_blocking(move || peer.join().unwrap())
        .await
        .unwrap();
    task.abort();
}
