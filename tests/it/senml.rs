//! Do SenML packs say here what RFC 8428 says that they say?

use ciborium::Value as Cbor;
use packdrift::{
    config::{ChannelAt, Format, InstrumentName, Source},
    intake::{
        Arrival, Decoder,
        senml::{Record, Time, Value as Said, resolve},
    },
    reading::{Channel, Channels, Decoded, Reason},
};
use serde_json::{Value, json};

use crate::fixture::{SHUNT, json_source, setup};

/// 2026-01-10T08:00:00Z.
const MORNING_MS: i64 = 1_768_032_000_000;

/// RFC 8428, sections 5.1.2 to 5.1.4.
fn published(name: &str) -> Value {
    let all: Value = serde_json::from_str(include_str!("../published/rfc8428_senml.json")).unwrap();
    all[name].clone()
}

/// A pack in CBOR, with the numbers for labels that RFC 8428 gives in table 6.
fn cbor(pack: &Value) -> Vec<u8> {
    let labels = [
        ("bver", -1),
        ("bn", -2),
        ("bt", -3),
        ("bu", -4),
        ("bv", -5),
        ("n", 0),
        ("u", 1),
        ("v", 2),
        ("vs", 3),
        ("vb", 4),
        ("t", 6),
    ];
    let value = |value: &Value| match value {
        Value::String(text) => Cbor::from(text.as_str()),
        Value::Bool(on) => Cbor::from(*on),
        number => Cbor::from(number.as_f64().unwrap()),
    };
    let record = |record: &Value| {
        let fields = record.as_object().unwrap().iter();
        Cbor::Map(
            fields
                .map(|(name, field)| {
                    let label = labels.iter().find(|label| label.0 == name).unwrap().1;
                    (Cbor::from(label), value(field))
                })
                .collect(),
        )
    };
    let pack = Cbor::Array(pack.as_array().unwrap().iter().map(record).collect());
    let mut bytes = Vec::new();
    ciborium::into_writer(&pack, &mut bytes).unwrap();
    bytes
}

fn expected(record: &Value) -> Record {
    Record {
        name: record["n"].as_str().unwrap().into(),
        unit: record["u"].as_str().map(str::to_owned),
        time: Time::Absolute(record["t"].as_f64().unwrap()),
        value: Some(Said::Number(record["v"].as_f64().unwrap())),
    }
}

#[test]
fn the_packs_of_the_rfc_resolve_as_it_says() {
    for (pack, resolved) in [("5.1.2_pack", "5.1.2_resolved"), ("5.1.3_pack", "5.1.4_resolved")] {
        let pack = published(pack);
        let expected: Vec<_> = published(resolved)
            .as_array()
            .unwrap()
            .iter()
            .map(expected)
            .collect();
        assert!(expected.len() > 6);
        assert_eq!(resolve(pack.to_string().as_bytes()).unwrap(), expected);
        assert_eq!(resolve(&cbor(&pack)).unwrap(), expected, "the same in CBOR");
    }
}

fn source() -> Source {
    Source {
        format: Format::Senml,
        instrument: Some(InstrumentName::Fixed(SHUNT)),
        time: None,
        channels: Vec::new(),
        ..json_source("cellar/meter7")
    }
}

fn decode(source: Source, body: &[u8], live: bool) -> Decoded {
    let arrival = Arrival {
        at_ms: MORNING_MS,
        live,
    };
    Decoder::new(&setup(vec![source])).decode("cellar/meter7", body, arrival)
}

fn reasons(decoded: &Decoded) -> Vec<Reason> {
    assert!(decoded.readings.is_empty());
    decoded.refusals.iter().map(|refusal| refusal.reason).collect()
}

#[test]
fn records_of_one_instant_are_one_reading() {
    let pack = json!([
        {"bn": "urn:dev:ow:10e2073a01080063:", "bt": 1_768_031_990.5, "n": "voltage", "u": "V", "v": 53.21},
        {"n": "current", "u": "mA", "v": -4200},
        {"n": "soc", "u": "/", "v": 0.615},
        {"n": "alive", "vb": true},
        {"n": "humidity", "u": "%RH", "v": 40},
        {"n": "current", "u": "A", "t": 1, "v": -4.3},
    ]);
    for body in [pack.to_string().into_bytes(), cbor(&pack)] {
        let decoded = decode(source(), &body, false);
        assert_eq!(decoded.refusals, []);
        let said: Vec<_> = decoded
            .readings
            .iter()
            .map(|reading| (reading.at_ms, reading.channels))
            .collect();
        let first = [
            (Channel::Voltage, 53_210),
            (Channel::Current, -4200),
            (Channel::Soc, 615),
            (Channel::Alive, 1),
        ];
        assert_eq!(
            said,
            [
                (1_768_031_990_500, Channels::from_iter(first)),
                (
                    1_768_031_991_500,
                    Channels::from_iter([(Channel::Current, -4300)])
                ),
            ]
        );
    }
}

#[test]
fn times_relative_to_now_need_a_now() {
    let pack = br#"[{"n":"current","t":-5,"v":1.2},{"n":"current","v":1.7}]"#;
    let decoded = decode(source(), pack, true);
    let at: Vec<_> = decoded.readings.iter().map(|reading| reading.at_ms).collect();
    assert_eq!(at, [MORNING_MS - 5000, MORNING_MS]);
    assert_eq!(reasons(&decode(source(), pack, false)), [Reason::Untimed]);
}

#[test]
fn records_may_be_called_otherwise() {
    let source = Source {
        channels: vec![ChannelAt {
            channel: Channel::Current,
            pointer: "i".into(),
            scale: -1.0,
        }],
        ..source()
    };
    let decoded = decode(
        source,
        br#"[{"bn":"x/","bt":1768031990,"n":"i","u":"A","v":2},{"n":"current","v":9}]"#,
        false,
    );
    assert_eq!(decoded.readings.len(), 1);
    assert_eq!(decoded.readings[0].channels.get(Channel::Current), Some(-2000));
}

#[test]
fn what_is_no_pack_or_of_another_unit_is_refused() {
    for (body, reason) in [
        ("", Reason::Empty),
        ("{}", Reason::Malformed),
        ("[1]", Reason::Malformed),
        (r#"[{"bver":11,"n":"current","v":1}]"#, Reason::Malformed),
        (r#"[{"n":"current","v":1,"urgent_":true}]"#, Reason::Malformed),
        (r#"[{"n":"current","v":"1"}]"#, Reason::Malformed),
        (r#"[{"n":"-current","v":1}]"#, Reason::Malformed),
        (r#"[{"v":1}]"#, Reason::Malformed),
        (r#"[{"n":"humidity","bt":1768031990,"v":1}]"#, Reason::Empty),
        (
            r#"[{"n":"current","bt":1768031990,"u":"V","v":1}]"#,
            Reason::Malformed,
        ),
        (
            r#"[{"n":"current","bt":1768031990,"u":"A","v":1e9}]"#,
            Reason::OutOfRange,
        ),
        (
            r#"[{"n":"current","bt":1768031990,"vs":"much"}]"#,
            Reason::NotANumber,
        ),
    ] {
        assert_eq!(
            reasons(&decode(source(), body.as_bytes(), true)),
            [reason],
            "{body}"
        );
    }
    assert_eq!(
        reasons(&decode(source(), &[0x81, 0xff], true)),
        [Reason::Malformed]
    );
}
