//! How fast messages are taken through Mosquitto, and what that costs the process that takes them.

use std::{
    io::{BufRead, BufReader},
    path::Path,
    process::{Child, ChildStdin, Command, Stdio},
    thread,
    time::{Duration, Instant},
};

use crate::{
    flood::Flood,
    harness::{Mosquitto, Packdrift, eventually, number, store},
    median, process, python,
    scenario::{reading, setup_with_broker},
    table::Table,
};

/// Unacknowledged messages are limited by who takes them, not to Mosquitto's 20; and what it saves of its queue every
/// 500 messages would be all that it has time for.
const BROKER: &str = "max_inflight_messages 0\nautosave_on_changes false\nautosave_interval 1800\n";

/// What taking the messages took.
#[derive(Clone, Copy)]
struct Taken {
    per_s: f64,
    cpu_s_per_million: f64,
}

/// Takes turns so often, so that whatever else the machine does falls on all of them.
pub fn rows(table: &mut Table, messages: i64, repeats: usize) {
    let flood = Flood::new(messages);
    let (mut null, mut script, mut ours) = (Vec::new(), Vec::new(), Vec::new());
    let mut peak_mib = Vec::new();
    for _ in 0..repeats {
        let this = std::env::current_exe().unwrap();
        null.push(yardstick(&flood, messages, |port, _| {
            let mut command = Command::new(&this);
            command.args(["--null-subscriber", &port.to_string(), "--messages"]);
            command.arg(messages.to_string());
            command
        }));
        script.push(yardstick(&flood, messages, |port, folder| {
            let mut command = python("script.py");
            command.args([port.to_string(), messages.to_string()]);
            command.arg(folder.join("script.sqlite"));
            command
        }));
        let (taken, mib) = packdrift(&flood, messages);
        ours.push(taken);
        peak_mib.push(mib);
        eprintln!(
            "messages/s: null {:.0}, script {:.0}, packdrift {:.0}; CPU s a million: {:.2}, {:.2}, {:.2}",
            null[null.len() - 1].per_s,
            script[script.len() - 1].per_s,
            taken.per_s,
            null[null.len() - 1].cpu_s_per_million,
            script[script.len() - 1].cpu_s_per_million,
            taken.cpu_s_per_million,
        );
    }
    let rate = |of: &[Taken]| median(of.iter().map(|taken| taken.per_s));
    let cost = |of: &[Taken]| median(of.iter().map(|taken| taken.cpu_s_per_million));
    // Turn by turn: what the machine did meanwhile then falls on both.
    let ratio = |of: &[Taken], what: fn(&Taken) -> f64| {
        median(ours.iter().zip(of).map(|(ours, other)| what(ours) / what(other)))
    };
    table.row(
        "intake, messages/s",
        &format!("{:.0}", rate(&ours)),
        &format!("null subscriber {:.0}, script {:.0}", rate(&null), rate(&script)),
        "≥ 0.8 × null",
        &format!("{:.2} ×", ratio(&null, |taken| taken.per_s)),
    );
    table.row(
        "CPU s a million messages",
        &format!("{:.2}", cost(&ours)),
        &format!("null subscriber {:.2}, script {:.2}", cost(&null), cost(&script)),
        "≤ 2 × null, ≤ 0.33 × script",
        &format!(
            "{:.2} × null, {:.2} × script",
            ratio(&null, |taken| taken.cpu_s_per_million),
            ratio(&script, |taken| taken.cpu_s_per_million)
        ),
    );
    let peak_mib = median(peak_mib.into_iter());
    table.row(
        "resident at full load, MiB at most",
        &format!("{peak_mib:.1}"),
        "",
        "≤ 64",
        "",
    );
}

/// Something that says “ready”, takes messages and says “done”.
fn yardstick(flood: &Flood, messages: i64, command: impl Fn(u16, &Path) -> Command) -> Taken {
    let folder = tempfile::tempdir().unwrap();
    let mosquitto = Mosquitto::start_with(folder.path(), BROKER);
    let mut child = command(mosquitto.port, folder.path())
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    // It ends once nobody is left who could write to it.
    let until_measured: Option<ChildStdin> = child.stdin.take();
    let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
    assert_eq!(lines.next().unwrap().unwrap(), "ready");
    let taken = measured(flood, messages, mosquitto.port, &child, || {
        assert_eq!(lines.next().unwrap().unwrap(), "done");
    });
    drop(until_measured);
    child.wait().unwrap();
    taken
}

fn packdrift(flood: &Flood, messages: i64) -> (Taken, f64) {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let (mosquitto, packdrift) = start(folder);
    let (_, _, name, at_ms) = reading(messages - 1);
    // By its key, as `migrations/05_one_key.sql` makes it.
    let last = format!(
        "SELECT EXISTS (SELECT 1 FROM reading WHERE key = {at_ms} * 4096 + \
         (SELECT id FROM instrument WHERE name = '{name}'))"
    );
    let connection = store(folder);
    let mut last = connection.prepare(&last).unwrap();
    let taken = measured(flood, messages, mosquitto.port, &packdrift.child, || {
        eventually("the last reading is stored", Duration::from_secs(300), || {
            last.query_row([], |row| row.get::<_, bool>(0)).unwrap()
        });
    });
    assert_eq!(
        number(folder, "SELECT count(*) FROM reading"),
        messages,
        "all are there"
    );
    let peak_mib = process::peak_mib(&packdrift.child).unwrap();
    assert_eq!(packdrift.stop(), Some(0));
    (taken, peak_mib)
}

/// A broker and packdrift, which listens to it.
fn start(folder: &Path) -> (Mosquitto, Packdrift) {
    let mosquitto = Mosquitto::start_with(folder, BROKER);
    std::fs::write(folder.join("setup.toml"), setup_with_broker(mosquitto.port)).unwrap();
    let packdrift = Packdrift::start(folder);
    packdrift.subscribed();
    (mosquitto, packdrift)
}

/// Sends everything, waits for `done`, and says what `child` has used meanwhile.
fn measured(flood: &Flood, messages: i64, port: u16, child: &Child, done: impl FnOnce()) -> Taken {
    let before_s = process::cpu_s(child);
    let begun = Instant::now();
    thread::scope(|scope| {
        scope.spawn(|| flood.send(port).unwrap());
        done();
    });
    #[expect(clippy::cast_precision_loss, reason = "a count")]
    let messages = messages as f64;
    Taken {
        per_s: messages / begun.elapsed().as_secs_f64(),
        cpu_s_per_million: (process::cpu_s(child) - before_s) * 1e6 / messages,
    }
}

/// A hundred times the usual rate for a minute, as one instrument after the other comes back with its memory.
pub fn burst(table: &mut Table) {
    use crate::harness::Publisher;
    const SECONDS: u64 = 60;
    /// Six instruments every 10 s, a hundredfold.
    const PER_S: i64 = 60;
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let (mosquitto, packdrift) = start(folder);
    let mut publisher = Publisher::connect(mosquitto.port, "burst").unwrap();
    let begun = Instant::now();
    let mut sent = 0;
    for second in 1..=SECONDS {
        let messages: Vec<_> = (sent..sent + PER_S).map(reading).collect();
        publisher
            .publish_all(
                messages
                    .iter()
                    .map(|(topic, body, ..)| (topic.as_str(), body.clone())),
            )
            .unwrap();
        sent += PER_S;
        thread::sleep(Duration::from_secs(second).saturating_sub(begun.elapsed()));
    }
    let ended = Instant::now();
    eventually("all is stored", Duration::from_secs(120), || {
        number(folder, "SELECT count(*) FROM reading") == sent
    });
    table.row(
        "burst of a minute, 100 ×: s until all is stored",
        &format!("{:.1}", ended.elapsed().as_secs_f64()),
        &format!("{sent} readings, none lost"),
        "≤ 60",
        "",
    );
    assert_eq!(packdrift.stop(), Some(0));
}
