//! The store: killed while it is rebuilt, copied or upgraded; held by somebody else; on a full disk; with little
//! memory.

use std::{
    fs,
    path::{Path, PathBuf},
    process::{Command, Stdio},
    thread::sleep,
    time::{Duration, Instant},
};

use packdrift::{
    demo::{Kind, Plan, simulate},
    ledger,
    store::{self, digest},
};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rusqlite::Connection;

use crate::{
    Arguments, Outcome,
    broker::ENDLESS,
    harness::{Packdrift, program},
    load::{Load, judge, until},
    past,
    scenario::{own_port, setup_with_own_broker},
};

/// Kills in each of the rows that kill a command.
const KILLS: u32 = 30;

/// A folder with a setup and a store that holds forty days.
fn forty_days(folder: &Path) -> PathBuf {
    fs::write(folder.join("setup.toml"), setup_with_own_broker(folder)).unwrap();
    let path = folder.join("packdrift.sqlite");
    let setup = past::setup();
    let mut connection = store::read_write(&path).unwrap();
    let winter = simulate(&Plan {
        days: 40,
        ..Plan::new(Kind::Sparse, 5)
    });
    past::put(&mut connection, &setup, winter.readings());
    ledger::refresh(&mut connection, &setup).unwrap();
    path
}

fn command(folder: &Path, arguments: &[&str]) -> Command {
    let mut command = Command::new(program());
    command
        .args(arguments)
        .arg("--config")
        .arg(folder.join("setup.toml"))
        .stdout(Stdio::null())
        .stderr(Stdio::null());
    command
}

/// Runs it once to the end, then as often as [`KILLS`] until killed at a random moment of that time.
fn killed(folder: &Path, arguments: &[&str], mut after: impl FnMut()) -> (Duration, u32) {
    let begun = Instant::now();
    assert!(command(folder, arguments).status().unwrap().success());
    let lasts = begun.elapsed();
    after();
    let mut random = ChaCha8Rng::seed_from_u64(4);
    let mut cut_short = 0;
    for _ in 0..KILLS {
        let mut child = command(folder, arguments).spawn().unwrap();
        sleep(lasts.mul_f64(random.random_range(0.0..1.0)));
        child.kill().unwrap();
        cut_short += u32::from(!child.wait().unwrap().success());
        after();
    }
    (lasts, cut_short)
}

fn digest_of(path: &Path) -> digest::ReadingsDigest {
    digest::of_readings(&store::read_only(path).unwrap()).unwrap()
}

fn drift(folder: &Path) -> serde_json::Value {
    let packdrift = Packdrift::start(folder);
    let mut drift = packdrift.get("/v1/drift?since=2025-11-05").1;
    assert_eq!(packdrift.stop(), Some(0));
    // The digest of the setup file, which has another port each time.
    drift["setup"].take();
    drift
}

/// Whether readings are the same, the answer too, and SQLite finds nothing wrong.
fn unharmed(folder: &Path, before: &(digest::ReadingsDigest, serde_json::Value), remark: &str) -> Outcome {
    let path = folder.join("packdrift.sqlite");
    let mended = Instant::now();
    let answers_same = drift(folder) == before.1;
    let seconds = mended.elapsed().as_secs_f64();
    let complaints = store::soundness::complaints(&store::read_only(&path).unwrap()).unwrap();
    let after = digest_of(&path);
    Outcome {
        lost: usize::from(after != before.0),
        doubled: 0,
        by_itself: answers_same && complaints.is_empty(),
        measured: false,
        seconds,
        remark: format!("{} readings; {remark}", after.readings),
    }
}

pub fn killed_in_rebuild(_: &Arguments) -> Outcome {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let path = forty_days(folder);
    let before = (digest_of(&path), drift(folder));
    let (lasts, cut_short) = killed(folder, &["rebuild"], || {});
    unharmed(
        folder,
        &before,
        &format!(
            "{cut_short} kills in a rebuild of {:.1} s; then the same digest and answer",
            lasts.as_secs_f64()
        ),
    )
}

pub fn killed_in_backup(_: &Arguments) -> Outcome {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let path = forty_days(folder);
    let before = (digest_of(&path), drift(folder));
    let to = folder.join("copy.sqlite");
    let name = to.display().to_string();
    let mut whole = 0;
    let (lasts, cut_short) = killed(folder, &["backup", &name], || {
        // What has the name is whole, whenever it was cut short.
        if to.exists() {
            assert_eq!(digest_of(&to), before.0, "a backup that isn't whole");
            whole += 1;
            fs::remove_file(&to).unwrap();
        }
    });
    let remark = format!(
        "{cut_short} kills in a backup of {:.1} s; {whole} got their name, all whole",
        lasts.as_secs_f64()
    );
    unharmed(folder, &before, &remark)
}

/// The schema of the first packdrift.
const FIRST: &str = include_str!("../../migrations/01_readings.sql");

pub fn killed_in_migration(_: &Arguments) -> Outcome {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let new = forty_days(folder);
    let before = (digest_of(&new), drift(folder));
    // The same readings in a file as the first packdrift wrote it.
    let old = folder.join("old.sqlite");
    let connection = Connection::open(&old).unwrap();
    connection.execute_batch("PRAGMA journal_mode = WAL").unwrap();
    connection.execute_batch(FIRST).unwrap();
    connection.pragma_update(None, "user_version", 1).unwrap();
    connection
        .execute("ATTACH ?1 AS new", [new.display().to_string()])
        .unwrap();
    let tables: Vec<String> = connection
        .prepare(
            "SELECT name FROM main.sqlite_schema WHERE type = 'table' AND name IN ('instrument', 'reading')",
        )
        .unwrap()
        .query_map([], |row| row.get(0))
        .unwrap()
        .collect::<rusqlite::Result<_>>()
        .unwrap();
    assert_eq!(tables.len(), 2, "the first schema has them");
    for table in ["instrument", "reading"] {
        let columns: Vec<String> = connection
            .prepare(&format!("SELECT name FROM pragma_table_info('{table}', 'main')"))
            .unwrap()
            .query_map([], |row| row.get(0))
            .unwrap()
            .collect::<rusqlite::Result<_>>()
            .unwrap();
        let columns = columns.join(", ");
        connection
            .execute_batch(&format!(
                "INSERT INTO main.{table} ({columns}) SELECT {columns} FROM new.{table}"
            ))
            .unwrap();
    }
    drop(connection);
    let old_again = |folder: &Path| {
        for ending in ["", "-wal", "-shm"] {
            // Mostly there is only the first.
            let _ = fs::remove_file(folder.join(format!("packdrift.sqlite{ending}")));
        }
        fs::copy(&old, folder.join("packdrift.sqlite")).unwrap();
    };
    old_again(folder);
    let begun = Instant::now();
    drop(Packdrift::start(folder));
    let lasts = begun.elapsed();
    let mut random = ChaCha8Rng::seed_from_u64(6);
    old_again(folder);
    for kill in 0..KILLS {
        if kill % 5 == 0 {
            old_again(folder);
        }
        let mut child = command(folder, &["serve"]).spawn().unwrap();
        sleep(lasts.mul_f64(random.random_range(0.0..1.0)));
        child.kill().unwrap();
        child.wait().unwrap();
    }
    unharmed(
        folder,
        &before,
        &format!(
            "{KILLS} kills of a first start after an upgrade, which takes {:.1} s",
            lasts.as_secs_f64()
        ),
    )
}

pub fn locked(arguments: &Arguments) -> Outcome {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    fs::write(folder.join("setup.toml"), setup_with_own_broker(folder)).unwrap();
    let packdrift = Packdrift::start(folder);
    let load = Load::start(own_port(folder), 200, ENDLESS);
    load.flows();
    let other = Connection::open(folder.join("packdrift.sqlite")).unwrap();
    until("another program has it", 30, || {
        other.execute_batch("BEGIN IMMEDIATE").is_ok()
    });
    sleep(Duration::from_secs(arguments.locked_s));
    let (status, health) = packdrift.get("/v1/health");
    other.execute_batch("COMMIT").unwrap();
    let mended = Instant::now();
    load.flows();
    let because = health["store"]["commits_fail_because"].clone();
    judge(
        folder,
        load.end(),
        mended,
        format!("held for {} s; health {status}, {because}", arguments.locked_s),
    )
}

/// A small disk of this row's own, taken away at its end.
struct Disk(PathBuf);

impl Disk {
    fn mount(path: &Path) -> Self {
        let mounted = Command::new("mount")
            .args(["-t", "tmpfs", "-o", "size=4m", "tmpfs"])
            .arg(path)
            .status();
        assert!(
            mounted.is_ok_and(|status| status.success()),
            "no disk can be mounted here"
        );
        Self(path.to_owned())
    }
}

impl Drop for Disk {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg("-l").arg(&self.0).status();
    }
}

pub fn disk_full(_: &Arguments) -> Outcome {
    let folder = tempfile::tempdir().unwrap();
    let disk = Disk::mount(folder.path());
    let folder = folder.path();
    let elsewhere = tempfile::tempdir().unwrap();
    std::os::unix::fs::symlink(elsewhere.path().join("log"), folder.join("packdrift.log")).unwrap();
    fs::write(folder.join("setup.toml"), setup_with_own_broker(folder)).unwrap();
    let packdrift = Packdrift::start(folder);
    let load = Load::start(own_port(folder), 500, ENDLESS);
    load.flows();
    // A write that finds no room writes what fits.
    let _ = fs::write(disk.0.join("filler"), vec![0; 5_000_000]);
    until("health says why", 30, || {
        packdrift.get("/v1/health").1["store"]["commits_fail_because"] == "disk_full"
    });
    sleep(Duration::from_secs(60));
    let status = packdrift.get("/v1/health").0;
    fs::remove_file(disk.0.join("filler")).unwrap();
    let mended = Instant::now();
    load.flows();
    judge(folder, load.end(), mended, format!("health {status} meanwhile"))
}

/// A group of processes that gets so much memory, the pages of files it reads included.
struct Limit(PathBuf);

impl Limit {
    fn of(bytes: u64) -> Self {
        let group = PathBuf::from(format!("/sys/fs/cgroup/memory/packdrift-{}", std::process::id()));
        let limited = fs::create_dir(&group)
            .and_then(|()| fs::write(group.join("memory.limit_in_bytes"), bytes.to_string()));
        if let Err(error) = limited {
            panic!("no memory limit can be set here: {error}");
        }
        Self(group)
    }

    fn read(&self, file: &str) -> String {
        fs::read_to_string(self.0.join(file)).unwrap().trim().to_owned()
    }
}

impl Drop for Limit {
    fn drop(&mut self) {
        let _ = fs::remove_dir(&self.0);
    }
}

pub fn little_memory(_: &Arguments) -> Outcome {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    forty_days(folder);
    let limit = Limit::of(64 << 20);
    let mut shell = Command::new("sh");
    shell
        .args(["-c", "echo $$ > \"$0\"; exec \"$@\""])
        .arg(limit.0.join("cgroup.procs"))
        .arg(program());
    let packdrift = Packdrift::start_by(folder, shell);
    // Six instruments every second are 6/s.
    let load = Load::start(own_port(folder), 600, 36_000);
    let begun = Instant::now();
    while begun.elapsed() < Duration::from_secs(62) {
        // Somebody looks meanwhile.
        packdrift.get("/v1/drift");
        packdrift.get("/v1/drift/series?step=PT6H");
        sleep(Duration::from_secs(2));
    }
    let sent = load.done();
    let mended = Instant::now();
    let peak: u64 = limit.read("memory.max_usage_in_bytes").parse().unwrap();
    let stopped = limit.read("memory.failcnt");
    let resident = packdrift.peak_kib();
    let path = folder.join("packdrift.sqlite");
    let outcome = judge_of(&path, sent, mended);
    drop(packdrift);
    Outcome {
        remark: format!(
            "{sent} readings onto forty days, asked every 2 s; resident at most {} MiB, with files {} MiB, held back {stopped} times",
            resident / 1024,
            peak >> 20
        ),
        ..outcome
    }
}

/// As [`judge`], where other readings are in the store too: those of this load are told by their time.
fn judge_of(path: &Path, sent: i64, mended: Instant) -> Outcome {
    let count = || -> i64 {
        let sql = "SELECT count(*) FROM reading WHERE at_ms BETWEEN ?1 AND ?2 AND voltage = 53200";
        let (.., first) = crate::scenario::reading(0);
        let (.., last) = crate::scenario::reading(sent - 1);
        store::read_only(path)
            .unwrap()
            .query_row(sql, [first, last], |row| row.get(0))
            .unwrap()
    };
    until("all is stored", 60, || count() >= sent);
    Outcome {
        lost: 0,
        doubled: usize::try_from(count() - sent).unwrap(),
        by_itself: true,
        measured: false,
        seconds: mended.elapsed().as_secs_f64(),
        remark: String::new(),
    }
}
