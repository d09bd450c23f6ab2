//! Are backups whole, damage found, and readings saved from it?

use std::{
    fs,
    os::unix::fs::FileExt,
    path::{Path, PathBuf},
    process::{Command, Output},
    thread,
};

use packdrift::{
    demo::{Kind, Plan, simulate},
    ledger,
    store::{
        self, Lock,
        backup::{CopyError, backup, backup_in, newest_in, restore},
        digest,
        salvage::salvage,
    },
};
use rusqlite::Connection;

use crate::{
    harness::{Packdrift, Publisher, number},
    past,
    scenario::{own_port, reading, setup_with_own_broker},
};

/// A store with a short winter in it, derived, in a file of its own.
fn store_in(folder: &Path) -> PathBuf {
    let path = folder.join("packdrift.sqlite");
    let setup = past::setup();
    let mut connection = store::read_write(&path).unwrap();
    let winter = simulate(&Plan {
        days: 5,
        ..Plan::new(Kind::Sparse, 7)
    });
    past::put(&mut connection, &setup, winter.readings());
    ledger::refresh(&mut connection, &setup).unwrap();
    path
}

fn digest_of(path: &Path) -> digest::ReadingsDigest {
    digest::of_readings(&store::read_only(path).unwrap()).unwrap()
}

fn packdrift(folder: &Path, arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_packdrift"))
        .args(arguments)
        .args(["--config"])
        .arg(folder.join("setup.toml"))
        .output()
        .unwrap()
}

fn said(output: &Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned() + &String::from_utf8_lossy(&output.stderr)
}

#[test]
fn a_backup_has_the_same_readings_and_stands_by_itself() {
    let folder = tempfile::tempdir().unwrap();
    let store = store_in(folder.path());
    let to = folder.path().join("copy.sqlite");
    let copied = backup(&store, &to).unwrap();
    assert_eq!(copied.readings, digest_of(&store));
    assert_eq!(digest_of(&to), digest_of(&store));
    let names: Vec<_> = fs::read_dir(folder.path())
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .filter(|name| name.starts_with("copy"))
        .collect();
    assert_eq!(names, ["copy.sqlite"]);
    assert!(matches!(backup(&store, &to), Err(CopyError::Exists { .. })));
}

#[test]
fn only_so_many_dated_backups_are_kept_none_cut_short_and_nothing_else_is_touched() {
    let folder = tempfile::tempdir().unwrap();
    let store = store_in(folder.path());
    let backups = folder.path().join("backups");
    fs::create_dir(&backups).unwrap();
    for name in [
        "packdrift-2020-01-01T000000Z.sqlite",
        "packdrift-2020-01-02T000000Z.sqlite",
        "packdrift-2020-01-03T000000Z.sqlite",
        "mine.sqlite",
        "mine.sqlite.part",
        // Cut short.
        "packdrift-2020-01-04T000000Z.sqlite.part",
        "packdrift-2020-01-04T000000Z.sqlite.part-wal",
    ] {
        fs::write(backups.join(name), "").unwrap();
    }
    let copied = backup_in(&store, &backups, 2).unwrap();
    let mut names: Vec<_> = fs::read_dir(&backups)
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .collect();
    names.sort();
    let newest = copied.path.file_name().unwrap().to_str().unwrap().to_owned();
    assert_eq!(
        names,
        [
            "mine.sqlite".to_owned(),
            "mine.sqlite.part".to_owned(),
            "packdrift-2020-01-03T000000Z.sqlite".to_owned(),
            newest
        ]
    );
    assert!(newest_in(&backups).unwrap().timestamp() > 1_700_000_000);
}

#[test]
fn a_backup_under_load_ends_and_verifies_and_restores_to_the_last_digit() {
    const READINGS: i64 = 3000;
    let folder = tempfile::tempdir().unwrap();
    fs::write(
        folder.path().join("setup.toml"),
        setup_with_own_broker(folder.path()),
    )
    .unwrap();
    let port = own_port(folder.path());
    let daemon = Packdrift::start(folder.path());
    let loading = thread::spawn(move || {
        let mut publisher = Publisher::connect(port, "instruments").unwrap();
        let messages: Vec<_> = (0..READINGS).map(reading).collect();
        publisher
            .publish_all(
                messages
                    .iter()
                    .map(|(topic, body, ..)| (topic.as_str(), body.clone())),
            )
            .unwrap();
    });
    let mut made = Vec::new();
    while !loading.is_finished() {
        let name = format!("{}/copy-{}.sqlite", folder.path().display(), made.len());
        let output = packdrift(folder.path(), &["backup", &name]);
        assert!(output.status.success(), "{}", said(&output));
        made.push(name);
    }
    loading.join().unwrap();
    assert!(made.len() > 1, "the load was over before the backup was");
    for name in &made {
        let output = packdrift(folder.path(), &["verify", name]);
        assert!(output.status.success(), "{}", said(&output));
    }
    let last = format!("{}/last.sqlite", folder.path().display());
    assert!(packdrift(folder.path(), &["backup", &last]).status.success());
    let refused = packdrift(folder.path(), &["restore", &last]);
    assert!(!refused.status.success());
    assert!(
        said(&refused).contains("is in use by another packdrift"),
        "{}",
        said(&refused)
    );
    let question = "/v1/drift?since=2026-01-01";
    let answered = daemon.get(question);
    assert_eq!(daemon.stop(), Some(0));

    let path = folder.path().join("packdrift.sqlite");
    assert_eq!(digest_of(&path).readings, READINGS.unsigned_abs());
    fs::write(&path, "no database any more").unwrap();
    let restored = packdrift(folder.path(), &["restore", &last]);
    assert!(restored.status.success(), "{}", said(&restored));
    let verified = packdrift(folder.path(), &["verify"]);
    assert!(verified.status.success(), "{}", said(&verified));
    let daemon = Packdrift::start(folder.path());
    assert_eq!(daemon.get(question), answered);
    assert_eq!(daemon.stop(), Some(0));
}

/// The pages of a table, as SQLite has laid them out: leaves only.
fn leaves_of(path: &Path, table: &str) -> Vec<u32> {
    let connection = Connection::open(path).unwrap();
    let page_size: u32 = connection
        .query_row("PRAGMA page_size", [], |row| row.get(0))
        .unwrap();
    assert_eq!(page_size, 4096);
    let root: u32 = connection
        .query_row(
            "SELECT rootpage FROM sqlite_schema WHERE name = ?1",
            [table],
            |row| row.get(0),
        )
        .unwrap();
    drop(connection);
    let file = fs::read(path).unwrap();
    let mut leaves = Vec::new();
    let mut pages = vec![root];
    while let Some(page) = pages.pop() {
        let start = usize::try_from(u64::from(page - 1) * 4096).unwrap();
        let page_bytes = &file[start..start + 4096];
        let two = |at: usize| usize::from(u16::from_be_bytes([page_bytes[at], page_bytes[at + 1]]));
        let four = |at: usize| u32::from_be_bytes(page_bytes[at..at + 4].try_into().unwrap());
        // The format of b-tree pages: sqlite.org/fileformat2.html, section 1.6; 5 and 13 where the key is a whole number.
        match page_bytes[0] {
            2 | 5 => {
                pages.extend((0..two(3)).map(|cell| four(two(12 + 2 * cell))));
                pages.push(four(8));
            }
            10 | 13 => leaves.push(page),
            kind => panic!("page {page} is of kind {kind}"),
        }
    }
    leaves.sort_unstable();
    leaves
}

fn spoil(path: &Path, page: u32) {
    let file = fs::File::options().write(true).open(path).unwrap();
    file.write_all_at(&[0xA5; 4096], u64::from(page - 1) * 4096)
        .unwrap();
}

#[test]
fn a_damaged_page_is_found_refused_and_survived() {
    let folder = tempfile::tempdir().unwrap();
    let path = store_in(folder.path());
    let whole = digest_of(&path);
    let leaves = leaves_of(&path, "reading");
    for page in [leaves[3], leaves[leaves.len() / 2], leaves[leaves.len() / 2 + 9]] {
        spoil(&path, page);
    }

    let refused = backup(&path, &folder.path().join("copy.sqlite")).unwrap_err();
    let CopyError::Damaged { .. } = refused else {
        panic!("{refused:?}")
    };
    assert!(refused.to_string().contains("packdrift salvage"), "{refused}");
    assert!(!folder.path().join("copy.sqlite").exists());
    assert!(!folder.path().join("copy.sqlite.part").exists());

    let saved = salvage(&path, &folder.path().join("saved.sqlite")).unwrap();
    assert!(saved.all_counts_read);
    assert_eq!(
        saved.copied.readings.readings + saved.readings_lost,
        whole.readings
    );
    assert!(saved.readings_lost > 0);
    // Three pages hold far less than this.
    assert!(saved.readings_lost < 3 * 4096 / 10, "{}", saved.readings_lost);
    let of_readings = saved
        .tables
        .iter()
        .find(|table| table.table == "reading")
        .unwrap();
    assert_eq!(of_readings.damaged.len(), 3, "{:?}", of_readings.damaged);

    restore(&saved.copied.path, &path).unwrap();
    let mut connection = store::read_write(&path).unwrap();
    ledger::refresh(&mut connection, &past::setup()).unwrap();
    assert_eq!(digest_of(&path), saved.copied.readings);
}

#[test]
fn a_store_without_its_first_page_is_refused_with_what_to_do() {
    let folder = tempfile::tempdir().unwrap();
    let path = store_in(folder.path());
    spoil(&path, 1);
    let refused = store::read_write(&path).unwrap_err();
    assert!(refused.to_string().contains("packdrift restore"), "{refused}");
    assert!(salvage(&path, &folder.path().join("saved.sqlite")).is_err());
}

#[test]
fn a_ledger_that_does_not_follow_from_the_readings_is_told() {
    let folder = tempfile::tempdir().unwrap();
    fs::write(
        folder.path().join("setup.toml"),
        fs::read_to_string(format!("{}/demo-data/skerry.toml", env!("CARGO_MANIFEST_DIR"))).unwrap(),
    )
    .unwrap();
    let path = store_in(folder.path());
    let path = path.to_str().unwrap();
    let verified = packdrift(folder.path(), &["verify", path]);
    assert!(verified.status.success(), "{}", said(&verified));
    Connection::open(path)
        .unwrap()
        .execute(
            "UPDATE hour SET charged = charged + 1 WHERE hour = (SELECT max(hour) FROM hour)",
            [],
        )
        .unwrap();
    let refused = packdrift(folder.path(), &["verify", path]);
    assert!(!refused.status.success());
    assert!(said(&refused).contains("hour"), "{}", said(&refused));
}

#[test]
fn a_restore_keeps_what_the_old_log_held() {
    let folder = tempfile::tempdir().unwrap();
    let path = store_in(folder.path());
    let copy = folder.path().join("copy.sqlite");
    backup(&path, &copy).unwrap();
    // A further reading that stands only in the log, as after a kill.
    let connection = store::read_write(&path).unwrap();
    connection
        .execute("INSERT INTO reading (key, current) VALUES (1 * 4096 + 1, 5)", [])
        .unwrap();
    let folder_of_dead = tempfile::tempdir().unwrap();
    for ending in ["", "-wal"] {
        fs::copy(
            format!("{}{ending}", path.display()),
            folder_of_dead.path().join(format!("packdrift.sqlite{ending}")),
        )
        .unwrap();
    }
    let dead = folder_of_dead.path().join("packdrift.sqlite");
    let (copied, aside) = restore(&copy, &dead).unwrap();
    assert_eq!(digest_of(&dead), copied.readings);
    assert_eq!(digest_of(&aside.unwrap()).readings, copied.readings.readings + 1);
    let lock = Lock::take(&dead).unwrap();
    assert!(matches!(restore(&copy, &dead), Err(CopyError::Open(_))));
    drop(lock);
    assert_eq!(
        number(
            folder_of_dead.path(),
            "SELECT count(*) FROM reading WHERE at_ms = 1"
        ),
        0
    );
}
