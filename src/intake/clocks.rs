//! How far the instruments' own clocks are off this machine's.
//!
//! A reading's time less its arrival is the error of a clock only where it came straight from its instrument. What
//! somebody kept for a while comes faster than it was measured, so the two times must have gone on alike.

use std::{
    collections::VecDeque,
    sync::{Arc, Mutex, PoisonError},
};

use crate::reading::{Instrument, Reading};

/// Further off than this deserves a word: readings of packs that are compared no longer belong together, ms.
pub const OFF_MS: i64 = 30_000;

/// The error is the median of so many readings.
const REMEMBERED: usize = 15;

/// How far the readings' times and their arrivals may go on apart, as a part of the readings' own.
const APART: i64 = 2;

/// The last readings of each instrument that brought times of their own. Clones look at the same.
#[derive(Debug, Clone)]
pub struct Clocks(Arc<Mutex<Vec<VecDeque<Shown>>>>);

/// What a clock showed, and when that came, ms since 1970.
#[derive(Debug, Clone, Copy)]
struct Shown {
    at_ms: i64,
    arrived_ms: i64,
}

impl Clocks {
    /// Watches so many instruments.
    #[must_use]
    pub fn new(instruments: usize) -> Self {
        Self(Arc::new(Mutex::new(vec![VecDeque::new(); instruments])))
    }

    /// Takes readings that brought times of their own.
    pub fn see(&self, readings: &[Reading], arrived_ms: i64) {
        let mut clocks = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        for reading in readings {
            let Some(shown) = clocks.get_mut(usize::from(reading.instrument.0)) else {
                continue;
            };
            if shown.len() == REMEMBERED {
                shown.pop_front();
            }
            shown.push_back(Shown {
                at_ms: reading.at_ms,
                arrived_ms,
            });
        }
    }

    /// The instrument's clock less ours, ms; `None` until enough came straight from it.
    #[must_use]
    pub fn off_ms(&self, instrument: Instrument) -> Option<i64> {
        let clocks = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        off_ms(clocks.get(usize::from(instrument.0))?)
    }
}

fn off_ms(shown: &VecDeque<Shown>) -> Option<i64> {
    let (first, last) = (shown.front()?, shown.back()?);
    let (shown_ms, passed_ms) = (last.at_ms - first.at_ms, last.arrived_ms - first.arrived_ms);
    if shown.len() < REMEMBERED || shown_ms <= 0 || APART * (shown_ms - passed_ms).abs() > shown_ms {
        return None;
    }
    let mut offsets_ms: Vec<i64> = shown.iter().map(|it| it.at_ms - it.arrived_ms).collect();
    offsets_ms.sort_unstable();
    offsets_ms.get(REMEMBERED / 2).copied()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What is said of a clock after these (time shown, arrival), s.
    fn told(shown_s: impl IntoIterator<Item = (i64, i64)>) -> Option<i64> {
        let clocks = Clocks::new(1);
        for (at_s, arrived_s) in shown_s {
            let reading = Reading {
                instrument: Instrument(0),
                at_ms: 1000 * at_s,
                channels: crate::reading::Channels::default(),
            };
            clocks.see(&[reading], 1000 * arrived_s);
        }
        clocks.off_ms(Instrument(0))
    }

    #[test]
    fn a_clock_that_is_off_is_told_whatever_the_way_takes() {
        let late = (0..40).map(|n| (10 * n - 720, 10 * n + n % 3));
        assert_eq!(told(late), Some(-721_000));
    }

    #[test]
    fn too_few_readings_say_nothing() {
        assert_eq!(told((0..14).map(|n| (10 * n, 10 * n))), None);
    }

    #[test]
    fn what_was_kept_for_a_while_says_nothing_and_is_soon_forgotten() {
        let kept = || (0..500).map(|n| (10 * n, 90_000 + n / 100));
        assert_eq!(told(kept()), None);
        let live = (0..15).map(|n| (90_100 + 10 * n, 90_100 + 10 * n));
        assert_eq!(told(kept().chain(live)), Some(0));
    }

    #[test]
    fn a_clock_that_was_set_is_right_again() {
        let wrong = (0..30).map(|n| (10 * n + 7200, 10 * n));
        let set = (30..45).map(|n| (10 * n, 10 * n));
        assert_eq!(told(wrong.chain(set)), Some(0));
    }
}
