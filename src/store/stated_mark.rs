//! `stated_mark`: full charges that a person knows of and the log missed, or that the log took for one and were none.

use rusqlite::{Connection, OptionalExtension, Row, params};

use super::{
    note::unknown_word,
    revised::{self, Revised},
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
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StatedMark {
    /// The mark.
    pub id: i64,
    /// 1 as first written, 2 where it was withdrawn.
    pub revision: i64,
    /// When it was written, ms since 1970.
    pub written_ms: i64,
    /// What it says.
    pub said: Said,
    /// True where this revision takes the mark back.
    pub withdrawn: bool,
}

/// Adds a mark.
///
/// # Errors
/// Whatever SQLite says.
pub fn add(connection: &Connection, written_ms: i64, said: Said) -> rusqlite::Result<StatedMark> {
    let next = "SELECT coalesce(max(id), 0) + 1 FROM stated_mark";
    let mark = StatedMark {
        id: connection.query_row(next, [], |row| row.get(0))?,
        revision: 1,
        written_ms,
        said,
        withdrawn: false,
    };
    insert(connection, &mark)?;
    Ok(mark)
}

/// Takes a mark back. `None` where there is no such mark; one that is withdrawn already stays as it is.
///
/// # Errors
/// Whatever SQLite says.
pub fn withdraw(connection: &Connection, written_ms: i64, id: i64) -> rusqlite::Result<Option<StatedMark>> {
    let latest = connection
        .prepare_cached("SELECT * FROM stated_mark WHERE id = ?1 ORDER BY revision DESC LIMIT 1")?
        .query_row(params![id], from_row)
        .optional()?;
    let Some(mut mark) = latest else {
        return Ok(None);
    };
    if !mark.withdrawn {
        mark.revision += 1;
        mark.written_ms = written_ms;
        mark.withdrawn = true;
        insert(connection, &mark)?;
    }
    Ok(Some(mark))
}

fn insert(connection: &Connection, mark: &StatedMark) -> rusqlite::Result<()> {
    connection.execute(
        "INSERT INTO stated_mark VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10)",
        params![
            mark.id,
            mark.revision,
            mark.written_ms,
            mark.said.bank,
            mark.said.kind.word(),
            mark.said.at_ms,
            mark.said.voltage_mv,
            mark.said.tail_ma,
            mark.said.text,
            mark.withdrawn
        ],
    )?;
    Ok(())
}

/// Every revision of every mark of a bank.
///
/// # Errors
/// Whatever SQLite says.
pub fn history(connection: &Connection, bank: &str) -> rusqlite::Result<Vec<StatedMark>> {
    connection
        .prepare_cached("SELECT * FROM stated_mark WHERE bank = ?1 ORDER BY id, revision")?
        .query_map(params![bank], from_row)?
        .collect()
}

/// Every revision of every mark of every bank, in order of their numbers.
///
/// # Errors
/// Whatever SQLite says.
pub fn all(connection: &Connection) -> rusqlite::Result<Vec<StatedMark>> {
    connection
        .prepare_cached("SELECT * FROM stated_mark ORDER BY id, revision")?
        .query_map([], from_row)?
        .collect()
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
        .query_map(params![bank], from_row)?
        .collect()
}

impl Revised for StatedMark {
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
        all(connection)
    }

    fn insert(&self, connection: &Connection) -> rusqlite::Result<()> {
        insert(connection, self)
    }
}

fn from_row(row: &Row<'_>) -> rusqlite::Result<StatedMark> {
    let kind: String = row.get("kind")?;
    Ok(StatedMark {
        id: row.get("id")?,
        revision: row.get("revision")?,
        written_ms: row.get("written_ms")?,
        said: Said {
            bank: row.get("bank")?,
            kind: Kind::of(&kind).ok_or_else(|| unknown_word(&kind))?,
            at_ms: row.get("at_ms")?,
            voltage_mv: row.get("voltage")?,
            tail_ma: row.get("tail")?,
            text: row.get("text")?,
        },
        withdrawn: row.get("withdrawn")?,
    })
}
