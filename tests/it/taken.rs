//! What reads from outside, as targets for any bytes; and the inputs that are kept in `tests/fuzz/`.

use std::{fs, path::Path};

use axum::{
    body::{Body, to_bytes},
    http::{Request, Uri},
};
use packdrift::{
    config,
    intake::{Arrival, Decoder},
    page,
};
use tower::ServiceExt;

use crate::past;

/// Something that takes any bytes from outside.
#[derive(Debug, Clone, Copy, clap::ValueEnum)]
pub enum Target {
    /// A topic in the first line, a message's body in the rest.
    Decode,
    /// A setup file.
    Setup,
    /// An address as it is asked of the API and the page.
    Query,
}

/// Takes an input; whether it was accepted. Panics where that is a fault of the program.
pub type Taker = Box<dyn Fn(&[u8]) -> bool>;

/// A source of every kind.
const SOURCES: &str = r#"
[[source]]
topic = "a/{instrument}"
format = "json"
time = "/at"
channels = { current = { at = "/amps", scale = 0.001 }, voltage = "/volts", soc = "/soc", charge = "/ah", temperature = "/t", cell_min = "/c/0", cell_max = "/c/1", connected = "/on" }
[[source]]
topic = "b"
format = "json"
each = "/packs"
instrument = "/name"
channels = { current = "/amps" }
[[source]]
topic = "n/{instrument}_{channel}"
format = "number"
reports = "on_change"
longest_hold = "30m"
"#;

/// Pieces that mean something to decode.
const DECODE_WORDS: &[&str] = &[
    "{",
    "}",
    "[",
    "]",
    "\"",
    ":",
    ",",
    "\n",
    "a/tern",
    "b",
    "n/tern_current",
    "\"at\":",
    "\"packs\":",
    "null",
    "true",
    "1e999",
    "-0",
    "9007199254740993",
    "NaN",
    "\\u0000",
    "\u{202e}",
    "2026-01-10T23:59:60Z",
    "\"2026-01-10T08:00:00+01:00\"",
    "18446744073709551616",
    "[[[[[[[[",
    "\\ud800",
    "3,31",
];
/// Pieces that mean something to setup.
const SETUP_WORDS: &[&str] = &[
    "[[bank]]",
    "[[bank.pack]]",
    "[[source]]",
    "[mqtt]",
    "[api]",
    "[store]",
    "[backup]",
    "id = ",
    "\"\"\"",
    "=",
    "\n",
    "{instrument}",
    "{channel}",
    "{",
    "}",
    "#",
    "+",
    "/",
    "\"P9999999999Y\"",
    "1e308",
    "-1",
    "nan",
    "inf",
    "2026-01-10T08:00:00Z",
    "\"Europe/Oslo\"",
    "\"127.0.0.1:0\"",
    "mqtts://[::1]:1",
    "[[[[[[[[",
    "true",
    "9223372036854775807",
    "\u{202e}",
    "\0",
];
/// Pieces that mean something to query.
const QUERY_WORDS: &[&str] = &[
    "/v1/drift",
    "/v1/drift/series",
    "/v1/anchors",
    "/v1/phases",
    "/v1/packs",
    "/v1/readings",
    "/v1/quarantine",
    "/v1/health",
    "/v1/notes",
    "/v1/marks",
    "/v1/plots/rates.svg",
    "/v1/plots/charge-error.svg",
    "?",
    "&",
    "=",
    "since=",
    "until=",
    "bank=",
    "pack=",
    "step=",
    "instrument=",
    "limit=",
    "history=",
    "size=",
    "%",
    "%00",
    "%ff",
    "PT1S",
    "P1Y",
    "PT0S",
    "-PT1H",
    "2025-11-01",
    "9999-12-31T23:59:60Z",
    "-0001-01-01",
    "2025-11-01T00:00:00Z",
    "18446744073709551616",
    "..",
    "//",
    "'",
    ";--",
    "skerry",
    "tern",
];

impl Target {
    /// Every target.
    pub const ALL: [Self; 3] = [Self::Decode, Self::Setup, Self::Query];

    /// What its inputs' names begin with.
    pub fn name(self) -> &'static str {
        match self {
            Self::Decode => "decode",
            Self::Setup => "setup",
            Self::Query => "query",
        }
    }

    /// Pieces that mean something to it.
    pub fn words(self) -> &'static [&'static str] {
        match self {
            Self::Decode => DECODE_WORDS,
            Self::Setup => SETUP_WORDS,
            Self::Query => QUERY_WORDS,
        }
    }

    /// What takes them.
    pub fn taker(self) -> Taker {
        match self {
            Self::Decode => {
                let demo = include_str!("../../demo-data/skerry.toml");
                let text = demo.split("[[source]]").next().unwrap().to_owned() + SOURCES;
                let setup = config::parse("setup.toml", &text, Path::new("")).unwrap();
                let decoder = Decoder::new(&setup);
                Box::new(move |input| {
                    let end = input
                        .iter()
                        .position(|byte| *byte == b'\n')
                        .unwrap_or(input.len());
                    let topic = String::from_utf8_lossy(&input[..end]);
                    let body = input.get(end + 1..).unwrap_or_default();
                    let arrival = Arrival {
                        at_ms: 1_768_032_000_000,
                        live: body.len() % 2 == 0,
                    };
                    let taken = decoder.decode(&topic, body, arrival);
                    assert!(!taken.readings.is_empty() || !taken.refusals.is_empty());
                    assert!(taken.refusals.iter().all(|refusal| refusal.detail.len() < 500));
                    !taken.readings.is_empty()
                })
            }
            Self::Setup => Box::new(|input| {
                let text = String::from_utf8_lossy(input);
                match config::parse("setup.toml", &text, Path::new("")) {
                    Ok(setup) => {
                        assert!(!Decoder::new(&setup).filters().is_empty());
                        true
                    }
                    Err(wrong) => {
                        assert!(!wrong.to_string().is_empty());
                        false
                    }
                }
            }),
            Self::Query => {
                // Most of what an answer takes is arithmetic, so most inputs ask a store without a reading.
                let stores = [0, 2].map(|days| past::app(days, |_| None));
                let asked = stores.map(|(app, runtime, folder)| (page::site(app), runtime, folder));
                Box::new(move |input| {
                    let sum: usize = input.iter().map(|byte| usize::from(*byte)).sum();
                    let (router, runtime, _folder) = &asked[usize::from(sum.is_multiple_of(64))];
                    let Some(target) = std::str::from_utf8(input)
                        .ok()
                        .and_then(|text| text.parse::<Uri>().ok())
                    else {
                        return false;
                    };
                    let request = Request::builder().uri(target).header("host", "localhost");
                    let Ok(request) = request.body(Body::empty()) else {
                        return false;
                    };
                    runtime.block_on(async {
                        let response = router.clone().oneshot(request).await.unwrap();
                        let status = response.status();
                        assert!(!status.is_server_error(), "{status}");
                        to_bytes(response.into_body(), usize::MAX).await.unwrap();
                        status.is_success()
                    })
                })
            }
        }
    }
}

/// The inputs that are kept for a target: (name, bytes).
pub fn kept(target: Target) -> Vec<(String, Vec<u8>)> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fuzz");
    let mut inputs: Vec<_> = fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .map(|path| (path.file_name().unwrap().to_string_lossy().into_owned(), path))
        .filter(|(name, _)| name.starts_with(target.name()))
        .map(|(name, path)| (name, fs::read(path).unwrap()))
        .collect();
    inputs.sort();
    inputs
}
