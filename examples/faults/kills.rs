//! The daemon killed with -9 at random moments.

use std::{
    fs,
    path::Path,
    thread::sleep,
    time::{Duration, Instant},
};

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::{
    Arguments, Outcome,
    broker::beside_mosquitto,
    harness::{Packdrift, number},
    load::{Load, judge},
    scenario::{SEVERAL, own_port, setup_with_own_broker},
};

pub fn under_mosquitto(arguments: &Arguments) -> Outcome {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let (mosquitto, packdrift) = beside_mosquitto(folder);
    packdrift.kill();
    let load = Load::start_wide(mosquitto.port, arguments.readings);
    let missing = || number(folder, "SELECT count(*) FROM reading") < arguments.readings;
    let under_load = kill_again_and_again(folder, arguments.kills, 1, missing);
    let mended = Instant::now();
    let packdrift = Packdrift::start(folder);
    packdrift.subscribed();
    let seconds = mended.elapsed().as_secs_f64();
    let sent = load.done();
    let remark = format!("{under_load} kills before all had come through");
    let outcome = judge(folder, sent, mended, remark);
    Outcome { seconds, ..outcome }
}

/// Publishers in the row below; each waits for its commits.
const PUBLISHERS: i64 = 4;

pub fn as_own_broker(arguments: &Arguments) -> Outcome {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    fs::write(folder.join("setup.toml"), setup_with_own_broker(folder) + SEVERAL).unwrap();
    let (port, each) = (own_port(folder), arguments.readings / PUBLISHERS);
    let loads: Vec<Load> = (0..PUBLISHERS)
        .map(|n| Load::start_packed(port, n * each..(n + 1) * each))
        .collect();
    let under_load = kill_again_and_again(folder, arguments.kills, 2, || loads.iter().all(Load::goes_on));
    let mended = Instant::now();
    let packdrift = Packdrift::start(folder);
    let seconds = mended.elapsed().as_secs_f64();
    for load in loads {
        load.done();
    }
    drop(packdrift);
    let outcome = judge(
        folder,
        PUBLISHERS * each,
        mended,
        format!("{under_load} kills while {PUBLISHERS} publish"),
    );
    Outcome { seconds, ..outcome }
}

/// Starts and kills it at random moments; how often while `loaded`.
fn kill_again_and_again(folder: &Path, kills: u32, seed: u64, loaded: impl Fn() -> bool) -> u32 {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    let mut under_load = 0;
    for _ in 0..kills {
        let packdrift = Packdrift::start(folder);
        sleep(Duration::from_millis(random.random_range(0..700)));
        under_load += u32::from(loaded());
        packdrift.kill();
    }
    under_load
}
