//! A small bank and its sources, as the setup file would give them.

use std::{path::PathBuf, time::Duration};

use packdrift::{
    config::{
        Api, Bank, Broker, ChannelAt, Chemistry, Format, FullCharge, Held, InstrumentEntry, Losses, Pack,
        Reference, Reporting, Role, Setup, Source, Store, TopicPattern,
    },
    reading::{Channel, Instrument, Reason},
    store::{self, Options, Writer},
};

use crate::harness::number;

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
            draw_is_assumed: false,
            in_bank: true,
            cells_changed: 0,
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
        backup: None,
        report: None,
        broker: Broker::Own(([127, 0, 0, 1], 0).into()),
        api: Api {
            listen: ([127, 0, 0, 1], 0).into(),
            token_file: None,
        },
        publish: None,
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
        from_ms: None,
        until_ms: None,
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
    TopicPattern::read(written).unwrap()
}

/// A real writer on a store in a folder of its own.
pub struct Kept {
    pub writer: Writer,
    folder: tempfile::TempDir,
}

impl Kept {
    /// Starts it for the instruments of [`setup`].
    pub fn start(commit_after: Duration) -> Self {
        let folder = tempfile::tempdir().unwrap();
        let connection = store::read_write(&folder.path().join("packdrift.sqlite")).unwrap();
        let options = Options {
            instruments: ["shunt", "tern", "fulmar"].map(str::to_owned).to_vec(),
            commit_after,
            quarantine_bytes: 1_000_000,
        };
        let (writer, _thread) = Writer::start(connection, options).unwrap();
        Self { writer, folder }
    }

    /// Readings in the store.
    pub fn readings(&self) -> i64 {
        number(self.folder.path(), "SELECT count(*) FROM reading")
    }

    /// Messages refused for a reason.
    pub fn refused(&self, reason: Reason) -> i64 {
        let word = reason.word();
        number(
            self.folder.path(),
            &format!("SELECT coalesce(sum(messages), 0) FROM refusal_count WHERE reason = '{word}'"),
        )
    }

    /// Waits until so many readings are in the store, and makes sure that there are no more.
    pub async fn has(&self, readings: i64) {
        until(|| self.readings() >= readings).await;
        assert_eq!(self.readings(), readings);
    }
}

/// Waits until something is so.
pub async fn until(mut so: impl FnMut() -> bool) {
    let waiting = async {
        while !so() {
            tokio::time::sleep(Duration::from_millis(20)).await;
        }
    };
    tokio::time::timeout(Duration::from_secs(20), waiting)
        .await
        .unwrap();
}
