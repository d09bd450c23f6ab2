//! A plain broker that hands everything on and keeps nothing: for a look at a bank that has no broker yet.

use std::net::SocketAddr;

use mqtt5::{
    MqttError,
    broker::{BrokerConfig, MqttBroker, config::StorageConfig},
};

/// Opens it at a loopback address; it runs until the future is dropped.
///
/// # Errors
/// Mostly: another broker is there already.
pub async fn open(listen: SocketAddr) -> Result<(SocketAddr, impl Future<Output = ()>), MqttError> {
    let config = BrokerConfig::new()
        .with_bind_addresses(vec![listen])
        .with_storage(StorageConfig::new().with_persistence(false))
        .with_sys_topics_enabled(false);
    let mut broker = MqttBroker::with_config(config).await?;
    let address = broker.local_addr().unwrap_or(listen);
    let running = async move {
        if let Err(error) = broker.run().await {
            tracing::error!(error = &error as &dyn std::error::Error, "the broker ended");
        }
    };
    Ok((address, running))
}
