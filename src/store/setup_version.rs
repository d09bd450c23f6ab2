//! `setup_version`: every setup file that was ever served with this store.

use rusqlite::{Connection, OptionalExtension, Row, params};

use crate::config::Setup;

/// A setup file as it once was served.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Version {
    /// SHA-256 of its text, hex.
    pub digest: String,
    /// When it was first served, ms since 1970.
    pub first_served_ms: i64,
    /// What it says.
    pub text: String,
}

/// Keeps the setup, where it isn't kept yet.
///
/// # Errors
/// Whatever SQLite says.
pub fn keep(connection: &Connection, setup: &Setup, now_ms: i64) -> rusqlite::Result<()> {
    connection.execute(
        "INSERT OR IGNORE INTO setup_version VALUES (?1, ?2, ?3)",
        params![setup.digest, now_ms, setup.text],
    )?;
    Ok(())
}

/// All of them, oldest first.
///
/// # Errors
/// Whatever SQLite says.
pub fn all(connection: &Connection) -> rusqlite::Result<Vec<Version>> {
    connection
        .prepare("SELECT digest, first_served_ms, text FROM setup_version ORDER BY first_served_ms, digest")?
        .query_map([], version)?
        .collect()
}

/// The one that the ledger was derived with last.
///
/// # Errors
/// Whatever SQLite says.
pub fn last_served(connection: &Connection) -> rusqlite::Result<Option<Version>> {
    connection
        .query_row(
            "SELECT digest, first_served_ms, text FROM setup_version \
             WHERE EXISTS (SELECT 1 FROM ledger_basis WHERE instr(basis, digest) > 0)",
            [],
            version,
        )
        .optional()
}

fn version(row: &Row<'_>) -> rusqlite::Result<Version> {
    Ok(Version {
        digest: row.get(0)?,
        first_served_ms: row.get(1)?,
        text: row.get(2)?,
    })
}
