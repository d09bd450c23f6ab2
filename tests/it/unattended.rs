//! Does the daemon get through a full disk, a locked database and a stop at any moment by itself, and say so?

use std::{
    fs,
    os::unix::net::UnixDatagram,
    path::{Path, PathBuf},
    process::Command,
    sync::{
        Arc,
        atomic::{AtomicBool, AtomicI64, Ordering},
    },
    thread::{self, JoinHandle},
    time::{Duration, Instant},
};

use packdrift::store::{self, backup::newest_in};
use serde_json::json;

use crate::{
    harness::{Packdrift, Publisher, eventually, number},
    scenario::{own_port, reading, setup_with_own_broker},
};

const PATIENCE: Duration = Duration::from_secs(20);

/// Publishes one reading after the other and counts those acknowledged, until told to stop.
struct Load {
    acknowledged: Arc<AtomicI64>,
    stop: Arc<AtomicBool>,
    thread: JoinHandle<()>,
}

impl Load {
    fn start(port: u16) -> Self {
        let acknowledged = Arc::new(AtomicI64::new(0));
        let stop = Arc::new(AtomicBool::new(false));
        let thread = thread::spawn({
            let (acknowledged, stop) = (acknowledged.clone(), stop.clone());
            move || {
                let mut publisher = Publisher::connect(port, "instruments").unwrap();
                while !stop.load(Ordering::SeqCst) {
                    let n = acknowledged.load(Ordering::SeqCst);
                    let (topic, body, ..) = reading(n);
                    if publisher.publish(&topic, &body).is_err() {
                        return;
                    }
                    acknowledged.store(n + 1, Ordering::SeqCst);
                }
            }
        });
        Self {
            acknowledged,
            stop,
            thread,
        }
    }

    fn acknowledged(&self) -> i64 {
        self.acknowledged.load(Ordering::SeqCst)
    }

    /// Waits until further readings are acknowledged.
    fn flows(&self) {
        let before = self.acknowledged();
        eventually("readings are acknowledged", PATIENCE, || {
            self.acknowledged() > before + 20
        });
    }

    /// Gives how many were acknowledged.
    fn end(self) -> i64 {
        self.stop.store(true, Ordering::SeqCst);
        self.thread.join().unwrap();
        self.acknowledged.load(Ordering::SeqCst)
    }
}

/// Everything acknowledged is in the store, in order; at most the one under way besides.
fn assert_kept(folder: &Path, acknowledged: i64) {
    let stored = number(folder, "SELECT count(*) FROM reading");
    assert!(
        (acknowledged..=acknowledged + 1).contains(&stored),
        "{acknowledged} acknowledged, {stored} stored"
    );
    let (.., last_ms) = reading(acknowledged - 1);
    assert!(number(folder, "SELECT max(at_ms) FROM reading") >= last_ms);
}

fn failing(daemon: &Packdrift, because: &str) -> bool {
    let (status, health) = daemon.get("/v1/health");
    status == 503 && health["store"]["commits_fail_because"] == because
}

fn well(daemon: &Packdrift) -> bool {
    daemon.get("/v1/health").0 == 200
}

fn told(folder: &Path, what: &str) -> usize {
    let log = fs::read_to_string(folder.join("packdrift.log")).unwrap();
    log.lines().filter(|line| line.contains(what)).count()
}

/// A small disk of the test's own, with room for the write-ahead log, which grows to 4 MiB before it is folded back.
struct Disk(PathBuf);

impl Disk {
    /// Nothing where this system lets the test mount none.
    fn mount(path: &Path) -> Option<Self> {
        let mounted = Command::new("mount")
            .args(["-t", "tmpfs", "-o", "size=16m", "tmpfs"])
            .arg(path)
            .output();
        let mounted = mounted.is_ok_and(|mounted| mounted.status.success());
        mounted.then(|| Self(path.to_owned()))
    }

    fn fill(&self) {
        // A write that finds no room writes what fits.
        let _ = fs::write(self.0.join("filler"), vec![0; 20_000_000]);
    }

    fn make_room(&self) {
        fs::remove_file(self.0.join("filler")).unwrap();
    }
}

impl Drop for Disk {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg("-l").arg(&self.0).status();
    }
}

#[test]
fn a_full_disk_stops_acknowledgements_and_nothing_else() {
    let folder = tempfile::tempdir().unwrap();
    let Some(disk) = Disk::mount(folder.path()) else {
        eprintln!("no small disk can be mounted here: a full one is not tested");
        return;
    };
    let folder = folder.path();
    // The log is on another disk, so that it can tell.
    let elsewhere = tempfile::tempdir().unwrap();
    std::os::unix::fs::symlink(elsewhere.path().join("log"), folder.join("packdrift.log")).unwrap();
    fs::write(folder.join("setup.toml"), setup_with_own_broker(folder)).unwrap();
    let daemon = Packdrift::start(folder);
    let load = Load::start(own_port(folder));
    load.flows();

    for _ in 0..2 {
        disk.fill();
        eventually("health says why", PATIENCE, || failing(&daemon, "disk_full"));
        let before = load.acknowledged();
        thread::sleep(Duration::from_secs(2));
        assert_eq!(load.acknowledged(), before, "acknowledged without a commit");
        disk.make_room();
        eventually("it goes on by itself", PATIENCE, || well(&daemon));
        load.flows();
    }
    // Twice in trouble, twice told.
    assert_eq!(told(folder, "can't be committed"), 2);
    assert_eq!(told(folder, "commits succeed again"), 2);

    // A stop with a full disk is none the slower, and drops nothing that was acknowledged.
    disk.fill();
    eventually("health says why", PATIENCE, || failing(&daemon, "disk_full"));
    let begun = Instant::now();
    assert_eq!(daemon.stop(), Some(0));
    assert!(begun.elapsed() < Duration::from_secs(5), "{:?}", begun.elapsed());
    let acknowledged = load.end();
    disk.make_room();
    drop(Packdrift::start(folder));
    assert_kept(folder, acknowledged);
}

#[test]
fn a_database_that_another_program_holds_is_waited_for() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    fs::write(folder.join("setup.toml"), setup_with_own_broker(folder)).unwrap();
    let daemon = Packdrift::start(folder);
    let load = Load::start(own_port(folder));
    load.flows();
    let other = rusqlite::Connection::open(folder.join("packdrift.sqlite")).unwrap();
    eventually("another program has it", PATIENCE, || {
        other.execute_batch("BEGIN IMMEDIATE").is_ok()
    });
    eventually("health says why", PATIENCE, || failing(&daemon, "locked"));
    other.execute_batch("COMMIT").unwrap();
    eventually("it goes on by itself", PATIENCE, || well(&daemon));
    load.flows();
    let acknowledged = load.end();
    assert_eq!(daemon.stop(), Some(0));
    assert_kept(folder, acknowledged);
    assert_eq!(told(folder, "can't be committed"), 1);
}

#[test]
fn while_readings_wait_to_be_counted_there_is_no_answer() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    fs::write(folder.join("setup.toml"), setup_with_own_broker(folder)).unwrap();
    let daemon = Packdrift::start(folder);
    let other = rusqlite::Connection::open(folder.join("packdrift.sqlite")).unwrap();
    // Another program takes the store just after something was written, when these hours are not counted yet.
    let held_with = |hours: &str| {
        let note =
            json!({"at": "2025-11-03T09:00:00Z", "pack": "tern", "kind": "observation", "text": "cold"});
        assert_eq!(daemon.post("/v1/notes", &note).0, 201);
        let stale = format!(
            "INSERT INTO stale_hour SELECT hour.value, (SELECT min(id) FROM instrument) \
                             FROM json_each('{hours}') AS hour; BEGIN IMMEDIATE"
        );
        eventually("another program has it", PATIENCE, || {
            other.execute_batch(&stale).is_ok()
        });
        let answer = daemon.get("/v1/drift");
        other.execute_batch("COMMIT").unwrap();
        answer
    };
    // What has just come is all that an answer lacks: it stands.
    assert_eq!(held_with("[500000]").0, 200);
    assert_eq!(daemon.get("/v1/drift").0, 200);
    // Two hours that nobody has counted are too much to lack.
    let (status, problem) = held_with("[499000, 500000]");
    assert_eq!((status, &problem["title"]), (503, &"Not counted yet".into()));
    assert_eq!(daemon.get("/v1/drift").0, 200);
}

#[test]
fn a_stop_under_load_is_quick_and_leaves_one_whole_file() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    fs::write(folder.join("setup.toml"), setup_with_own_broker(folder)).unwrap();
    let daemon = Packdrift::start(folder);
    let load = Load::start(own_port(folder));
    load.flows();
    // Somebody who asked half a question and went to sleep must not hold it up.
    let mut asleep = std::net::TcpStream::connect(daemon.address().unwrap()).unwrap();
    std::io::Write::write_all(&mut asleep, b"GET /v1/health HTTP/1.1\r\nHo").unwrap();
    let begun = Instant::now();
    assert_eq!(daemon.stop(), Some(0));
    assert!(begun.elapsed() < Duration::from_secs(5), "{:?}", begun.elapsed());
    let acknowledged = load.end();
    assert!(
        !folder.join("packdrift.sqlite-wal").exists(),
        "the log was not folded in"
    );
    assert_kept(folder, acknowledged);
}

#[test]
fn the_service_manager_hears_of_the_start_of_life_and_of_the_stop() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    fs::write(folder.join("setup.toml"), setup_with_own_broker(folder)).unwrap();
    let socket = UnixDatagram::bind(folder.join("notify")).unwrap();
    socket.set_read_timeout(Some(PATIENCE)).unwrap();
    let hear = || {
        let mut words = [0; 100];
        let length = socket.recv(&mut words).unwrap();
        String::from_utf8_lossy(&words[..length]).into_owned()
    };
    let mut command = Command::new(env!("CARGO_BIN_EXE_packdrift"));
    command
        .env("NOTIFY_SOCKET", folder.join("notify"))
        .env("WATCHDOG_USEC", "200000");
    let daemon = Packdrift::start_by(folder, command);
    assert_eq!(hear(), "READY=1");
    assert_eq!([hear(), hear()], ["WATCHDOG=1", "WATCHDOG=1"]);
    assert_eq!(daemon.stop(), Some(0));
    let last = std::iter::repeat_with(hear).find(|words| words != "WATCHDOG=1");
    assert_eq!(last.as_deref(), Some("STOPPING=1"));
}

#[test]
fn backups_are_made_as_the_setup_file_says_and_their_failure_is_told_once() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let setup =
        setup_with_own_broker(folder) + "\n[backup]\nfolder = \"backups\"\nevery = \"1s\"\nkeep = 2\n";
    fs::write(folder.join("setup.toml"), setup).unwrap();
    let daemon = Packdrift::start(folder);
    let backups = folder.join("backups");
    let health = || daemon.get("/v1/health").1["backups"].clone();
    eventually("a backup is made", PATIENCE, || newest_in(&backups).is_some());
    eventually("health knows it", PATIENCE, || health()["last"].is_string());
    let count = || fs::read_dir(&backups).unwrap().count();
    thread::sleep(Duration::from_secs(4));
    // The third is there while the first is still going.
    assert!((2..=4).contains(&count()), "{}", count());

    // One may just be on its way into it.
    eventually("the folder is gone", PATIENCE, || {
        fs::remove_dir_all(&backups).is_ok()
    });
    fs::write(&backups, "no folder").unwrap();
    eventually("health knows that too", PATIENCE, || {
        health()["fail_because"].is_string()
    });
    thread::sleep(Duration::from_secs(3));
    assert_eq!(told(folder, "no backup could be made"), 1);
    fs::remove_file(&backups).unwrap();
    eventually("it goes on by itself", PATIENCE, || {
        health()["fail_because"].is_null()
    });
    assert_eq!(daemon.stop(), Some(0));
    let (_, newest) = fs::read_dir(&backups)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .map(|path| (path.metadata().unwrap().modified().unwrap(), path))
        .max()
        .unwrap();
    store::read_only(&newest).unwrap();
}

#[test]
fn the_log_can_be_read_by_programs_with_every_cause() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let setup = setup_with_own_broker(folder) + "\n[backup]\nfolder = \"setup.toml/backups\"\n";
    fs::write(folder.join("setup.toml"), setup).unwrap();
    let log = fs::File::create(folder.join("log")).unwrap();
    let mut child = Command::new(env!("CARGO_BIN_EXE_packdrift"))
        .args(["serve", "--log-format", "json", "--config"])
        .arg(folder.join("setup.toml"))
        .stderr(log)
        .spawn()
        .unwrap();
    let lines = || -> Vec<serde_json::Value> {
        let log = fs::read_to_string(folder.join("log")).unwrap();
        log.lines()
            .map(|line| serde_json::from_str(line).unwrap())
            .collect()
    };
    eventually("an error is told, and that it is ready", PATIENCE, || {
        let lines = lines();
        let told = |field: &str, word: &str| lines.iter().any(|line| line[field] == word);
        told("level", "ERROR") && told("message", "packdrift is ready")
    });
    child.kill().unwrap();
    child.wait().unwrap();
    let lines = lines();
    let error = lines.iter().find(|line| line["level"] == "ERROR").unwrap();
    assert_eq!(error["error"].as_array().unwrap().len(), 2, "{error}");
}

#[test]
fn the_unit_file_gives_the_daemon_little_to_reach() {
    let unit = format!("{}/deploy/packdrift.service", env!("CARGO_MANIFEST_DIR"));
    // Its exposure is told from 0 to 10, here in tenths.
    let analysed = Command::new("systemd-analyze")
        .args([
            "security",
            "--offline=true",
            "--no-pager",
            "--threshold=20",
            &unit,
        ])
        .output();
    let Ok(analysed) = analysed else {
        eprintln!("no systemd here: the unit file is not looked at");
        return;
    };
    let told =
        String::from_utf8_lossy(&analysed.stdout).into_owned() + &String::from_utf8_lossy(&analysed.stderr);
    assert!(analysed.status.success(), "{told}");
}
