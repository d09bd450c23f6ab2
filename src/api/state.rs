//! What every handler shares: the setup, the writer, and connections that read.

use std::{
    net::SocketAddr,
    path::PathBuf,
    sync::{
        Arc, Mutex, MutexGuard, PoisonError,
        atomic::{AtomicU64, Ordering},
    },
    time::Duration,
};

use rusqlite::Connection;
use tokio::sync::{Semaphore, watch};

use super::{
    kept::Kept,
    problem::Problem,
    query::{OfBank, stretch},
    token::Tokens,
};
use crate::{
    config::{Bank, Setup},
    intake::{clocks::Clocks, mqtt::Status},
    ledger,
    store::{self, Trouble, Writer},
};

/// How long a question waits for the ledger to catch up. Then it is refused, or answered from what stands where only
/// the newest hour is lacking.
const CATCH_UP: Duration = Duration::from_secs(5);
/// Read connections kept open, and questions worked on at once: what each holds in memory adds up.
const READERS: usize = 4;

/// Shared by all handlers; cheap to clone.
#[derive(Clone)]
pub struct App(Arc<Shared>);

struct Shared {
    setup: Arc<Setup>,
    writer: Writer,
    tokens: Option<Tokens>,
    health: Health,
    path: PathBuf,
    readers: Mutex<Vec<Connection>>,
    turns: Arc<Semaphore>,
    /// The version of the store that the ledger was last brought up to date with.
    caught_up: AtomicU64,
    kept: Mutex<Kept>,
}

/// What only the daemon knows of itself.
#[derive(Clone)]
pub struct Health {
    /// How intake is doing; `None` where nothing is taken in, as when the command line reads a file.
    pub intake: Option<Intake>,
    /// What the instruments' clocks show; `None` where nothing is taken in.
    pub clocks: Option<Clocks>,
    /// How the backups are doing; `None` where none are asked for.
    pub backups: Option<watch::Receiver<Backups>>,
    /// When the daemon started, ms since 1970.
    pub started_ms: i64,
}

/// The backups of the setup file's plan.
#[derive(Debug, Clone, Default)]
pub struct Backups {
    /// When the newest one was made, ms since 1970.
    pub last_ms: Option<i64>,
    /// Why the last attempt failed.
    pub failing: Option<Trouble>,
}

/// How readings come in.
#[derive(Clone)]
pub enum Intake {
    /// From a broker that is there already, over a connection whose state this follows.
    Broker(watch::Receiver<Status>),
    /// packdrift is the broker, at this address.
    Own(SocketAddr),
}

impl App {
    /// Answers from the store of a setup, with a writer that is already running on it.
    #[must_use]
    pub fn new(setup: Arc<Setup>, writer: Writer, tokens: Option<Tokens>, health: Health) -> Self {
        let path = setup.store.path.clone();
        Self(Arc::new(Shared {
            setup,
            writer,
            tokens,
            health,
            path,
            readers: Mutex::default(),
            turns: Arc::new(Semaphore::new(READERS)),
            caught_up: AtomicU64::new(u64::MAX),
            kept: Mutex::default(),
        }))
    }

    /// The setup.
    #[must_use]
    pub fn setup(&self) -> &Arc<Setup> {
        &self.0.setup
    }

    pub(super) fn writer(&self) -> &Writer {
        &self.0.writer
    }

    /// Who may ask; `None`: everybody who reaches this, which is this machine only.
    #[must_use]
    pub fn tokens(&self) -> Option<&Tokens> {
        self.0.tokens.as_ref()
    }

    pub(super) fn health(&self) -> &Health {
        &self.0.health
    }

    /// The bank of that name; the only one, where none is named.
    pub(super) fn bank(&self, id: Option<&str>) -> Result<&Bank, Problem> {
        let setup = &self.0.setup;
        match (id, setup.banks.as_slice()) {
            (Some(id), _) => setup
                .bank(id)
                .ok_or_else(|| Problem::unknown("bank", id, &setup.bank_names())),
            (None, [only]) => Ok(only),
            (None, _) => Err(Problem::bad_query(format!(
                "say which bank, one of: {}",
                setup.bank_names().join(", ")
            ))),
        }
    }

    /// Brings the ledger up to date and reads from one consistent state of the store.
    pub(super) async fn ask<T: Send + 'static>(
        &self,
        question: impl FnOnce(&Connection, &Setup) -> Result<T, Problem> + Send + 'static,
    ) -> Result<T, Problem> {
        let caught_up = self.catch_up().await.is_some();
        self.read_in_turn(move |connection, setup| {
            if !caught_up && ledger::is_behind(connection, setup)? {
                return Err(Problem::behind());
            }
            question(connection, setup)
        })
        .await
    }

    /// The same about a stretch of a bank's record, ms since 1970.
    pub(super) async fn ask_of_bank<T: Send + 'static>(
        &self,
        asked: &OfBank,
        question: impl FnOnce(&Connection, &Setup, &Bank, (i64, i64)) -> Result<T, Problem> + Send + 'static,
    ) -> Result<T, Problem> {
        let bank = self.bank(asked.bank.as_deref())?;
        let window_ms = stretch(asked.since.as_deref(), asked.until.as_deref(), bank.time_zone)?;
        let id = bank.id.clone();
        self.ask(move |connection, setup| {
            let bank = setup.bank(&id).ok_or_else(Problem::internal)?;
            question(connection, setup, bank, window_ms)
        })
        .await
    }

    /// Reads from one consistent state of the store, as it is, once few enough others do: what takes long or much.
    pub(super) async fn read_in_turn<T: Send + 'static>(
        &self,
        question: impl FnOnce(&Connection, &Setup) -> Result<T, Problem> + Send + 'static,
    ) -> Result<T, Problem> {
        let turn = self.0.turns.clone().acquire_owned().await;
        self.read(move |connection, setup| {
            // Also where nobody waits for the answer any more.
            let _turn = turn;
            question(connection, setup)
        })
        .await
    }

    /// Reads from one consistent state of the store, as it is.
    pub(super) async fn read<T: Send + 'static>(
        &self,
        question: impl FnOnce(&Connection, &Setup) -> Result<T, Problem> + Send + 'static,
    ) -> Result<T, Problem> {
        let app = self.clone();
        tokio::task::spawn_blocking(move || {
            let mut connection = app.reader()?;
            let transaction = connection.transaction()?;
            let answer = question(&transaction, &app.0.setup);
            drop(transaction);
            app.give_back(connection);
            answer
        })
        .await
        .map_err(|_panicked| Problem::internal())?
    }

    /// Runs work on the writing connection.
    pub(super) async fn write<T: Send + 'static>(
        &self,
        work: impl FnOnce(&mut Connection) -> rusqlite::Result<T> + Send + 'static,
    ) -> Result<T, Problem> {
        Ok(self
            .0
            .writer
            .run(work)
            .await
            .map_err(|_stopped| Problem::stopping())??)
    }

    /// Answers given so far that may still hold.
    pub(super) fn kept(&self) -> MutexGuard<'_, Kept> {
        self.0.kept.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Brings the ledger up to date with what is committed, and gives the version of the store with which it is;
    /// `None` where it could not be done. The writer is left alone where nothing has changed since.
    pub(super) async fn catch_up(&self) -> Option<u64> {
        let caught_up = self.0.caught_up.load(Ordering::Acquire);
        if caught_up == self.0.writer.version() {
            return Some(caught_up);
        }
        let setup = self.0.setup.clone();
        let refreshed = self
            .0
            .writer
            .run(move |connection| ledger::refresh(connection, &setup).map(|()| connection.total_changes()));
        match tokio::time::timeout(CATCH_UP, refreshed).await {
            Ok(Ok(Ok(version))) => {
                self.0.caught_up.store(version, Ordering::Release);
                return Some(version);
            }
            Ok(Ok(Err(error))) => {
                let error = &error as &dyn std::error::Error;
                tracing::error!(error, "the ledger could not be brought up to date");
            }
            Ok(Err(_stopped)) => {}
            Err(_elapsed) => {
                tracing::warn!("the ledger could not be brought up to date in time: the writer is busy");
            }
        }
        None
    }

    fn reader(&self) -> Result<Connection, Problem> {
        let waiting = self
            .0
            .readers
            .lock()
            .unwrap_or_else(PoisonError::into_inner)
            .pop();
        match waiting {
            Some(connection) => Ok(connection),
            None => Ok(store::read_only(&self.0.path)?),
        }
    }

    fn give_back(&self, connection: Connection) {
        let mut readers = self.0.readers.lock().unwrap_or_else(PoisonError::into_inner);
        if readers.len() < READERS {
            readers.push(connection);
        }
    }
}
