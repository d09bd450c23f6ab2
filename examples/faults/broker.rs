//! The broker and the way to it: away, restarted, killed, taken over, cut.

use std::{
    fs,
    io::{Read, Write},
    net::TcpStream,
    path::Path,
    thread::sleep,
    time::{Duration, Instant},
};

use crate::{
    Arguments, Outcome,
    harness::{Mosquitto, Packdrift, number},
    load::{Load, judge, judge_now, until},
    proxy::Proxy,
    scenario::{reading, setup_with_broker},
};

/// As many as last longer than the fault.
pub const ENDLESS: i64 = i64::MAX;

/// A packdrift beside a Mosquitto, subscribed.
pub fn beside_mosquitto(folder: &Path) -> (Mosquitto, Packdrift) {
    let mosquitto = Mosquitto::start(folder);
    fs::write(folder.join("setup.toml"), setup_with_broker(mosquitto.port)).unwrap();
    let packdrift = Packdrift::start(folder);
    packdrift.subscribed();
    (mosquitto, packdrift)
}

fn subscribed_again(packdrift: &Packdrift) {
    until("packdrift subscribes", 60, || {
        packdrift.get("/v1/health").1["broker"]["subscribed"] == true
    });
}

pub fn away_at_start(_: &Arguments) -> Outcome {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let mut mosquitto = Mosquitto::start(folder);
    mosquitto.stop();
    fs::write(folder.join("setup.toml"), setup_with_broker(mosquitto.port)).unwrap();
    let packdrift = Packdrift::start(folder);
    sleep(Duration::from_secs(10));
    let told = packdrift.get("/v1/health").0;
    mosquitto.go_on();
    let mended = Instant::now();
    subscribed_again(&packdrift);
    let seconds = mended.elapsed().as_secs_f64();
    let load = Load::start(mosquitto.port, 1000, 2000);
    let outcome = judge(folder, load.done(), mended, format!("health {told} meanwhile"));
    Outcome { seconds, ..outcome }
}

pub fn away(_: &Arguments) -> Outcome {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let (mut mosquitto, _packdrift) = beside_mosquitto(folder);
    let load = Load::start(mosquitto.port, 500, ENDLESS);
    load.flows();
    mosquitto.stop();
    sleep(Duration::from_secs(60));
    mosquitto.go_on();
    let mended = Instant::now();
    load.flows();
    judge(
        folder,
        load.end(),
        mended,
        "the longest wait before a try is 30 s, however long it was away",
    )
}

/// packdrift is away while six instruments go on for a day.
pub fn away_for_a_day(_: &Arguments) -> Outcome {
    const DAY: i64 = 6 * 8640;
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let (mosquitto, packdrift) = beside_mosquitto(folder);
    assert_eq!(packdrift.stop(), Some(0));
    let sent = Load::start_wide(mosquitto.port, DAY).done();
    let mended = Instant::now();
    let _packdrift = Packdrift::start(folder);
    judge(folder, sent, mended, "waiting at the broker")
}

pub fn restarted(_: &Arguments) -> Outcome {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let (mut mosquitto, packdrift) = beside_mosquitto(folder);
    let load = Load::start(mosquitto.port, 1000, ENDLESS);
    let mut mended = Instant::now();
    for _ in 0..5 {
        load.flows();
        mosquitto.restart();
        mended = Instant::now();
        subscribed_again(&packdrift);
    }
    judge(folder, load.end(), mended, "5 restarts under load")
}

pub fn forgetful(_: &Arguments) -> Outcome {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let (mut mosquitto, packdrift) = beside_mosquitto(folder);
    let load = Load::start(mosquitto.port, 1000, 3000);
    let sent = load.done();
    // What is still in a broker that forgets is gone with it; what packdrift has taken must not be.
    until("all is taken", 30, || {
        number(folder, "SELECT count(*) FROM reading") >= sent
    });
    mosquitto.stop();
    fs::remove_file(folder.join("mosquitto.db")).unwrap();
    mosquitto.go_on();
    let mended = Instant::now();
    subscribed_again(&packdrift);
    let seconds = mended.elapsed().as_secs_f64();
    let load = Load::start(mosquitto.port, 1000, 6000);
    let outcome = judge(folder, load.done(), mended, "subscribes anew by itself");
    Outcome { seconds, ..outcome }
}

pub fn killed(_: &Arguments) -> Outcome {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let (mut mosquitto, mut packdrift) = beside_mosquitto(folder);
    let load = Load::start(mosquitto.port, 1000, ENDLESS);
    let (mut mended, mut longest) = (Instant::now(), Duration::ZERO);
    for _ in 0..20 {
        // One that was thrown out twenty times in a row would wait longer from try to try.
        drop(packdrift);
        packdrift = Packdrift::start(folder);
        packdrift.subscribed();
        load.flows();
        // Somewhere between two of its savings.
        sleep(Duration::from_millis(
            u64::from(mended.elapsed().subsec_micros()) % 400,
        ));
        mosquitto.kill();
        mosquitto.go_on();
        mended = Instant::now();
        subscribed_again(&packdrift);
        longest = longest.max(mended.elapsed());
    }
    load.flows();
    let sent = load.end();
    quiet(folder);
    let outcome = judge_now(
        folder,
        sent,
        "what is missing had been acknowledged by Mosquitto and not yet saved by it",
    );
    Outcome {
        seconds: longest.as_secs_f64(),
        measured: outcome.doubled == 0,
        ..outcome
    }
}

pub fn killed_alone(_: &Arguments) -> Outcome {
    /// Neither a multiple of what it saves after nor near one.
    const EACH: i64 = 1711;
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let (mut mosquitto, packdrift) = beside_mosquitto(folder);
    // With what it knows of packdrift saved.
    mosquitto.restart();
    packdrift.subscribed();
    assert_eq!(packdrift.stop(), Some(0));
    let (mut sent, mut longest) = (0, Duration::ZERO);
    for _ in 0..20 {
        let load = Load::start_at(mosquitto.port, sent, 2000, sent + EACH);
        sent = load.done();
        mosquitto.kill();
        mosquitto.go_on();
        let mended = Instant::now();
        let packdrift = Packdrift::start(folder);
        packdrift.subscribed();
        longest = longest.max(mended.elapsed());
        quiet(folder);
        assert_eq!(packdrift.stop(), Some(0));
    }
    let outcome = judge_now(folder, sent, format!("{EACH} waiting at each kill"));
    Outcome {
        seconds: longest.as_secs_f64(),
        measured: outcome.doubled == 0,
        ..outcome
    }
}

/// Waits until nothing more comes in.
fn quiet(folder: &Path) {
    let count = || number(folder, "SELECT count(*) FROM reading");
    let mut before = -1;
    while count() != before {
        before = count();
        sleep(Duration::from_secs(1));
    }
}

pub fn taken_over(_: &Arguments) -> Outcome {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let (mosquitto, packdrift) = beside_mosquitto(folder);
    let load = Load::start(mosquitto.port, 500, ENDLESS);
    let mut mended = Instant::now();
    for _ in 0..3 {
        load.flows();
        let other = other_packdrift(mosquitto.port);
        sleep(Duration::from_secs(2));
        drop(other);
        mended = Instant::now();
        subscribed_again(&packdrift);
    }
    let log = fs::read_to_string(folder.join("packdrift.log")).unwrap();
    let told = log.lines().filter(|line| line.contains("no connection")).count();
    judge(
        folder,
        load.end(),
        mended,
        format!("3 times; told in the log {told} times"),
    )
}

/// Somebody who says to be packdrift, takes its session over, and acknowledges nothing.
fn other_packdrift(port: u16) -> TcpStream {
    let mut stream = TcpStream::connect(("127.0.0.1", port)).unwrap();
    // CONNECT of MQTT 5, no clean start, session expiry for ever.
    let mut body = vec![
        0, 4, b'M', b'Q', b'T', b'T', 5, 0, 0, 60, 5, 0x11, 255, 255, 255, 255, 0, 9,
    ];
    body.extend(b"packdrift");
    let mut packet = vec![0x10, u8::try_from(body.len()).unwrap()];
    packet.extend(body);
    stream.write_all(&packet).unwrap();
    let mut head = [0; 2];
    stream.read_exact(&mut head).unwrap();
    assert_eq!(head[0], 0x20, "CONNACK");
    stream
}

pub fn cut(_: &Arguments) -> Outcome {
    const CUTS: u32 = 100;
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let mosquitto = Mosquitto::start(folder);
    // Subscribed before anything is published.
    fs::write(folder.join("setup.toml"), setup_with_broker(mosquitto.port)).unwrap();
    let packdrift = Packdrift::start(folder);
    packdrift.subscribed();
    assert_eq!(packdrift.stop(), Some(0));
    let load = Load::start(mosquitto.port, 2000, 20_000);
    let sent = load.done();
    let mut cuts = 0;
    // Where connections hardly stand, packdrift waits longer from try to try; a new start each time makes more cuts
    // in less time.
    while cuts < CUTS {
        let proxy = Proxy::start(mosquitto.port, 4);
        fs::write(folder.join("setup.toml"), setup_with_broker(proxy.port)).unwrap();
        let packdrift = Packdrift::start(folder);
        let missing = |folder| number(folder, "SELECT count(*) FROM reading") < sent;
        until("the network breaks four times", 60, || {
            proxy.cuts() >= 4 || !missing(folder)
        });
        cuts += proxy.cuts();
        drop(packdrift);
        if !missing(folder) {
            break;
        }
    }
    fs::write(folder.join("setup.toml"), setup_with_broker(mosquitto.port)).unwrap();
    let mended = Instant::now();
    let _packdrift = Packdrift::start(folder);
    let (.., last_ms) = reading(sent - 1);
    until("the last one is stored", 60, || {
        number(folder, "SELECT coalesce(max(at_ms), 0) FROM reading") >= last_ms
    });
    judge(
        folder,
        sent,
        mended,
        format!("{cuts} cuts, killed after every fourth"),
    )
}
