//! The bank "skerry" as the flow tests set it up, and readings of it.

use std::{fs, net::TcpListener, path::Path};

const INSTRUMENTS: [&str; 6] = ["shunt", "tern", "fulmar", "gannet", "petrel", "skua"];

/// The shared sample setup with these tables in front, and without any of its own for broker, store or API.
fn setup(tables: &str) -> String {
    let sample = fs::read_to_string(format!("{}/demo-data/skerry.toml", env!("CARGO_MANIFEST_DIR"))).unwrap();
    let banks = &sample[sample.find("[[bank]]").unwrap()..];
    format!("[store]\npath = \"packdrift.sqlite\"\n\n[api]\nlisten = \"127.0.0.1:0\"\n\n{tables}\n{banks}")
}

/// A setup that takes its readings from a broker on this port.
pub fn setup_with_broker(port: u16) -> String {
    setup(&format!("[mqtt]\nurl = \"mqtt://127.0.0.1:{port}\"\n"))
}

/// The same with sources whose messages bring no time.
pub fn setup_without_time(port: u16) -> String {
    setup_with_broker(port).replace("time = \"/at\"\n", "")
}

/// A setup in which packdrift is the broker, on a free port that is written down in the folder.
pub fn setup_with_own_broker(folder: &Path) -> String {
    let port = TcpListener::bind("127.0.0.1:0")
        .unwrap()
        .local_addr()
        .unwrap()
        .port();
    fs::write(folder.join("port"), port.to_string()).unwrap();
    setup(&format!("[broker]\nlisten = \"127.0.0.1:{port}\"\n"))
}

/// The port of a setup made by [`setup_with_own_broker`].
pub fn own_port(folder: &Path) -> u16 {
    fs::read_to_string(folder.join("port")).unwrap().parse().unwrap()
}

/// The `n`th reading: (topic, body, instrument, time in ms). Six instruments take turns, each every 10 s.
pub fn reading(n: i64) -> (String, Vec<u8>, &'static str, i64) {
    let instrument = INSTRUMENTS[usize::try_from(n % 6).unwrap()];
    let at_ms = 1_767_225_600_000 + n / 6 * 10_000;
    let at = chrono::DateTime::from_timestamp_millis(at_ms)
        .unwrap()
        .to_rfc3339();
    let amperes = f64::from(i32::try_from(n % 90).unwrap()) / 10.0 - 4.0;
    let body = format!(r#"{{"at": "{at}", "volts": 53.2, "amps": {amperes:.1}, "soc": 61.5}}"#);
    (
        format!("skerry/{instrument}/reading"),
        body.into_bytes(),
        instrument,
        at_ms,
    )
}

/// A source whose messages hold several readings, as [`readings`] writes them.
pub const SEVERAL: &str = r#"
[[source]]
topic = "skerry/all"
format = "json"
each = "/packs"
instrument = "/name"
time = "/at"
channels = { voltage = "/volts", current = "/amps", soc = "/soc" }
"#;

/// The readings of these numbers in one message: (topic, body).
pub fn readings(numbers: std::ops::Range<i64>) -> (String, Vec<u8>) {
    let entries: Vec<serde_json::Value> = numbers
        .map(|n| {
            let (_, body, instrument, _) = reading(n);
            let mut entry: serde_json::Value = serde_json::from_slice(&body).unwrap();
            entry["name"] = instrument.into();
            entry
        })
        .collect();
    let body = serde_json::json!({ "packs": entries });
    ("skerry/all".to_owned(), body.to_string().into_bytes())
}
