//! Tells the service manager how far the daemon is, as `sd_notify(3)` has it. Without one, says nothing.

use std::{
    env,
    ffi::OsString,
    io,
    os::unix::net::{SocketAddr, UnixDatagram},
    time::Duration,
};

/// What the service manager is told.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum State {
    /// Answers and readings flow.
    Ready,
    /// Still alive.
    Alive,
    /// On the way out.
    Stopping,
}

/// Tells the service manager, where there is one.
pub fn tell(state: State) {
    let Some(path) = env::var_os("NOTIFY_SOCKET").filter(|path| !path.is_empty()) else {
        return;
    };
    let words: &[u8] = match state {
        State::Ready => b"READY=1",
        State::Alive => b"WATCHDOG=1",
        State::Stopping => b"STOPPING=1",
    };
    if let Err(error) = send(path, words) {
        let error = &error as &dyn std::error::Error;
        tracing::warn!(error, ?state, "the service manager could not be told");
    }
}

fn send(path: OsString, words: &[u8]) -> io::Result<()> {
    UnixDatagram::unbound()?
        .send_to_addr(words, &address(path)?)
        .map(drop)
}

/// A path, or a name without one, which is written with an @ in front.
fn address(path: OsString) -> io::Result<SocketAddr> {
    #[cfg(target_os = "linux")]
    {
        use std::os::{linux::net::SocketAddrExt, unix::ffi::OsStrExt};
        if let Some(name) = path.as_bytes().strip_prefix(b"@") {
            return SocketAddr::from_abstract_name(name);
        }
    }
    SocketAddr::from_pathname(path)
}

/// How often the service manager wants to hear that the daemon is alive: twice within its patience. `None` where it
/// doesn't ask, or asks another process.
#[must_use]
pub fn alive_every() -> Option<Duration> {
    let number = |name| env::var(name).ok()?.parse::<u64>().ok();
    let pid = number("WATCHDOG_PID");
    if pid.is_some_and(|pid| pid != u64::from(std::process::id())) {
        return None;
    }
    let patience = number("WATCHDOG_USEC").filter(|patience| *patience > 1)?;
    Some(Duration::from_micros(patience / 2))
}
