//! What a process has used so far, as the kernel counts it.

use std::{fs, process::Child};

/// The kernel tells times to programs in ticks of this many a second (`USER_HZ`), on every usual machine.
const TICKS_PER_S: f64 = 100.0;

/// Seconds of processor time, its own and the kernel's for it.
pub fn cpu_s(child: &Child) -> f64 {
    let stat = fs::read_to_string(format!("/proc/{}/stat", child.id())).unwrap();
    // The name stands in brackets and may hold blanks; times are fields 14 and 15, see proc(5).
    let fields: Vec<&str> = stat[stat.rfind(')').unwrap() + 2..].split(' ').collect();
    let ticks = |field: usize| fields[field - 3].parse::<f64>().unwrap();
    (ticks(14) + ticks(15)) / TICKS_PER_S
}

/// Bytes that were handed to `write` and its like.
pub fn written_bytes(child: &Child) -> f64 {
    field(child, "io", "wchar:")
}

/// The most memory that was resident so far, MiB; nothing once it has ended.
pub fn peak_mib(child: &Child) -> Option<f64> {
    let status = fs::read_to_string(format!("/proc/{}/status", child.id())).ok()?;
    let line = status.lines().find(|line| line.starts_with("VmHWM"))?;
    line.split_whitespace()
        .nth(1)?
        .parse::<f64>()
        .ok()
        .map(|kib| kib / 1024.0)
}

/// Memory resident now, MiB.
pub fn resident_mib(child: &Child) -> f64 {
    field(child, "status", "VmRSS:") / 1024.0
}

fn field(child: &Child, file: &str, name: &str) -> f64 {
    let text = fs::read_to_string(format!("/proc/{}/{file}", child.id())).unwrap();
    let line = text.lines().find(|line| line.starts_with(name)).unwrap();
    line.split_whitespace().nth(1).unwrap().parse().unwrap()
}
