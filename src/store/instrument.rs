//! `instrument`: the short number that stands for a name in every other table.

use rusqlite::{Connection, OptionalExtension, params};

/// The number of a name in this store, given out when the name is first seen.
///
/// # Errors
/// Whatever SQLite says.
pub fn number_of(connection: &Connection, name: &str) -> rusqlite::Result<i64> {
    connection.execute(
        "INSERT OR IGNORE INTO instrument (name) VALUES (?1)",
        params![name],
    )?;
    connection.query_row(
        "SELECT id FROM instrument WHERE name = ?1",
        params![name],
        |row| row.get(0),
    )
}

/// The number of a name, where the store knows it.
///
/// # Errors
/// Whatever SQLite says.
pub fn known_number(connection: &Connection, name: &str) -> rusqlite::Result<Option<i64>> {
    connection
        .prepare_cached("SELECT id FROM instrument WHERE name = ?1")?
        .query_row(params![name], |row| row.get(0))
        .optional()
}
