//! Is whatever is thrown at the API refused in words, while somebody else still gets an answer?

use std::{
    fs,
    io::{Read, Write},
    net::TcpStream,
    os::unix::fs::PermissionsExt,
    thread,
    time::{Duration, Instant},
};

use serde_json::Value;

use crate::{
    harness::{Packdrift, Publisher},
    scenario::{own_port, reading, setup_with_own_broker},
};

/// What a person waits without noticing.
const PROMPT: Duration = Duration::from_millis(100);

/// A daemon with one token that reads and one that writes.
struct Target {
    daemon: Packdrift,
    address: String,
    read: String,
    write: String,
    _folder: tempfile::TempDir,
}

impl Target {
    fn start() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let (read, read_line) = packdrift::api::issue_token(packdrift::api::Scope::Read);
        let (write, write_line) = packdrift::api::issue_token(packdrift::api::Scope::Write);
        let tokens = folder.path().join("tokens");
        fs::write(&tokens, format!("{read_line}\n{write_line}\n")).unwrap();
        fs::set_permissions(&tokens, fs::Permissions::from_mode(0o600)).unwrap();
        let setup =
            setup_with_own_broker(folder.path()).replace("[api]\n", "[api]\ntoken_file = \"tokens\"\n");
        fs::write(folder.path().join("setup.toml"), setup).unwrap();
        let daemon = Packdrift::start(folder.path());
        let address = daemon.address().unwrap();
        // A day of readings, so that there is something to ask for.
        let mut publisher = Publisher::connect(own_port(folder.path()), "instruments").unwrap();
        for n in (0..6 * 8640).step_by(6 * 60 + 1) {
            let (topic, body, ..) = reading(n);
            publisher.publish(&topic, &body).unwrap();
        }
        Self {
            daemon,
            address,
            read,
            write,
            _folder: folder,
        }
    }

    /// A request of one's own making: (status, document).
    fn send(&self, head: &str, body: &[u8]) -> (u16, Value) {
        let head = head
            .replace("{read}", &format!("Authorization: Bearer {}", self.read))
            .replace("{write}", &format!("Authorization: Bearer {}", self.write))
            .replace('\n', "\r\n");
        let mut stream = TcpStream::connect(&self.address).unwrap();
        stream.set_read_timeout(Some(Duration::from_secs(20))).unwrap();
        stream.write_all(format!("{head}\r\n\r\n").as_bytes()).unwrap();
        // The answer may come before all of a body is sent, and end the connection.
        let _ = stream.write_all(body);
        answer(&mut stream)
    }

    /// Somebody who may ask still gets an answer, and promptly.
    fn still_answers(&self, after: &str) {
        let took = self.asks();
        assert!(took < PROMPT, "after {after} it took {took:?}");
    }

    /// Asks as somebody who may; gives how long the answer took.
    fn asks(&self) -> Duration {
        let asked = Instant::now();
        let (status, health) = self.send(
            "GET /v1/health HTTP/1.1\nHost: localhost\n{read}\nConnection: close",
            b"",
        );
        assert_eq!((status, &health["ok"]), (200, &Value::Bool(true)));
        asked.elapsed()
    }

    /// Asks without a pause while `attack` goes on, and once after it; gives what came of it and the longest wait.
    fn beside<T: Send>(&self, attack: impl FnOnce() -> T + Send) -> (T, Duration) {
        thread::scope(|scope| {
            let attack = scope.spawn(attack);
            let mut longest = self.asks();
            while !attack.is_finished() {
                longest = longest.max(self.asks());
            }
            (attack.join().unwrap(), longest.max(self.asks()))
        })
    }
}

/// Reads one answer; its document is null where it has none.
fn answer(stream: &mut TcpStream) -> (u16, Value) {
    let mut bytes = Vec::new();
    let mut chunk = [0; 4096];
    loop {
        let text = String::from_utf8_lossy(&bytes).into_owned();
        if let Some((head, body)) = text.split_once("\r\n\r\n") {
            let length = head.lines().find_map(|line| {
                let (name, value) = line.split_once(':')?;
                name.eq_ignore_ascii_case("content-length")
                    .then(|| value.trim().parse::<usize>().unwrap())
            });
            if length.is_some_and(|length| body.len() >= length) {
                let status = head.split(' ').nth(1).unwrap().parse().unwrap();
                return (status, serde_json::from_str(body).unwrap_or_default());
            }
        }
        match stream.read(&mut chunk) {
            Ok(0) => panic!("the connection ended within the answer: {text}"),
            Ok(read) => bytes.extend(&chunk[..read]),
            Err(error) => panic!("{error} after {text:?}"),
        }
    }
}

/// (what, head, body, status, problem). An empty problem: the request is no HTTP, so it is refused without one.
const ATTACKS: &[(&str, &str, &str, u16, &str)] = &[
    (
        "no token",
        "GET /v1/drift HTTP/1.1\nHost: localhost",
        "",
        401,
        "no-token",
    ),
    (
        "a wrong token",
        "GET /v1/drift HTTP/1.1\nHost: localhost\nAuthorization: Bearer 0123",
        "",
        401,
        "no-token",
    ),
    (
        "an empty token",
        "GET /v1/drift HTTP/1.1\nHost: localhost\nAuthorization: Bearer ",
        "",
        401,
        "no-token",
    ),
    (
        "another scheme",
        "GET /v1/drift HTTP/1.1\nHost: localhost\nAuthorization: Basic cm9vdDo=",
        "",
        401,
        "no-token",
    ),
    (
        "a token in the query",
        "GET /v1/drift?token=x HTTP/1.1\nHost: localhost",
        "",
        401,
        "no-token",
    ),
    (
        "health without a token",
        "GET /v1/health HTTP/1.1\nHost: localhost",
        "",
        401,
        "no-token",
    ),
    (
        "an unknown page without a token",
        "GET /admin HTTP/1.1\nHost: localhost",
        "",
        401,
        "no-token",
    ),
    (
        "writing with a read token",
        "POST /v1/notes HTTP/1.1\nHost: localhost\n{read}\nContent-Length: 2",
        "{}",
        403,
        "read-only-token",
    ),
    (
        "deleting with a read token",
        "DELETE /v1/notes/1 HTTP/1.1\nHost: localhost\n{read}",
        "",
        403,
        "read-only-token",
    ),
    (
        "an overridden method",
        "POST /v1/notes/1 HTTP/1.1\nHost: localhost\n{read}\nX-HTTP-Method-Override: GET\nContent-Length: 0",
        "",
        403,
        "read-only-token",
    ),
    (
        "traversal",
        "GET /v1/../../../etc/passwd HTTP/1.1\nHost: localhost\n{read}",
        "",
        404,
        "no-such-page",
    ),
    (
        "escaped traversal",
        "GET /v1/%2e%2e/%2e%2e/etc/passwd HTTP/1.1\nHost: localhost\n{read}",
        "",
        404,
        "no-such-page",
    ),
    (
        "traversal in an id",
        "DELETE /v1/notes/..%2f..%2fetc HTTP/1.1\nHost: localhost\n{write}",
        "",
        400,
        "",
    ),
    (
        "SQL in bank",
        "GET /v1/drift?bank=skerry'%20OR%201=1-- HTTP/1.1\nHost: localhost\n{read}",
        "",
        404,
        "unknown-bank",
    ),
    (
        "SQL in pack",
        "GET /v1/drift?pack=x';DROP%20TABLE%20reading;-- HTTP/1.1\nHost: localhost\n{read}",
        "",
        404,
        "unknown-pack",
    ),
    (
        "SQL in since",
        "GET /v1/drift?since=0);DROP%20TABLE%20reading;-- HTTP/1.1\nHost: localhost\n{read}",
        "",
        400,
        "bad-query",
    ),
    (
        "SQL in until",
        "GET /v1/drift?until='%20OR%20''=' HTTP/1.1\nHost: localhost\n{read}",
        "",
        400,
        "bad-query",
    ),
    (
        "SQL in step",
        "GET /v1/drift/series?step=1;SELECT HTTP/1.1\nHost: localhost\n{read}",
        "",
        400,
        "bad-query",
    ),
    (
        "SQL in instrument",
        "GET /v1/readings?instrument=tern'-- HTTP/1.1\nHost: localhost\n{read}",
        "",
        404,
        "unknown-instrument",
    ),
    (
        "SQL in limit",
        "GET /v1/readings?instrument=tern&limit=1;-- HTTP/1.1\nHost: localhost\n{read}",
        "",
        400,
        "bad-query",
    ),
    (
        "SQL in an id",
        "DELETE /v1/notes/1%20OR%201=1 HTTP/1.1\nHost: localhost\n{write}",
        "",
        400,
        "",
    ),
    (
        "an unknown parameter",
        "GET /v1/drift?debug=1 HTTP/1.1\nHost: localhost\n{read}",
        "",
        400,
        "bad-query",
    ),
    (
        "bytes that are no text",
        "GET /v1/drift?bank=%ff%fe HTTP/1.1\nHost: localhost\n{read}",
        "",
        404,
        "unknown-bank",
    ),
    (
        "a huge step count",
        "GET /v1/drift/series?since=1970-01-01&until=2262-01-01&step=PT0.001S HTTP/1.1\nHost: localhost\n{read}",
        "",
        400,
        "bad-query",
    ),
    (
        "a step of nothing",
        "GET /v1/drift/series?since=2026-01-01&step=PT0.000000001S HTTP/1.1\nHost: localhost\n{read}",
        "",
        400,
        "bad-query",
    ),
    (
        "a negative limit",
        "GET /v1/readings?instrument=tern&limit=-1 HTTP/1.1\nHost: localhost\n{read}",
        "",
        400,
        "bad-query",
    ),
    (
        "a cross-site post",
        "POST /v1/notes HTTP/1.1\nHost: localhost\n{write}\nSec-Fetch-Site: cross-site\nContent-Length: 2",
        "{}",
        403,
        "cross-site",
    ),
    (
        "a same-site post",
        "POST /v1/notes HTTP/1.1\nHost: localhost\n{write}\nSec-Fetch-Site: same-site\nContent-Length: 2",
        "{}",
        403,
        "cross-site",
    ),
    (
        "a post of another origin",
        "POST /v1/notes HTTP/1.1\nHost: localhost\n{write}\nOrigin: http://example.org\nContent-Length: 2",
        "{}",
        403,
        "cross-site",
    ),
    (
        "a post of no origin",
        "POST /v1/notes HTTP/1.1\nHost: localhost\n{write}\nOrigin: null\nContent-Length: 2",
        "{}",
        403,
        "cross-site",
    ),
    (
        "a post of another port's page",
        "POST /v1/notes HTTP/1.1\nHost: localhost:8077\n{write}\nOrigin: http://localhost:80\nContent-Length: 2",
        "{}",
        403,
        "cross-site",
    ),
    (
        "a form",
        "POST /v1/notes HTTP/1.1\nHost: localhost\n{write}\nContent-Type: text/plain\nContent-Length: 2",
        "{}",
        422,
        "bad-body",
    ),
    (
        "rebinding",
        "GET /v1/health HTTP/1.1\nHost: example.org\n{read}",
        "",
        421,
        "foreign-host",
    ),
    (
        "rebinding with a port",
        "GET /v1/health HTTP/1.1\nHost: example.org:8077\n{read}",
        "",
        421,
        "foreign-host",
    ),
    (
        "rebinding by a name that begins like this one",
        "GET /v1/health HTTP/1.1\nHost: localhost.example.org\n{read}",
        "",
        421,
        "foreign-host",
    ),
    (
        "another host in the target",
        "GET http://example.org/v1/health HTTP/1.1\nHost: localhost\n{read}",
        "",
        421,
        "foreign-host",
    ),
    (
        "two hosts",
        "GET /v1/health HTTP/1.1\nHost: localhost\nHost: example.org\n{read}",
        "",
        400,
        "no-host",
    ),
    ("no host", "GET /v1/health HTTP/1.1\n{read}", "", 400, "no-host"),
    (
        "two lengths",
        "POST /v1/notes HTTP/1.1\nHost: localhost\n{write}\nContent-Length: 2\nContent-Length: 40",
        "{}",
        400,
        "",
    ),
    (
        "length and chunks",
        "POST /v1/notes HTTP/1.1\nHost: localhost\n{write}\nContent-Length: 2\nTransfer-Encoding: chunked",
        "0\r\n\r\n",
        411,
        "no-length",
    ),
    (
        "chunks that are none",
        "POST /v1/notes HTTP/1.1\nHost: localhost\n{write}\nTransfer-Encoding: chunked, identity",
        "0\r\n\r\n",
        400,
        "",
    ),
    (
        "a header within a header",
        "GET /v1/health HTTP/1.1\nHost: localhost\nX: a\0b\n{read}",
        "",
        400,
        "",
    ),
    ("another protocol", "HELO mail.example.org", "", 400, ""),
    (
        "another method",
        "TRACE /v1/drift HTTP/1.1\nHost: localhost\n{write}",
        "",
        405,
        "no-such-method",
    ),
    (
        "a body of a gigabyte",
        "POST /v1/notes HTTP/1.1\nHost: localhost\n{write}\nContent-Type: application/json\nContent-Length: 1000000000",
        "",
        413,
        "too-large",
    ),
    (
        "a body that is no JSON",
        "POST /v1/notes HTTP/1.1\nHost: localhost\n{write}\nContent-Type: application/json\nContent-Length: 5",
        "'; --",
        422,
        "bad-body",
    ),
];

/// Shown by `cargo test every_attack -- --nocapture`.
#[test]
fn every_attack_is_refused_in_words_and_others_are_answered_meanwhile() {
    let target = Target::start();
    let version = env!("CARGO_PKG_VERSION");
    println!("| attack | refused with | as | others waited at most, ms |\n| --- | --- | --- | --- |");
    for (what, head, body, status, problem) in ATTACKS {
        let ((answered, document), waited) = target.beside(|| target.send(head, body.as_bytes()));
        let named = document["type"].as_str().unwrap_or("–");
        println!("| {what} | {answered} | {named} | {} |", waited.as_millis());
        assert_eq!(answered, *status, "{what}: {document}");
        if problem.is_empty() {
            assert!(
                document.is_null() || document["type"].is_string(),
                "{what}: {document}"
            );
        } else {
            assert_eq!(named, format!("urn:packdrift:{problem}"), "{what}: {document}");
            assert_eq!(document["status"], *status, "{what}");
            let told = document.to_string().to_lowercase();
            for secret in [&target.read, &target.write, "select", "sqlite", "/tmp", version] {
                let echoed = body.to_lowercase().contains(secret) || head.to_lowercase().contains(secret);
                assert!(echoed || !told.contains(secret), "{what} tells {secret}: {told}");
            }
        }
        assert!(waited < PROMPT, "beside {what} others waited {waited:?}");
    }
    assert!(ATTACKS.len() >= 40);
    assert_eq!(target.daemon.stop(), Some(0));
}

#[test]
fn large_and_deep_requests_are_refused() {
    let target = Target::start();
    let post = |body: &[u8]| {
        let head = format!(
            "POST /v1/notes HTTP/1.1\nHost: localhost\n{{write}}\nContent-Type: application/json\nContent-Length: {}",
            body.len()
        );
        target.send(&head, body)
    };
    let deep = [vec![b'['; 100_000], vec![b']'; 100_000]].concat();
    let (status, document) = post(&deep);
    assert_eq!(
        (status, &document["type"]),
        (422, &"urn:packdrift:bad-body".into())
    );
    target.still_answers("deep JSON");

    let (status, document) = post(&vec![b' '; 300_000]);
    assert_eq!(
        (status, &document["type"]),
        (413, &"urn:packdrift:too-large".into())
    );
    target.still_answers("a large body");

    // Announced or not: the gigabyte that follows is not waited for.
    let begun = Instant::now();
    let ((status, _), waited) = target.beside(|| {
        let head = "POST /v1/notes HTTP/1.1\nHost: localhost\n{write}\nContent-Type: application/json\nContent-Length: 1000000000";
        target.send(head, &vec![0; 1_000_000_000])
    });
    assert_eq!(status, 413);
    assert!(waited < PROMPT, "beside a gigabyte others waited {waited:?}");
    assert!(begun.elapsed() < Duration::from_secs(20));

    let lines = "\nX: 1".repeat(200);
    let (status, _) = target.send(&format!("GET /v1/health HTTP/1.1\nHost: localhost{lines}"), b"");
    assert_eq!(status, 431, "too many lines");
    let long = "x".repeat(100_000);
    let (status, _) = target.send(
        &format!("GET /v1/health HTTP/1.1\nHost: localhost\nX: {long}"),
        b"",
    );
    assert_eq!(status, 431, "a long line");
    let (status, _) = target.send(
        &format!("GET /v1/drift?bank={long} HTTP/1.1\nHost: localhost"),
        b"",
    );
    assert!(matches!(status, 414 | 431), "a long target: {status}");
    target.still_answers("large heads");
    assert_eq!(target.daemon.stop(), Some(0));
}

#[test]
fn ten_thousand_connections_and_slow_heads_keep_nobody_out() {
    const CONNECTIONS: usize = 10_000;
    let target = Target::start();
    let limit = rustix::process::getrlimit(rustix::process::Resource::Nofile);
    rustix::process::setrlimit(
        rustix::process::Resource::Nofile,
        rustix::process::Rlimit {
            current: limit.maximum,
            maximum: limit.maximum,
        },
    )
    .unwrap();
    let mut held = Vec::new();
    for number in 0..CONNECTIONS {
        let mut stream = TcpStream::connect(&target.address).unwrap();
        // Every other one has begun a head and goes on with it at a byte a time.
        if number % 2 == 0 {
            let _ = stream.write_all(b"GET /v1/health HTTP/1.1\r\nHost: local");
        }
        held.push(stream);
        if number % 500 == 0 {
            target.still_answers("many connections");
        }
    }
    for _ in 0..20 {
        for stream in &mut held {
            let _ = stream.write_all(b"x");
        }
        target.still_answers("slow heads");
        thread::sleep(Duration::from_millis(50));
    }
    // Those that the daemon still holds are few, and none for ever: heads have ten seconds.
    thread::sleep(Duration::from_secs(11));
    let mut open = 0;
    for stream in &mut held {
        stream.set_nonblocking(true).unwrap();
        let read = stream.read(&mut [0]);
        open += usize::from(read.is_err_and(|error| error.kind() == std::io::ErrorKind::WouldBlock));
    }
    assert_eq!(open, 0, "connections that are held for ever");
    target.still_answers("all of that");
    assert_eq!(target.daemon.stop(), Some(0));
}
