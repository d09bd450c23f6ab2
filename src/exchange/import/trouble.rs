//! Why a file is not imported. Then nothing of it is: every error names the place and the mend.

use super::map::MapError;
use crate::page::words::visible;

/// The longest part of a message, characters: what it quotes from a file may be a megabyte.
const LONGEST: usize = 400;

/// Why a file is not imported; nothing of it was written.
#[derive(Debug, thiserror::Error)]
pub enum ImportError {
    /// A line of it can't be understood.
    #[error("{file}, line {line}: {what}; {mend}")]
    Line {
        /// The file.
        file: String,
        /// The line, from 1.
        line: u64,
        /// What is wrong.
        what: String,
        /// What to do.
        mend: String,
    },
    /// It can't be understood as a whole.
    #[error("{file}: {what}; {mend}")]
    Whole {
        /// The file.
        file: String,
        /// What is wrong.
        what: String,
        /// What to do.
        mend: String,
    },
    /// It can't be read.
    #[error("{file} can't be read; is it whole?")]
    Read {
        /// The file.
        file: String,
        /// What the system says.
        source: std::io::Error,
    },
    /// The map can't be used.
    #[error(transparent)]
    Map(#[from] MapError),
    /// Another packdrift's store can't be opened.
    #[error(transparent)]
    Open(#[from] crate::store::OpenError),
    /// A store can't be read or written.
    #[error("a store could not be read or written")]
    Store(#[from] rusqlite::Error),
    /// The writer is gone.
    #[error("not all of it was written; run the same command again, it goes on where it was")]
    Stopped(#[from] crate::store::Stopped),
}

/// What is wrong with a file, before it is known which file it is.
#[derive(Debug)]
pub(super) enum Trouble {
    Words {
        line: Option<u64>,
        what: String,
        mend: String,
    },
    Read(std::io::Error),
    Other(ImportError),
}

impl Trouble {
    pub(super) fn at(line: u64, what: impl Into<String>, mend: impl Into<String>) -> Self {
        Self::Words {
            line: Some(line),
            what: what.into(),
            mend: mend.into(),
        }
    }

    pub(super) fn whole(what: impl Into<String>, mend: impl Into<String>) -> Self {
        Self::Words {
            line: None,
            what: what.into(),
            mend: mend.into(),
        }
    }

    pub(super) fn of(self, file: &str) -> ImportError {
        let file = file.to_owned();
        match self {
            Self::Words {
                line: Some(line),
                what,
                mend,
            } => ImportError::Line {
                file,
                line,
                what: bearable(&what),
                mend: bearable(&mend),
            },
            Self::Words {
                line: None,
                what,
                mend,
            } => ImportError::Whole {
                file,
                what: bearable(&what),
                mend: bearable(&mend),
            },
            Self::Read(source) => ImportError::Read { file, source },
            Self::Other(error) => error,
        }
    }
}

/// Words with what a file says in them, for a terminal: what can't be seen made visible, and cut in the middle where
/// they get long, since both ends tell what is wrong.
fn bearable(words: &str) -> String {
    let shown: Vec<char> = visible(words).chars().collect();
    if shown.len() <= LONGEST {
        return shown.into_iter().collect();
    }
    let (begin, end) = (&shown[..LONGEST / 2], &shown[shown.len() - LONGEST / 2..]);
    begin.iter().chain(&['…']).chain(end).collect()
}

impl From<std::io::Error> for Trouble {
    fn from(error: std::io::Error) -> Self {
        Self::Read(error)
    }
}

impl From<ImportError> for Trouble {
    fn from(error: ImportError) -> Self {
        Self::Other(error)
    }
}

impl From<rusqlite::Error> for Trouble {
    fn from(error: rusqlite::Error) -> Self {
        Self::Other(error.into())
    }
}

impl From<crate::store::Stopped> for Trouble {
    fn from(error: crate::store::Stopped) -> Self {
        Self::Other(error.into())
    }
}
