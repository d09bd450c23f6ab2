//! The whole program running: starts the rooms in the order of a reading's way, and stops them so that everything
//! taken is committed and acknowledged before the store is closed.

mod backups;
mod reports;
pub mod supervisor;

use std::{net::SocketAddr, sync::Arc, time::Duration};

use chrono::Utc;
use tokio::{net::TcpListener, sync::watch, task::JoinHandle};

use crate::{
    api::{self, App, Backups, Health, Intake, Tokens, TokensError},
    config::{Broker, Setup},
    intake::{
        self, Decoder, Inlet,
        clocks::Clocks,
        live::Live,
        mqtt::Status,
        own::{Own, OwnError},
    },
    ledger, page, publish,
    store::{self, Lock, OpenError, Options, Writer, WriterThread},
};

/// How often hours are derived although nobody asks.
const DERIVE_EVERY: Duration = Duration::from_secs(3600);
/// How long intake and answers may take to end, and then the last commit: together less than five seconds.
const STOPPING: Duration = Duration::from_millis(3300);
const CLOSING: Duration = Duration::from_millis(1200);

/// Why the daemon did not start.
#[derive(Debug, thiserror::Error)]
pub enum StartError {
    /// The store can't be opened.
    #[error(transparent)]
    Open(#[from] OpenError),
    /// The writer did not start.
    #[error(transparent)]
    Writer(#[from] store::StartError),
    /// The token file can't be used.
    #[error(transparent)]
    Tokens(#[from] TokensError),
    /// The API can't listen.
    #[error(
        "the API can't listen on {address}; is another program there? `[api] listen` or --listen changes it"
    )]
    Listen {
        /// Where.
        address: SocketAddr,
        /// What the system says.
        source: std::io::Error,
    },
    /// packdrift's own broker can't open.
    #[error(transparent)]
    Broker(#[from] OwnError),
}

/// A running packdrift.
pub struct Daemon {
    setup: Arc<Setup>,
    api: SocketAddr,
    broker: Option<SocketAddr>,
    stop_intake: watch::Sender<bool>,
    stop_api: watch::Sender<bool>,
    intake: JoinHandle<()>,
    /// Closed with the end of intake, however it comes.
    taking: watch::Receiver<()>,
    served: JoinHandle<()>,
    derive: JoinHandle<()>,
    backups: Option<JoinHandle<()>>,
    reports: Option<JoinHandle<()>>,
    published: Option<JoinHandle<()>>,
    writer: Writer,
    thread: WriterThread,
    _lock: Lock,
}

/// How the writer of a setup works.
#[must_use]
pub fn writer_options(setup: &Setup) -> Options {
    Options {
        instruments: setup.instruments.iter().map(|entry| entry.id.clone()).collect(),
        commit_after: setup.store.commit_after,
        quarantine_bytes: setup.store.quarantine_bytes,
    }
}

impl Daemon {
    /// Starts everything; answers and readings flow once this returns.
    ///
    /// # Errors
    /// Where the store, the token file, an address or the broker can't be had. A broker that is merely away is no
    /// error: intake keeps trying.
    pub async fn start(setup: Arc<Setup>) -> Result<Self, StartError> {
        let tokens = setup.api.token_file.as_deref().map(Tokens::load).transpose()?;
        let mut lock = Lock::take(&setup.store.path)?;
        let connection = store::read_write(&setup.store.path)?;
        let now_ms = Utc::now().timestamp_millis();
        let usual_ms = intake::usual_ms(&connection, &setup, now_ms).map_err(store::StartError::from)?;
        let outdated = intake::outdated_filters(&connection, &setup).map_err(store::StartError::from)?;
        let (writer, thread) = Writer::start(connection, writer_options(&setup))?;

        let listen = setup.api.listen;
        let unheard = |source| StartError::Listen {
            address: listen,
            source,
        };
        let listener = TcpListener::bind(listen).await.map_err(unheard)?;
        let api = listener.local_addr().map_err(unheard)?;
        if let Err(error) = lock.announce(&api.to_string()) {
            let error = &error as &dyn std::error::Error;
            tracing::warn!(error, "the command line will not find this daemon");
        }

        let decoder = Arc::new(Decoder::new(&setup));
        let clocks = Clocks::new(setup.instruments.len());
        let (stop_intake, intake_stops) = watch::channel(false);
        let (takes, taking) = watch::channel(());
        let (broker, intake, state) = match &setup.broker {
            Broker::Theirs(mqtt) => {
                let state = watch::Sender::new(Status::default());
                let following = state.subscribe();
                let inlet = Inlet::new(decoder, Live::new(usual_ms), clocks.clone());
                let stops = told(intake_stops);
                let running = intake::mqtt::run(mqtt.clone(), inlet, outdated, writer.clone(), state, stops);
                (
                    None,
                    tokio::spawn(until_stopped(running, takes)),
                    Intake::Broker(following),
                )
            }
            Broker::Own(listen) => {
                let inlet = Inlet::new(decoder, Live::restarted(usual_ms), clocks.clone());
                let own = Own::bind(*listen, inlet, writer.clone()).await?;
                let address = own.local_addr();
                (
                    Some(address),
                    tokio::spawn(until_stopped(own.run(told(intake_stops)), takes)),
                    Intake::Own(address),
                )
            }
        };

        let (backups, following) = match setup.backup.clone() {
            Some(plan) => {
                let state = watch::Sender::new(Backups::default());
                let following = state.subscribe();
                (
                    Some(tokio::spawn(backups::run(setup.clone(), plan, state))),
                    Some(following),
                )
            }
            None => (None, None),
        };
        let health = Health {
            intake: Some(state),
            clocks: Some(clocks),
            backups: following,
            started_ms: Utc::now().timestamp_millis(),
        };
        let app = App::new(setup.clone(), writer.clone(), tokens, health);
        let published = published(&setup, &app, stop_intake.subscribe());
        let (stop_api, api_stops) = watch::channel(false);
        let reports = setup
            .report
            .clone()
            .map(|plan| tokio::spawn(reports::run(app.clone(), plan)));
        let router = api::guarded(page::site(app), listen);
        let served = tokio::spawn(api::serve(listener, router, api_stops));
        let derive = tokio::spawn(derive(setup.clone(), writer.clone()));
        tracing::info!(%api, broker = broker.map(|address| address.to_string()), "packdrift is ready");
        Ok(Self {
            setup,
            api,
            broker,
            stop_intake,
            stop_api,
            intake,
            taking,
            served,
            derive,
            backups,
            reports,
            published,
            writer,
            thread,
            _lock: lock,
        })
    }

    /// Where questions are answered.
    #[must_use]
    pub fn api(&self) -> SocketAddr {
        self.api
    }

    /// Where packdrift's own broker listens; `None` where the setup names another.
    #[must_use]
    pub fn broker(&self) -> Option<SocketAddr> {
        self.broker
    }

    /// Waits until all that is derived follows from what was committed by now, however long that takes. A question
    /// waits some seconds for it at most.
    pub async fn caught_up(&self) {
        let setup = self.setup.clone();
        let refreshed = self
            .writer
            .run(move |connection| ledger::refresh(connection, &setup));
        if let Ok(Err(error)) = refreshed.await {
            not_up_to_date(&error);
        }
    }

    /// Waits until nothing can be taken in or stored any more, which only a new start can mend.
    pub async fn broken(&self) {
        let mut committed = self.writer.committed();
        let mut taking = self.taking.clone();
        tokio::select! {
            () = async { while committed.changed().await.is_ok() {} } => {}
            _ = taking.changed() => {}
        }
    }

    /// Stops taking, commits and acknowledges what was taken, answers what was asked, and closes the store.
    ///
    /// Takes less than five seconds. What can't be committed by then was not acknowledged and comes again.
    pub async fn stop(self) {
        self.stop_intake.send_replace(true);
        self.stop_api.send_replace(true);
        self.derive.abort();
        for task in [&self.backups, &self.reports].into_iter().flatten() {
            task.abort();
        }
        let published = async {
            if let Some(published) = self.published {
                ended("what publishes answers", published).await;
            }
        };
        tokio::join!(
            ended("intake", self.intake),
            ended("the API", self.served),
            published
        );
        drop(self.writer);
        let thread = self.thread;
        let closing = tokio::task::spawn_blocking(move || thread.join());
        match tokio::time::timeout(CLOSING, closing).await {
            Ok(Ok(())) => tracing::info!("packdrift has stopped"),
            Ok(Err(_panicked)) => tracing::error!("the writer could not be waited for"),
            Err(_elapsed) => tracing::error!("stopped without the last commit; none of it was acknowledged"),
        }
    }
}

/// Gives answers back to the broker, where the setup says so.
fn published(setup: &Setup, app: &App, stops: watch::Receiver<bool>) -> Option<JoinHandle<()>> {
    let (Some(publish), Broker::Theirs(mqtt)) = (&setup.publish, &setup.broker) else {
        return None;
    };
    let banks = setup.banks.iter().map(|bank| bank.id.clone()).collect();
    let questions = api::questions(app.clone());
    let running = publish::run(mqtt.clone(), publish.clone(), banks, questions, told(stops));
    Some(tokio::spawn(running))
}

async fn told(mut stops: watch::Receiver<bool>) {
    // A sender that is gone has nothing more to say: stop.
    let _ = stops.wait_for(|stop| *stop).await;
}

/// Runs intake; its failure is logged here, once. `_takes` is dropped with its end, also by a panic.
async fn until_stopped<E: std::error::Error + 'static>(
    running: impl Future<Output = Result<(), E>>,
    _takes: watch::Sender<()>,
) {
    if let Err(error) = running.await {
        tracing::error!(
            error = &error as &dyn std::error::Error,
            "nothing is taken in any more"
        );
    }
}

async fn ended(what: &str, mut task: JoinHandle<()>) {
    match tokio::time::timeout(STOPPING, &mut task).await {
        Ok(Ok(())) => {}
        Ok(Err(error)) => {
            tracing::error!(error = &error as &dyn std::error::Error, "{what} ended badly");
        }
        Err(_elapsed) => {
            tracing::warn!("{what} did not end in time");
            task.abort();
        }
    }
}

/// Keeps the setup that is served, and derives hours now and then, so that no question finds a heap of them.
async fn derive(setup: Arc<Setup>, writer: Writer) {
    let mut every = tokio::time::interval(DERIVE_EVERY);
    loop {
        every.tick().await;
        let setup = setup.clone();
        let derived = writer.run(move |connection| {
            store::setup_version::keep(connection, &setup, Utc::now().timestamp_millis())?;
            ledger::refresh(connection, &setup)
        });
        match derived.await {
            Ok(Ok(())) => {}
            Ok(Err(error)) => not_up_to_date(&error),
            Err(_stopped) => return,
        }
    }
}

fn not_up_to_date(error: &rusqlite::Error) {
    let error = error as &dyn std::error::Error;
    tracing::error!(error, "the ledger could not be brought up to date");
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config;

    #[tokio::test]
    async fn a_daemon_that_takes_nothing_in_any_more_is_broken() {
        let folder = tempfile::tempdir().unwrap();
        let text = concat!(
            include_str!("../demo-data/skerry.toml"),
            "[broker]\nlisten = \"127.0.0.1:0\"\n[api]\nlisten = \"127.0.0.1:0\"\n"
        );
        let setup = config::parse("setup.toml", text, folder.path()).unwrap();
        let daemon = Daemon::start(Arc::new(setup)).await.unwrap();
        let patience = Duration::from_secs(20);
        let well = tokio::time::timeout(Duration::from_millis(100), daemon.broken()).await;
        assert!(well.is_err());
        // As a panic would end it.
        daemon.intake.abort();
        tokio::time::timeout(patience, daemon.broken()).await.unwrap();
        daemon.stop().await;
    }
}
