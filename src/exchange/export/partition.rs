//! A folder for many sites: tables by site and month, `TABLE/site=SITE/month=2026-01/TABLE.parquet`.
//!
//! What a month has always gives the same bytes, and a file that is there with them is left as it is, so that a plain
//! file sync carries only what is new. Months are those of UTC.

use std::{collections::BTreeMap, fs, io, path::Path};

use chrono::DateTime;

use super::{ExportError, Field, Format, Table};
use crate::api::percent_encoded;

/// What was done.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Done {
    /// Files that are new or have other contents than before.
    pub written: u64,
    /// Files that were there already as they are.
    pub kept: u64,
    /// Files of months that have no rows any more.
    pub removed: u64,
}

impl std::ops::AddAssign for Done {
    fn add_assign(&mut self, other: Self) {
        self.written += other.written;
        self.kept += other.kept;
        self.removed += other.removed;
    }
}

/// The month of an instant, like `2026-01`.
fn month(at_ms: i64) -> String {
    DateTime::from_timestamp_millis(at_ms)
        .unwrap_or_default()
        .format("%Y-%m")
        .to_string()
}

/// Rows by the month of what stands in a column.
#[must_use]
pub fn by_month(table: Table, column: &str) -> BTreeMap<String, Table> {
    let mut months: BTreeMap<String, Table> = BTreeMap::new();
    let place = table.columns.iter().position(|other| other.name == column);
    for row in table.rows {
        let Some(Field::Instant(at_ms)) = place.map(|place| &row[place]) else {
            continue;
        };
        let part = months.entry(month(*at_ms)).or_insert_with(|| Table {
            columns: table.columns.clone(),
            rows: Vec::new(),
        });
        part.rows.push(row);
    }
    months
}

/// Puts all months of a site's table into a folder; months that are there and not among them are removed.
///
/// # Errors
/// Where a file can't be written.
pub fn put(
    folder: &Path,
    table: &str,
    site: &str,
    setup_digest: &str,
    months: BTreeMap<String, Table>,
) -> Result<Done, ExportError> {
    let site = folder.join(table).join(format!("site={}", percent_encoded(site)));
    let name = format!("{table}.parquet");
    let mut done = Done::default();
    for there in months_there(&site, &name)? {
        if !months.contains_key(&there) {
            let month = site.join(format!("month={there}"));
            fs::remove_file(month.join(&name))?;
            // Whatever else somebody put there keeps the folder.
            let _ = fs::remove_dir(month);
            done.removed += 1;
        }
    }
    for (month, rows) in months {
        let month = site.join(format!("month={month}"));
        let path = month.join(&name);
        let mut bytes = Vec::new();
        rows.write(Format::Parquet, setup_digest, &mut bytes)?;
        if fs::read(&path).is_ok_and(|there| there == bytes) {
            done.kept += 1;
            continue;
        }
        fs::create_dir_all(&month)?;
        let beside = month.join(format!(".{name}.part"));
        fs::write(&beside, &bytes)?;
        fs::rename(&beside, &path)?;
        done.written += 1;
    }
    Ok(done)
}

/// The months of which a site has a file.
fn months_there(site: &Path, name: &str) -> io::Result<Vec<String>> {
    let entries = match fs::read_dir(site) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
        entries => entries?,
    };
    let mut months = Vec::new();
    for entry in entries {
        let entry = entry?;
        let folder = entry.file_name();
        let month = folder.to_str().and_then(|folder| folder.strip_prefix("month="));
        if entry.path().join(name).exists() {
            months.extend(month.map(str::to_owned));
        }
    }
    Ok(months)
}
