//! `setup_version`: every setup file that was ever served with this store.

use rusqlite::{Connection, params};

use crate::config::Setup;

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
