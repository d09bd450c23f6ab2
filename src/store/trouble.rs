//! What stands behind a failure of SQLite, as far as somebody can mend it.

use rusqlite::ErrorCode;

/// A cause that somebody can do something about.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Trouble {
    /// No room on the disk.
    DiskFull,
    /// The file is damaged, or none of SQLite's.
    Damaged,
    /// Another program holds the database.
    Locked,
    /// The disk can't be read or written, or not with these rights.
    Disk,
    /// Anything else: the log has SQLite's words.
    Other,
}

impl Trouble {
    /// What an error is about.
    #[must_use]
    pub fn of(error: &rusqlite::Error) -> Self {
        match error.sqlite_error_code() {
            Some(ErrorCode::DiskFull) => Self::DiskFull,
            Some(ErrorCode::DatabaseCorrupt | ErrorCode::NotADatabase) => Self::Damaged,
            Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked) => Self::Locked,
            Some(
                ErrorCode::SystemIoFailure
                | ErrorCode::CannotOpen
                | ErrorCode::ReadOnly
                | ErrorCode::PermissionDenied,
            ) => Self::Disk,
            _ => Self::Other,
        }
    }

    /// One word for it.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::DiskFull => "disk_full",
            Self::Damaged => "damaged",
            Self::Locked => "locked",
            Self::Disk => "disk",
            Self::Other => "other",
        }
    }

    /// What to do about it.
    #[must_use]
    pub fn mend(self) -> &'static str {
        match self {
            Self::DiskFull => "make room on the disk; packdrift then goes on by itself",
            Self::Damaged => {
                "stop packdrift; `packdrift restore` puts a backup in the place of the store, `packdrift salvage` \
                 saves what can be read of it"
            }
            Self::Locked => "end the other program that holds the database; packdrift then goes on by itself",
            Self::Disk => "look after the disk and its rights; packdrift goes on by itself once it can write",
            Self::Other => "the log of the daemon says more",
        }
    }
}
