//! What becomes of a command whose words can't be printed?

use std::{
    fs::{self, File},
    os::unix::fs::symlink,
    process::{Command, Output, Stdio},
};

use crate::export::place;

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
