//! Where an import stands, so that one that was cut short goes on from there.
//!
//! Importing twice changes nothing in the store, so that this saves time only; it lies beside the store as
//! `….import` while an import runs.

use std::{
    fs, io,
    path::{Path, PathBuf},
};

use serde::{Deserialize, Serialize};

/// How far an import is.
pub(super) struct Resume {
    path: PathBuf,
    whose: Whose,
}

/// Of which file, by which understanding of it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
struct Whose {
    file_sha256: String,
    understanding_sha256: String,
}

#[derive(Serialize, Deserialize)]
struct Kept {
    #[serde(flatten)]
    whose: Whose,
    items: u64,
}

impl Resume {
    pub(super) fn new(store: &Path, file_sha256: &str, understanding_sha256: &str) -> Self {
        let mut path = store.as_os_str().to_owned();
        path.push(".import");
        Self {
            path: PathBuf::from(path),
            whose: Whose {
                file_sha256: file_sha256.to_owned(),
                understanding_sha256: understanding_sha256.to_owned(),
            },
        }
    }

    /// Items of this file that are committed already.
    pub(super) fn done(&self) -> u64 {
        let kept = fs::read(&self.path).ok();
        let kept: Option<Kept> = kept.and_then(|bytes| serde_json::from_slice(&bytes).ok());
        kept.filter(|kept| kept.whose == self.whose)
            .map_or(0, |kept| kept.items)
    }

    /// Keeps that so many items are committed.
    pub(super) fn keep(&self, items: u64) -> io::Result<()> {
        let kept = Kept {
            whose: self.whose.clone(),
            items,
        };
        // A file that is cut short by a power cut is no JSON, and the import begins anew.
        fs::write(&self.path, serde_json::to_vec(&kept)?)
    }

    /// All is done.
    pub(super) fn forget(&self) -> io::Result<()> {
        match fs::remove_file(&self.path) {
            Err(error) if error.kind() != io::ErrorKind::NotFound => Err(error),
            _ => Ok(()),
        }
    }
}
