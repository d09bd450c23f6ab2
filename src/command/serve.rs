//! `packdrift serve`: the daemon, until it is told to stop.

use std::{convert::Infallible, net::SocketAddr, path::Path, sync::Arc, time::Duration};

use clap::Args;
use tokio::signal::unix::{Signal, SignalKind, signal};

use super::{Failure, LogFormat, log};
use crate::{
    config::{self, Setup},
    daemon::{
        Daemon,
        supervisor::{self, State},
    },
};

/// How to serve.
#[derive(Args)]
pub struct Arguments {
    /// Where to answer questions, instead of what the setup file says.
    #[arg(long, value_name = "ADDR:PORT")]
    listen: Option<SocketAddr>,
    /// How to write the log, which goes to standard error.
    #[arg(long, value_enum, default_value = "text")]
    log_format: LogFormat,
}

/// Serves until SIGTERM or SIGINT.
///
/// # Errors
/// Where the setup file is wrong or the daemon can't start.
pub fn run(config: &Path, arguments: &Arguments) -> Result<(), Failure> {
    log::to_stderr("info", arguments.log_format);
    let mut setup = config::load(config)?;
    if let Some(listen) = arguments.listen {
        listen_on(&mut setup, listen)?;
    }
    let runtime = tokio::runtime::Runtime::new().map_err(Failure::system("no threads to work with"))?;
    let ended = runtime.block_on(async {
        let mut stop = Stop::listen()?;
        let daemon = Daemon::start(Arc::new(setup)).await?;
        supervisor::tell(State::Ready);
        let ended = tokio::select! {
            () = stop.told() => Ok(()),
            () = daemon.broken() => Err(Failure::Words(
                "nothing can be taken in or stored any more; the log says why".into(),
            )),
            never = stay_alive() => match never {},
        };
        supervisor::tell(State::Stopping);
        daemon.stop().await;
        ended
    });
    // What could not be stopped in time must not keep the program: it has acknowledged nothing.
    runtime.shutdown_timeout(Duration::from_millis(200));
    ended
}

/// Shows the service manager signs of life, where it wants them.
async fn stay_alive() -> Infallible {
    let Some(every) = supervisor::alive_every() else {
        return std::future::pending().await;
    };
    loop {
        supervisor::tell(State::Alive);
        tokio::time::sleep(every).await;
    }
}

/// Listens elsewhere than the setup file says, on the same conditions.
pub(super) fn listen_on(setup: &mut Setup, listen: SocketAddr) -> Result<(), Failure> {
    if !listen.ip().is_loopback() && setup.api.token_file.is_none() {
        return Err(Failure::Words(format!(
            "--listen {listen} is reachable from other machines; set `token_file` under [api] first \
             (`packdrift token` makes tokens)"
        )));
    }
    setup.api.listen = listen;
    Ok(())
}

/// SIGTERM and SIGINT, listened for from before anything is begun that must be ended in order.
pub(super) struct Stop {
    terminate: Signal,
    interrupt: Signal,
}

impl Stop {
    pub(super) fn listen() -> Result<Self, Failure> {
        let listening = || Failure::system("signals can't be listened for");
        Ok(Self {
            terminate: signal(SignalKind::terminate()).map_err(listening())?,
            interrupt: signal(SignalKind::interrupt()).map_err(listening())?,
        })
    }

    /// Waits for either.
    pub(super) async fn told(&mut self) {
        tokio::select! {
            _ = self.terminate.recv() => {}
            _ = self.interrupt.recv() => {}
        }
    }
}
