//! What packdrift costs while hardly anything happens: six instruments, each every 10 s, one after another.

use std::{
    path::Path,
    thread,
    time::{Duration, Instant},
};

use crate::{
    harness::{Mosquitto, Packdrift, Publisher, eventually, number},
    process,
    scenario::{reading, setup_with_broker},
    table::Table,
};

/// Between one instrument and the next, as they speak in turns.
const TURN: Duration = Duration::from_millis(10_000 / 6);
const A_DAY: i64 = 6 * 8640;

/// As many unacknowledged messages as come between two commits, as `deploy/mosquitto.conf` has it; and each on its way
/// at once: where time runs faster, the 40 ms for which the kernel gathers small packets would be many seconds, and
/// what then comes together a backlog, which is committed at once.
const BROKER: &str = "max_inflight_messages 0\nset_tcp_nodelay true\n";

/// Processor time at the usual rate, over so many seconds.
pub fn cpu(table: &mut Table, seconds: u64) {
    let folder = tempfile::tempdir().unwrap();
    let (mosquitto, packdrift) = start(folder.path(), "5s");
    let mut publisher = Publisher::connect(mosquitto.port, "instruments").unwrap();
    let before_s = process::cpu_s(&packdrift.child);
    let begun = Instant::now();
    for n in 0.. {
        let (topic, body, ..) = reading(n);
        publisher.publish(&topic, &body).unwrap();
        thread::sleep((TURN * u32::try_from(n + 1).unwrap()).saturating_sub(begun.elapsed()));
        if begun.elapsed().as_secs() >= seconds {
            break;
        }
    }
    let percent = 100.0 * (process::cpu_s(&packdrift.child) - before_s) / begun.elapsed().as_secs_f64();
    table.row(
        "CPU at 6 instruments × 10 s, % of a core",
        &format!("{percent:.2}"),
        &format!("over {seconds} s"),
        "≤ 0.5",
        "",
    );
    assert_eq!(packdrift.stop(), Some(0));
}

/// Bytes written in a day. Time runs `faster` than it is: the readings of a day come that much sooner, commits too,
/// and somebody asks once an hour of theirs, as the daemon itself derives hours.
fn written_mb(faster: u32, commit_after: Duration) -> f64 {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let ms = (commit_after / faster).as_millis().max(1);
    let (mosquitto, packdrift) = start(folder, &format!("PT{}.{:03}S", ms / 1000, ms % 1000));
    let mut publisher = Publisher::connect(mosquitto.port, "instruments").unwrap();
    let before = process::written_bytes(&packdrift.child);
    for n in 0..A_DAY {
        let (topic, body, ..) = reading(n);
        publisher.publish(&topic, &body).unwrap();
        if n % (A_DAY / 24) == 0 {
            packdrift.get("/v1/drift");
        }
        // Never in a rush, whatever was late: that would be taken for a backlog, and committed at once.
        thread::sleep(TURN / faster);
    }
    eventually("all is stored", Duration::from_secs(60), || {
        number(folder, "SELECT count(*) FROM reading") == A_DAY
    });
    let mb = (process::written_bytes(&packdrift.child) - before) / 1e6;
    assert_eq!(packdrift.stop(), Some(0));
    mb
}

/// The same for commits after 5 s and after 60 s, side by side.
pub fn written(table: &mut Table, faster: u32) {
    let bars = [(5, "≤ 100"), (60, "≤ 20")];
    let mb = bars.map(|(seconds, _)| thread::spawn(move || written_mb(faster, Duration::from_secs(seconds))));
    for ((seconds, bar), mb) in bars.into_iter().zip(mb) {
        table.row(
            &format!("written a day, MB, commits after {seconds} s"),
            &format!("{:.1}", mb.join().unwrap()),
            &format!("a day, {faster} times as fast, derived every hour of it"),
            bar,
            "",
        );
    }
}

fn start(folder: &Path, commit_after: &str) -> (Mosquitto, Packdrift) {
    let mosquitto = Mosquitto::start_with(folder, BROKER);
    let path = "path = \"packdrift.sqlite\"\n";
    let setup = setup_with_broker(mosquitto.port)
        .replace(path, &format!("{path}commit_after = \"{commit_after}\"\n"));
    std::fs::write(folder.join("setup.toml"), setup).unwrap();
    let packdrift = Packdrift::start(folder);
    packdrift.subscribed();
    (mosquitto, packdrift)
}
