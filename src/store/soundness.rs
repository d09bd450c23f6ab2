//! Whether a database is sound, and how it is made to stay so on a disk.

use std::{fs::File, io, path::Path};

use rusqlite::Connection;

/// Complaints that are gathered before a check stops: more say no more.
const COMPLAINTS: usize = 10;

/// What SQLite finds wrong with a database: pages, indexes, types, and rows that refer to none. Empty: it is sound.
///
/// # Errors
/// Where not even that can be found out.
pub fn complaints(connection: &Connection) -> rusqlite::Result<Vec<String>> {
    let mut complaints = Vec::new();
    let mut statement = connection.prepare(&format!("PRAGMA integrity_check({COMPLAINTS})"))?;
    let mut rows = statement.query([])?;
    while let Some(row) = rows.next()? {
        let complaint: String = row.get(0)?;
        if complaint != "ok" {
            complaints.push(complaint.replace('\n', "; "));
        }
    }
    if !complaints.is_empty() {
        // References can't be followed over damaged pages.
        return Ok(complaints);
    }
    let mut statement = connection.prepare("PRAGMA foreign_key_check")?;
    let mut rows = statement.query([])?;
    while let Some(row) = rows.next()?
        && complaints.len() < COMPLAINTS
    {
        let (table, parent): (String, String) = (row.get(0)?, row.get(2)?);
        complaints.push(format!("a row of {table} refers to no row of {parent}"));
    }
    Ok(complaints)
}

/// Makes the names in the folder of `path` last through a power cut.
pub(super) fn sync_folder(path: &Path) -> io::Result<()> {
    let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty());
    File::open(folder.unwrap_or(Path::new(".")))?.sync_all()
}
