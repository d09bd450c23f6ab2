//! A network between packdrift and its broker that breaks in the middle of packets.

use std::{
    io::{Read, Write},
    net::{Shutdown, TcpListener, TcpStream},
    sync::{
        Arc,
        atomic::{AtomicU32, Ordering::SeqCst},
    },
    thread,
};

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// Where to connect instead of the broker.
pub struct Proxy {
    /// Its port.
    pub port: u16,
    cuts: Arc<AtomicU32>,
}

impl Proxy {
    /// Breaks every connection after some thousand bytes from the broker, wherever in a packet that is, so many
    /// times.
    pub fn start(broker: u16, most: u32) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").unwrap();
        let port = listener.local_addr().unwrap().port();
        let cuts = Arc::new(AtomicU32::new(0));
        let counted = cuts.clone();
        thread::spawn(move || {
            let mut random = ChaCha8Rng::seed_from_u64(3);
            for client in listener.incoming() {
                let (Ok(client), Ok(server)) = (client, TcpStream::connect(("127.0.0.1", broker))) else {
                    continue;
                };
                let whole = counted.load(SeqCst) >= most;
                let bytes = if whole {
                    usize::MAX
                } else {
                    random.random_range(200..20_000)
                };
                let (up, down) = (client.try_clone().unwrap(), server.try_clone().unwrap());
                thread::spawn(move || forward(up, down, usize::MAX));
                let counted = counted.clone();
                thread::spawn(move || {
                    if forward(server, client, bytes) {
                        counted.fetch_add(1, SeqCst);
                    }
                });
            }
        });
        Self { port, cuts }
    }

    /// How often it broke so far.
    pub fn cuts(&self) -> u32 {
        self.cuts.load(SeqCst)
    }
}

/// Forwards so many bytes, then breaks both ways; whether it got so far.
fn forward(mut from: TcpStream, mut to: TcpStream, mut left: usize) -> bool {
    let mut chunk = [0; 4096];
    while left > 0 {
        let most = left.min(chunk.len());
        let Ok(read @ 1..) = from.read(&mut chunk[..most]) else {
            break;
        };
        if to.write_all(&chunk[..read]).is_err() {
            break;
        }
        left -= read;
    }
    // Whoever is gone already needs no end.
    let _ = from.shutdown(Shutdown::Both);
    let _ = to.shutdown(Shutdown::Both);
    left == 0
}
