//! Instruments that publish while a fault goes on, and know what was acknowledged to them.

use std::{
    collections::BTreeSet,
    ops::Range,
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
    scenario::{reading, readings},
};

/// Sent before acknowledgements are waited for.
const WINDOW: i64 = 20;

/// How a load publishes.
#[derive(Clone, Copy)]
struct Way {
    /// Readings a second at most.
    per_second: u32,
    /// Readings under way before acknowledgements are waited for.
    window: i64,
    /// Readings a message.
    together: i64,
}

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
        let way = Way {
            per_second,
            window: WINDOW,
            together: 1,
        };
        Self::begin(port, first..most, way)
    }

    /// As many as go through, until `most`.
    pub fn start_wide(port: u16, most: i64) -> Self {
        let way = Way {
            per_second: u32::MAX,
            window: 10 * WINDOW,
            together: 1,
        };
        Self::begin(port, 0..most, way)
    }

    /// As many of these as go through, sixty a message.
    pub fn start_packed(port: u16, numbers: Range<i64>) -> Self {
        let way = Way {
            per_second: u32::MAX,
            window: 60 * WINDOW,
            together: 60,
        };
        Self::begin(port, numbers, way)
    }

    fn begin(port: u16, numbers: Range<i64>, way: Way) -> Self {
        let acknowledged = Arc::new(AtomicI64::new(numbers.start));
        let stop = Arc::new(AtomicBool::new(false));
        let thread = thread::spawn({
            let (acknowledged, stop) = (acknowledged.clone(), stop.clone());
            move || publish(port, numbers, way, &acknowledged, &stop)
        });
        Self {
            acknowledged,
            stop,
            thread,
        }
    }

    /// Whether there is more to publish.
    pub fn goes_on(&self) -> bool {
        !self.thread.is_finished()
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

fn publish(port: u16, numbers: Range<i64>, way: Way, acknowledged: &AtomicI64, stop: &AtomicBool) {
    let started = Instant::now();
    let client = format!("instruments-{}", numbers.start);
    let pace = Duration::from_secs(1) / way.per_second;
    let goes_on = || !stop.load(SeqCst) && acknowledged.load(SeqCst) < numbers.end;
    while goes_on() {
        let Ok(mut publisher) = Publisher::connect(port, &client) else {
            thread::sleep(Duration::from_millis(50));
            continue;
        };
        while goes_on() {
            let first = acknowledged.load(SeqCst);
            let next = (first + way.window).min(numbers.end);
            let mut pass = || -> std::io::Result<()> {
                let mut messages = 0;
                for n in (first..next).step_by(usize::try_from(way.together).unwrap()) {
                    let (topic, body) = message(n..(n + way.together).min(next));
                    publisher.send(&topic, &body, false)?;
                    messages += 1;
                }
                (0..messages).try_for_each(|_| publisher.acknowledged().map(drop))
            };
            if pass().is_err() {
                break;
            }
            acknowledged.store(next, SeqCst);
            let due = pace * u32::try_from(next - numbers.start).unwrap_or(u32::MAX);
            thread::sleep(due.saturating_sub(started.elapsed()));
        }
    }
}

/// One message with the readings of these numbers.
fn message(numbers: Range<i64>) -> (String, Vec<u8>) {
    if numbers.end - numbers.start == 1 {
        let (topic, body, ..) = reading(numbers.start);
        return (topic, body);
    }
    readings(numbers)
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
