//! Copies of a store, made while it is written to, and put back in its place.
//!
//! A copy gets its name only once it is whole, has been checked and is on the disk: what has a backup's name is
//! one. It stands by itself, without the files that SQLite keeps beside a database in use.

use std::{
    fs::{self, File, OpenOptions},
    io,
    os::unix::fs::OpenOptionsExt,
    path::{Path, PathBuf},
};

use chrono::{DateTime, NaiveDateTime, Utc};
use rusqlite::{
    Connection,
    backup::{Backup, StepResult},
};

use super::{
    digest::{self, ReadingsDigest},
    open::{Lock, OpenError, read_only},
    soundness::{complaints, sync_folder},
    trouble::Trouble,
};

/// Pages copied at a time.
const PAGES: i32 = 1024;
/// How a backup in a folder is named, by the instant it was begun.
const NAME: &str = "packdrift-%Y-%m-%dT%H%M%SZ.sqlite";
/// What a file's name ends in on its way to the name.
const PART: &str = ".part";

/// Why there is no copy, or none was put back.
#[derive(Debug, thiserror::Error)]
pub enum CopyError {
    /// Nothing is ever overwritten.
    #[error("there is a file at {path} already; name another one, or move that away")]
    Exists {
        /// The file.
        path: String,
    },
    /// SQLite finds faults in it.
    #[error(
        "{path} is damaged ({}); `packdrift salvage {path} NEW` saves what can be read of it, `packdrift restore \
         BACKUP` puts a backup in the place of the store", .complaints.join("; ")
    )]
    Damaged {
        /// The database.
        path: String,
        /// What SQLite says of it.
        complaints: Vec<String>,
    },
    /// SQLite says no.
    #[error("{path} could not be read or written")]
    Sqlite {
        /// The database.
        path: String,
        /// What SQLite says.
        source: rusqlite::Error,
    },
    /// The system says no.
    #[error("{path} could not be written or renamed")]
    File {
        /// The file.
        path: String,
        /// What the system says.
        source: io::Error,
    },
    /// The database can't be opened.
    #[error(transparent)]
    Open(#[from] OpenError),
}

impl CopyError {
    /// What it is about, as far as somebody can mend it.
    #[must_use]
    pub fn trouble(&self) -> Trouble {
        match self {
            Self::Damaged { .. } | Self::Open(OpenError::Damaged { .. }) => Trouble::Damaged,
            Self::Sqlite { source, .. } | Self::Open(OpenError::Sqlite { source, .. }) => Trouble::of(source),
            Self::File { source, .. } if source.kind() == io::ErrorKind::StorageFull => Trouble::DiskFull,
            Self::File { .. } => Trouble::Disk,
            Self::Exists { .. } | Self::Open(_) => Trouble::Other,
        }
    }

    pub(super) fn sqlite(path: &Path) -> impl Fn(rusqlite::Error) -> Self + Copy {
        move |source| Self::Sqlite {
            path: path.display().to_string(),
            source,
        }
    }

    pub(super) fn file(path: &Path) -> impl Fn(io::Error) -> Self + Copy {
        move |source| Self::File {
            path: path.display().to_string(),
            source,
        }
    }
}

/// A copy that was checked.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Copied {
    /// Where it is.
    pub path: PathBuf,
    /// Its size.
    pub bytes: u64,
    /// What readings are in it.
    pub readings: ReadingsDigest,
}

/// Copies the store at `from`, which may be in use, to a new file `to`.
///
/// The copy is of one instant: readings committed meanwhile neither get into it nor make it begin again.
///
/// # Errors
/// Where `to` exists, `from` is damaged or from a later packdrift, or one of them can't be read or written. `to` is then
/// not there.
pub fn backup(from: &Path, to: &Path) -> Result<Copied, CopyError> {
    let part = Part::begin(to)?;
    copy(from, &part.path)?;
    let readings = part.check(from)?;
    part.name(to, readings)
}

/// Makes a backup in a folder, named by the present instant, and removes all but the newest `keep` of that naming.
///
/// # Errors
/// As [`backup()`]; nothing is removed then.
pub fn backup_in(from: &Path, folder: &Path, keep: usize) -> Result<Copied, CopyError> {
    fs::create_dir_all(folder).map_err(CopyError::file(folder))?;
    // What earlier ones left that were cut short; nobody else backs up there under such names.
    for (_, path) in dated(folder, &format!("{NAME}{PART}")) {
        drop(Part { path });
    }
    let copied = backup(from, &folder.join(Utc::now().format(NAME).to_string()))?;
    let mut known = dated(folder, NAME);
    known.sort();
    let surplus = known.len().saturating_sub(keep.max(1));
    for (_, path) in &known[..surplus] {
        fs::remove_file(path).map_err(CopyError::file(path))?;
    }
    Ok(copied)
}

/// When the newest backup in a folder was begun; `None` where there is none.
#[must_use]
pub fn newest_in(folder: &Path) -> Option<DateTime<Utc>> {
    dated(folder, NAME).into_iter().map(|(at, _)| at).max()
}

/// What is in a folder under names of that form, with the instant in the name.
fn dated(folder: &Path, naming: &str) -> Vec<(DateTime<Utc>, PathBuf)> {
    let Ok(entries) = fs::read_dir(folder) else {
        return Vec::new();
    };
    entries
        .filter_map(|entry| {
            let entry = entry.ok()?;
            let at = NaiveDateTime::parse_from_str(entry.file_name().to_str()?, naming).ok()?;
            Some((at.and_utc(), entry.path()))
        })
        .collect()
}

/// Puts a copy of `from` in the place of the store at `path`, and gives back where the old one was put aside.
///
/// # Errors
/// Where a packdrift has the store, `from` is damaged or from a later packdrift, or the disk says no. An older one is
/// upgraded at the next start.
pub fn restore(from: &Path, path: &Path) -> Result<(Copied, Option<PathBuf>), CopyError> {
    let _lock = Lock::take(path)?;
    let part = Part::begin_for(path)?;
    copy(from, &part.path)?;
    let readings = part.check(from)?;
    let aside = path.exists().then(|| put_aside(path)).transpose()?;
    let copied = part.name(path, readings)?;
    Ok((copied, aside))
}

/// Moves a database away with what SQLite keeps beside it.
///
/// The log goes first and as a copy: whenever this is cut short, the database is whole at one of the two names.
fn put_aside(path: &Path) -> Result<PathBuf, CopyError> {
    let aside = beside(path, &Utc::now().format(".before-%Y-%m-%dT%H%M%SZ").to_string());
    let log = beside(path, "-wal");
    if log.exists() {
        let copy = beside(&aside, "-wal");
        fs::copy(&log, &copy)
            .and_then(|_| File::open(&copy)?.sync_all())
            .map_err(CopyError::file(&copy))?;
    }
    fs::rename(path, &aside).map_err(CopyError::file(path))?;
    // Beside the restored file, the old one's log would be taken for its own.
    for ending in ["-wal", "-shm"] {
        let file = beside(path, ending);
        match fs::remove_file(&file) {
            Err(error) if error.kind() != io::ErrorKind::NotFound => {
                return Err(CopyError::file(&file)(error));
            }
            _ => {}
        }
    }
    sync_folder(path).map_err(CopyError::file(path))?;
    Ok(aside)
}

/// Copies one consistent state of a database into an empty file.
fn copy(from: &Path, to: &Path) -> Result<(), CopyError> {
    if !from.exists() {
        let missing = io::Error::from(io::ErrorKind::NotFound);
        return Err(CopyError::file(from)(missing));
    }
    let source = read_only(from)?;
    let failed = |error| damage(from, error);
    // The copying steps find a transaction open and stay within it: its snapshot can't change under them.
    source
        .execute_batch("BEGIN; SELECT count(*) FROM sqlite_schema")
        .map_err(failed)?;
    let mut target = Connection::open(to).map_err(CopyError::sqlite(to))?;
    target
        .execute_batch("PRAGMA journal_mode = OFF; PRAGMA synchronous = OFF")
        .map_err(CopyError::sqlite(to))?;
    let copying = Backup::new(&source, &mut target).map_err(failed)?;
    while copying.step(PAGES).map_err(failed)? != StepResult::Done {}
    Ok(())
}

/// A failure, which says what to do where the file is damaged.
pub(super) fn damage(path: &Path, error: rusqlite::Error) -> CopyError {
    match Trouble::of(&error) {
        Trouble::Damaged => CopyError::Damaged {
            path: path.display().to_string(),
            complaints: vec![error.to_string()],
        },
        _ => CopyError::sqlite(path)(error),
    }
}

/// A file under way to its name; removed where it doesn't get there.
pub(super) struct Part {
    pub(super) path: PathBuf,
}

impl Part {
    /// Begins a file that will be named `to`, which must not exist.
    pub(super) fn begin(to: &Path) -> Result<Self, CopyError> {
        if to.exists() {
            return Err(CopyError::Exists {
                path: to.display().to_string(),
            });
        }
        Self::begin_for(to)
    }

    fn begin_for(to: &Path) -> Result<Self, CopyError> {
        let part = Self {
            path: beside(to, PART),
        };
        // One may be left from an attempt that was cut short.
        part.remove();
        OpenOptions::new()
            .write(true)
            .create_new(true)
            .mode(0o600)
            .open(&part.path)
            .map_err(CopyError::file(&part.path))?;
        Ok(part)
    }

    /// Checks the copy of `from`, so that faults are laid where they are.
    pub(super) fn check(&self, from: &Path) -> Result<ReadingsDigest, CopyError> {
        let failed = |error| damage(from, error);
        let connection = Connection::open(&self.path).map_err(failed)?;
        let complaints = complaints(&connection).map_err(failed)?;
        if !complaints.is_empty() {
            return Err(CopyError::Damaged {
                path: from.display().to_string(),
                complaints,
            });
        }
        let readings = digest::of_readings(&connection).map_err(failed)?;
        connection
            .pragma_update(None, "journal_mode", "DELETE")
            .map_err(CopyError::sqlite(&self.path))?;
        Ok(readings)
    }

    /// Gives the file its name once it is on the disk.
    pub(super) fn name(self, to: &Path, readings: ReadingsDigest) -> Result<Copied, CopyError> {
        let file = File::open(&self.path).map_err(CopyError::file(&self.path))?;
        file.sync_all().map_err(CopyError::file(&self.path))?;
        let bytes = file.metadata().map_err(CopyError::file(&self.path))?.len();
        fs::rename(&self.path, to).map_err(CopyError::file(to))?;
        sync_folder(to).map_err(CopyError::file(to))?;
        Ok(Copied {
            path: to.to_owned(),
            bytes,
            readings,
        })
    }

    fn remove(&self) {
        for ending in ["", "-journal", "-wal", "-shm"] {
            // Mostly there is none.
            let _ = fs::remove_file(beside(&self.path, ending));
        }
    }
}

impl Drop for Part {
    fn drop(&mut self) {
        self.remove();
    }
}

fn beside(path: &Path, ending: &str) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(ending);
    PathBuf::from(name)
}
