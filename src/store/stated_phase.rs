//! `stated_phase`: intervals that a person tagged. They stand over what the ledger derives and survive a rebuild.

use rusqlite::{Connection, Row, params, types::Value};

use super::{
    note::unknown_word,
    revised::{self, Stated},
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
pub type StatedPhase = Stated<Said>;

/// Adds a phase.
///
/// # Errors
/// Whatever SQLite says.
pub fn add(connection: &Connection, written_ms: i64, said: Said) -> rusqlite::Result<StatedPhase> {
    revised::add(connection, written_ms, said)
}

/// Takes a phase back. `None` where there is no such phase; one that is withdrawn already stays as it is.
///
/// # Errors
/// Whatever SQLite says.
pub fn withdraw(connection: &Connection, written_ms: i64, id: i64) -> rusqlite::Result<Option<StatedPhase>> {
    revised::revise(connection, written_ms, id, None)
}

/// Every revision of every stated phase, in order of their numbers.
///
/// # Errors
/// Whatever SQLite says.
pub fn history(connection: &Connection) -> rusqlite::Result<Vec<StatedPhase>> {
    revised::all(connection)
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
        .query_map(params![bank], revised::of_row)?
        .collect()
}

impl revised::Said for Said {
    const TABLE: &'static str = "stated_phase";

    fn columns(&self) -> Vec<Value> {
        vec![
            self.bank.clone().into(),
            self.kind.word().to_owned().into(),
            self.begin_ms.into(),
            self.end_ms.into(),
            self.text.clone().into(),
        ]
    }

    fn of_row(row: &Row<'_>) -> rusqlite::Result<Self> {
        let kind: String = row.get("kind")?;
        Ok(Self {
            bank: row.get("bank")?,
            kind: Kind::of(&kind).ok_or_else(|| unknown_word(&kind))?,
            begin_ms: row.get("begin_ms")?,
            end_ms: row.get("end_ms")?,
            text: row.get("text")?,
        })
    }
}
