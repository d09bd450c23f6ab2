//! How the connection to the broker is, for whoever asks on a winter night.

/// Where the connection stands.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Status {
    /// Connected since, ms since 1970; `None` while it isn't.
    pub connected_since_ms: Option<i64>,
    /// Whether the broker had kept the session, so that nothing sent meanwhile is lost.
    pub session_present: bool,
    /// Whether the broker has granted everything that was asked of it on this connection, or keeps it from before.
    pub subscribed: bool,
    /// Topic filters that the broker refused: nothing comes from there.
    pub refused_filters: Vec<String>,
    /// Messages handed to the writer since the start.
    pub taken: u64,
    /// Messages taken but not yet acknowledged.
    pub unacknowledged: usize,
    /// Why the connection was lost or can't be made; `None` while it stands.
    pub last_error: Option<String>,
}
