//! `stated_mark`: full charges that a person knows of and the log missed, or that the log took for one and were none.

use rusqlite::{Connection, Row, params, types::Value};

use super::{
    note::unknown_word,
    revised::{self, Stated},
};

/// What a person says of a full charge.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// There was one.
    Assert,
    /// There was none.
    Veto,
}

impl Kind {
    /// Every kind.
    pub const ALL: [Self; 2] = [Self::Assert, Self::Veto];

    /// The word in the store, the API and the command line.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Assert => "assert",
            Self::Veto => "veto",
        }
    }

    /// The kind of that word.
    #[must_use]
    pub fn of(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.word() == word)
    }
}

/// What a person says.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Said {
    /// The bank.
    pub bank: String,
    /// Whether there was a full charge.
    pub kind: Kind,
    /// When, ms since 1970.
    pub at_ms: i64,
    /// The voltage that the person saw, mV.
    pub voltage_mv: Option<i64>,
    /// The current that the person saw, mA.
    pub tail_ma: Option<i64>,
    /// How they know.
    pub text: String,
}

/// One revision of a stated mark.
pub type StatedMark = Stated<Said>;

/// Adds a mark.
///
/// # Errors
/// Whatever SQLite says.
pub fn add(connection: &Connection, written_ms: i64, said: Said) -> rusqlite::Result<StatedMark> {
    revised::add(connection, written_ms, said)
}

/// Takes a mark back. `None` where there is no such mark; one that is withdrawn already stays as it is.
///
/// # Errors
/// Whatever SQLite says.
pub fn withdraw(connection: &Connection, written_ms: i64, id: i64) -> rusqlite::Result<Option<StatedMark>> {
    revised::revise(connection, written_ms, id, None)
}

/// Every revision of every mark of a bank.
///
/// # Errors
/// Whatever SQLite says.
pub fn history(connection: &Connection, bank: &str) -> rusqlite::Result<Vec<StatedMark>> {
    connection
        .prepare_cached("SELECT * FROM stated_mark WHERE bank = ?1 ORDER BY id, revision")?
        .query_map(params![bank], revised::of_row)?
        .collect()
}

/// Every revision of every mark of every bank, in order of their numbers.
///
/// # Errors
/// Whatever SQLite says.
pub fn all(connection: &Connection) -> rusqlite::Result<Vec<StatedMark>> {
    revised::all(connection)
}

/// Adds revisions of stated marks from elsewhere that aren't here yet; gives how many those were.
///
/// # Errors
/// Whatever SQLite says.
pub fn take(connection: &Connection, theirs: &[StatedMark]) -> rusqlite::Result<u64> {
    revised::take(connection, theirs)
}

/// The marks of a bank that stand, by the instant they speak of.
///
/// # Errors
/// Whatever SQLite says.
pub fn standing(connection: &Connection, bank: &str) -> rusqlite::Result<Vec<StatedMark>> {
    connection
        .prepare_cached(
            "SELECT * FROM stated_mark AS m WHERE bank = ?1 AND withdrawn = 0 \
             AND revision = (SELECT max(revision) FROM stated_mark WHERE id = m.id) ORDER BY at_ms, id",
        )?
        .query_map(params![bank], revised::of_row)?
        .collect()
}

impl revised::Said for Said {
    const TABLE: &'static str = "stated_mark";

    fn columns(&self) -> Vec<Value> {
        vec![
            self.bank.clone().into(),
            self.kind.word().to_owned().into(),
            self.at_ms.into(),
            self.voltage_mv.into(),
            self.tail_ma.into(),
            self.text.clone().into(),
        ]
    }

    fn of_row(row: &Row<'_>) -> rusqlite::Result<Self> {
        let kind: String = row.get("kind")?;
        Ok(Self {
            bank: row.get("bank")?,
            kind: Kind::of(&kind).ok_or_else(|| unknown_word(&kind))?,
            at_ms: row.get("at_ms")?,
            voltage_mv: row.get("voltage")?,
            tail_ma: row.get("tail")?,
            text: row.get("text")?,
        })
    }
}
