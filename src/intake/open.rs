//! A plain broker that hands everything on and keeps nothing: for a look at a bank that has no broker yet.

use std::net::SocketAddr;

use mqtt5::{
    MqttError,
    broker::{BrokerConfig, MqttBroker, config::StorageConfig},
};

use super::LARGEST_BODY;

/// Opens it at a loopback address; it runs until the future is dropped.
///
/// # Errors
/// Mostly: another broker is there already.
pub async fn open(listen: SocketAddr) -> Result<(SocketAddr, impl Future<Output = ()>), MqttError> {
    let config = BrokerConfig::new()
        .with_bind_addresses(vec![listen])
        .with_storage(StorageConfig::new().with_persistence(false))
        // Unsaid it would promise more than the length of a packet can say (MQTT 5, 1.5.5), at which some clients
        // hang up.
        .with_max_packet_size(LARGEST_BODY)
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

#[cfg(test)]
mod tests {
    use std::net::Ipv4Addr;

    use tokio::net::TcpStream;

    use super::*;

    /// What a variable byte integer can say at most (MQTT 5, 1.5.5).
    const MOST: u32 = 268_435_455;

    #[tokio::test]
    async fn it_promises_no_larger_packets_than_there_can_be() {
        let (address, running) = open((Ipv4Addr::LOCALHOST, 0).into()).await.unwrap();
        let asking = async {
            let client = TcpStream::connect(address).await.unwrap();
            client.writable().await.unwrap();
            client
                .try_write(b"\x10\x0e\0\x04MQTT\x05\x02\0\x3c\0\0\x01x")
                .unwrap();
            client.readable().await.unwrap();
            let mut answer = vec![0; 64];
            let length = client.try_read(&mut answer).unwrap();
            answer.truncate(length);
            answer
        };
        let answer = tokio::select! {
            answer = asking => answer,
            () = running => panic!("the broker ended"),
        };
        // Type, length, flags, reason, length of the properties; 0x27 is the maximum packet size (3.2.2.3.6).
        let at = 5 + answer[5..].iter().position(|byte| *byte == 0x27).unwrap();
        let largest = u32::from_be_bytes(answer[at + 1..at + 5].try_into().unwrap());
        assert!((1..=MOST).contains(&largest), "{largest}");
    }
}
