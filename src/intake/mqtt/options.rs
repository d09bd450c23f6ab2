//! What is asked of the broker on connecting, and the secrets read for it.

use std::{
    path::{Path, PathBuf},
    sync::Arc,
    time::Duration,
};

use rumqttc::{
    TlsConfiguration, Transport,
    v5::{MqttOptions, mqttbytes::v5::ConnectProperties},
};
use rustls::{
    ClientConfig, RootCertStore,
    pki_types::{
        CertificateDer, PrivateKeyDer,
        pem::{self, PemObject},
    },
};

use super::super::LARGEST_BODY;
use crate::{
    config::Mqtt,
    secret::{Secret, SecretError, private_text},
};

/// [`LARGEST_BODY`] as the protocol counts.
#[expect(clippy::cast_possible_truncation, reason = "a megabyte")]
pub(super) const LARGEST: u32 = LARGEST_BODY as u32;

/// How often both sides show that they are there.
const KEEP_ALIVE: Duration = Duration::from_secs(30);

/// How many unacknowledged messages the broker may have under way: as many as come in while a commit waits for the
/// disk, and one more time as many.
pub(super) const WINDOW: u16 = 8192;

/// Why connecting can't even be tried.
#[derive(Debug, thiserror::Error)]
pub(crate) enum Unready {
    #[error("the password can't be used")]
    Password(#[source] SecretError),
    #[error("the key of the client certificate can't be used")]
    Key(#[source] SecretError),
    #[error("{} has no certificate in PEM form that can be used", path.display())]
    Certificate { path: PathBuf, source: pem::Error },
    #[error("the client certificate and its key don't fit together")]
    Pair(#[source] rustls::Error),
    #[error("this system has no certificate authorities: name one with ca_file")]
    NoAuthorities,
}

/// Everything but the secrets.
pub(super) fn options(mqtt: &Mqtt) -> MqttOptions {
    let mut options = MqttOptions::new(&mqtt.client_id, &mqtt.host, mqtt.port);
    let mut properties = ConnectProperties::new();
    // The session outlives every outage: what is published meanwhile waits in it.
    properties.session_expiry_interval = Some(u32::MAX);
    properties.receive_maximum = Some(WINDOW);
    // Also the limit of what is read; a larger one would break the connection, and come again on the next.
    properties.max_packet_size = Some(LARGEST);
    // Aliases are not offered: the client hands a message on before it has resolved its topic.
    properties.topic_alias_max = None;
    options
        .set_clean_start(false)
        .set_connect_properties(properties)
        .set_manual_acks(true)
        // Nothing is published on this connection, and the client keeps room for as many as it may: megabytes.
        .set_outgoing_inflight_upper_limit(1)
        .set_keep_alive(KEEP_ALIVE);
    options
}

/// Puts the secrets in, as they are now: a changed password needs no restart.
pub(super) fn prepare(options: &mut MqttOptions, mqtt: &Mqtt) -> Result<(), Unready> {
    if let Some(username) = &mqtt.username {
        let password = mqtt.password_file.as_deref().map(Secret::in_file).transpose();
        let password = password.map_err(Unready::Password)?;
        options.set_credentials(username, password.as_ref().map_or("", Secret::expose));
    }
    if mqtt.tls {
        options.set_transport(Transport::tls_with_config(tls(mqtt)?));
    }
    Ok(())
}

fn tls(mqtt: &Mqtt) -> Result<TlsConfiguration, Unready> {
    // Whoever was first in the process has chosen already; it is the only one compiled in.
    let _ = rustls::crypto::ring::default_provider().install_default();
    let mut authorities = RootCertStore::empty();
    match &mqtt.ca_file {
        Some(path) => authorities.add_parsable_certificates(certificates(path)?),
        // The client's own way to the system's authorities panics where one of them can't be read.
        None => authorities.add_parsable_certificates(rustls_native_certs::load_native_certs().certs),
    };
    if authorities.is_empty() {
        return Err(Unready::NoAuthorities);
    }
    let config = ClientConfig::builder().with_root_certificates(authorities);
    let config = match &mqtt.client_certificate {
        Some(files) => {
            let key = private_text(&files.key).map_err(Unready::Key)?;
            let key = PrivateKeyDer::from_pem_slice(key.as_bytes()).map_err(unusable(&files.key))?;
            config
                .with_client_auth_cert(certificates(&files.certificate)?, key)
                .map_err(Unready::Pair)?
        }
        None => config.with_no_client_auth(),
    };
    Ok(TlsConfiguration::Rustls(Arc::new(config)))
}

fn certificates(path: &Path) -> Result<Vec<CertificateDer<'static>>, Unready> {
    let certificates = CertificateDer::pem_file_iter(path).map_err(unusable(path))?;
    let certificates = certificates
        .collect::<Result<Vec<_>, _>>()
        .map_err(unusable(path))?;
    if certificates.is_empty() {
        return Err(unusable(path)(pem::Error::NoItemsFound));
    }
    Ok(certificates)
}

fn unusable(path: &Path) -> impl Fn(pem::Error) -> Unready {
    move |source| Unready::Certificate {
        path: path.to_owned(),
        source,
    }
}
