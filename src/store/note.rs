//! `note`: what a person attaches. Revisions are added, never overwritten; the highest one stands.

use rusqlite::{Connection, Row, params, types::Value};

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

/// What holds of the revision `n` where it stands.
const STANDS: &str =
    "withdrawn = 0 AND NOT EXISTS (SELECT 1 FROM note WHERE id = n.id AND revision > n.revision)";

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

/// The notes of one kind that stand, in order of time.
///
/// # Errors
/// Whatever SQLite says.
pub fn standing_of(connection: &Connection, kind: Kind) -> rusqlite::Result<Vec<Note>> {
    connection
        .prepare_cached(&format!(
            "SELECT * FROM note AS n WHERE kind = ?1 AND {STANDS} ORDER BY at_ms, id"
        ))?
        .query_map([kind.word()], revised::of_row)?
        .collect()
}

/// A list of notes, which is read a page at a time from its end: the newest are wanted first.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct List {
    /// Every revision, in order of their numbers; else the notes that stand, by the instant they speak of.
    pub history: bool,
    /// Only those of this bank and of these instruments.
    pub of: Option<(String, Vec<String>)>,
}

/// A place in a [`List`]: the two numbers that it is ordered by.
pub type Place = (i64, i64);

impl List {
    /// How many there are.
    ///
    /// # Errors
    /// Whatever SQLite says.
    pub fn count(&self, connection: &Connection) -> rusqlite::Result<i64> {
        let (bank, instruments) = self.whose();
        connection
            .prepare_cached(&format!("SELECT count(*) {}", self.rows()))?
            .query_row(params![bank, instruments], |row| row.get(0))
    }

    /// The last so many before a place, or of all, in the order of the list.
    ///
    /// # Errors
    /// Whatever SQLite says.
    pub fn before(
        &self,
        connection: &Connection,
        place: Option<Place>,
        most: u32,
    ) -> rusqlite::Result<Vec<Note>> {
        let (bank, instruments) = self.whose();
        let (first, second) = place.unwrap_or((i64::MAX, i64::MAX));
        let (a, b) = if self.history {
            ("id", "revision")
        } else {
            ("at_ms", "id")
        };
        let sql = format!(
            "SELECT * {} AND ({a}, {b}) < (?3, ?4) ORDER BY {a} DESC, {b} DESC LIMIT ?5",
            self.rows()
        );
        let mut notes: Vec<_> = connection
            .prepare_cached(&sql)?
            .query_map(params![bank, instruments, first, second, most], revised::of_row)?
            .collect::<Result<_, _>>()?;
        notes.reverse();
        Ok(notes)
    }

    /// The place of one that stands in it.
    #[must_use]
    pub fn place(&self, note: &Note) -> Place {
        if self.history {
            (note.id, note.revision)
        } else {
            (note.said.at_ms, note.id)
        }
    }

    fn rows(&self) -> String {
        let stands = if self.history { "TRUE" } else { STANDS };
        format!(
            "FROM note AS n WHERE {stands} AND (?1 IS NULL OR CASE subject WHEN 'bank' THEN name = ?1 \
             ELSE name IN (SELECT value FROM json_each(?2)) END)"
        )
    }

    /// What `rows` asks for: the bank, and the instruments as JSON.
    fn whose(&self) -> (Option<&str>, Option<String>) {
        let of = self.of.as_ref();
        of.map(|(bank, instruments)| (bank.as_str(), serde_json::json!(instruments).to_string()))
            .unzip()
    }
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
