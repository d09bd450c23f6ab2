//! Why a command did not do what it was asked, for the person at the terminal.

use crate::{
    api::{TokensError, problem::Problem},
    config::LoadError,
    daemon, demo, exchange, intake, report,
    secret::SecretError,
    store,
};

/// A command's failure. `Debug` is what `main` prints: the message and its causes.
#[derive(thiserror::Error)]
pub enum Failure {
    /// The setup file is wrong.
    #[error(transparent)]
    Setup(#[from] LoadError),
    /// The daemon did not start or ended badly.
    #[error(transparent)]
    Daemon(#[from] daemon::StartError),
    /// The store can't be opened.
    #[error(transparent)]
    Open(#[from] store::OpenError),
    /// No copy was made, or none put back.
    #[error(transparent)]
    Copy(#[from] store::backup::CopyError),
    /// The writer did not start.
    #[error(transparent)]
    Writer(#[from] store::StartError),
    /// The store can't be read or written.
    #[error("the store could not be read or written")]
    Store(#[from] rusqlite::Error),
    /// The token file can't be used.
    #[error(transparent)]
    Tokens(#[from] TokensError),
    /// A file with a secret can't be used.
    #[error(transparent)]
    Secret(#[from] SecretError),
    /// The demo could not publish its winter.
    #[error("the simulated winter could not be published")]
    Publish(#[from] demo::PublishError),
    /// The bundle could not be written.
    #[error("the bundle could not be written")]
    Bundle(#[from] report::BundleError),
    /// A file was not imported.
    #[error(transparent)]
    Import(#[from] exchange::import::ImportError),
    /// The export broke off.
    #[error(transparent)]
    Export(#[from] exchange::export::ExportError),
    /// The broker can't be listened to.
    #[error(transparent)]
    Unheard(#[from] intake::mqtt::Unheard),
    /// The daemon can't be reached.
    #[error("the packdrift on {address} has the store but doesn't answer")]
    Unreachable {
        /// Where it should be.
        address: String,
        /// What the connection says.
        source: Box<ureq::Error>,
    },
    /// The question was refused.
    #[error("{title}: {detail}")]
    Refused {
        /// What kind of refusal.
        title: String,
        /// What to do.
        detail: String,
    },
    /// There is nothing to ask yet.
    #[error(
        "there is no store at {path} yet; `packdrift serve` makes it and fills it, and so does `packdrift import`"
    )]
    NoStore {
        /// Where it would be.
        path: String,
    },
    /// The system says no.
    #[error("{doing}")]
    System {
        /// What was being done.
        doing: String,
        /// What the system says.
        source: std::io::Error,
    },
    /// Anything else, in words.
    #[error("{0}")]
    Words(String),
}

impl Failure {
    /// A failure of the system while doing something.
    pub(super) fn system(doing: impl Into<String>) -> impl FnOnce(std::io::Error) -> Self {
        let doing = doing.into();
        move |source| Self::System { doing, source }
    }
}

impl From<Problem> for Failure {
    fn from(problem: Problem) -> Self {
        let (title, detail) = problem.told();
        Self::Refused { title, detail }
    }
}

impl std::fmt::Debug for Failure {
    fn fmt(&self, formatter: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(formatter, "packdrift: {self}")?;
        let mut cause = std::error::Error::source(self);
        while let Some(error) = cause {
            write!(formatter, "\n  because: {error}")?;
            cause = error.source();
        }
        Ok(())
    }
}
