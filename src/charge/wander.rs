//! How what leaves the packs behind the reference's back comes and goes.
//!
//! A heater, an inverter left on, a zero that moves with the cold: where a closure differs from what the setup
//! foretold by more than the setup's own uncertainty, something is at work that nobody told of, and nothing says
//! that it keeps still. It is taken to come and go with the weather, as noise that is white beyond some days: its sum
//! over an open span then spreads as a random walk, and within a closed one, whose sum is known, as a Brownian
//! bridge, here by the first terms of its Karhunen–Loève series, √2 sin(kπx)/(kπ), which textbooks derive.

use std::f64::consts::{PI, SQRT_2};

/// For how long it comes or goes, h: as a spell of weather lasts; common practice for lack of better, no source.
pub(super) const SPELL_H: f64 = 6.0 * 24.0;
/// Terms of the series: they hold nine tenths of the variance.
pub(super) const TERMS: usize = 3;

/// What is not foretold and comes and goes.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Wander {
    /// Variance that its sum gains, Ah²/h.
    ah2_per_hour: f64,
}

impl Wander {
    /// From spans that closed, each with its length in h, what its closure differs by from what was foretold, Ah,
    /// and how unsure that was, Ah (standard uncertainty).
    pub(super) fn seen(spans: impl Iterator<Item = (f64, f64, f64)>) -> Self {
        let (mut squares, mut hours) = (0.0, 0.0);
        for (span_h, off_ah, unsure_ah) in spans {
            let beyond_ah2 = (off_ah * off_ah - unsure_ah * unsure_ah).max(0.0);
            squares += beyond_ah2 / span_h;
            hours += span_h;
        }
        let ah2_per_hour = if hours > 0.0 {
            SPELL_H * squares / hours
        } else {
            0.0
        };
        Self { ah2_per_hour }
    }

    /// Variance of its sum over so many hours ahead, Ah², where its mean is known from so many hours of closed
    /// spans.
    fn ahead_ah2(self, hours: f64, closed_h: f64) -> f64 {
        self.ah2_per_hour * (hours + hours * hours / closed_h)
    }

    /// What moves the sum since the beginning of a closed span of so many hours, at this part of it: independent
    /// causes with what one standard deviation of each comes to, Ah.
    fn within_ah(self, span_h: f64, part: f64) -> [f64; TERMS] {
        let scale_ah = (self.ah2_per_hour * span_h).sqrt();
        [1.0, 2.0, 3.0].map(|term| {
            let turn = PI * term;
            scale_ah * SQRT_2 * (turn * part).sin() / turn
        })
    }
}

/// How it comes and goes over a stretch of time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Wandering {
    /// Not at all.
    Still,
    /// Within a closed span of so many hours.
    Within { wander: Wander, span_h: f64 },
    /// Ahead of closed spans of so many hours together, whose rates scatter beside it.
    Ahead {
        wander: Wander,
        closed_h: f64,
        scatter_ah_per_hour: f64,
    },
}

impl Wandering {
    /// What moves the sum from one hour of the stretch to another: independent causes with what one standard deviation
    /// of each comes to, Ah. Ahead there is one.
    pub(super) fn between_ah(self, from_h: f64, until_h: f64) -> [f64; TERMS] {
        let (from, until) = (self.until_ah(from_h), self.until_ah(until_h));
        std::array::from_fn(|term| until[term] - from[term])
    }

    fn until_ah(self, hours: f64) -> [f64; TERMS] {
        match self {
            Self::Still => [0.0; TERMS],
            Self::Within { wander, span_h } => wander.within_ah(span_h, hours / span_h),
            Self::Ahead {
                wander,
                closed_h,
                scatter_ah_per_hour,
            } => {
                let scattered_ah = scatter_ah_per_hour * hours;
                [
                    scattered_ah.hypot(wander.ahead_ah2(hours, closed_h).sqrt()),
                    0.0,
                    0.0,
                ]
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn variance(wander: Wander, part: f64) -> f64 {
        wander
            .within_ah(480.0, part)
            .iter()
            .map(|by_ah| by_ah * by_ah)
            .sum()
    }

    #[test]
    fn what_was_foretold_does_not_wander() {
        let wander = Wander::seen([(500.0, 8.0, 10.0), (700.0, -9.0, 14.0)].into_iter());
        assert!(wander.ahead_ah2(240.0, 1200.0) < f64::EPSILON);
    }

    #[test]
    fn within_a_span_it_vanishes_at_both_ends_and_is_a_bridge_between() {
        let wander = Wander { ah2_per_hour: 0.5 };
        assert!(variance(wander, 0.0) < 1e-12 && variance(wander, 1.0) < 1e-12);
        for part in [0.25, 0.5, 0.8] {
            let bridge = 0.5 * 480.0 * part * (1.0 - part);
            let ratio = variance(wander, part) / bridge;
            assert!((0.85..=1.0).contains(&ratio), "{ratio} at {part}");
        }
    }

    #[test]
    fn ahead_it_spreads_as_a_walk_whose_mean_is_not_known_better_than_was_seen() {
        let wander = Wander::seen(std::iter::once((600.0, 30.0, 0.0)));
        // 900 Ah² in 600 h, in spells of 144 h.
        assert!((wander.ahead_ah2(600.0, 600.0) - 2.0 * 144.0 * 900.0 / 600.0).abs() < 1e-9);
    }
}
