//! Readings as means over equal steps, gathered while they stream by.

use crate::charge::count::{Joining, PER_AH, Piece, Sample};

const MS_PER_HOUR: f64 = 3_600_000.0;
/// Length of a step, ms: short beside what packs take to share a current, long beside the pauses between reports.
pub const STEP_MS: i64 = 300_000;

/// What an instrument reported in one step.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Reported {
    /// Mean current, A, of the part that was heard.
    pub amperes: f64,
    /// Part of the step that was heard.
    pub heard: f64,
    /// Part of the step between reports of exactly nothing.
    pub nothing: f64,
}

/// A bank's readings as means over equal steps.
#[derive(Debug, Clone, PartialEq)]
pub struct Steps {
    /// Where the first step begins, ms since 1970.
    pub begin_ms: i64,
    /// How long each is, ms.
    pub step_ms: i64,
    /// By instrument, the reference first; then by step.
    pub reported: Vec<Vec<Reported>>,
    /// By step: mean voltage of the busbar, V.
    pub volts: Vec<Option<f64>>,
    /// By step: largest less smallest current of the reference, A.
    pub swing_a: Vec<f64>,
}

impl Steps {
    /// How many there are.
    #[must_use]
    pub fn len(&self) -> usize {
        self.volts.len()
    }

    /// Whether there are none.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.volts.is_empty()
    }

    /// How long a step is, h.
    #[must_use]
    #[expect(clippy::cast_precision_loss, reason = "a few minutes in ms")]
    pub fn hours(&self) -> f64 {
        self.step_ms as f64 / MS_PER_HOUR
    }

    /// The step that an instant lies in: the first where it is before all, one behind the last where it is behind.
    #[must_use]
    pub fn at(&self, at_ms: i64) -> usize {
        let step = (at_ms - self.begin_ms).max(0) / self.step_ms;
        usize::try_from(step).unwrap_or(usize::MAX).min(self.len())
    }

    /// Where a step begins, ms since 1970.
    #[must_use]
    pub fn begin_of(&self, step: usize) -> i64 {
        self.begin_ms + i64::try_from(step).unwrap_or(i64::MAX / self.step_ms) * self.step_ms
    }
}

/// What one instrument counted in one step.
#[derive(Debug, Clone, Copy, Default)]
struct Sum {
    /// Half mA·ms.
    net: i64,
    heard_ms: i64,
    nothing_ms: i64,
}

/// Steps in the making.
#[derive(Debug)]
pub struct Gathering {
    begin_ms: i64,
    step_ms: i64,
    instruments: Vec<(Joining, Option<Sample>)>,
    sums: Vec<Vec<Sum>>,
    /// Sum and number of the voltages of a step, mV.
    volts: Vec<(i64, i64)>,
    /// Smallest and largest current of the reference, mA.
    extremes: Vec<Option<(i64, i64)>>,
}

impl Gathering {
    /// Empty steps that cover `[begin_ms, end_ms)`, for instruments whose reports are joined so, the reference first.
    #[must_use]
    pub fn new(begin_ms: i64, end_ms: i64, step_ms: i64, joinings: &[Joining]) -> Self {
        let steps = usize::try_from((end_ms - begin_ms).max(0) / step_ms).unwrap_or(0);
        Self {
            begin_ms,
            step_ms,
            instruments: joinings.iter().map(|joining| (*joining, None)).collect(),
            sums: vec![vec![Sum::default(); steps]; joinings.len()],
            volts: vec![(0, 0); steps],
            extremes: vec![None; steps],
        }
    }

    /// Takes an instrument's current; an instrument's own in order of time.
    pub fn current(&mut self, instrument: usize, at_ms: i64, current_ma: i64) {
        let now = Sample { at_ms, current_ma };
        let (joining, previous) = &mut self.instruments[instrument];
        let piece = previous.and_then(|before| Some((before, Piece::joining(before, now, *joining)?)));
        *previous = Some(now);
        if let Some((before, piece)) = piece {
            let nothing = before.current_ma == 0 && current_ma == 0;
            let first = (before.at_ms - self.begin_ms).div_euclid(self.step_ms);
            let last = (at_ms - 1 - self.begin_ms).div_euclid(self.step_ms);
            for step in first.max(0)..=last {
                let from_ms = self.begin_ms + step * self.step_ms;
                let part = piece.between(from_ms, from_ms + self.step_ms);
                if let Some(sum) = usize::try_from(step)
                    .ok()
                    .and_then(|step| self.sums[instrument].get_mut(step))
                {
                    sum.net += part.charged - part.discharged;
                    sum.heard_ms += part.heard_ms;
                    sum.nothing_ms += if nothing { part.heard_ms } else { 0 };
                }
            }
        }
        if instrument == 0
            && let Some(step) = self.step(at_ms)
        {
            let extremes = self.extremes[step].get_or_insert((current_ma, current_ma));
            *extremes = (extremes.0.min(current_ma), extremes.1.max(current_ma));
        }
    }

    /// Takes it that an instrument is no longer there: nothing of it holds until its next current.
    pub fn gone(&mut self, instrument: usize) {
        self.instruments[instrument].1 = None;
    }

    /// Takes a voltage of the busbar.
    pub fn voltage(&mut self, at_ms: i64, voltage_mv: i64) {
        if let Some(step) = self.step(at_ms) {
            self.volts[step].0 += voltage_mv;
            self.volts[step].1 += 1;
        }
    }

    fn step(&self, at_ms: i64) -> Option<usize> {
        let step = usize::try_from((at_ms - self.begin_ms).div_euclid(self.step_ms)).ok()?;
        (step < self.volts.len()).then_some(step)
    }

    /// The steps.
    #[must_use]
    #[expect(clippy::cast_precision_loss, reason = "sums over minutes")]
    pub fn finish(self) -> Steps {
        let whole_ms = self.step_ms as f64;
        let reported = |sum: &Sum| Reported {
            amperes: if sum.heard_ms > 0 {
                sum.net as f64 / PER_AH * MS_PER_HOUR / sum.heard_ms as f64
            } else {
                0.0
            },
            heard: sum.heard_ms as f64 / whole_ms,
            nothing: sum.nothing_ms as f64 / whole_ms,
        };
        Steps {
            begin_ms: self.begin_ms,
            step_ms: self.step_ms,
            reported: self
                .sums
                .iter()
                .map(|sums| sums.iter().map(reported).collect())
                .collect(),
            volts: self
                .volts
                .iter()
                .map(|(sum, count)| (*count > 0).then(|| *sum as f64 / *count as f64 / 1000.0))
                .collect(),
            swing_a: self
                .extremes
                .iter()
                .map(|extremes| extremes.map_or(0.0, |(low, high)| (high - low) as f64 / 1000.0))
                .collect(),
        }
    }
}
