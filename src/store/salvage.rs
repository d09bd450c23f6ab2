//! Saves what can be read of a damaged store into a new one.
//!
//! Tables are read in the order of their keys from both ends up to the damage, and what is left between is halved
//! and tried again. Derived tables are left out: the next start derives them anew.

use std::path::Path;

use rusqlite::{Connection, Row, params_from_iter, types::Value};

use super::{
    backup::{Copied, CopyError, Part, damage},
    derived,
    open::{empty_like, read_only, upgrade},
    reading::{first_key, parts},
    trouble::Trouble,
};
use crate::reading::HOUR_MS;

/// What says how far the derived tables have come.
const PROGRESS: [&str; 2] = ["stale_hour", "ledger_basis"];

/// Into how many pieces a damaged stretch of keys is cut at most.
const PIECES: i64 = 4096;

/// Keys are instants in ms, days or numbers from 1, in readings instants and instruments: none is beyond these.
const KEYS: (i64, i64) = (0, 1 << 42);

/// What was saved of one table.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Saved {
    /// The table.
    pub table: String,
    /// Rows saved.
    pub rows: u64,
    /// Stretches of its key, or of the time in it, in which something can't be read, ends included.
    pub damaged: Vec<(i64, i64)>,
    /// Rows that could be read and are none: their values have the wrong types.
    pub spoiled: u64,
}

/// What was saved of a store.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Salvaged {
    /// The new store.
    pub copied: Copied,
    /// Table by table.
    pub tables: Vec<Saved>,
    /// Readings that were counted into hours once and are not among those saved.
    pub readings_lost: u64,
    /// Whether every hour's count could be read; where not, more readings may be lost.
    pub all_counts_read: bool,
}

/// Reads what can be read of the store at `from` into a new store at `to`.
///
/// # Errors
/// Where `to` exists or can't be written, or not even the first page of `from` can be read.
pub fn salvage(from: &Path, to: &Path) -> Result<Salvaged, CopyError> {
    let part = Part::begin(to)?;
    let source = read_only(from)?;
    // Rows go from like to like; what an earlier packdrift wrote is upgraded then, as the store would have been.
    let mut target = empty_like(&source, from, &part.path)?;
    let tables = fill(&source, &target).map_err(|error| damage(from, error))?;
    upgrade(&mut target, &part.path)?;
    let (readings_lost, all_counts_read) = lost(&source, &target).map_err(|error| damage(from, error))?;
    target
        .close()
        .map_err(|(_, error)| CopyError::sqlite(&part.path)(error))?;
    let readings = part.check(&part.path)?;
    Ok(Salvaged {
        copied: part.name(to, readings)?,
        tables,
        readings_lost,
        all_counts_read,
    })
}

fn fill(source: &Connection, target: &Connection) -> rusqlite::Result<Vec<Saved>> {
    let names: Vec<String> = target
        .prepare("SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite_%'")?
        .query_map([], |row| row.get(0))?
        .collect::<rusqlite::Result<_>>()?;
    // Rows come before what they refer to, and some of that may be lost.
    target.execute_batch("PRAGMA foreign_keys = OFF; BEGIN")?;
    let mut tables = Vec::new();
    let derived = |name: &str| derived::TABLES.contains(&name) || PROGRESS.contains(&name);
    for name in names.iter().filter(|name| !derived(name)) {
        let columns = columns(source, name)?;
        if columns.is_empty() {
            // A table that the damaged store's version didn't have.
            continue;
        }
        let mut saved = Saved {
            table: name.clone(),
            rows: 0,
            damaged: Vec::new(),
            spoiled: 0,
        };
        let marks = vec!["?"; columns.len()].join(", ");
        let mut insert = target.prepare(&format!(
            "INSERT OR IGNORE INTO {name} ({}) VALUES ({marks})",
            columns.join(", ")
        ))?;
        let mut spoiled = 0;
        let mut rows = 0;
        saved.damaged = each_readable(source, name, &columns, |row| {
            let values = (0..columns.len()).map(|column| row.get::<_, Value>(column));
            let values = values.collect::<rusqlite::Result<Vec<_>>>()?;
            match insert.execute(params_from_iter(values)) {
                Ok(added) => rows += added as u64,
                Err(error) if error.sqlite_error_code() == Some(rusqlite::ErrorCode::ConstraintViolation) => {
                    spoiled += 1;
                }
                Err(error) => return Err(error),
            }
            Ok(())
        })?;
        if columns[0] == "key" {
            for (from, until) in &mut saved.damaged {
                (*from, *until) = (parts(*from).0, parts(*until).0);
            }
        }
        (saved.rows, saved.spoiled) = (rows, spoiled);
        tables.push(saved);
    }
    // Readings are kept even where it is lost whose they are.
    for table in ["reading", "conflict"] {
        target.execute(
            &format!(
                "INSERT INTO instrument (id, name) SELECT DISTINCT instrument, 'unnamed-' || instrument FROM {table} \
                 WHERE instrument NOT IN (SELECT id FROM instrument)"
            ),
            [],
        )?;
    }
    target.execute_batch("COMMIT")?;
    Ok(tables)
}

/// Columns of a table, those of its key first.
fn columns(connection: &Connection, table: &str) -> rusqlite::Result<Vec<String>> {
    let mut columns: Vec<(i64, String)> = connection
        .prepare(&format!("PRAGMA table_info({table})"))?
        .query_map([], |row| Ok((row.get("pk")?, row.get("name")?)))?
        .collect::<rusqlite::Result<_>>()?;
    columns.sort_by_key(|(key, _)| if *key == 0 { i64::MAX } else { *key });
    Ok(columns.into_iter().map(|(_, name)| name).collect())
}

/// Calls `each` with every row that can be read, maybe more than once; gives the stretches of the first key column
/// that can't be read. Tables with a key of text are read from both ends only.
fn each_readable(
    source: &Connection,
    table: &str,
    columns: &[String],
    mut each: impl FnMut(&Row<'_>) -> rusqlite::Result<()>,
) -> rusqlite::Result<Vec<(i64, i64)>> {
    let (listed, key) = (columns.join(", "), &columns[0]);
    // Gives the last key read, and whether the damage was met.
    let mut read = |direction: &str, within: Option<(i64, i64)>| {
        let (from, until) = within.unwrap_or_default();
        let condition = if within.is_some() {
            format!("{key} BETWEEN {from} AND {until}")
        } else {
            "true".to_owned()
        };
        let sql = format!("SELECT {listed} FROM {table} WHERE {condition} ORDER BY {key} {direction}");
        let mut last = None;
        let reading = (|| {
            let mut statement = source.prepare(&sql)?;
            let mut rows = statement.query([])?;
            while let Some(row) = rows.next()? {
                let key = row.get::<_, Value>(0)?;
                if let Value::Integer(key) = key {
                    last = Some(key);
                }
                each(row)?;
            }
            Ok(())
        })();
        match reading {
            Ok(()) => Ok((last, false)),
            Err(error) if matches!(Trouble::of(&error), Trouble::Damaged | Trouble::Disk) => Ok((last, true)),
            Err(error) => Err(error),
        }
    };
    let (first, met) = read("ASC", None)?;
    if !met {
        return Ok(Vec::new());
    }
    let (last, _) = read("DESC", None)?;
    let mut damaged = Vec::new();
    let end = if key == "key" { first_key(KEYS.1) } else { KEYS.1 };
    let mut stretches = vec![(first.unwrap_or(KEYS.0), last.unwrap_or(end))];
    if first.is_none() && last.is_none() {
        return Ok(stretches);
    }
    let finest = ((stretches[0].1 - stretches[0].0) / PIECES).max(1);
    while let Some((from, until)) = stretches.pop() {
        if until - from <= finest {
            damaged.push((from, until));
            continue;
        }
        let middle = from + (until - from) / 2;
        for half in [(middle + 1, until), (from, middle)] {
            let (up_to, met) = read("ASC", Some(half))?;
            if met {
                let (down_to, _) = read("DESC", Some(half))?;
                stretches.push((up_to.unwrap_or(half.0), down_to.unwrap_or(half.1)));
            }
        }
    }
    damaged.sort_unstable();
    let mut joined: Vec<(i64, i64)> = Vec::new();
    for (from, until) in damaged {
        match joined.last_mut() {
            Some(last) if from <= last.1 + 1 => last.1 = last.1.max(until),
            _ => joined.push((from, until)),
        }
    }
    Ok(joined)
}

/// Readings that the hours counted and that were not saved; and whether all hours could be read.
fn lost(source: &Connection, target: &Connection) -> rusqlite::Result<(u64, bool)> {
    target.execute_batch(
        "CREATE TEMP TABLE counted (instrument INTEGER, hour INTEGER, readings INTEGER, PRIMARY KEY (instrument, hour))",
    )?;
    let mut insert = target.prepare("INSERT OR IGNORE INTO counted VALUES (?1, ?2, ?3)")?;
    let columns = ["instrument", "hour", "readings"].map(str::to_owned);
    let damaged = each_readable(source, "hour", &columns, |row| {
        let count: (i64, i64, i64) = (row.get(0)?, row.get(1)?, row.get(2)?);
        insert.execute(count).map(drop)
    })?;
    let lost: i64 = target.query_row(
        &format!(
            "WITH saved AS (SELECT instrument, at_ms / {HOUR_MS} AS hour, count(*) AS readings FROM reading \
             GROUP BY 1, 2) SELECT coalesce(sum(max(0, counted.readings - coalesce(saved.readings, 0))), 0) \
             FROM counted LEFT JOIN saved USING (instrument, hour)"
        ),
        [],
        |row| row.get(0),
    )?;
    Ok((lost.unsigned_abs(), damaged.is_empty()))
}
