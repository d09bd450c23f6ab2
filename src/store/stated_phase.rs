//! `stated_phase`: intervals that a person tagged. They stand over what the ledger derives and survive a rebuild.

use rusqlite::{Connection, OptionalExtension, Row, params};

use super::{
    note::unknown_word,
    revised::{self, Revised},
};
use crate::charge::phase::Kind;

/// What a person says of an interval.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Said {
    /// The bank.
    pub bank: String,
    /// What went on.
    pub kind: Kind,
    /// From, ms since 1970.
    pub begin_ms: i64,
    /// Until, ms since 1970.
    pub end_ms: i64,
    /// Why.
    pub text: String,
}

/// One revision of a stated phase.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StatedPhase {
    /// The phase.
    pub id: i64,
    /// 1 as first written, then 2, 3, …
    pub revision: i64,
    /// When it was written, ms since 1970.
    pub written_ms: i64,
    /// What it says.
    pub said: Said,
    /// True where this revision takes the phase back.
    pub withdrawn: bool,
}

/// Adds a phase.
///
/// # Errors
/// Whatever SQLite says.
pub fn add(connection: &Connection, written_ms: i64, said: Said) -> rusqlite::Result<StatedPhase> {
    let id = connection.query_row("SELECT coalesce(max(id), 0) + 1 FROM stated_phase", [], |row| {
        row.get(0)
    })?;
    let phase = StatedPhase {
        id,
        revision: 1,
        written_ms,
        said,
        withdrawn: false,
    };
    insert(connection, &phase)?;
    Ok(phase)
}

/// Takes a phase back. `None` where there is no such phase.
///
/// # Errors
/// Whatever SQLite says.
pub fn withdraw(connection: &Connection, written_ms: i64, id: i64) -> rusqlite::Result<Option<StatedPhase>> {
    let standing = connection
        .query_row(
            "SELECT * FROM stated_phase WHERE id = ?1 ORDER BY revision DESC LIMIT 1",
            params![id],
            from_row,
        )
        .optional()?;
    let Some(mut phase) = standing else {
        return Ok(None);
    };
    phase.revision += 1;
    phase.written_ms = written_ms;
    phase.withdrawn = true;
    insert(connection, &phase)?;
    Ok(Some(phase))
}

fn insert(connection: &Connection, phase: &StatedPhase) -> rusqlite::Result<()> {
    connection.execute(
        "INSERT INTO stated_phase VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)",
        params![
            phase.id,
            phase.revision,
            phase.written_ms,
            phase.said.bank,
            phase.said.kind.word(),
            phase.said.begin_ms,
            phase.said.end_ms,
            phase.said.text,
            phase.withdrawn
        ],
    )?;
    Ok(())
}

/// Every revision of every stated phase, in order of their numbers.
///
/// # Errors
/// Whatever SQLite says.
pub fn history(connection: &Connection) -> rusqlite::Result<Vec<StatedPhase>> {
    connection
        .prepare_cached("SELECT * FROM stated_phase ORDER BY id, revision")?
        .query_map([], from_row)?
        .collect()
}

/// Adds revisions of stated phases from elsewhere that aren't here yet; gives how many those were.
///
/// # Errors
/// Whatever SQLite says.
pub fn take(connection: &Connection, theirs: &[StatedPhase]) -> rusqlite::Result<u64> {
    revised::take(connection, theirs)
}

/// The phases of a bank that stand, in the order they were written: a later one stands over an earlier one.
///
/// # Errors
/// Whatever SQLite says.
pub fn standing(connection: &Connection, bank: &str) -> rusqlite::Result<Vec<StatedPhase>> {
    connection
        .prepare_cached(
            "SELECT * FROM stated_phase AS p WHERE bank = ?1 AND withdrawn = 0 \
             AND revision = (SELECT max(revision) FROM stated_phase WHERE id = p.id) ORDER BY written_ms, id",
        )?
        .query_map(params![bank], from_row)?
        .collect()
}

impl Revised for StatedPhase {
    fn numbers(&self) -> (i64, i64) {
        (self.id, self.revision)
    }

    fn numbered(&self, id: i64, revision: i64) -> Self {
        Self {
            id,
            revision,
            ..self.clone()
        }
    }

    fn all(connection: &Connection) -> rusqlite::Result<Vec<Self>> {
        history(connection)
    }

    fn insert(&self, connection: &Connection) -> rusqlite::Result<()> {
        insert(connection, self)
    }
}

fn from_row(row: &Row<'_>) -> rusqlite::Result<StatedPhase> {
    let kind: String = row.get("kind")?;
    Ok(StatedPhase {
        id: row.get("id")?,
        revision: row.get("revision")?,
        written_ms: row.get("written_ms")?,
        said: Said {
            bank: row.get("bank")?,
            kind: Kind::of(&kind).ok_or_else(|| unknown_word(&kind))?,
            begin_ms: row.get("begin_ms")?,
            end_ms: row.get("end_ms")?,
            text: row.get("text")?,
        },
        withdrawn: row.get("withdrawn")?,
    })
}
