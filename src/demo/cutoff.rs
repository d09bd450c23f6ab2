//! A board that trips: one pack leaves the busbar under a large current and comes back two days later.

use super::{plan::Plan, random::Random};

/// The current at which it trips, as part of the pack's capacity.
const TRIPS_AT_C: f64 = 0.035;
/// How long it stays away, ms.
const STAYS_AWAY_MS: i64 = 2 * 86_400_000;

/// Which pack, and how it stands with it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Cutoff {
    pack: usize,
    /// It trips at the first large current after that, ms since 1970.
    ready_ms: i64,
    left_ms: Option<i64>,
    returned: bool,
}

impl Cutoff {
    /// Any pack, on any day but the first three and the last six.
    pub(super) fn new(plan: &Plan, packs: usize) -> Self {
        let mut random = Random::new(plan.seed, 4);
        let day_ms = 86_400_000.0;
        let last = f64::from(plan.days.max(10)) - 6.0;
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            clippy::cast_precision_loss,
            reason = "a place among a few packs, and a time within a winter"
        )]
        let (pack, after_ms) = (
            random.between(0.0, packs as f64).floor() as usize,
            (random.between(3.0, last) * day_ms) as i64,
        );
        Self {
            pack,
            ready_ms: plan.begin_ms + after_ms,
            left_ms: None,
            returned: false,
        }
    }

    /// The pack that is off the busbar now.
    pub(super) fn away(&self) -> Option<usize> {
        (self.left_ms.is_some() && !self.returned).then_some(self.pack)
    }

    /// Sees the currents of a step, A, and decides about the next one.
    pub(super) fn see(&mut self, at_ms: i64, currents: &[f64], capacity_ah: impl Fn(usize) -> f64) {
        match self.left_ms {
            None => {
                let large = currents[self.pack].abs() > TRIPS_AT_C * capacity_ah(self.pack);
                if large && at_ms >= self.ready_ms {
                    self.left_ms = Some(at_ms);
                }
            }
            Some(left_ms) => self.returned |= at_ms >= left_ms + STAYS_AWAY_MS,
        }
    }

    /// Which pack was away from when to when, ms since 1970.
    pub(super) fn was_away_ms(&self) -> Option<(usize, i64, i64)> {
        let left_ms = self.left_ms?;
        Some((self.pack, left_ms, left_ms + STAYS_AWAY_MS))
    }
}
