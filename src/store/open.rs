//! Opens the database: the lock, the pragmas, the migrations.

use std::{
    fs::{File, OpenOptions, TryLockError},
    io::{ErrorKind, Read, Seek, Write},
    path::{Path, PathBuf},
    time::Duration,
};

use rusqlite::{Connection, OpenFlags};
use rusqlite_migration::{M, Migrations, SchemaVersion};

use super::trouble::Trouble;

/// The schema, oldest migration first. Applied ones never change.
const MIGRATIONS: &[M<'static>] = &[
    M::up(include_str!("../../migrations/01_readings.sql")),
    M::up(include_str!("../../migrations/02_people.sql")),
    M::up(include_str!("../../migrations/03_ledger.sql")),
    M::up(include_str!("../../migrations/04_every_bank.sql")),
    M::up(include_str!("../../migrations/05_one_key.sql")),
    M::up(include_str!("../../migrations/06_total_readings.sql")),
];

/// Pages that a reading connection keeps to itself, KiB.
const READER_CACHE_KIB: i64 = 128;
/// What the log beside the database may keep of the disk once its pages are folded in, bytes: a migration, or a backup
/// under load, makes it as long as a year of readings.
const LONGEST_LOG: i64 = 64 * 1024 * 1024;

/// Why a database can't be used.
#[derive(Debug, thiserror::Error)]
pub enum OpenError {
    /// Another packdrift has it.
    #[error("{path} is in use by another packdrift{}; stop that one, or ask it over its API", at(.address.as_ref()))]
    InUse {
        /// The database.
        path: String,
        /// Where the other one answers, where it says so.
        address: Option<String>,
    },
    /// The lock file can't be made.
    #[error("the lock file {path} can't be used; does the folder exist, and may packdrift write there?")]
    Lock {
        /// The lock file.
        path: String,
        /// What the system says.
        source: std::io::Error,
    },
    /// The file is from a later packdrift.
    #[error(
        "{path} has schema {found}, this packdrift knows up to {known}; use a packdrift at least as new as the one that wrote it"
    )]
    Newer {
        /// The database.
        path: String,
        /// Its schema.
        found: usize,
        /// Ours.
        known: usize,
    },
    /// An upgrade of the schema failed; the file is as it was.
    #[error("{path} could not be brought to schema {}; it was left as it was", MIGRATIONS.len())]
    Migrate {
        /// The database.
        path: String,
        /// What went wrong.
        source: Box<rusqlite_migration::Error>,
    },
    /// The file is damaged, or none of SQLite's.
    #[error(
        "{path} is damaged or no database; `packdrift salvage {path} NEW` saves what can be read of it, \
         `packdrift restore BACKUP` puts a backup in its place"
    )]
    Damaged {
        /// The database.
        path: String,
        /// What SQLite says.
        source: rusqlite::Error,
    },
    /// SQLite says no.
    #[error("{path} can't be opened as a packdrift database")]
    Sqlite {
        /// The database.
        path: String,
        /// What SQLite says.
        source: rusqlite::Error,
    },
}

impl OpenError {
    fn sqlite(path: &Path) -> impl Fn(rusqlite::Error) -> Self + Copy {
        move |source| {
            let path = path.display().to_string();
            match Trouble::of(&source) {
                Trouble::Damaged => Self::Damaged { path, source },
                _ => Self::Sqlite { path, source },
            }
        }
    }

    fn migrate(path: &Path) -> impl Fn(rusqlite_migration::Error) -> Self + Copy {
        move |source| match source {
            rusqlite_migration::Error::RusqliteError { err, .. } if Trouble::of(&err) == Trouble::Damaged => {
                Self::sqlite(path)(err)
            }
            source => Self::Migrate {
                path: path.display().to_string(),
                source: Box::new(source),
            },
        }
    }

    /// Where the schema can't even be looked up.
    fn schema(path: &Path) -> impl Fn(rusqlite_migration::Error) -> Self + Copy {
        move |source| match source {
            rusqlite_migration::Error::RusqliteError { err, .. } => Self::sqlite(path)(err),
            source => Self::migrate(path)(source),
        }
    }
}

fn at(address: Option<&String>) -> String {
    address.map_or_else(String::new, |address| format!(" (listening on {address})"))
}

/// Holds a database for one packdrift, for as long as it lives.
///
/// SQLite's own locks guard its pages, not the promise that one writer acknowledges what it commits.
#[derive(Debug)]
pub struct Lock {
    file: File,
}

impl Lock {
    /// Takes the lock of the database at `path`.
    ///
    /// # Errors
    /// [`OpenError::InUse`] where another process has it, [`OpenError::Lock`] where it can't be had at all.
    pub fn take(path: &Path) -> Result<Self, OpenError> {
        let beside = lock_path(path);
        let failed = |source| OpenError::Lock {
            path: beside.display().to_string(),
            source,
        };
        let open = |write| {
            let mut options = OpenOptions::new();
            options.read(true).write(write).create(write).truncate(false);
            options.open(&beside)
        };
        // Whoever may only read it can still find out who has it.
        let (mut file, denied) = match open(true) {
            Err(denied) if denied.kind() == ErrorKind::PermissionDenied => {
                (open(false).map_err(failed)?, Some(denied))
            }
            opened => (opened.map_err(failed)?, None),
        };
        match file.try_lock() {
            Ok(()) => {
                denied.map_or(Ok(()), |denied| Err(failed(denied)))?;
                file.set_len(0).map_err(failed)?;
                Ok(Self { file })
            }
            Err(TryLockError::WouldBlock) => {
                let mut address = String::new();
                let said = file.read_to_string(&mut address).is_ok() && !address.is_empty();
                Err(OpenError::InUse {
                    path: path.display().to_string(),
                    address: said.then_some(address),
                })
            }
            Err(TryLockError::Error(source)) => Err(failed(source)),
        }
    }

    /// Leaves word where this packdrift answers, so that the command line finds it.
    ///
    /// # Errors
    /// Whatever writing the lock file says.
    pub fn announce(&mut self, address: &str) -> std::io::Result<()> {
        self.file.set_len(0)?;
        self.file.rewind()?;
        self.file.write_all(address.as_bytes())
    }
}

fn lock_path(path: &Path) -> PathBuf {
    let mut name = path.as_os_str().to_owned();
    name.push(".lock");
    PathBuf::from(name)
}

/// Opens the writing connection and brings the schema up to date. The caller holds the [`Lock`].
///
/// # Errors
/// Where the file is no database, is newer than this program, or can't be upgraded.
pub fn read_write(path: &Path) -> Result<Connection, OpenError> {
    let mut connection = open(path)?;
    upgrade(&mut connection, path)?;
    Ok(connection)
}

/// Makes a database with the schema that another one has, which may be older than this program's.
pub(super) fn empty_like(
    other: &Connection,
    other_path: &Path,
    path: &Path,
) -> Result<Connection, OpenError> {
    let schema = known_schema(other, other_path)?;
    let mut connection = open(path)?;
    Migrations::from_slice(MIGRATIONS)
        .to_version(&mut connection, schema)
        .map_err(OpenError::migrate(path))?;
    Ok(connection)
}

fn open(path: &Path) -> Result<Connection, OpenError> {
    let failed = OpenError::sqlite(path);
    let connection = Connection::open(path).map_err(failed)?;
    configure(&connection).map_err(failed)?;
    connection
        .pragma_update(None, "journal_mode", "WAL")
        .map_err(failed)?;
    // A commit that is acknowledged must survive a power cut.
    connection
        .pragma_update(None, "synchronous", "FULL")
        .map_err(failed)?;
    connection
        .pragma_update(None, "journal_size_limit", LONGEST_LOG)
        .map_err(failed)?;
    Ok(connection)
}

/// Opens a connection that only reads, also what an earlier packdrift wrote.
///
/// # Errors
/// Where the file is no database, or newer than this program.
pub fn read_only(path: &Path) -> Result<Connection, OpenError> {
    let failed = OpenError::sqlite(path);
    let connection = Connection::open_with_flags(
        path,
        OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_NO_MUTEX,
    )
    .map_err(failed)?;
    configure(&connection).map_err(failed)?;
    // Several of these stay open. The system keeps the file's pages anyway, and gives them up where memory is short.
    connection
        .pragma_update(None, "cache_size", -READER_CACHE_KIB)
        .map_err(failed)?;
    known_schema(&connection, path)?;
    Ok(connection)
}

fn configure(connection: &Connection) -> rusqlite::Result<()> {
    connection.busy_timeout(Duration::from_secs(5))?;
    connection.pragma_update(None, "foreign_keys", true)?;
    connection.set_prepared_statement_cache_capacity(64);
    Ok(())
}

/// Brings the schema of a database up to date.
///
/// # Errors
/// Where it is newer than this program, or can't be upgraded; it is then as it was.
pub fn upgrade(connection: &mut Connection, path: &Path) -> Result<(), OpenError> {
    let found = known_schema(connection, path)?;
    if (1..MIGRATIONS.len()).contains(&found) {
        let (path, known) = (path.display(), MIGRATIONS.len());
        tracing::info!(%path, found, known, "upgrading the store; a year of readings takes from seconds to minutes");
    }
    Migrations::from_slice(MIGRATIONS)
        .to_latest(connection)
        .map_err(OpenError::migrate(path))
}

/// The schema of a database, which this program knows or can upgrade.
///
/// # Errors
/// [`OpenError::Newer`] where the database is from a later packdrift.
pub(super) fn known_schema(connection: &Connection, path: &Path) -> Result<usize, OpenError> {
    let version = Migrations::from_slice(MIGRATIONS)
        .current_version(connection)
        .map_err(OpenError::schema(path))?;
    match version {
        SchemaVersion::Outside(found) => Err(OpenError::Newer {
            path: path.display().to_string(),
            found: found.get(),
            known: MIGRATIONS.len(),
        }),
        known => Ok(usize::from(&known)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::{digest, hour, salvage::salvage};

    #[test]
    fn every_older_schema_is_upgraded_and_keeps_its_readings() {
        for older in 1..MIGRATIONS.len() {
            let folder = tempfile::tempdir().unwrap();
            let path = folder.path().join("older.sqlite");
            older_store(&path, older);

            let upgraded = read_write(&path).unwrap();
            let reading: (i64, i64, i64) = upgraded
                .query_row("SELECT at_ms, instrument, current FROM reading", [], |row| {
                    Ok((row.get(0)?, row.get(1)?, row.get(2)?))
                })
                .unwrap();
            assert_eq!(reading, (1000, 1, -2500), "from schema {older}");
            upgraded
                .query_row("SELECT count(*) FROM hour", [], |row| row.get::<_, i64>(0))
                .unwrap();
        }
    }

    /// A store as a packdrift with that schema left it, with one reading.
    fn older_store(path: &Path, older: usize) {
        let mut connection = Connection::open(path).unwrap();
        Migrations::from_slice(MIGRATIONS)
            .to_version(&mut connection, older)
            .unwrap();
        connection
            .execute("INSERT INTO instrument VALUES (1, 'tern')", [])
            .unwrap();
        let reading = if older < 5 {
            "INSERT INTO reading (at_ms, instrument, current) VALUES (1000, 1, -2500)"
        } else {
            "INSERT INTO reading (key, current) VALUES (1000 * 4096 + 1, -2500)"
        };
        connection.execute(reading, []).unwrap();
    }

    #[test]
    fn hours_of_an_older_store_know_how_many_readings_there_were() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("older.sqlite");
        older_store(&path, 5);
        let older = Connection::open(&path).unwrap();
        older
            .execute("INSERT INTO instrument VALUES (2, 'fulmar')", [])
            .unwrap();
        for (instrument, hour, readings) in [(1, 0, 3), (1, 7, 4), (2, 1, 5)] {
            older
                .execute(
                    "INSERT INTO hour (instrument, hour, readings, charged, discharged, heard_ms, sampling_ah2, \
                     pauses_ms2, total_charged, total_discharged, total_heard_ms, total_sampling_ah2, total_pauses_ms2) \
                     VALUES (?1, ?2, ?3, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0)",
                    [instrument, hour, readings],
                )
                .unwrap();
        }
        drop(older);
        let upgraded = read_write(&path).unwrap();
        assert_eq!(
            hour::last_before(&upgraded, 1, 8)
                .unwrap()
                .unwrap()
                .total_readings,
            7
        );
        assert_eq!(hour::readings(&upgraded).unwrap(), 12);
    }

    #[test]
    fn what_was_written_before_the_one_key_is_read_and_saved_as_it_is() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("older.sqlite");
        older_store(&path, 4);
        let digest = |connection: &Connection| digest::of_readings(connection).unwrap();
        let before = digest(&Connection::open(&path).unwrap());
        let saved = salvage(&path, &folder.path().join("saved.sqlite")).unwrap();
        assert_eq!(saved.copied.readings, before);
        assert_eq!(digest(&read_write(&path).unwrap()), before);
        assert_eq!(before.readings, 1);
    }

    #[test]
    fn a_newer_schema_is_refused_and_left_alone() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("newer.sqlite");
        let connection = read_write(&path).unwrap();
        connection.pragma_update(None, "user_version", 99).unwrap();
        drop(connection);

        let refused = read_write(&path).unwrap_err();
        assert!(
            matches!(
                refused,
                OpenError::Newer {
                    found: 99,
                    known: 6,
                    ..
                }
            ),
            "{refused:?}"
        );
        let version: i64 = Connection::open(&path)
            .unwrap()
            .query_row("PRAGMA user_version", [], |row| row.get(0))
            .unwrap();
        assert_eq!(version, 99);
    }

    #[test]
    fn a_log_that_grew_long_is_cut_while_the_store_stays_open() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("long.sqlite");
        let connection = read_write(&path).unwrap();
        let log_bytes =
            || i64::try_from(path.with_extension("sqlite-wal").metadata().unwrap().len()).unwrap();
        connection
            .execute_batch("CREATE TABLE long (bytes); INSERT INTO long VALUES (zeroblob(70000000))")
            .unwrap();
        assert!(log_bytes() > LONGEST_LOG);
        // The first commit after all was folded in begins the log anew.
        for _ in 0..2 {
            connection.execute("INSERT INTO long VALUES (1)", []).unwrap();
        }
        assert!(log_bytes() <= LONGEST_LOG, "{}", log_bytes());
    }

    #[test]
    fn a_second_daemon_is_told_where_the_first_one_answers() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("one.sqlite");
        let mut first = Lock::take(&path).unwrap();
        first.announce("127.0.0.1:8077").unwrap();

        let refused = Lock::take(&path).unwrap_err();
        assert!(
            matches!(&refused, OpenError::InUse { address: Some(address), .. } if address == "127.0.0.1:8077"),
            "{refused:?}"
        );
        drop(first);
        Lock::take(&path).unwrap();
    }
}
