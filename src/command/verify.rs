//! `packdrift verify`: is a store sound, and does what is derived in it follow from its readings?

use std::path::{Path, PathBuf};

use clap::Args;
use rusqlite::{
    Connection,
    backup::{Backup, StepResult},
    types::ValueRef,
};
use sha2::{Digest, Sha256};

use super::Failure;
use crate::{
    config::{self, Setup},
    ledger,
    store::{self, digest, soundness},
};

/// Tables that no rebuild touches, and that may be large.
const NOT_DERIVED: [&str; 2] = ["reading", "refusal"];

/// What to verify.
#[derive(Args)]
pub struct Arguments {
    /// A store or a backup of one; left out: the store of the setup file.
    file: Option<PathBuf>,
}

/// Verifies, whether a daemon runs or not, and prints what was found.
///
/// # Errors
/// Where something is wrong with the store, or it can't be read.
pub fn run(config: &Path, arguments: &Arguments) -> Result<(), Failure> {
    let setup = config::load(config)?;
    let path = arguments.file.as_ref().unwrap_or(&setup.store.path);
    if !path.exists() {
        return Err(Failure::NoStore {
            path: path.display().to_string(),
        });
    }
    let source = store::read_only(path)?;
    // Everything below speaks of one state, also while a daemon goes on writing.
    source.execute_batch("BEGIN")?;
    let complaints = soundness::complaints(&source)?;
    if !complaints.is_empty() {
        return Err(store::backup::CopyError::Damaged {
            path: path.display().to_string(),
            complaints,
        }
        .into());
    }
    println!("pages, indexes, types and references: sound");
    let digest = digest::of_readings(&source)?;
    println!("readings: {}, digest {}", digest.readings, digest.sha256);
    let differing = differing(&source, path, &setup)?;
    if !differing.is_empty() {
        return Err(Failure::Words(format!(
            "{} differ from what the readings give: {}; `packdrift rebuild` derives them anew",
            path.display(),
            differing.join(", ")
        )));
    }
    println!("hours, gaps and marks: what a rebuild from the readings gives, to the last digit");
    Ok(())
}

/// The tables that a rebuild from the readings changes, on a copy that goes away by itself.
fn differing(source: &Connection, path: &Path, setup: &Setup) -> Result<Vec<String>, Failure> {
    let mut copy = Connection::open("")?;
    let copying = Backup::new(source, &mut copy)?;
    while copying.step(1024)? != StepResult::Done {}
    drop(copying);
    store::upgrade(&mut copy, path)?;
    // What came since is derived first, as the daemon would before it answers.
    ledger::refresh(&mut copy, setup)?;
    let before = tables(&copy)?;
    ledger::rebuild(&mut copy, setup, |_| {})?;
    let after = tables(&copy)?;
    let changed = before
        .into_iter()
        .zip(after)
        .filter(|(before, after)| before != after);
    Ok(changed.map(|((name, _), _)| name).collect())
}

/// Every table with a digest of its rows.
fn tables(connection: &Connection) -> rusqlite::Result<Vec<(String, [u8; 32])>> {
    let names: Vec<String> = connection
        .prepare("SELECT name FROM sqlite_schema WHERE type = 'table' ORDER BY name")?
        .query_map([], |row| row.get(0))?
        .collect::<rusqlite::Result<_>>()?;
    names
        .into_iter()
        .filter(|name| !NOT_DERIVED.contains(&name.as_str()))
        .map(|name| Ok((name.clone(), rows(connection, &name)?)))
        .collect()
}

fn rows(connection: &Connection, table: &str) -> rusqlite::Result<[u8; 32]> {
    let columns = connection
        .prepare(&format!("SELECT * FROM {table}"))?
        .column_count();
    let order: Vec<_> = (1..=columns).map(|column| column.to_string()).collect();
    let mut statement =
        connection.prepare(&format!("SELECT * FROM {table} ORDER BY {}", order.join(", ")))?;
    let mut rows = statement.query([])?;
    let mut hash = Sha256::new();
    while let Some(row) = rows.next()? {
        for column in 0..columns {
            match row.get_ref(column)? {
                ValueRef::Null => hash.update([0]),
                ValueRef::Integer(value) => hash.update([&[1][..], &value.to_le_bytes()].concat()),
                ValueRef::Real(value) => hash.update([&[2][..], &value.to_le_bytes()].concat()),
                ValueRef::Text(bytes) | ValueRef::Blob(bytes) => {
                    hash.update([&[3][..], &bytes.len().to_le_bytes(), bytes].concat());
                }
            }
        }
    }
    Ok(hash.finalize().into())
}
