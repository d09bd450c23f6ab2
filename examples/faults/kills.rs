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
    harness::Packdrift,
    load::{Load, judge},
    scenario::{own_port, setup_with_own_broker},
};

pub fn under_mosquitto(arguments: &Arguments) -> Outcome {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let (mosquitto, packdrift) = beside_mosquitto(folder);
    packdrift.kill();
    let load = Load::start_wide(mosquitto.port, arguments.readings);
    kill_again_and_again(folder, arguments.kills, 1);
    let mended = Instant::now();
    let packdrift = Packdrift::start(folder);
    packdrift.subscribed();
    let seconds = mended.elapsed().as_secs_f64();
    let sent = load.done();
    let outcome = judge(folder, sent, mended, format!("{} kills", arguments.kills));
    Outcome { seconds, ..outcome }
}

/// A publisher waits for each commit here, so that fewer readings take as long.
pub fn as_own_broker(arguments: &Arguments) -> Outcome {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    fs::write(folder.join("setup.toml"), setup_with_own_broker(folder)).unwrap();
    let load = Load::start_wide(own_port(folder), arguments.readings / 20);
    kill_again_and_again(folder, arguments.kills, 2);
    let mended = Instant::now();
    let packdrift = Packdrift::start(folder);
    load.flows();
    let seconds = mended.elapsed().as_secs_f64();
    let sent = load.done();
    drop(packdrift);
    let outcome = judge(folder, sent, mended, format!("{} kills", arguments.kills));
    Outcome { seconds, ..outcome }
}

/// Starts and kills it at random moments.
fn kill_again_and_again(folder: &Path, kills: u32, seed: u64) {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    for _ in 0..kills {
        let packdrift = Packdrift::start(folder);
        sleep(Duration::from_millis(random.random_range(0..700)));
        packdrift.kill();
    }
}
