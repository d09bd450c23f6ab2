//! What stands around banks and sources: the store, the broker, the API, and what the daemon does on a schedule.

use std::{net::SocketAddr, path::PathBuf, time::Duration};

/// `[store]`.
#[derive(Debug, Clone)]
pub struct Store {
    /// The database file; a relative path is taken from the setup file's folder.
    pub path: PathBuf,
    /// How old a reading may get before it is committed.
    pub commit_after: Duration,
    /// How many bytes of refused bodies are kept.
    pub quarantine_bytes: u64,
}

/// Where the messages come from.
#[derive(Debug, Clone)]
pub enum Broker {
    /// `[mqtt]`: a broker that is already there.
    Theirs(Mqtt),
    /// No `[mqtt]` table: packdrift opens its own at this loopback address (`[broker] listen`, default 127.0.0.1:1883).
    Own(SocketAddr),
}

/// `[mqtt]`.
#[derive(Debug, Clone)]
pub struct Mqtt {
    /// Host name or address.
    pub host: String,
    /// Port.
    pub port: u16,
    /// `mqtts://`.
    pub tls: bool,
    /// The name the session is kept under.
    pub client_id: String,
    /// User name, if any.
    pub username: Option<String>,
    /// File whose first line is the password.
    pub password_file: Option<PathBuf>,
    /// PEM file of the certificate authority to trust instead of the system's.
    pub ca_file: Option<PathBuf>,
    /// What packdrift shows to a broker that wants to see a certificate.
    pub client_certificate: Option<ClientCertificate>,
}

/// `cert_file` and `key_file` under `[mqtt]`, both PEM.
#[derive(Debug, Clone)]
pub struct ClientCertificate {
    /// The certificate, and those between it and its authority.
    pub certificate: PathBuf,
    /// Its key, readable by nobody else.
    pub key: PathBuf,
}

/// `[backup]`.
#[derive(Debug, Clone)]
pub struct BackupPlan {
    /// Where backups are put; a relative path is taken from the setup file's folder.
    pub folder: PathBuf,
    /// How old the newest backup may get.
    pub every: Duration,
    /// How many are kept.
    pub keep: usize,
}

/// `[report]`.
#[derive(Debug, Clone)]
pub struct ReportPlan {
    /// Where reports are put; a relative path is taken from the setup file's folder.
    pub folder: PathBuf,
    /// How old a report may get.
    pub every: Duration,
    /// Whether names, topics, paths and hosts are left out.
    pub anonymous: bool,
}

/// `[api]`.
#[derive(Debug, Clone)]
pub struct Api {
    /// Where to listen.
    pub listen: SocketAddr,
    /// File of tokens, always set when `listen` is not loopback.
    pub token_file: Option<PathBuf>,
}

/// `[publish]`.
#[derive(Debug, Clone)]
pub struct Publish {
    /// What its topics begin with, without a slash at the end.
    pub prefix: String,
}
