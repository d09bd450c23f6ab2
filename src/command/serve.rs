//! `packdrift serve`: the daemon, until it is told to stop.

use std::{
    io::{IsTerminal, stderr},
    net::SocketAddr,
    path::Path,
    sync::Arc,
};

use clap::Args;
use tokio::signal::unix::{SignalKind, signal};
use tracing_subscriber::{EnvFilter, fmt};

use super::Failure;
use crate::{
    config::{self, Setup},
    daemon::Daemon,
};

/// How to serve.
#[derive(Args)]
pub struct Arguments {
    /// Where to answer questions, instead of what the setup file says.
    #[arg(long, value_name = "ADDR:PORT")]
    listen: Option<SocketAddr>,
}

/// Serves until SIGTERM or SIGINT.
///
/// # Errors
/// Where the setup file is wrong or the daemon can't start.
pub fn run(config: &Path, arguments: &Arguments) -> Result<(), Failure> {
    log_to_stderr("info");
    let mut setup = config::load(config)?;
    if let Some(listen) = arguments.listen {
        listen_on(&mut setup, listen)?;
    }
    let runtime = tokio::runtime::Runtime::new().map_err(Failure::system("no threads to work with"))?;
    runtime.block_on(async {
        let daemon = Daemon::start(Arc::new(setup)).await?;
        told_to_stop().await?;
        daemon.stop().await;
        Ok(())
    })
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

/// Waits for SIGTERM or SIGINT.
pub(super) async fn told_to_stop() -> Result<(), Failure> {
    let listening = || Failure::system("signals can't be listened for");
    let mut terminate = signal(SignalKind::terminate()).map_err(listening())?;
    let mut interrupt = signal(SignalKind::interrupt()).map_err(listening())?;
    tokio::select! {
        _ = terminate.recv() => {}
        _ = interrupt.recv() => {}
    }
    Ok(())
}

/// Logs to standard error, at `level` unless RUST_LOG says otherwise.
pub(super) fn log_to_stderr(level: &str) {
    // What the MQTT libraries do from day to day is of no interest here.
    let usual = format!("{level},mqtt5=warn,rumqttc=warn");
    let filter = EnvFilter::try_from_default_env().unwrap_or_else(|_| EnvFilter::new(usual));
    fmt()
        .with_env_filter(filter)
        .with_writer(stderr)
        .with_ansi(stderr().is_terminal())
        .init();
}
