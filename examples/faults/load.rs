//! Instruments that publish while a fault goes on, and know what was acknowledged to them.

use std::{
    collections::BTreeSet,
    path::Path,
    sync::{
        Arc,
        atomic::{AtomicBool, AtomicI64, Ordering::SeqCst},
    },
    thread::{self, JoinHandle},
    time::{Duration, Instant},
};

use crate::{
    Outcome,
    harness::{Publisher, number, store},
    scenario::reading,
};

/// Sent before acknowledgements are waited for.
const WINDOW: i64 = 20;

/// Publishes one reading after the other; what was not acknowledged is sent again.
pub struct Load {
    acknowledged: Arc<AtomicI64>,
    stop: Arc<AtomicBool>,
    thread: JoinHandle<()>,
}

impl Load {
    /// So many readings a second; ends by itself after `most`.
    pub fn start(port: u16, per_second: u32, most: i64) -> Self {
        Self::start_at(port, 0, per_second, most)
    }

    /// The same from the reading of this number on.
    pub fn start_at(port: u16, first: i64, per_second: u32, most: i64) -> Self {
        let acknowledged = Arc::new(AtomicI64::new(first));
        let stop = Arc::new(AtomicBool::new(false));
        let thread = thread::spawn({
            let (acknowledged, stop) = (acknowledged.clone(), stop.clone());
            move || publish(port, per_second, most, &acknowledged, &stop)
        });
        Self {
            acknowledged,
            stop,
            thread,
        }
    }

    /// How many were acknowledged: all before this number.
    pub fn acknowledged(&self) -> i64 {
        self.acknowledged.load(SeqCst)
    }

    /// Waits until further readings are acknowledged.
    pub fn flows(&self) {
        let before = self.acknowledged();
        until("readings are acknowledged", 90, || {
            self.acknowledged() > before + 2 * WINDOW
        });
    }

    /// Stops, and gives how many were acknowledged.
    pub fn end(self) -> i64 {
        self.stop.store(true, SeqCst);
        self.done()
    }

    /// Waits for the last one.
    pub fn done(self) -> i64 {
        self.thread.join().expect("the load goes on");
        self.acknowledged.load(SeqCst)
    }
}

fn publish(port: u16, per_second: u32, most: i64, acknowledged: &AtomicI64, stop: &AtomicBool) {
    let started = Instant::now();
    let begin = acknowledged.load(SeqCst);
    let pace = Duration::from_secs(1) / per_second;
    while !stop.load(SeqCst) && acknowledged.load(SeqCst) < most {
        let Ok(mut publisher) = Publisher::connect(port, "instruments") else {
            thread::sleep(Duration::from_millis(50));
            continue;
        };
        while !stop.load(SeqCst) && acknowledged.load(SeqCst) < most {
            let first = acknowledged.load(SeqCst);
            let next = (first + WINDOW).min(most);
            let mut window = || -> std::io::Result<()> {
                for n in first..next {
                    let (topic, body, ..) = reading(n);
                    publisher.send(&topic, &body, false)?;
                }
                (first..next).try_for_each(|_| publisher.acknowledged().map(drop))
            };
            if window().is_err() {
                break;
            }
            acknowledged.store(next, SeqCst);
            let due = pace * u32::try_from(next - begin).unwrap_or(u32::MAX);
            thread::sleep(due.saturating_sub(started.elapsed()));
        }
    }
}

/// Waits until `done`; the row fails where that takes too long.
pub fn until(what: &str, seconds: u64, done: impl FnMut() -> bool) {
    crate::harness::eventually(what, Duration::from_secs(seconds), done);
}

/// Waits until all of the first `acknowledged` readings are stored, and judges what came of the fault that ended
/// at `mended`.
pub fn judge(folder: &Path, acknowledged: i64, mended: Instant, remark: impl Into<String>) -> Outcome {
    let all = || number(folder, "SELECT count(*) FROM reading") >= acknowledged;
    let patience = Instant::now();
    while !all() && patience.elapsed() < Duration::from_secs(90) {
        thread::sleep(Duration::from_millis(20));
    }
    Outcome {
        seconds: mended.elapsed().as_secs_f64(),
        ..judge_now(folder, acknowledged, remark)
    }
}

/// The same without waiting for what may never come.
pub fn judge_now(folder: &Path, acknowledged: i64, remark: impl Into<String>) -> Outcome {
    let stored: Vec<(String, i64)> = store(folder)
        .prepare("SELECT name, at_ms FROM reading JOIN instrument ON instrument.id = reading.instrument")
        .unwrap()
        .query_map([], |row| Ok((row.get(0)?, row.get(1)?)))
        .unwrap()
        .collect::<rusqlite::Result<_>>()
        .unwrap();
    let distinct: BTreeSet<_> = stored.iter().cloned().collect();
    let lost = (0..acknowledged)
        .filter(|n| {
            let (_, _, instrument, at_ms) = reading(*n);
            !distinct.contains(&(instrument.to_owned(), at_ms))
        })
        .count();
    let void = usize::try_from(number(folder, "SELECT count(*) FROM conflict")).unwrap();
    Outcome {
        lost,
        doubled: stored.len() - distinct.len() + void,
        by_itself: true,
        measured: false,
        seconds: 0.0,
        remark: format!("{acknowledged} readings; {}", remark.into()),
    }
}
