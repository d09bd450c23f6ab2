//! A small bank and its sources, as the setup file would give them.

use std::{path::PathBuf, time::Duration};

use packdrift::{
    config::{
        Api, Bank, Broker, ChannelAt, Chemistry, Format, FullCharge, Held, InstrumentEntry, Losses, Pack,
        Part, Reference, Reporting, Role, Setup, Source, Store, TopicPattern,
    },
    reading::{Channel, Instrument},
};

/// The reference of [`setup`].
pub const SHUNT: Instrument = Instrument(0);
/// The first pack of [`setup`].
pub const TERN: Instrument = Instrument(1);

/// A bank "skerry" with the reference "shunt" and the packs "tern" and "fulmar".
pub fn setup(sources: Vec<Source>) -> Setup {
    let reporting = Reporting::Regular {
        longest_bridge: Duration::from_secs(600),
    };
    let entry = |id: &str, role| InstrumentEntry {
        id: id.into(),
        bank: 0,
        role,
        max_current_ma: 600_000,
        voltage_mv: 16_000..=80_000,
        reporting,
    };
    let pack = |instrument| Pack {
        instrument,
        held: vec![Held {
            from_ms: None,
            capacity_ah: 200.0,
            set_capacity_ah: None,
            measured_capacity_ah: None,
            revision: "A".into(),
            firmware: None,
            standing_draw_ma: (15.0, 15.0),
            in_bank: true,
        }],
    };
    Setup {
        text: String::new(),
        digest: String::new(),
        store: Store {
            path: PathBuf::from("unused.sqlite"),
            commit_after: Duration::from_secs(5),
            quarantine_bytes: 1_000_000,
        },
        broker: Broker::Own(([127, 0, 0, 1], 0).into()),
        api: Api {
            listen: ([127, 0, 0, 1], 0).into(),
            token_file: None,
        },
        banks: vec![Bank {
            id: "skerry".into(),
            chemistry: Chemistry::Lfp,
            cells_in_series: 16,
            time_zone: chrono_tz::UTC,
            full: FullCharge {
                voltage_mv: 56_000,
                tail_fraction: 0.05,
                hold: Duration::from_secs(300),
                merge: Duration::from_secs(43_200),
                repeatability_percent: 0.3,
                voltage_from: None,
            },
            longest_bridge: Duration::from_secs(600),
            losses: Losses {
                self_discharge_percent_month: (0.5, 0.5),
                coulombic_efficiency: (0.998, 0.001),
            },
            reference: Reference {
                instrument: SHUNT,
                offset_ma: None,
                gain_percent: None,
            },
            packs: vec![pack(TERN), pack(Instrument(2))],
        }],
        instruments: vec![
            entry("shunt", Role::Reference),
            entry("tern", Role::Pack(0)),
            entry("fulmar", Role::Pack(1)),
        ],
        sources,
    }
}

/// A source of JSON documents at `topic`, with every channel under its own name, and the time at `/at`.
pub fn json_source(topic: &str) -> Source {
    Source {
        topic: pattern(topic),
        format: Format::Json,
        instrument: None,
        time: Some("/at".into()),
        each: None,
        charging_negative: false,
        channels: Channel::ALL
            .map(|channel| ChannelAt {
                channel,
                pointer: format!("/{}", channel.name()),
                scale: 1.0,
            })
            .to_vec(),
        on_change: None,
    }
}

/// A source of plain numbers at `topic`.
pub fn number_source(topic: &str) -> Source {
    Source {
        format: Format::Number,
        time: None,
        channels: Vec::new(),
        ..json_source(topic)
    }
}

fn pattern(written: &str) -> TopicPattern {
    let level = |mut text: &str| {
        let mut parts = Vec::new();
        while let Some((before, rest)) = text.split_once('{') {
            if !before.is_empty() {
                parts.push(Part::Text(before.into()));
            }
            let (name, rest) = rest.split_once('}').expect("placeholders are closed");
            parts.push(match name {
                "instrument" => Part::Instrument,
                "channel" => Part::Channel,
                other => panic!("no placeholder {other}"),
            });
            text = rest;
        }
        if !text.is_empty() {
            parts.push(Part::Text(text.into()));
        }
        parts
    };
    TopicPattern {
        written: written.into(),
        levels: written.split('/').map(level).collect(),
    }
}
