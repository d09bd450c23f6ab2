//! What people said, in revisions: one is added, never overwritten; the highest one stands.

use std::collections::BTreeMap;

use rusqlite::{Connection, OptionalExtension, Row, params, params_from_iter, types::Value};

/// Something that a person said, as a table of its own keeps it.
pub trait Said: Clone + PartialEq {
    /// The table. Its first columns are number, revision and when it was written, its last whether it is withdrawn.
    const TABLE: &'static str;
    /// What the columns in between hold, in their order.
    fn columns(&self) -> Vec<Value>;
    /// What a row says.
    fn of_row(row: &Row<'_>) -> rusqlite::Result<Self>;
}

/// One revision of something that a person said.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Stated<S> {
    /// Its number, the same in every revision.
    pub id: i64,
    /// 1 as first written, then 2, 3, …
    pub revision: i64,
    /// When it was written, ms since 1970.
    pub written_ms: i64,
    /// What it says.
    pub said: S,
    /// True where this revision takes it back.
    pub withdrawn: bool,
}

impl<S: Said> Stated<S> {
    fn numbered(&self, id: i64, revision: i64) -> Self {
        Self {
            id,
            revision,
            ..self.clone()
        }
    }

    fn insert(&self, connection: &Connection) -> rusqlite::Result<()> {
        let mut values: Vec<Value> = [self.id, self.revision, self.written_ms].map(Value::from).into();
        values.extend(self.said.columns());
        values.push(self.withdrawn.into());
        let places = vec!["?"; values.len()].join(", ");
        connection.execute(
            &format!("INSERT INTO {} VALUES ({places})", S::TABLE),
            params_from_iter(values),
        )?;
        Ok(())
    }
}

/// A revision as it stands in its row.
pub(super) fn of_row<S: Said>(row: &Row<'_>) -> rusqlite::Result<Stated<S>> {
    Ok(Stated {
        id: row.get("id")?,
        revision: row.get("revision")?,
        written_ms: row.get("written_ms")?,
        said: S::of_row(row)?,
        withdrawn: row.get("withdrawn")?,
    })
}

/// Adds something under a number of its own.
pub(super) fn add<S: Said>(connection: &Connection, written_ms: i64, said: S) -> rusqlite::Result<Stated<S>> {
    let next = format!("SELECT coalesce(max(id), 0) + 1 FROM {}", S::TABLE);
    let first = Stated {
        id: connection.query_row(&next, [], |row| row.get(0))?,
        revision: 1,
        written_ms,
        said,
        withdrawn: false,
    };
    first.insert(connection)?;
    Ok(first)
}

/// Adds a revision to the one of that number: other words, or none at all (`None`: it is withdrawn; one that is so
/// already stays as it is). `None` where there is none.
pub(super) fn revise<S: Said>(
    connection: &Connection,
    written_ms: i64,
    id: i64,
    said: Option<S>,
) -> rusqlite::Result<Option<Stated<S>>> {
    let Some(standing) = latest(connection, id)? else {
        return Ok(None);
    };
    if standing.withdrawn && said.is_none() {
        return Ok(Some(standing));
    }
    let revised = Stated {
        id: standing.id,
        revision: standing.revision + 1,
        written_ms,
        withdrawn: said.is_none(),
        said: said.unwrap_or(standing.said),
    };
    revised.insert(connection)?;
    Ok(Some(revised))
}

/// The latest revision under a number, withdrawn or not.
fn latest<S: Said>(connection: &Connection, id: i64) -> rusqlite::Result<Option<Stated<S>>> {
    let table = S::TABLE;
    connection
        .prepare_cached(&format!(
            "SELECT * FROM {table} WHERE id = ?1 ORDER BY revision DESC LIMIT 1"
        ))?
        .query_row(params![id], of_row)
        .optional()
}

/// Every revision that there is, in order of its numbers.
pub(super) fn all<S: Said>(connection: &Connection) -> rusqlite::Result<Vec<Stated<S>>> {
    connection
        .prepare_cached(&format!("SELECT * FROM {} ORDER BY id, revision", S::TABLE))?
        .query_map([], of_row)?
        .collect()
}

/// Adds the revisions from elsewhere that aren't here yet; gives how many those were.
///
/// What begins with the same revision as something here is that; else it keeps its number where that is free.
pub(super) fn take<S: Said>(connection: &Connection, theirs: &[Stated<S>]) -> rusqlite::Result<u64> {
    let mut here = by_number(&all::<S>(connection)?);
    let mut added = 0;
    for (id, theirs) in by_number(theirs) {
        let begun = here
            .iter()
            .find(|(known, ours)| ours[0] == theirs[0].numbered(**known, ours[0].revision))
            .map(|(known, _)| *known);
        let free = || here.last_key_value().map_or(1, |(last, _)| last + 1);
        let id = begun.unwrap_or_else(|| if here.contains_key(&id) { free() } else { id });
        let ours = here.entry(id).or_default();
        for their in theirs {
            if ours.iter().any(|our| *our == their.numbered(id, our.revision)) {
                continue;
            }
            let next = ours.last().map_or(1, |last| last.revision + 1);
            let taken = their.numbered(id, next);
            taken.insert(connection)?;
            ours.push(taken);
            added += 1;
        }
    }
    Ok(added)
}

fn by_number<S: Said>(revisions: &[Stated<S>]) -> BTreeMap<i64, Vec<Stated<S>>> {
    let mut numbers: BTreeMap<i64, Vec<Stated<S>>> = BTreeMap::new();
    for revision in revisions {
        numbers.entry(revision.id).or_default().push(revision.clone());
    }
    for revisions in numbers.values_mut() {
        revisions.sort_by_key(|revision| revision.revision);
    }
    numbers
}
