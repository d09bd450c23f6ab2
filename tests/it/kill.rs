//! Is anything lost or stored twice when the daemon is killed at random moments?

use std::{collections::BTreeSet, fs, path::Path, thread, time::Duration};

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use crate::{
    harness::{Mosquitto, Packdrift, Publisher, eventually, number, store},
    scenario::{reading, setup_with_broker, setup_with_own_broker},
};

/// Every (instrument, instant) in the store.
fn stored(folder: &Path) -> BTreeSet<(String, i64)> {
    store(folder)
        .prepare("SELECT name, at_ms FROM reading JOIN instrument ON instrument.id = reading.instrument")
        .unwrap()
        .query_map([], |row| Ok((row.get(0)?, row.get(1)?)))
        .unwrap()
        .collect::<rusqlite::Result<_>>()
        .unwrap()
}

#[test]
fn fifty_kills_under_mosquitto_lose_and_double_nothing() {
    const READINGS: i64 = 30_000;
    let folder = tempfile::tempdir().unwrap();
    let mosquitto = Mosquitto::start(folder.path());
    fs::write(
        folder.path().join("setup.toml"),
        setup_with_broker(mosquitto.port),
    )
    .unwrap();
    // The session must exist before the first reading is sent.
    let packdrift = Packdrift::start(folder.path());
    packdrift.subscribed();
    packdrift.kill();

    let port = mosquitto.port;
    let publishing = thread::spawn(move || {
        let mut publisher = Publisher::connect(port, "instruments").unwrap();
        for n in 0..READINGS {
            publisher.send(&reading(n).0, &reading(n).1, false).unwrap();
            if n % 40 == 39 {
                for _ in 0..40 {
                    publisher.acknowledged().unwrap();
                }
                thread::sleep(Duration::from_millis(8));
            }
        }
    });
    let mut random = ChaCha8Rng::seed_from_u64(1);
    for _ in 0..50 {
        let packdrift = Packdrift::start(folder.path());
        thread::sleep(Duration::from_millis(random.random_range(0..250)));
        packdrift.kill();
    }
    publishing.join().unwrap();
    let packdrift = Packdrift::start(folder.path());
    let sent: BTreeSet<_> = (0..READINGS)
        .map(|n| (reading(n).2.to_owned(), reading(n).3))
        .collect();
    eventually("all is stored", Duration::from_secs(60), || {
        number(folder.path(), "SELECT count(*) FROM reading") >= READINGS
    });
    assert_eq!(stored(folder.path()), sent);
    assert_eq!(number(folder.path(), "SELECT count(*) FROM conflict"), 0);
    assert_eq!(packdrift.stop(), Some(0));
}

#[test]
fn twenty_kills_as_its_own_broker_lose_nothing_acknowledged() {
    let folder = tempfile::tempdir().unwrap();
    let port = fs::write(
        folder.path().join("setup.toml"),
        setup_with_own_broker(folder.path()),
    )
    .map(|()| crate::scenario::own_port(folder.path()))
    .unwrap();
    let mut acknowledged = BTreeSet::new();
    let mut random = ChaCha8Rng::seed_from_u64(2);
    let mut n = 0;
    for _ in 0..20 {
        let packdrift = Packdrift::start(folder.path());
        let killer = thread::spawn({
            let wait = Duration::from_millis(random.random_range(50..300));
            move || {
                thread::sleep(wait);
                packdrift.kill();
            }
        });
        // What was not acknowledged is sent again after the next start.
        if let Ok(mut publisher) = Publisher::connect(port, "instruments") {
            while publisher.publish(&reading(n).0, &reading(n).1).is_ok() {
                acknowledged.insert((reading(n).2.to_owned(), reading(n).3));
                n += 1;
            }
        }
        killer.join().unwrap();
    }
    assert!(
        acknowledged.len() > 100,
        "only {} were acknowledged: the test tests nothing",
        acknowledged.len()
    );
    let packdrift = Packdrift::start(folder.path());
    let stored = stored(folder.path());
    let lost: Vec<_> = acknowledged.difference(&stored).collect();
    assert_eq!(lost, Vec::<&(String, i64)>::new());
    // At most the one reading under way at each kill is stored without its acknowledgement having arrived.
    assert!(
        stored.len() <= acknowledged.len() + 1,
        "{} and {}",
        stored.len(),
        acknowledged.len()
    );
    assert_eq!(packdrift.stop(), Some(0));
}
