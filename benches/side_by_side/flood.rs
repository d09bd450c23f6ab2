//! A publisher that is never what is measured: messages are made beforehand and sent many at a time, with QoS 1.

use std::{
    io::{Read, Write},
    net::TcpStream,
};

use crate::scenario;

/// Messages sent with one call.
const TOGETHER: i64 = 200;
/// Messages that may be unacknowledged.
const WINDOW: i64 = 4000;

/// The first so many readings of the bank, as they go over the wire.
pub struct Flood {
    messages: i64,
    packets: Vec<Vec<u8>>,
}

impl Flood {
    pub fn new(messages: i64) -> Self {
        let packets = (0..messages)
            .step_by(usize::try_from(TOGETHER).unwrap())
            .map(|first| {
                let mut bytes = Vec::new();
                for n in first..(first + TOGETHER).min(messages) {
                    let (topic, body, ..) = scenario::reading(n);
                    publish(&mut bytes, &topic, n, &body);
                }
                bytes
            })
            .collect();
        Self { messages, packets }
    }

    /// Sends everything; returns once the broker has acknowledged it.
    pub fn send(&self, port: u16) -> std::io::Result<()> {
        let mut stream = TcpStream::connect(("127.0.0.1", port))?;
        // MQTT 3.1.1, clean session, keep alive off (MQTT 3.1.1, 3.1).
        stream.write_all(b"\x10\x11\x00\x04MQTT\x04\x02\x00\x00\x00\x05flood")?;
        stream.read_exact(&mut [0; 4])?;
        let (mut sent, mut acknowledged_bytes) = (0, 0);
        let mut buffer = [0; 1 << 14];
        for packets in &self.packets {
            stream.write_all(packets)?;
            sent = (sent + TOGETHER).min(self.messages);
            // Each acknowledgement has four bytes, and nothing else comes.
            while sent - acknowledged_bytes / 4 > WINDOW {
                acknowledged_bytes += read(&mut stream, &mut buffer)?;
            }
        }
        while acknowledged_bytes < 4 * self.messages {
            acknowledged_bytes += read(&mut stream, &mut buffer)?;
        }
        Ok(())
    }
}

fn read(stream: &mut TcpStream, buffer: &mut [u8]) -> std::io::Result<i64> {
    match stream.read(buffer)? {
        0 => Err(std::io::ErrorKind::UnexpectedEof.into()),
        bytes => Ok(i64::try_from(bytes).unwrap()),
    }
}

fn publish(bytes: &mut Vec<u8>, topic: &str, n: i64, body: &[u8]) {
    let remaining = 2 + topic.len() + 2 + body.len();
    let low = u8::try_from(remaining % 128).unwrap();
    let high = u8::try_from(remaining / 128).unwrap();
    bytes.push(0x32);
    if high > 0 {
        bytes.extend([low | 0x80, high]);
    } else {
        bytes.push(low);
    }
    bytes.extend(u16::try_from(topic.len()).unwrap().to_be_bytes());
    bytes.extend(topic.as_bytes());
    bytes.extend(u16::try_from(n % 65_535 + 1).unwrap().to_be_bytes());
    bytes.extend(body);
}
