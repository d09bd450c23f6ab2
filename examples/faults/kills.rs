//! The daemon killed with -9 at random moments.

use std::{
    fs,
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
    let load = Load::start(mosquitto.port, 20_000, arguments.readings);
    let mut random = ChaCha8Rng::seed_from_u64(1);
    for _ in 0..arguments.kills {
        let packdrift = Packdrift::start(folder);
        sleep(Duration::from_millis(random.random_range(0..700)));
        packdrift.kill();
    }
    let sent = load.done();
    let mended = Instant::now();
    let _packdrift = Packdrift::start(folder);
    judge(folder, sent, mended, format!("{} kills", arguments.kills))
}

/// A publisher waits for each commit here, so that fewer readings take as long.
pub fn as_own_broker(arguments: &Arguments) -> Outcome {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    fs::write(folder.join("setup.toml"), setup_with_own_broker(folder)).unwrap();
    let load = Load::start(own_port(folder), 20_000, arguments.readings / 20);
    let mut random = ChaCha8Rng::seed_from_u64(2);
    for _ in 0..arguments.kills {
        let packdrift = Packdrift::start(folder);
        sleep(Duration::from_millis(random.random_range(0..700)));
        packdrift.kill();
    }
    let mended = Instant::now();
    let packdrift = Packdrift::start(folder);
    let sent = load.done();
    drop(packdrift);
    judge(folder, sent, mended, format!("{} kills", arguments.kills))
}
