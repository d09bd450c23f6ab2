//! What becomes of messages that can't be taken: malformed ones, and ones that nobody can date?

use std::{fs, thread, time::Duration};

use crate::{
    harness::{Mosquitto, Packdrift, Publisher, eventually, number},
    scenario::{reading, setup_with_broker, setup_without_time},
};

#[test]
fn ten_thousand_malformed_messages_stop_nothing() {
    const GOOD: i64 = 3000;
    let folder = tempfile::tempdir().unwrap();
    let mosquitto = Mosquitto::start(folder.path());
    fs::write(
        folder.path().join("setup.toml"),
        setup_with_broker(mosquitto.port),
    )
    .unwrap();
    let packdrift = Packdrift::start(folder.path());
    packdrift.subscribed();
    let since = packdrift.get("/v1/health").1["broker"]["connected_since"].clone();

    let bad = |n: i64| -> (&'static str, Vec<u8>) {
        let topic = "skerry/tern/reading";
        match n % 10 {
            0 => (topic, Vec::new()),
            1 => (topic, b"{".to_vec()),
            2 => (topic, b"\xff\xfe\x00".to_vec()),
            3 => (
                topic,
                br#"{"at": "2026-01-01T00:00:00Z", "amps": "NaN"}"#.to_vec(),
            ),
            4 => (topic, br#"{"at": "2026-01-01T00:00:00Z", "amps": 1e9}"#.to_vec()),
            5 => (topic, br#"{"at": "yesterday", "amps": 1}"#.to_vec()),
            6 => (topic, br#"{"at": "1999-01-01T00:00:00Z", "amps": 1}"#.to_vec()),
            7 => (
                "skerry/albatross/reading",
                br#"{"at": "2026-01-01T00:00:00Z", "amps": 1}"#.to_vec(),
            ),
            8 => (topic, "[".repeat(100_000 / 10).into_bytes()),
            _ => (topic, br#"{"at": "2026-01-01T00:00:00Z"}"#.to_vec()),
        }
    };
    let mut publisher = Publisher::connect(mosquitto.port, "instruments").unwrap();
    let good: Vec<_> = (0..GOOD).map(reading).collect();
    let mut messages = Vec::new();
    for n in 0..10_000 {
        messages.push(bad(n));
        if let Some((topic, body, ..)) = usize::try_from(n).ok().and_then(|n| good.get(n)) {
            messages.push((topic.as_str(), body.clone()));
        }
    }
    publisher.publish_all(messages).unwrap();

    eventually("all is dealt with", Duration::from_secs(60), || {
        number(
            folder.path(),
            "SELECT coalesce(sum(messages), 0) FROM refusal_count",
        ) >= 10_000
            && number(folder.path(), "SELECT count(*) FROM reading") >= GOOD
    });
    assert_eq!(
        number(folder.path(), "SELECT sum(messages) FROM refusal_count"),
        10_000
    );
    assert_eq!(number(folder.path(), "SELECT count(*) FROM reading"), GOOD);
    let (_, quarantine) = packdrift.get("/v1/quarantine");
    let reasons: std::collections::BTreeSet<_> = quarantine["counts"]
        .as_array()
        .unwrap_or_else(|| panic!("{quarantine}"))
        .iter()
        .map(|line| line["reason"].as_str().unwrap())
        .collect();
    assert!(reasons.len() >= 6, "{reasons:?}");
    assert_eq!(
        packdrift.get("/v1/health").1["broker"]["connected_since"],
        since,
        "the connection dropped"
    );
    assert_eq!(packdrift.stop(), Some(0));
}

#[test]
fn what_the_broker_had_stored_is_never_integrated_without_a_time() {
    const BACKLOG: i64 = 1440;
    let folder = tempfile::tempdir().unwrap();
    let mut mosquitto = Mosquitto::start(folder.path());
    fs::write(
        folder.path().join("setup.toml"),
        setup_without_time(mosquitto.port),
    )
    .unwrap();
    let body = |n: i64| format!(r#"{{"volts": 53.2, "amps": {}, "soc": 60}}"#, n % 50).into_bytes();

    // Live: taken at its arrival. Both speak, so that there is a bank to speak of.
    let packdrift = Packdrift::start(folder.path());
    packdrift.subscribed();
    let mut publisher = Publisher::connect(mosquitto.port, "instruments").unwrap();
    for n in 0..8 {
        publisher.publish("skerry/tern/reading", &body(n)).unwrap();
        publisher.publish("skerry/shunt/reading", &body(n)).unwrap();
        thread::sleep(Duration::from_millis(150));
    }
    eventually("live readings are taken", Duration::from_secs(10), || {
        number(folder.path(), "SELECT count(*) FROM reading") == 16
    });

    // Redelivered: what was not acknowledged before a kill comes again.
    publisher.publish("skerry/tern/reading", &body(1)).unwrap();
    packdrift.kill();
    // Live readings; the last one among them where its commit came before the kill.
    let live = number(folder.path(), "SELECT count(*) FROM reading");
    assert!((16..=17).contains(&live), "{live}");
    // A day's backlog of a minute each, and a retained message.
    publisher
        .publish_all((0..BACKLOG).map(|n| ("skerry/tern/reading", body(n))))
        .unwrap();
    publisher.send("skerry/fulmar/reading", &body(0), true).unwrap();
    publisher.acknowledged().unwrap();
    drop(publisher);
    mosquitto.restart();

    let packdrift = Packdrift::start(folder.path());
    packdrift.subscribed();
    eventually("the backlog is dealt with", Duration::from_secs(60), || {
        number(
            folder.path(),
            "SELECT coalesce(sum(messages), 0) FROM refusal_count WHERE reason = 'untimed'",
        ) > BACKLOG
    });
    assert_eq!(
        number(folder.path(), "SELECT count(*) FROM reading"),
        live,
        "nothing of it became a reading"
    );
    let untimed = number(
        folder.path(),
        "SELECT sum(messages) FROM refusal_count WHERE reason = 'untimed'",
    );
    // What was not acknowledged before the kill comes again: the last one, on a slow machine all of them.
    assert!((BACKLOG + 1..=BACKLOG + 18).contains(&untimed), "{untimed}");
    assert_eq!(packdrift.stop(), Some(0));
}

#[test]
fn what_an_earlier_setup_subscribed_to_does_not_go_on_coming() {
    let folder = tempfile::tempdir().unwrap();
    let mosquitto = Mosquitto::start(folder.path());
    let setup = setup_with_broker(mosquitto.port);
    let too_wide =
        setup.clone() + "\n[[source]]\ntopic = \"hut/{instrument}/{channel}\"\nformat = \"number\"\n";
    for (served, text) in (1..).zip([too_wide, setup]) {
        fs::write(folder.path().join("setup.toml"), text).unwrap();
        let packdrift = Packdrift::start(folder.path());
        packdrift.subscribed();
        eventually("the setup is kept", Duration::from_secs(10), || {
            number(folder.path(), "SELECT count(*) FROM setup_version") == served
        });
        assert_eq!(packdrift.stop(), Some(0));
    }

    let packdrift = Packdrift::start(folder.path());
    packdrift.subscribed();
    let mut publisher = Publisher::connect(mosquitto.port, "instruments").unwrap();
    for n in 0..2 {
        publisher.publish("hut/kitchen/lamp", b"1").unwrap();
        let (topic, body, ..) = reading(n);
        publisher.publish(&topic, &body).unwrap();
    }
    eventually("readings come", Duration::from_secs(10), || {
        number(folder.path(), "SELECT count(*) FROM reading") == 2
    });
    assert_eq!(number(folder.path(), "SELECT count(*) FROM refusal_count"), 0);
    assert_eq!(packdrift.stop(), Some(0));
}
