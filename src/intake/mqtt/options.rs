//! What is asked of the broker on connecting, and the secrets read for it.

use std::{io, path::PathBuf, sync::Arc, time::Duration};

use rumqttc::{
    TlsConfiguration, Transport,
    v5::{MqttOptions, mqttbytes::v5::ConnectProperties},
};
use rustls::{ClientConfig, RootCertStore};

use super::super::LARGEST_BODY;
use crate::config::Mqtt;

/// [`LARGEST_BODY`] as the protocol counts.
#[expect(clippy::cast_possible_truncation, reason = "a megabyte")]
pub(super) const LARGEST: u32 = LARGEST_BODY as u32;

/// How often both sides show that they are there.
const KEEP_ALIVE: Duration = Duration::from_secs(30);

/// How many unacknowledged messages the broker may have under way.
const WINDOW: u16 = 1000;

/// Why connecting can't even be tried.
#[derive(Debug, thiserror::Error)]
pub(super) enum Unready {
    #[error("cannot read the password file {}", path.display())]
    Password { path: PathBuf, source: io::Error },
    #[error("cannot read the certificate authority {}", path.display())]
    Authority { path: PathBuf, source: io::Error },
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
        .set_keep_alive(KEEP_ALIVE);
    options
}

/// Puts the secrets in, as they are now: a changed password needs no restart.
pub(super) fn prepare(options: &mut MqttOptions, mqtt: &Mqtt) -> Result<(), Unready> {
    if let Some(username) = &mqtt.username {
        let password = match &mqtt.password_file {
            None => String::new(),
            Some(path) => std::fs::read_to_string(path).map_err(|source| Unready::Password {
                path: path.clone(),
                source,
            })?,
        };
        options.set_credentials(username, password.lines().next().unwrap_or_default());
    }
    if mqtt.tls {
        options.set_transport(Transport::tls_with_config(tls(mqtt)?));
    }
    Ok(())
}

fn tls(mqtt: &Mqtt) -> Result<TlsConfiguration, Unready> {
    // Whoever was first in the process has chosen already; it is the only one compiled in.
    let _ = rustls::crypto::ring::default_provider().install_default();
    if let Some(path) = &mqtt.ca_file {
        let ca = std::fs::read(path).map_err(|source| Unready::Authority {
            path: path.clone(),
            source,
        })?;
        return Ok(TlsConfiguration::Simple {
            ca,
            alpn: None,
            client_auth: None,
        });
    }
    // The client's own way to the system's authorities panics where one of them can't be read.
    let mut authorities = RootCertStore::empty();
    authorities.add_parsable_certificates(rustls_native_certs::load_native_certs().certs);
    if authorities.is_empty() {
        return Err(Unready::NoAuthorities);
    }
    let config = ClientConfig::builder()
        .with_root_certificates(authorities)
        .with_no_client_auth();
    Ok(TlsConfiguration::Rustls(Arc::new(config)))
}
