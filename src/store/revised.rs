//! Revisions from elsewhere of what people said: each is taken once, whatever its number was there.

use std::collections::BTreeMap;

use rusqlite::Connection;

/// A revision of something that a person said, under a number.
pub(super) trait Revised: Clone + PartialEq {
    /// The number, and which revision of it this is.
    fn numbers(&self) -> (i64, i64);
    /// The same under other numbers.
    fn numbered(&self, id: i64, revision: i64) -> Self;
    /// Every revision that there is, in order of its numbers.
    fn all(connection: &Connection) -> rusqlite::Result<Vec<Self>>;
    /// Adds this one.
    fn insert(&self, connection: &Connection) -> rusqlite::Result<()>;
}

/// Adds the revisions that aren't there yet; gives how many those were.
///
/// What begins with the same revision as something here is that; else it keeps its number where that is free.
pub(super) fn take<T: Revised>(connection: &Connection, theirs: &[T]) -> rusqlite::Result<u64> {
    let mut here = by_number(&T::all(connection)?);
    let mut added = 0;
    for (id, theirs) in by_number(theirs) {
        let begun = here
            .iter()
            .find(|(known, ours)| ours[0] == theirs[0].numbered(**known, ours[0].numbers().1))
            .map(|(known, _)| *known);
        let free = || here.last_key_value().map_or(1, |(last, _)| last + 1);
        let id = begun.unwrap_or_else(|| if here.contains_key(&id) { free() } else { id });
        let ours = here.entry(id).or_default();
        for their in theirs {
            if ours.iter().any(|our| *our == their.numbered(id, our.numbers().1)) {
                continue;
            }
            let next = ours.last().map_or(1, |last| last.numbers().1 + 1);
            let taken = their.numbered(id, next);
            taken.insert(connection)?;
            ours.push(taken);
            added += 1;
        }
    }
    Ok(added)
}

fn by_number<T: Revised>(revisions: &[T]) -> BTreeMap<i64, Vec<T>> {
    let mut numbers: BTreeMap<i64, Vec<T>> = BTreeMap::new();
    for revision in revisions {
        numbers
            .entry(revision.numbers().0)
            .or_default()
            .push(revision.clone());
    }
    for revisions in numbers.values_mut() {
        revisions.sort_by_key(|revision| revision.numbers().1);
    }
    numbers
}
