//! A store filled with a simulated winter, past the network: what the arithmetic makes of readings alone.

use std::{fmt::Write, path::Path, sync::Arc};

use chrono::Utc;
use packdrift::{
    api::{App, Health, Intake, Tokens},
    charge::{drift::Record, facts::Facts, fill::Filled},
    config::{self, Setup},
    daemon,
    demo::{Kind, Plan, Winter, simulate},
    ledger,
    reading::Channels,
    store::{self, Writer},
};
use rusqlite::Connection;
use tempfile::TempDir;
use tokio::runtime::Runtime;

/// The demo's setup.
pub fn setup() -> Setup {
    let path = format!("{}/demo-data/skerry.toml", env!("CARGO_MANIFEST_DIR"));
    config::load(Path::new(&path)).unwrap()
}

/// An empty store in memory.
pub fn empty() -> Connection {
    store::read_write(Path::new(":memory:")).unwrap()
}

/// Stores readings as the writer does, and marks their hours.
pub fn put(
    connection: &mut Connection,
    setup: &Setup,
    readings: impl IntoIterator<Item = (i64, u16, Channels)>,
) {
    let transaction = connection.transaction().unwrap();
    let numbers: Vec<i64> = setup
        .instruments
        .iter()
        .map(|entry| store::instrument::number_of(&transaction, &entry.id).unwrap())
        .collect();
    let mut touched = store::reading::TouchedHours::new();
    let mut insert = store::reading::Insert::new(&transaction).unwrap();
    for (at_ms, instrument, channels) in readings {
        let number = numbers[usize::from(instrument)];
        let stored = insert.put(number, at_ms, &channels).unwrap();
        if stored.changed {
            touched.insert((at_ms.div_euclid(3_600_000), number));
        }
    }
    drop(insert);
    store::reading::mark_stale(&transaction, &touched).unwrap();
    transaction.commit().unwrap();
}

/// A store with a whole winter in it and its ledger derived.
pub fn filled(setup: &Setup, winter: &Winter) -> Connection {
    let mut connection = empty();
    put(&mut connection, setup, winter.readings());
    ledger::refresh(&mut connection, setup).unwrap();
    connection
}

/// What answers questions about a winter of so many days, without the network; its folder keeps the store.
pub fn app(days: u32, tokens: impl FnOnce(&Path) -> Option<Tokens>) -> (App, Runtime, TempDir) {
    let folder = tempfile::tempdir().unwrap();
    let winter = (days > 0).then(|| {
        simulate(&Plan {
            days,
            ..Plan::new(Kind::Sparse, 3)
        })
    });
    let readings = winter.iter().flat_map(Winter::readings);
    let tokens = tokens(folder.path());
    let (app, runtime) = app_in(folder.path(), setup(), readings, tokens);
    (app, runtime, folder)
}

/// What answers questions about a setup's store in a folder, with these readings put into it first.
pub fn app_in(
    folder: &Path,
    mut setup: Setup,
    readings: impl IntoIterator<Item = (i64, u16, Channels)>,
    tokens: Option<Tokens>,
) -> (App, Runtime) {
    setup.store.path = folder.join("packdrift.sqlite");
    let mut connection = store::read_write(&setup.store.path).unwrap();
    store::setup_version::keep(&connection, &setup, Utc::now().timestamp_millis()).unwrap();
    put(&mut connection, &setup, readings);
    let runtime = Runtime::new().unwrap();
    let (writer, _thread) = Writer::start(connection, daemon::writer_options(&setup)).unwrap();
    let health = Health {
        // As in a daemon that is its own broker.
        intake: Some(Intake::Own(([127, 0, 0, 1], 0).into())),
        clocks: None,
        backups: None,
        started_ms: 0,
    };
    (App::new(Arc::new(setup), writer, tokens, health), runtime)
}

/// The facts for questions about these instants.
pub fn facts(connection: &Connection, setup: &Setup, instants_ms: &[i64]) -> (Facts, Vec<usize>) {
    let asked = ledger::gather(connection, setup, &setup.banks[0], instants_ms)
        .unwrap()
        .unwrap();
    (asked.facts, asked.at)
}

/// Asks `question` of the record.
pub fn ask<T>(facts: &Facts, question: impl FnOnce(&Record<'_>) -> T) -> T {
    let filled = Filled::new(facts);
    question(&Record::new(facts, &filled))
}

/// Everything derived, as text, to compare to the last digit.
pub fn derived(connection: &Connection) -> String {
    let mut text = String::new();
    for table in store::derived::TABLES {
        let mut statement = connection.prepare(&format!("SELECT * FROM {table}")).unwrap();
        let columns = statement.column_count();
        let mut rows = statement.query([]).unwrap();
        while let Some(row) = rows.next().unwrap() {
            write!(text, "{table}: ").unwrap();
            for column in 0..columns {
                write!(text, "{:?}|", row.get_ref(column).unwrap()).unwrap();
            }
            text.push('\n');
        }
    }
    text
}
