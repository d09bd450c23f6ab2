//! What does a message say, and does nothing that arrives upset the decoder?

use std::path::PathBuf;

use packdrift::{
    config::{ChannelAt, InstrumentName, Source},
    intake::{Arrival, Decoder, instant},
    reading::{Channel, Channels, Decoded, Reading, Reason},
};
use proptest::prelude::*;
use serde_json::{Value, json};

use crate::fixture::{SHUNT, TERN, json_source, number_source, setup};

/// 2026-01-10T08:00:00Z.
const MORNING_MS: i64 = 1_768_032_000_000;

fn live(source: Source, topic: &str, body: &str) -> Decoded {
    decode(source, topic, body, true)
}

fn decode(source: Source, topic: &str, body: &str, live: bool) -> Decoded {
    let arrival = Arrival {
        at_ms: MORNING_MS,
        live,
    };
    Decoder::new(&setup(vec![source])).decode(topic, body.as_bytes(), arrival)
}

fn readings(decoded: Decoded) -> Vec<Reading> {
    assert!(decoded.refusals.is_empty(), "{:?}", decoded.refusals);
    decoded.readings
}

fn reasons(decoded: &Decoded) -> Vec<Reason> {
    decoded.refusals.iter().map(|refusal| refusal.reason).collect()
}

fn refused(source: Source, topic: &str, body: &str) -> Reason {
    let decoded = live(source, topic, body);
    assert!(decoded.readings.is_empty(), "{body}: {:?}", decoded.readings);
    let reasons = reasons(&decoded);
    assert_eq!(reasons.len(), 1, "{body}: {reasons:?}");
    reasons[0]
}

fn refused_document(body: &str) -> Reason {
    refused(json_source("{instrument}"), "tern", body)
}

#[test]
fn of_two_sources_that_follow_one_another_the_time_in_a_message_chooses() {
    let change_ms = MORNING_MS - 3_600_000;
    let before = Source {
        until_ms: Some(change_ms),
        ..json_source("skerry/{instrument}/reading")
    };
    let after = Source {
        charging_negative: true,
        from_ms: Some(change_ms),
        ..json_source("skerry/{instrument}/reading")
    };
    let decoder = Decoder::new(&setup(vec![before.clone(), after.clone()]));
    let arrival = Arrival {
        at_ms: MORNING_MS,
        live: true,
    };
    let decode = |body: &str| decoder.decode("skerry/tern/reading", body.as_bytes(), arrival);
    let current = |at: &str| {
        let told = readings(decode(&format!(r#"{{"at":"{at}","current":-4.2}}"#)));
        told[0].channels.get(Channel::Current)
    };
    // What was stored on the way before the change comes behind it.
    assert_eq!(current("2026-01-10T06:59:59.999Z"), Some(-4200));
    assert_eq!(current("2026-01-10T07:00:00Z"), Some(4200));
    // What can't be read is refused by the source that holds now, once.
    let unread = decode(r#"{"at":"2026-01-10T06:00:00Z","current":"warm"}"#);
    assert_eq!(reasons(&unread), [Reason::NotANumber]);

    let late = Source {
        from_ms: Some(MORNING_MS + 1),
        ..after
    };
    let decoder = Decoder::new(&setup(vec![before, late]));
    let nobodys = decoder.decode(
        "skerry/tern/reading",
        br#"{"at":"2026-01-10T07:30:00Z","current":1}"#,
        arrival,
    );
    assert_eq!(reasons(&nobodys), [Reason::UnknownTopic]);
}

#[test]
fn a_document_is_a_reading() {
    let source = Source {
        charging_negative: true,
        channels: vec![
            ChannelAt {
                channel: Channel::Current,
                pointer: "/milliamps".into(),
                scale: 0.001,
            },
            ChannelAt {
                channel: Channel::Voltage,
                pointer: "/cell/volts".into(),
                scale: 1.0,
            },
            ChannelAt {
                channel: Channel::Connected,
                pointer: "/switch".into(),
                scale: 1.0,
            },
            ChannelAt {
                channel: Channel::Soc,
                pointer: "/soc".into(),
                scale: 1.0,
            },
        ],
        ..json_source("skerry/{instrument}/reading")
    };
    let body = r#"{"at":"2026-01-10T09:00:00.250+01:00","milliamps":-12345,"cell":{"volts":"53,21"},"switch":"on","soc":null}"#;
    assert_eq!(
        readings(live(source, "skerry/tern/reading", body)),
        [Reading {
            instrument: TERN,
            at_ms: MORNING_MS + 250,
            channels: [
                (Channel::Current, 12_345),
                (Channel::Voltage, 53_210),
                (Channel::Connected, 1)
            ]
            .into_iter()
            .collect(),
        }]
    );
}

#[test]
fn a_number_is_a_reading_of_its_topic() {
    let scaled = Source {
        channels: vec![ChannelAt {
            channel: Channel::Current,
            pointer: String::new(),
            scale: 0.1,
        }],
        ..number_source("skerry/{instrument}_{channel}")
    };
    let value = |topic: &str, body: &str, channel| {
        let readings = readings(live(scaled.clone(), topic, body));
        assert_eq!(readings[0].at_ms, MORNING_MS);
        readings[0].channels.get(channel)
    };
    assert_eq!(value("skerry/tern_current", "-31", Channel::Current), Some(-3100));
    assert_eq!(
        value("skerry/tern_cell_min", " 3.2005\n", Channel::CellMin),
        Some(3201)
    );
    assert_eq!(
        value("skerry/tern_temperature", "-0,05", Channel::Temperature),
        Some(-1)
    );
    assert_eq!(value("skerry/tern_connected", "OFF", Channel::Connected), Some(0));

    let named = Source {
        instrument: Some(InstrumentName::Fixed(SHUNT)),
        channels: vec![ChannelAt {
            channel: Channel::Voltage,
            pointer: String::new(),
            scale: 1.0,
        }],
        ..number_source("cellar/volts")
    };
    assert_eq!(readings(live(named, "cellar/volts", "52.8"))[0].instrument, SHUNT);
}

#[test]
fn one_bad_pack_of_a_message_leaves_the_others() {
    let each = Source {
        each: Some("/packs".into()),
        instrument: Some(InstrumentName::Pointer("/name".into())),
        ..json_source("skerry/all")
    };
    let body = json!({"at": MORNING_MS, "packs": [
        {"name": "tern", "voltage": 53.0},
        {"name": "fulmar", "voltage": 530.0, "current": 1.0},
        {"name": "puffin", "voltage": 53.0},
        {"name": "shunt", "current": -2.5, "at": MORNING_MS - 1000},
    ]});
    let decoded = live(each, "skerry/all", &body.to_string());
    assert_eq!(reasons(&decoded), [Reason::OutOfRange, Reason::UnknownInstrument]);
    let instants: Vec<_> = decoded.readings.iter().map(|r| (r.instrument, r.at_ms)).collect();
    assert_eq!(instants, [(TERN, MORNING_MS), (SHUNT, MORNING_MS - 1000)]);

    let keyed = Source {
        each: Some(String::new()),
        time: None,
        ..json_source("skerry/all")
    };
    let decoded = live(keyed, "skerry/all", r#"{"tern":{"voltage":53},"fulmar":{}}"#);
    assert_eq!(decoded.readings[0].instrument, TERN);
    assert_eq!(reasons(&decoded), [Reason::Empty]);
}

#[test]
fn refusals_say_what_is_wrong() {
    let numbers = || number_source("skerry/{instrument}_{channel}");
    assert_eq!(
        refused(numbers(), "skerry/tern_current/x", "1"),
        Reason::UnknownTopic
    );
    assert_eq!(
        refused(numbers(), "skerry/puffin_current", "1"),
        Reason::UnknownInstrument
    );
    assert_eq!(
        refused(numbers(), "skerry/tern_humour", "1"),
        Reason::UnknownChannel
    );
    assert_eq!(
        refused(numbers(), "skerry/tern_current", "unknown"),
        Reason::NotANumber
    );
    assert_eq!(
        refused(numbers(), "skerry/tern_current", "-inf"),
        Reason::NotANumber
    );
    assert_eq!(
        refused(numbers(), "skerry/tern_current", "1,000.5"),
        Reason::NotANumber
    );
    assert_eq!(refused(numbers(), "skerry/tern_current", ""), Reason::Empty);
    assert_eq!(
        refused(numbers(), "skerry/tern_connected", "2"),
        Reason::OutOfRange
    );
    assert_eq!(
        refused(numbers(), "skerry/tern_connected", "0.5"),
        Reason::OutOfRange
    );

    for (body, reason) in [
        (r#"{"at":1768032000,"voltage":NaN}"#, Reason::Malformed),
        (r#"{"at":1768032000,"voltage":1e999}"#, Reason::Malformed),
        (r#"{"at":1768032000,"voltage":1e300}"#, Reason::OutOfRange),
        (r#"{"at":1768032000,"voltage":"NaN"}"#, Reason::NotANumber),
        (r#"{"at":1768032000,"voltage":[53]}"#, Reason::NotANumber),
        (r#"{"at":1768032000,"voltage":true}"#, Reason::NotANumber),
        (
            r#"{"at":1768032000,"voltage":53,"soc":100.06}"#,
            Reason::OutOfRange,
        ),
        (r#"{"at":1768032000,"soc":-0.1}"#, Reason::OutOfRange),
        (r#"{"at":1768032000,"current":600.001}"#, Reason::OutOfRange),
        (r#"{"at":1768032000,"temperature":-60.1}"#, Reason::OutOfRange),
        (r#"{"at":1768032000,"cell_max":5.001}"#, Reason::OutOfRange),
        (r#"{"at":1768032000,"amps":1}"#, Reason::Empty),
        (r#"{"at":1768032000,"current":null}"#, Reason::Empty),
        (r#"{"voltage":53}"#, Reason::BadTime),
        (r#"{"at":"yesterday","voltage":53}"#, Reason::BadTime),
        (r#"{"at":{},"voltage":53}"#, Reason::BadTime),
        // A clock chip that lost its time counts on from 2000.
        (
            r#"{"at":"2000-01-01T00:00:05Z","voltage":53}"#,
            Reason::ImplausibleTime,
        ),
        (r#"{"at":1262303999,"voltage":53}"#, Reason::ImplausibleTime),
        (
            r#"{"at":"2026-01-11T08:00:00.001Z","voltage":53}"#,
            Reason::ImplausibleTime,
        ),
        (r#"{"at":1768032000"#, Reason::Malformed),
        ("", Reason::Empty),
    ] {
        assert_eq!(refused_document(body), reason, "{body}");
    }
    assert_eq!(refused_document(&"[".repeat(100_000)), Reason::Malformed);
}

#[test]
fn values_at_their_limits_are_taken() {
    for body in [
        r#"{"at":"2026-01-11T08:00:00Z","soc":100.04,"current":-600,"cell_min":1,"temperature":120}"#,
        r#"{"at":"2010-01-01T00:00:00Z","soc":0,"voltage":16}"#,
    ] {
        readings(live(json_source("{instrument}"), "tern", body));
    }
}

#[test]
fn without_a_time_only_live_messages_are_readings() {
    let untimed = Source {
        time: None,
        ..json_source("{instrument}")
    };
    let stored = decode(untimed.clone(), "tern", r#"{"voltage":53}"#, false);
    assert_eq!(reasons(&stored), [Reason::Untimed]);
    assert_eq!(
        readings(decode(untimed, "tern", r#"{"voltage":53}"#, true))[0].at_ms,
        MORNING_MS
    );

    let timed = decode(
        json_source("{instrument}"),
        "tern",
        r#"{"at":1768031000,"voltage":53}"#,
        false,
    );
    assert_eq!(readings(timed)[0].at_ms, MORNING_MS - 1_000_000);
}

#[test]
fn counts_since_1970_are_told_apart_by_magnitude() {
    for text in [
        "1768032000",
        "1768032000000",
        "1768032000.0004",
        " 1768031999999.7 ",
    ] {
        assert_eq!(instant::from_text(text), Some(MORNING_MS), "{text}");
    }
    assert_eq!(instant::from_text("1768032000000000000"), None);
}

#[test]
fn published_timestamps_are_read() {
    let published = published("rfc3339.json");
    let valid = published["valid"].as_array().unwrap();
    assert!(valid.len() >= 5);
    for example in valid {
        let text = example["s"].as_str().unwrap();
        let at_ms = instant::from_text(text).unwrap_or_else(|| panic!("{text}"));
        if let Some(unix) = example["unix"].as_f64() {
            assert_eq!(instant::from_count(unix), Some(at_ms), "{text}");
        }
        if let Some(same) = example["same_instant_as"].as_str() {
            assert_eq!(instant::from_text(same), Some(at_ms), "{text}");
        }
        if example["leap"] == json!(true) {
            assert_eq!(instant::from_text("1991-01-01T00:00:00Z"), Some(at_ms), "{text}");
        }
    }
}

#[test]
fn published_pointers_find_their_values() {
    let published = published("rfc6901.json");
    let examples = published["pointers"].as_array().unwrap();
    assert_eq!(examples.len(), 12);
    let mut numbers = 0;
    for example in examples {
        let (pointer, expected) = (example[0].as_str().unwrap(), &example[1]);
        let source = Source {
            time: None,
            channels: vec![ChannelAt {
                channel: Channel::Charge,
                pointer: pointer.into(),
                scale: 1.0,
            }],
            ..json_source("{instrument}")
        };
        let decoded = live(source, "tern", &published["doc"].to_string());
        match expected.as_i64() {
            Some(ah) => {
                assert_eq!(
                    readings(decoded)[0].channels.get(Channel::Charge),
                    Some(ah * 1000),
                    "{pointer}"
                );
                numbers += 1;
            }
            None => assert_eq!(reasons(&decoded), [Reason::NotANumber], "{pointer}"),
        }
    }
    assert_eq!(numbers, 9);
}

fn published(file: &str) -> Value {
    let path = PathBuf::from(env!("CARGO_MANIFEST_DIR"))
        .join("tests/published")
        .join(file);
    serde_json::from_slice(&std::fs::read(path).unwrap()).unwrap()
}

/// Channels that an instrument of [`setup`] can report, at least one of them.
fn possible_channels() -> impl Strategy<Value = Channels> {
    let range = |channel| match channel {
        Channel::Current => -600_000..=600_000,
        Channel::Voltage => 16_000..=80_000,
        Channel::Soc => 0..=1000,
        Channel::Charge => -10_000_000_000..=10_000_000_000,
        Channel::Temperature => -600..=1200,
        Channel::CellMin | Channel::CellMax => 1000..=5000,
        Channel::Connected | Channel::Alive => 0..=1_i64,
    };
    Channel::ALL
        .map(|channel| proptest::option::of(range(channel).prop_map(move |value| (channel, value))))
        .prop_map(|values| values.into_iter().flatten().collect::<Channels>())
        .prop_filter("a reading has a channel", |channels| !channels.is_empty())
}

#[expect(clippy::cast_precision_loss, reason = "kept values are far below 2^53")]
fn written(reading: &Reading, sign: f64) -> String {
    let mut body = json!({"at": reading.at_ms});
    for (channel, value) in reading.channels.iter() {
        let sign = if channel == Channel::Current { sign } else { 1.0 };
        body[channel.name()] = json!(sign * value as f64 / channel.kept_per_unit());
    }
    body.to_string()
}

/// JSON of any shape, with the names and values that the decoder looks for among others.
fn any_json() -> impl Strategy<Value = Value> {
    let text = prop_oneof![
        ".*",
        Just("NaN".into()),
        Just("3,31".into()),
        Just("tern".into()),
        Just("2026-01-10T08:00:00Z".into())
    ];
    let leaf = prop_oneof![
        Just(Value::Null),
        any::<bool>().prop_map(Value::from),
        any::<f64>().prop_map(Value::from),
        any::<i64>().prop_map(Value::from),
        text.prop_map(Value::from),
    ];
    leaf.prop_recursive(4, 32, 6, |inner| {
        let name = prop_oneof![
            Just("at".to_owned()),
            Just("packs".to_owned()),
            Just("name".to_owned()),
            Just("tern".to_owned()),
            Just("current".to_owned()),
            Just("connected".to_owned()),
            ".{0,3}",
        ];
        prop_oneof![
            proptest::collection::vec(inner.clone(), 0..6).prop_map(Value::from),
            proptest::collection::hash_map(name, inner, 0..6)
                .prop_map(|fields| Value::Object(fields.into_iter().collect())),
        ]
    })
}

fn every_source() -> Decoder {
    Decoder::new(&setup(vec![
        json_source("a/{instrument}"),
        Source {
            each: Some("/packs".into()),
            ..json_source("b")
        },
        Source {
            each: Some(String::new()),
            instrument: Some(InstrumentName::Pointer("/name".into())),
            time: None,
            ..json_source("c")
        },
        number_source("{instrument}_{channel}"),
    ]))
}

proptest! {
    #[test]
    fn what_was_reported_is_what_is_read(channels in possible_channels(), before_ms in 0_i64..500_000_000_000) {
        let reading = Reading { instrument: TERN, at_ms: MORNING_MS - before_ms, channels };
        let body = written(&reading, 1.0);
        prop_assert_eq!(readings(live(json_source("{instrument}"), "tern", &body)), vec![reading]);
    }

    #[test]
    fn a_reversed_instrument_reads_the_same(channels in possible_channels()) {
        let reading = Reading { instrument: TERN, at_ms: MORNING_MS, channels };
        let reversed = Source { charging_negative: true, ..json_source("{instrument}") };
        prop_assert_eq!(readings(live(reversed, "tern", &written(&reading, -1.0))), vec![reading]);
    }

    #[test]
    fn any_bytes_on_any_topic_give_readings_or_refusals(
        topic in prop_oneof![".*", "a/tern", "b", "c", "(tern|shunt|x)_(current|connected|.*)"],
        body in prop_oneof![
            proptest::collection::vec(any::<u8>(), 0..200),
            ".*".prop_map(String::into_bytes),
            any_json().prop_map(|json| json.to_string().into_bytes()),
        ],
        at_ms: i64,
        live: bool,
    ) {
        let decoded = every_source().decode(&topic, &body, Arrival { at_ms, live });
        prop_assert!(!decoded.readings.is_empty() || !decoded.refusals.is_empty());
        for refusal in &decoded.refusals {
            prop_assert!(refusal.detail.len() < 500);
        }
    }
}
