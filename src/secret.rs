//! Secrets: read from files that nobody else may read, and never shown.

use std::{
    fmt,
    fs::File,
    io::{self, Read},
    os::unix::fs::PermissionsExt,
    path::{Path, PathBuf},
};

/// A secret. It has no way into a message or a log but [`Secret::expose`].
#[derive(Clone, PartialEq, Eq)]
pub struct Secret(String);

/// Why a file with secrets can't be used.
#[derive(Debug, thiserror::Error)]
pub enum SecretError {
    /// It can't be read.
    #[error("{} can't be read", path.display())]
    Read {
        /// The file.
        path: PathBuf,
        /// What the system says.
        source: io::Error,
    },
    /// Others may read it.
    #[error("{} may be read by others; take that right away: chmod 600 {}", path.display(), path.display())]
    Exposed {
        /// The file.
        path: PathBuf,
    },
}

impl Secret {
    /// The first line of a file, without the blanks around it.
    ///
    /// # Errors
    /// Where the file can't be read, or others may read it too.
    pub fn in_file(path: &Path) -> Result<Self, SecretError> {
        let text = private_text(path)?;
        Ok(Self(text.lines().next().unwrap_or_default().trim().to_owned()))
    }

    /// The secret itself, for whoever it is meant for.
    #[must_use]
    pub fn expose(&self) -> &str {
        &self.0
    }
}

impl fmt::Debug for Secret {
    fn fmt(&self, formatter: &mut fmt::Formatter<'_>) -> fmt::Result {
        formatter.write_str("Secret")
    }
}

/// The text of a file that nobody else may read.
///
/// # Errors
/// Where the file can't be read, or others may read it too.
pub fn private_text(path: &Path) -> Result<String, SecretError> {
    let failed = |source| SecretError::Read {
        path: path.to_owned(),
        source,
    };
    let mut file = File::open(path).map_err(failed)?;
    // Asked of the open file, so that it is the one that is read.
    let mode = file.metadata().map_err(failed)?.permissions().mode();
    if mode & 0o077 != 0 {
        return Err(SecretError::Exposed {
            path: path.to_owned(),
        });
    }
    let mut text = String::new();
    file.read_to_string(&mut text).map_err(failed)?;
    Ok(text)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_secret_is_read_from_a_private_file_only_and_never_shown() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("password");
        std::fs::write(&path, "hunter2 \nsecond line").unwrap();
        for (mode, private) in [(0o600, true), (0o400, true), (0o640, false), (0o604, false)] {
            std::fs::set_permissions(&path, std::fs::Permissions::from_mode(mode)).unwrap();
            match Secret::in_file(&path) {
                Ok(secret) => {
                    assert!(private, "{mode:o}");
                    assert_eq!(secret.expose(), "hunter2");
                    assert_eq!(format!("{secret:?}"), "Secret");
                }
                Err(error) => {
                    assert!(!private, "{mode:o}: {error}");
                    assert!(error.to_string().contains("chmod 600"), "{error}");
                    assert!(!error.to_string().contains("hunter2"));
                }
            }
        }
    }
}
