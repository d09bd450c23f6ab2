//! What becomes of a command whose words can't be printed, of one whose person may not touch the store, and of one whose
//! store is of a later packdrift?

use std::{
    fs::{self, File, Permissions},
    os::unix::{
        fs::{MetadataExt, PermissionsExt, symlink},
        process::CommandExt,
    },
    path::Path,
    process::{Command, Output, Stdio},
};

use crate::{
    export::place,
    harness::{Packdrift, free_port},
};

fn packdrift(words: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_packdrift"));
    command.args(words);
    command
}

fn told(output: &Output) -> String {
    String::from_utf8(output.stderr.clone()).unwrap()
}

#[test]
fn a_reader_who_stops_early_is_no_failure() {
    let folder = place(1);
    for words in [
        &["check"][..],
        &["drift"],
        &["completions", "bash"],
        &["export", "dictionary"],
        &["export", "readings"],
    ] {
        let mut child = packdrift(words)
            .current_dir(folder.path())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        drop(child.stdout.take());
        let output = child.wait_with_output().unwrap();
        assert!(output.status.success(), "{words:?}: {}", told(&output));
        assert_eq!(told(&output), "", "{words:?}");
    }
}

#[cfg(target_os = "linux")]
#[test]
fn a_full_disk_is_told_in_words() {
    let folder = place(0);
    let output = packdrift(&["check"])
        .current_dir(folder.path())
        .stdout(File::options().write(true).open("/dev/full").unwrap())
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(1));
    let told = told(&output);
    assert!(
        told.contains("standard output can't be written") && told.lines().count() == 2,
        "{told}"
    );
}

#[test]
fn an_export_to_what_is_no_file_leaves_it_what_it_is() {
    let folder = place(1);
    let (link, file) = (folder.path().join("link"), folder.path().join("file"));
    symlink(&file, &link).unwrap();
    let output = packdrift(&["export", "-o", "link"])
        .current_dir(folder.path())
        .output()
        .unwrap();
    assert!(output.status.success(), "{}", told(&output));
    assert!(fs::symlink_metadata(&link).unwrap().is_symlink());
    assert!(fs::read_to_string(&file).unwrap().starts_with("at,"));
}

#[test]
fn who_may_not_write_the_store_may_still_ask_its_daemon() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let root = fs::metadata(folder).unwrap().uid() == 0;
    let may = |mode| Permissions::from_mode(mode);
    fs::set_permissions(folder, may(0o755)).unwrap();
    let setup = fs::read_to_string(format!("{}/demo-data/skerry.toml", env!("CARGO_MANIFEST_DIR"))).unwrap();
    let listens = format!(
        "[api]\nlisten = \"127.0.0.1:{}\"\n[broker]\nlisten = \"127.0.0.1:{}\"\n",
        free_port(),
        free_port()
    );
    fs::write(folder.join("setup.toml"), format!("{listens}{setup}")).unwrap();
    let daemon = Packdrift::start(folder);
    let lock = folder.join("packdrift.sqlite.lock");
    fs::set_permissions(&lock, may(0o444)).unwrap();
    let ask = || {
        let mut command = packdrift(&["health"]);
        if root {
            command.uid(65534).gid(65534);
        }
        command.current_dir(folder).output().unwrap()
    };
    let asked = ask();
    assert!(asked.status.success(), "{}", told(&asked));

    // The folder of a service that is its own: whether a store is in it, nobody else can see.
    if root {
        let (kept, shown) = (
            folder.join("kept"),
            format!("{listens}[store]\npath = \"kept/packdrift.sqlite\"\n"),
        );
        fs::create_dir(&kept).unwrap();
        fs::set_permissions(&kept, may(0o700)).unwrap();
        let setup = setup.replace("[store]\npath = \"packdrift.sqlite\"\n", "");
        fs::write(folder.join("setup.toml"), format!("{shown}{setup}")).unwrap();
        let asked = ask();
        assert!(asked.status.success(), "{}", told(&asked));
    }

    assert_eq!(daemon.stop(), Some(0));
    let asked = ask();
    assert!(!asked.status.success());
    assert!(!told(&asked).contains("no store"), "{}", told(&asked));
}

#[test]
fn a_store_of_a_later_packdrift_is_refused_by_every_command() {
    let later = place(1);
    let store = later.path().join("packdrift.sqlite");
    let connection = rusqlite::Connection::open(&store).unwrap();
    connection.pragma_update(None, "user_version", 99).unwrap();
    drop(connection);
    let refused = |folder: &Path, words: &[&str]| {
        let output = packdrift(words).current_dir(folder).output().unwrap();
        let told = told(&output);
        assert_eq!(output.status.code(), Some(1), "{words:?}: {told}");
        assert!(
            told.contains("has schema 99, this packdrift knows up to"),
            "{words:?}: {told}"
        );
    };
    for words in [
        &["serve"][..],
        &["check"],
        &["drift"],
        &["verify"],
        &["backup", "copy.sqlite"],
        &["salvage", "packdrift.sqlite", "saved.sqlite"],
        &["export", "readings"],
        &["export", "hours"],
        &["export", "battery-data", "-o", "packs"],
    ] {
        refused(later.path(), words);
    }
    let left: Vec<_> = fs::read_dir(later.path())
        .unwrap()
        .map(|entry| entry.unwrap().file_name())
        .filter(|name| !name.to_string_lossy().starts_with("packdrift.sqlite") && name != "setup.toml")
        .filter(|name| name != "packs")
        .collect();
    assert!(left.is_empty(), "{left:?}");
    let here = place(1);
    for words in [
        ["import", store.to_str().unwrap()],
        ["restore", store.to_str().unwrap()],
    ] {
        refused(here.path(), &words);
    }
}
