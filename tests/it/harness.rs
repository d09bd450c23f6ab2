//! The real things that the flow tests drive: Mosquitto, the packdrift binary, and a publisher that knows exactly
//! what was acknowledged.

use std::{
    collections::BTreeSet,
    fs,
    io::{Read, Write},
    net::{TcpListener, TcpStream},
    path::{Path, PathBuf},
    process::{Child, Command, Stdio},
    thread::sleep,
    time::{Duration, Instant},
};

use packdrift::config::Mqtt;
use rusqlite::Connection;
use serde_json::Value;

/// Waits until `done`, and fails the test where that takes too long.
pub fn eventually(what: &str, within: Duration, mut done: impl FnMut() -> bool) {
    let begun = Instant::now();
    while !done() {
        assert!(begun.elapsed() < within, "not within {within:?}: {what}");
        sleep(Duration::from_millis(20));
    }
}

/// The packdrift that belongs to this program: the one cargo built for a test, or the one beside an example.
pub fn program() -> PathBuf {
    option_env!("CARGO_BIN_EXE_packdrift").map_or_else(
        || {
            let example = std::env::current_exe().unwrap();
            let beside = example.parent().unwrap().parent().unwrap().join("packdrift");
            assert!(
                beside.exists(),
                "{} is missing: build it with cargo build",
                beside.display()
            );
            beside
        },
        PathBuf::from,
    )
}

/// A port that nobody listens on.
pub fn free_port() -> u16 {
    TcpListener::bind("127.0.0.1:0")
        .unwrap()
        .local_addr()
        .unwrap()
        .port()
}

/// A connection to a broker on this machine, as simple as can be.
pub fn plain_mqtt(port: u16) -> Mqtt {
    Mqtt {
        host: "127.0.0.1".into(),
        port,
        tls: false,
        client_id: "packdrift".into(),
        username: None,
        password_file: None,
        ca_file: None,
        client_certificate: None,
    }
}

/// A Mosquitto of this test's own, set as `deploy/mosquitto.conf` sets it.
pub struct Mosquitto {
    pub port: u16,
    config: PathBuf,
    child: Child,
}

impl Mosquitto {
    pub fn start(folder: &Path) -> Self {
        Self::start_with(folder, "")
    }

    /// The same with more settings, which stand in the place of those above where they are of the same name.
    pub fn start_with(folder: &Path, more: &str) -> Self {
        let port = free_port();
        let config = folder.join("mosquitto.conf");
        let text = format!(
            "listener {port} 127.0.0.1\nallow_anonymous true\npersistence true\npersistence_location {}/\n\
             max_queued_messages 0\nmax_queued_bytes 268435456\nautosave_on_changes true\nautosave_interval 500\n\
             {}\n{more}",
            folder.display(),
            // Started as root it would become a user who may not write to the test's folder.
            if is_root() { "user root" } else { "" },
        );
        fs::write(&config, text).unwrap();
        let child = Self::spawn(&config, port);
        Self { port, config, child }
    }

    fn spawn(config: &Path, port: u16) -> Child {
        let program = [
            "/usr/sbin/mosquitto",
            "/usr/local/sbin/mosquitto",
            "/opt/homebrew/sbin/mosquitto",
        ]
        .into_iter()
        .find(|path| Path::new(path).exists())
        .unwrap_or("mosquitto");
        let child = Command::new(program)
            .arg("-c")
            .arg(config)
            .stderr(Stdio::null())
            .spawn()
            .expect("Mosquitto is installed; tests/run sees to it");
        eventually("Mosquitto listens", Duration::from_secs(10), || {
            TcpStream::connect(("127.0.0.1", port)).is_ok()
        });
        child
    }

    /// Stops it in order and starts it again; its queue is kept.
    pub fn restart(&mut self) {
        self.stop();
        self.go_on();
    }

    /// Stops it in order.
    pub fn stop(&mut self) {
        terminate(&mut self.child);
    }

    /// `kill -9`.
    pub fn kill(&mut self) {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
    }

    /// Starts it again with what it has kept.
    pub fn go_on(&mut self) {
        self.child = Self::spawn(&self.config, self.port);
    }
}

impl Drop for Mosquitto {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn is_root() -> bool {
    let owner = Command::new("id").arg("-u").output().unwrap();
    owner.stdout.starts_with(b"0")
}

fn terminate(child: &mut Child) {
    let killed = Command::new("kill")
        .arg("-TERM")
        .arg(child.id().to_string())
        .status()
        .unwrap();
    assert!(killed.success());
    child.wait().unwrap();
}

fn agent() -> ureq::Agent {
    ureq::Agent::config_builder()
        .http_status_as_error(false)
        .build()
        .into()
}

fn answer(mut response: ureq::http::Response<ureq::Body>) -> (u16, Value) {
    (
        response.status().as_u16(),
        response.body_mut().read_json().unwrap(),
    )
}

/// The packdrift binary at work in a folder.
pub struct Packdrift {
    folder: PathBuf,
    pub child: Child,
}

impl Packdrift {
    /// Starts `packdrift serve` on the `setup.toml` in the folder and waits until it answers.
    pub fn start(folder: &Path) -> Self {
        Self::start_by(folder, Command::new(program()))
    }

    /// The same by a command of the test's own, which ends in the program or becomes it.
    pub fn start_by(folder: &Path, mut command: Command) -> Self {
        let log = fs::File::options()
            .create(true)
            .append(true)
            .open(folder.join("packdrift.log"))
            .unwrap();
        let _ = fs::remove_file(folder.join("packdrift.sqlite.lock"));
        let child = command
            .args(["serve", "--config"])
            .arg(folder.join("setup.toml"))
            .stderr(log)
            .spawn()
            .unwrap();
        let mut packdrift = Self {
            folder: folder.to_owned(),
            child,
        };
        eventually("packdrift answers", Duration::from_secs(20), || {
            if let Some(status) = packdrift.child.try_wait().unwrap() {
                panic!(
                    "packdrift ended with {status}: {}",
                    fs::read_to_string(folder.join("packdrift.log")).unwrap()
                );
            }
            packdrift
                .address()
                .is_some_and(|address| TcpStream::connect(address).is_ok())
        });
        packdrift
    }

    /// Where it answers.
    pub fn address(&self) -> Option<String> {
        let address = fs::read_to_string(self.folder.join("packdrift.sqlite.lock")).ok()?;
        (!address.is_empty()).then_some(address)
    }

    /// Asks the API: (status, document).
    pub fn get(&self, path: &str) -> (u16, Value) {
        let address = self.address().unwrap();
        answer(agent().get(format!("http://{address}{path}")).call().unwrap())
    }

    /// Posts a document to the API: (status, document).
    pub fn post(&self, path: &str, document: &Value) -> (u16, Value) {
        let address = self.address().unwrap();
        let sent = agent()
            .post(format!("http://{address}{path}"))
            .send_json(document);
        answer(sent.unwrap())
    }

    /// The most memory that was resident so far, KiB.
    pub fn peak_kib(&self) -> u64 {
        self.status("VmHWM")
    }

    /// Memory resident now, KiB.
    pub fn resident_kib(&self) -> u64 {
        self.status("VmRSS")
    }

    /// Open file descriptors.
    pub fn descriptors(&self) -> usize {
        fs::read_dir(format!("/proc/{}/fd", self.child.id()))
            .unwrap()
            .count()
    }

    fn status(&self, field: &str) -> u64 {
        let status = fs::read_to_string(format!("/proc/{}/status", self.child.id())).unwrap();
        let line = status.lines().find(|line| line.starts_with(field)).unwrap();
        line.split_whitespace().nth(1).unwrap().parse().unwrap()
    }

    /// Waits until nothing published to its broker is missed any more.
    pub fn subscribed(&self) {
        eventually("packdrift has subscribed", Duration::from_secs(10), || {
            self.get("/v1/health").1["broker"]["subscribed"] == true
        });
    }

    /// `kill -9`.
    pub fn kill(mut self) {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
    }

    /// SIGTERM, then waits for the end; gives the exit code.
    pub fn stop(mut self) -> Option<i32> {
        let killed = Command::new("kill")
            .arg("-TERM")
            .arg(self.child.id().to_string())
            .status()
            .unwrap();
        assert!(killed.success());
        self.child.wait().unwrap().code()
    }
}

impl Drop for Packdrift {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// The store of a folder, read past the daemon.
pub fn store(folder: &Path) -> Connection {
    packdrift::store::read_only(&folder.join("packdrift.sqlite")).unwrap()
}

/// A single number out of the store.
pub fn number(folder: &Path, sql: &str) -> i64 {
    store(folder).query_row(sql, [], |row| row.get(0)).unwrap()
}

/// Publishes with QoS 1 over one connection and knows what was acknowledged. Speaks MQTT 5 by hand, because a
/// library would send again by itself what this must know was not acknowledged.
pub struct Publisher {
    stream: TcpStream,
    next: u16,
    waiting: BTreeSet<u16>,
}

impl Publisher {
    pub fn connect(port: u16, client_id: &str) -> std::io::Result<Self> {
        let mut stream = TcpStream::connect(("127.0.0.1", port))?;
        stream.set_nodelay(true)?;
        stream.set_read_timeout(Some(Duration::from_secs(20)))?;
        // Protocol MQTT 5, clean start, keep alive 60 s, no properties (MQTT 5.0, 3.1).
        let mut body = vec![0, 4, b'M', b'Q', b'T', b'T', 5, 2, 0, 60, 0];
        body.extend(text(client_id));
        send(&mut stream, 0x10, &body)?;
        let (kind, _) = receive(&mut stream)?;
        assert_eq!(kind, 0x20, "CONNACK");
        Ok(Self {
            stream,
            next: 0,
            waiting: BTreeSet::new(),
        })
    }

    /// Sends without waiting; gives the packet's id.
    pub fn send(&mut self, topic: &str, body: &[u8], retain: bool) -> std::io::Result<u16> {
        self.next = if self.next == u16::MAX { 1 } else { self.next + 1 };
        let mut packet = text(topic);
        packet.extend(self.next.to_be_bytes());
        packet.push(0); // no properties
        packet.extend(body);
        send(&mut self.stream, 0x32 | u8::from(retain), &packet)?;
        self.waiting.insert(self.next);
        Ok(self.next)
    }

    /// Waits for one more acknowledgement; gives its packet's id.
    pub fn acknowledged(&mut self) -> std::io::Result<u16> {
        loop {
            let (kind, body) = receive(&mut self.stream)?;
            if kind == 0x40 {
                let id = u16::from_be_bytes([body[0], body[1]]);
                self.waiting.remove(&id);
                return Ok(id);
            }
        }
    }

    /// Sends and waits for the acknowledgement.
    pub fn publish(&mut self, topic: &str, body: &[u8]) -> std::io::Result<()> {
        self.send(topic, body, false)?;
        self.acknowledged().map(drop)
    }

    /// Sends everything with up to 50 under way, and waits until all is acknowledged.
    pub fn publish_all<'a>(
        &mut self,
        messages: impl IntoIterator<Item = (&'a str, Vec<u8>)>,
    ) -> std::io::Result<()> {
        for (topic, body) in messages {
            self.send(topic, &body, false)?;
            if self.waiting.len() >= 50 {
                self.acknowledged()?;
            }
        }
        while !self.waiting.is_empty() {
            self.acknowledged()?;
        }
        Ok(())
    }
}

fn text(text: &str) -> Vec<u8> {
    let mut bytes = u16::try_from(text.len()).unwrap().to_be_bytes().to_vec();
    bytes.extend(text.as_bytes());
    bytes
}

fn send(stream: &mut TcpStream, kind: u8, body: &[u8]) -> std::io::Result<()> {
    let mut packet = vec![kind];
    let mut length = body.len();
    loop {
        let byte = u8::try_from(length % 128).unwrap();
        length /= 128;
        packet.push(if length > 0 { byte | 0x80 } else { byte });
        if length == 0 {
            break;
        }
    }
    packet.extend(body);
    stream.write_all(&packet)
}

/// One packet: its type (upper four bits) and what follows the fixed header.
fn receive(stream: &mut TcpStream) -> std::io::Result<(u8, Vec<u8>)> {
    let mut byte = [0];
    stream.read_exact(&mut byte)?;
    let kind = byte[0] & 0xf0;
    let mut length = 0_usize;
    for shift in [0, 7, 14, 21] {
        stream.read_exact(&mut byte)?;
        length |= usize::from(byte[0] & 0x7f) << shift;
        if byte[0] & 0x80 == 0 {
            break;
        }
    }
    let mut body = vec![0; length];
    stream.read_exact(&mut body)?;
    Ok((kind, body))
}
