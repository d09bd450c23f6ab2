//! What reads from outside, as targets for any bytes; and the inputs that are kept in `tests/fuzz/`.

use std::{fs, path::Path};

use axum::{
    body::{Body, to_bytes},
    http::{Request, Uri},
};
use packdrift::{
    config,
    exchange::import::{self, ImportError, Map},
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
    /// A file to import, after its map and a line `====`, where it has one.
    Import,
}

/// Takes an input; whether it was accepted. Panics where that is a fault of the program.
pub type Taker = Box<dyn Fn(&[u8]) -> bool>;

/// What stands between a map and the file.
const BEFORE_FILE: &[u8] = b"\n====\n";

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
"#;

impl Target {
    /// Every target.
    pub const ALL: [Self; 4] = [Self::Decode, Self::Setup, Self::Query, Self::Import];

    /// What its inputs' names begin with.
    pub fn name(self) -> &'static str {
        match self {
            Self::Decode => "decode",
            Self::Setup => "setup",
            Self::Query => "query",
            Self::Import => "import",
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
            Self::Import => {
                let folder = tempfile::tempdir().unwrap();
                let demo = include_str!("../../demo-data/skerry.toml");
                let setup = config::parse("setup.toml", demo, folder.path()).unwrap();
                Box::new(move |input| {
                    let (map, contents) =
                        match input.windows(BEFORE_FILE.len()).position(|at| at == BEFORE_FILE) {
                            None => (None, input),
                            Some(end) => (Some(&input[..end]), &input[end + BEFORE_FILE.len()..]),
                        };
                    let (map_file, file) = (folder.path().join("map.toml"), folder.path().join("log"));
                    fs::write(&file, contents).unwrap();
                    let map = map.map(|text| {
                        fs::write(&map_file, text).unwrap();
                        Map::read(&map_file)
                    });
                    let looked = map
                        .transpose()
                        .map_err(ImportError::from)
                        .and_then(|map| import::look(&file, map.as_ref(), &setup, |_, _| {}));
                    match looked {
                        Ok(look) => {
                            assert!(look.refused.iter().all(|(_, _, first)| first.len() < 500));
                            assert!(look.remarks.iter().all(|remark| remark.len() < 1000));
                            true
                        }
                        Err(refused) => {
                            let told = refused.to_string();
                            assert!(told.len() < 2000 && !told.contains('\u{1b}'), "{told}");
                            false
                        }
                    }
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
