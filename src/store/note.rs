//! `note`: what a person attaches. Revisions are added, never overwritten; the highest one stands.

use rusqlite::{Connection, Row, types::Value};

use super::revised::{self, Stated};

/// What a note speaks of.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Subject {
    /// The whole bank of that name.
    Bank(String),
    /// The pack or reference of that name.
    Instrument(String),
}

impl Subject {
    fn parts(&self) -> (&'static str, &str) {
        match self {
            Self::Bank(name) => ("bank", name),
            Self::Instrument(name) => ("instrument", name),
        }
    }
}

/// What kind of note it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// Something seen.
    Observation,
    /// The count was set or the board calibrated by hand: a new epoch begins.
    Recalibration,
    /// The wiring was changed.
    Wiring,
}

impl Kind {
    /// Every kind.
    pub const ALL: [Self; 3] = [Self::Observation, Self::Recalibration, Self::Wiring];

    /// The word in the store, the API and the command line.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::Observation => "observation",
            Self::Recalibration => "recalibration",
            Self::Wiring => "wiring",
        }
    }

    /// The kind of that word.
    #[must_use]
    pub fn of(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.word() == word)
    }
}

/// What a person says in a note.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Said {
    /// The instant it speaks of, ms since 1970.
    pub at_ms: i64,
    /// Whom it speaks of.
    pub subject: Subject,
    /// What kind it is.
    pub kind: Kind,
    /// The words.
    pub text: String,
}

/// One revision of a note.
pub type Note = Stated<Said>;

/// Adds a note.
///
/// # Errors
/// Whatever SQLite says.
pub fn add(connection: &Connection, written_ms: i64, said: Said) -> rusqlite::Result<Note> {
    revised::add(connection, written_ms, said)
}

/// Adds a revision: other words, or none at all (`None`: the note is withdrawn; one that is so already stays as it
/// is). `None` where there is no such note.
///
/// # Errors
/// Whatever SQLite says.
pub fn revise(
    connection: &Connection,
    written_ms: i64,
    id: i64,
    said: Option<Said>,
) -> rusqlite::Result<Option<Note>> {
    revised::revise(connection, written_ms, id, said)
}

/// Every revision of every note, in order of their numbers.
///
/// # Errors
/// Whatever SQLite says.
pub fn history(connection: &Connection) -> rusqlite::Result<Vec<Note>> {
    revised::all(connection)
}

/// Adds revisions of notes from elsewhere that aren't here yet; gives how many those were.
///
/// # Errors
/// Whatever SQLite says.
pub fn take(connection: &Connection, theirs: &[Note]) -> rusqlite::Result<u64> {
    revised::take(connection, theirs)
}

/// The notes that stand, by the instant they speak of.
///
/// # Errors
/// Whatever SQLite says.
pub fn standing(connection: &Connection) -> rusqlite::Result<Vec<Note>> {
    connection
        .prepare_cached(
            "SELECT * FROM note AS n WHERE withdrawn = 0 \
             AND revision = (SELECT max(revision) FROM note WHERE id = n.id) ORDER BY at_ms, id",
        )?
        .query_map([], revised::of_row)?
        .collect()
}

impl revised::Said for Said {
    const TABLE: &'static str = "note";

    fn columns(&self) -> Vec<Value> {
        let (subject, name) = self.subject.parts();
        vec![
            self.at_ms.into(),
            subject.to_owned().into(),
            name.to_owned().into(),
            self.kind.word().to_owned().into(),
            self.text.clone().into(),
        ]
    }

    fn of_row(row: &Row<'_>) -> rusqlite::Result<Self> {
        let subject: String = row.get("subject")?;
        let name = row.get("name")?;
        let kind: String = row.get("kind")?;
        Ok(Self {
            at_ms: row.get("at_ms")?,
            subject: if subject == "bank" {
                Subject::Bank(name)
            } else {
                Subject::Instrument(name)
            },
            kind: Kind::of(&kind).ok_or_else(|| unknown_word(&kind))?,
            text: row.get("text")?,
        })
    }
}

/// A word in the file that this program never wrote there.
pub(super) fn unknown_word(word: &str) -> rusqlite::Error {
    rusqlite::Error::FromSqlConversionFailure(
        0,
        rusqlite::types::Type::Text,
        format!("unknown word “{word}”").into(),
    )
}
