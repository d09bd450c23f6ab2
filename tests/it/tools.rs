//! Reference tools in Python: other people's parsers and validators, in an environment that `tests/run` makes.

use std::{
    io::Write,
    path::{Path, PathBuf},
    process::{Command, Stdio},
};

/// A program of that environment.
pub fn tool(name: &str) -> PathBuf {
    let path = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("target/tools/bin")
        .join(name);
    assert!(
        path.exists(),
        "{} is missing; tests/run installs it",
        path.display()
    );
    path
}

/// Runs a script on `input` and gives its output; what it complains of fails the test.
pub fn python(script: &str, input: &str) -> String {
    let mut child = Command::new(tool("python"))
        .args(["-c", script])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut to = child.stdin.take().unwrap();
    let input = input.to_owned();
    let feed = std::thread::spawn(move || to.write_all(input.as_bytes()));
    let output = child.wait_with_output().unwrap();
    // A script that fails may not read all of it; what it says then counts.
    let _ = feed.join();
    let told = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.success(), "{told}");
    String::from_utf8(output.stdout).unwrap()
}
