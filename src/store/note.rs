//! `note`: what a person attaches. Revisions are added, never overwritten; the highest one stands.

use rusqlite::{Connection, OptionalExtension, Row, params};

use super::revised::{self, Revised};

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
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Note {
    /// The note.
    pub id: i64,
    /// 1 as first written, then 2, 3, …
    pub revision: i64,
    /// When it was written, ms since 1970.
    pub written_ms: i64,
    /// What it says.
    pub said: Said,
    /// True where this revision takes the note back.
    pub withdrawn: bool,
}

/// Adds a note.
///
/// # Errors
/// Whatever SQLite says.
pub fn add(connection: &Connection, written_ms: i64, said: Said) -> rusqlite::Result<Note> {
    let id = connection.query_row("SELECT coalesce(max(id), 0) + 1 FROM note", [], |row| {
        row.get::<_, i64>(0)
    })?;
    let note = Note {
        id,
        revision: 1,
        written_ms,
        said,
        withdrawn: false,
    };
    insert(connection, &note)?;
    Ok(note)
}

/// Adds a revision: other words, or none at all (`None`: the note is withdrawn). `None` where there is no such note.
///
/// # Errors
/// Whatever SQLite says.
pub fn revise(
    connection: &Connection,
    written_ms: i64,
    id: i64,
    said: Option<Said>,
) -> rusqlite::Result<Option<Note>> {
    let Some(standing) = latest(connection, id)? else {
        return Ok(None);
    };
    let withdrawn = said.is_none();
    let note = Note {
        id,
        revision: standing.revision + 1,
        written_ms,
        said: said.unwrap_or(standing.said),
        withdrawn,
    };
    insert(connection, &note)?;
    Ok(Some(note))
}

fn insert(connection: &Connection, note: &Note) -> rusqlite::Result<()> {
    let (subject, name) = note.said.subject.parts();
    connection.execute(
        "INSERT INTO note VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)",
        params![
            note.id,
            note.revision,
            note.written_ms,
            note.said.at_ms,
            subject,
            name,
            note.said.kind.word(),
            note.said.text,
            note.withdrawn
        ],
    )?;
    Ok(())
}

/// The latest revision of a note, withdrawn or not.
///
/// # Errors
/// Whatever SQLite says.
pub fn latest(connection: &Connection, id: i64) -> rusqlite::Result<Option<Note>> {
    connection
        .prepare_cached("SELECT * FROM note WHERE id = ?1 ORDER BY revision DESC LIMIT 1")?
        .query_row(params![id], from_row)
        .optional()
}

/// Every revision of every note, in order of their numbers.
///
/// # Errors
/// Whatever SQLite says.
pub fn history(connection: &Connection) -> rusqlite::Result<Vec<Note>> {
    connection
        .prepare_cached("SELECT * FROM note ORDER BY id, revision")?
        .query_map([], from_row)?
        .collect()
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
        .query_map([], from_row)?
        .collect()
}

impl Revised for Note {
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

fn from_row(row: &Row<'_>) -> rusqlite::Result<Note> {
    let subject: String = row.get("subject")?;
    let name = row.get("name")?;
    let kind: String = row.get("kind")?;
    Ok(Note {
        id: row.get("id")?,
        revision: row.get("revision")?,
        written_ms: row.get("written_ms")?,
        said: Said {
            at_ms: row.get("at_ms")?,
            subject: if subject == "bank" {
                Subject::Bank(name)
            } else {
                Subject::Instrument(name)
            },
            kind: Kind::of(&kind).ok_or_else(|| unknown_word(&kind))?,
            text: row.get("text")?,
        },
        withdrawn: row.get("withdrawn")?,
    })
}

/// A word in the file that this program never wrote there.
pub(super) fn unknown_word(word: &str) -> rusqlite::Error {
    rusqlite::Error::FromSqlConversionFailure(
        0,
        rusqlite::types::Type::Text,
        format!("unknown word “{word}”").into(),
    )
}
