//! What goes on in the writer's thread: gathering, committing, and trying again.

use std::{
    sync::{Arc, atomic::Ordering},
    time::Duration,
};

use rusqlite::Connection;
use tokio::{
    sync::{Notify, mpsc, watch},
    time::{Instant, timeout_at},
};

use super::{BATCH, Failing, Job, Status};
use crate::store::{batch::Batch, trouble::Trouble};

/// What the thread owns.
pub(super) struct Worker {
    pub(super) connection: Connection,
    pub(super) batch: Batch,
    pub(super) commit_after: Duration,
    /// When the batch is to be committed; `None` while nothing is in it.
    pub(super) due: Option<Instant>,
    pub(super) hurry: Arc<Notify>,
    pub(super) committed: watch::Sender<u64>,
    pub(super) status: Arc<Status>,
}

impl Worker {
    pub(super) async fn run(mut self, mut queue: mpsc::Receiver<Job>) {
        while let Some(job) = queue.recv().await {
            self.accept(job, &queue).await;
            self.accept_queued(&mut queue).await;
            while let Some(due) = self.due {
                // However it ends: what is queued by then is taken before the time is looked at, so that one commit
                // serves everyone who waits.
                let _ = timeout_at(due, self.hurry.notified()).await;
                self.accept_queued(&mut queue).await;
                if queue.is_closed() || self.due.is_some_and(|due| due <= Instant::now()) {
                    self.commit(&queue).await;
                }
            }
        }
        // The file then stands by itself. Closing does it too, but not while somebody else still reads.
        let folded = self
            .connection
            .query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(()));
        if let Err(error) = folded {
            let error = &error as &dyn std::error::Error;
            tracing::warn!(
                error,
                "the log beside the database could not be folded in; nothing is lost by that"
            );
        }
    }

    async fn accept_queued(&mut self, queue: &mut mpsc::Receiver<Job>) {
        while let Ok(job) = queue.try_recv() {
            self.accept(job, queue).await;
        }
    }

    async fn accept(&mut self, job: Job, queue: &mpsc::Receiver<Job>) {
        match job {
            Job::Take(waiting) => {
                let wait = if waiting.message.urgent {
                    Duration::ZERO
                } else {
                    self.commit_after
                };
                let latest = Instant::now() + wait;
                self.due = Some(self.due.map_or(latest, |due| due.min(latest)));
                self.batch.push(waiting);
                if self.batch.len() >= BATCH {
                    self.commit(queue).await;
                }
            }
            Job::Run(work) => {
                self.commit(queue).await;
                work(&mut self.connection);
            }
        }
    }

    /// Commits the batch, trying again until it goes through; given up only when nobody is left to acknowledge.
    async fn commit(&mut self, queue: &mpsc::Receiver<Job>) {
        self.due = None;
        let mut pause = Duration::from_millis(100);
        while let Some(last) = self.batch.last_ticket() {
            match self.batch.write(&mut self.connection) {
                Ok(messages) => {
                    if self.status.failing().take().is_some() {
                        tracing::info!(messages, "commits succeed again");
                    }
                    self.status.waiting.fetch_sub(messages, Ordering::Relaxed);
                    let version = self.connection.total_changes();
                    self.status.version.store(version, Ordering::Release);
                    self.committed.send_replace(last);
                }
                Err(error) => {
                    let trouble = Trouble::of(&error);
                    let since_ms = self.status.failing().map(|failing| failing.since_ms);
                    if since_ms.is_none() {
                        let error = &error as &dyn std::error::Error;
                        tracing::error!(
                            error,
                            "readings can't be committed, and nothing is acknowledged until they are: {}",
                            trouble.mend()
                        );
                    }
                    *self.status.failing() = Some(Failing {
                        since_ms: since_ms.unwrap_or_else(|| chrono::Utc::now().timestamp_millis()),
                        trouble,
                    });
                    if queue.is_closed() {
                        tracing::error!(
                            messages = self.batch.len(),
                            "stopping with messages that were not committed"
                        );
                        return;
                    }
                    tokio::time::sleep(pause).await;
                    pause = (pause * 2).min(Duration::from_secs(1));
                }
            }
        }
    }
}
