//! The one writer: a thread with the only writing connection.
//!
//! It gathers messages into batches by count and age, commits, and only then lets their senders acknowledge. A
//! batch that can't be committed is kept and tried again; until it goes through nothing further is taken, so that
//! the broker keeps what this program can't.

mod worker;

use std::{
    sync::{
        Arc, Mutex, MutexGuard, PoisonError,
        atomic::{AtomicU64, Ordering},
    },
    thread::JoinHandle,
    time::Duration,
};

use bytes::Bytes;
use rusqlite::Connection;
use tokio::sync::{Notify, OwnedSemaphorePermit, Semaphore, mpsc, oneshot, watch};

use super::{
    batch::{Batch, Message},
    trouble::Trouble,
};
use worker::Worker;

/// How the writer works.
#[derive(Debug, Clone)]
pub struct Options {
    /// Names of the instruments, by [`Instrument`](crate::reading::Instrument) index.
    pub instruments: Vec<String>,
    /// How old a message may get before it is committed.
    pub commit_after: Duration,
    /// Bytes of refused bodies to keep.
    pub quarantine_bytes: u64,
}

/// Why a writer did not start.
#[derive(Debug, thiserror::Error)]
pub enum StartError {
    /// The store can't be read.
    #[error("the store can't be read")]
    Store(#[from] rusqlite::Error),
    /// No thread, or no timer for it.
    #[error("the system gives no thread to write with")]
    Thread(#[from] std::io::Error),
}

/// Messages in a batch at most, and waiting for one.
const BATCH: usize = 8192;
/// Bytes of messages that may wait for their commit: more than a batch of ordinary ones, far less than a batch of
/// the largest.
const WAITING_BYTES: usize = 16 * 1024 * 1024;

/// The writer has stopped: what was handed over and isn't covered by [`Committed`] is not stored.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("the writer has stopped")]
pub struct Stopped;

/// The place of a message in the order of commits.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Ticket(u64);

/// Follows what has been committed.
#[derive(Debug, Clone)]
pub struct Committed(watch::Receiver<u64>);

impl Committed {
    /// True once the message with this ticket is in the store for good.
    #[must_use]
    pub fn covers(&self, ticket: Ticket) -> bool {
        *self.0.borrow() >= ticket.0
    }

    /// Waits until more has been committed than when last looked.
    ///
    /// # Errors
    /// [`Stopped`] once nothing more will be committed.
    pub async fn changed(&mut self) -> Result<(), Stopped> {
        self.0.changed().await.map_err(|_| Stopped)
    }

    /// Waits until the message with this ticket is committed.
    ///
    /// # Errors
    /// [`Stopped`] where that will never be.
    pub async fn wait(&mut self, ticket: Ticket) -> Result<(), Stopped> {
        self.0
            .wait_for(|committed| *committed >= ticket.0)
            .await
            .map(drop)
            .map_err(|_| Stopped)
    }
}

type Work = Box<dyn FnOnce(&mut Connection) + Send>;

enum Job {
    Take(Waiting),
    Run(Work),
}

/// A message that waits for its commit, with the room that it takes up meanwhile.
pub(super) struct Waiting {
    pub(super) ticket: u64,
    pub(super) message: Message,
    _room: OwnedSemaphorePermit,
}

/// How the writer is doing, for whoever asks after its health.
#[derive(Debug, Default)]
struct Status {
    waiting: AtomicU64,
    version: AtomicU64,
    failing: Mutex<Option<Failing>>,
}

/// Commits that fail.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Failing {
    /// Since when, ms since 1970.
    pub since_ms: i64,
    /// Why, as of the last attempt.
    pub trouble: Trouble,
}

impl Status {
    fn failing(&self) -> MutexGuard<'_, Option<Failing>> {
        self.failing.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// Hands messages and work to the writer. The writer stops once every clone is gone.
#[derive(Clone)]
pub struct Writer {
    jobs: mpsc::Sender<Job>,
    hurry: Hurry,
    last_ticket: Arc<Mutex<u64>>,
    room: Arc<Semaphore>,
    committed: watch::Receiver<u64>,
    status: Arc<Status>,
}

/// Ends the gathering of a batch before its time. For an ordinary message the thread sleeps on: to be woken for each
/// would cost more than to store it. Dropped behind `jobs`, so that the thread hears of a queue that is closed.
#[derive(Clone)]
struct Hurry(Arc<Notify>);

impl Drop for Hurry {
    fn drop(&mut self) {
        self.0.notify_one();
    }
}

/// The writer's thread; joining it proves that all was committed and the file closed.
pub struct WriterThread(JoinHandle<()>);

impl WriterThread {
    /// Waits for the end of the thread, which comes when the last [`Writer`] is dropped.
    pub fn join(self) {
        if self.0.join().is_err() {
            tracing::error!(
                "the writer ended in a panic; what it had not acknowledged stays with the broker"
            );
        }
    }
}

impl Writer {
    /// Starts the writer on its connection.
    ///
    /// # Errors
    /// Where the store can't be read, or no thread is to be had.
    pub fn start(connection: Connection, options: Options) -> Result<(Self, WriterThread), StartError> {
        let commit_after = options.commit_after;
        let batch = Batch::new(&connection, options)?;
        let runtime = tokio::runtime::Builder::new_current_thread()
            .enable_time()
            .build()?;
        let (jobs, queue) = mpsc::channel(BATCH);
        let (committed_to, committed) = watch::channel(0);
        let status = Arc::new(Status::default());
        let hurry = Arc::new(Notify::new());
        let worker = Worker {
            connection,
            batch,
            commit_after,
            due: None,
            hurry: hurry.clone(),
            committed: committed_to,
            status: status.clone(),
        };
        let thread = std::thread::Builder::new()
            .name("writer".into())
            .spawn(move || runtime.block_on(worker.run(queue)))?;
        Ok((
            Self {
                jobs,
                hurry: Hurry(hurry),
                last_ticket: Arc::default(),
                room: Arc::new(Semaphore::new(WAITING_BYTES)),
                committed,
                status,
            },
            WriterThread(thread),
        ))
    }

    /// Hands a message over, waiting while the writer is behind. It is stored once [`Committed`] covers the ticket.
    ///
    /// # Errors
    /// [`Stopped`] where nothing is taken any more.
    pub async fn take(&self, mut message: Message) -> Result<Ticket, Stopped> {
        if message.decoded.refusals.is_empty() {
            message.body = Bytes::new();
        }
        let bytes = u32::try_from(message.bytes().min(WAITING_BYTES)).unwrap_or(u32::MAX);
        let room = match self.room.clone().try_acquire_many_owned(bytes) {
            Ok(room) => room,
            Err(_taken) => {
                // Work is done once all before it is committed, and so makes room before that is due.
                self.run(|_| ()).await?;
                let room = self.room.clone().acquire_many_owned(bytes);
                room.await.map_err(|_closed| Stopped)?
            }
        };
        let place = self.jobs.reserve().await.map_err(|_closed| Stopped)?;
        let hurry = message.urgent || self.jobs.capacity() <= BATCH / 2;
        // Numbered and queued under one lock, so that tickets are committed in their order.
        let mut last = self.last_ticket.lock().unwrap_or_else(PoisonError::into_inner);
        *last += 1;
        self.status.waiting.fetch_add(1, Ordering::Relaxed);
        place.send(Job::Take(Waiting {
            ticket: *last,
            message,
            _room: room,
        }));
        let ticket = Ticket(*last);
        drop(last);
        if hurry {
            self.hurry.0.notify_one();
        }
        Ok(ticket)
    }

    /// Follows what has been committed.
    #[must_use]
    pub fn committed(&self) -> Committed {
        Committed(self.committed.clone())
    }

    /// Runs work on the writing connection, after everything handed over before has been committed.
    ///
    /// # Errors
    /// [`Stopped`] where the writer is gone.
    pub async fn run<T: Send + 'static>(
        &self,
        work: impl FnOnce(&mut Connection) -> T + Send + 'static,
    ) -> Result<T, Stopped> {
        let (answer, answered) = oneshot::channel();
        let status = self.status.clone();
        let job = Job::Run(Box::new(move |connection| {
            let done = work(connection);
            // Before whoever asked can look.
            status
                .version
                .store(connection.total_changes(), Ordering::Release);
            // They may have left meanwhile.
            let _ = answer.send(done);
        }));
        self.jobs.send(job).await.map_err(|_| Stopped)?;
        self.hurry.0.notify_one();
        answered.await.map_err(|_| Stopped)
    }

    /// Messages handed over and not yet committed.
    #[must_use]
    pub fn waiting(&self) -> u64 {
        self.status.waiting.load(Ordering::Relaxed)
    }

    /// Changes with every row that is committed: as long as it stays, so does the store.
    #[must_use]
    pub fn version(&self) -> u64 {
        self.status.version.load(Ordering::Acquire)
    }

    /// How commits fail; `None` while they succeed.
    #[must_use]
    pub fn failing(&self) -> Option<Failing> {
        *self.status.failing()
    }
}

#[cfg(test)]
mod tests {
    use std::{path::Path, sync::mpsc};

    use tokio::time::timeout;

    use super::*;
    use crate::{
        reading::{Channel, Decoded, Instrument, Reading},
        store::read_write,
    };

    const READINGS: usize = 1000;

    fn message(number: usize) -> Message {
        let first = number * READINGS;
        let reading = |n| Reading {
            instrument: Instrument(0),
            at_ms: i64::try_from(n).unwrap(),
            channels: [(Channel::Current, 1)].into_iter().collect(),
        };
        Message {
            topic: "skerry/tern".into(),
            body: Bytes::new(),
            arrived_ms: 0,
            decoded: Decoded {
                readings: (first..first + READINGS).map(reading).collect(),
                refusals: Vec::new(),
            },
            urgent: false,
        }
    }

    #[tokio::test]
    async fn messages_of_many_readings_wait_for_room_and_get_it_before_their_commit_is_due() {
        let connection = read_write(Path::new(":memory:")).unwrap();
        let options = Options {
            instruments: vec!["tern".into()],
            commit_after: Duration::from_secs(3600),
            quarantine_bytes: 0,
        };
        let (writer, thread) = Writer::start(connection, options).unwrap();
        let (go_on, held) = mpsc::channel::<()>();
        let busy = writer.clone();
        let busy = tokio::spawn(async move { busy.run(move |_| held.recv()).await });
        tokio::task::yield_now().await;

        let mut taken = 0;
        while let Ok(ticket) = timeout(Duration::from_millis(300), writer.take(message(taken))).await {
            ticket.unwrap();
            taken += 1;
            assert!(
                taken * READINGS * size_of::<Reading>() <= WAITING_BYTES,
                "{taken}"
            );
        }
        assert!(taken > 10, "{taken}");
        go_on.send(()).unwrap();
        for more in 0..2 * taken {
            let ticket = timeout(Duration::from_secs(60), writer.take(message(taken + more)));
            ticket.await.unwrap().unwrap();
        }
        busy.await.unwrap().unwrap().unwrap();
        drop(writer);
        thread.join();
    }
}
