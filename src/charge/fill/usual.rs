//! What a board usually counts beside its share of what the reference counts, an hour, epoch by epoch.

use super::{Filled, Segment};
use crate::charge::facts::Facts;

/// Usual errors by pack.
#[derive(Debug)]
pub(super) struct Usual {
    /// By pack: epoch, Ah, and for how long it was heard, ms.
    epochs: Vec<Vec<(Option<i64>, f64, f64)>>,
}

impl Usual {
    /// What a pack's error comes to in a segment, Ah: nothing where it was never heard in that epoch.
    pub(super) fn ah(&self, facts: &Facts, p: usize, segment: Segment) -> f64 {
        self.heard(facts, p, segment)
            .map_or(0.0, |(_, ah, heard_ms)| ah * segment.lasts_ms() / heard_ms)
    }

    /// Whether a pack was ever heard in the epoch that a segment lies in.
    pub(super) fn is_known(&self, facts: &Facts, p: usize, segment: Segment) -> bool {
        self.heard(facts, p, segment).is_some()
    }

    fn heard(&self, facts: &Facts, p: usize, segment: Segment) -> Option<&(Option<i64>, f64, f64)> {
        let epoch_ms = facts.epoch_ms(p + 1, segment.begin_ms);
        self.epochs[p].iter().find(|(begin_ms, ..)| *begin_ms == epoch_ms)
    }
}

impl Filled<'_> {
    /// The usual errors, from where both a pack and the reference were heard.
    pub(super) fn usual_errors(&self) -> Usual {
        let of_pack = |p: usize| {
            let mut epochs: Vec<(Option<i64>, f64, f64)> = Vec::new();
            for (index, segment) in self.segments.iter().enumerate() {
                let (Some(counted_ah), Some(reference_ah)) = (
                    self.amounts[p + 1][index].heard_ah(),
                    self.amounts[0][index].heard_ah(),
                ) else {
                    continue;
                };
                let epoch_ms = self.facts.epoch_ms(p + 1, segment.begin_ms);
                if epochs.last().is_none_or(|last| last.0 != epoch_ms) {
                    epochs.push((epoch_ms, 0.0, 0.0));
                }
                if let Some((_, ah, heard_ms)) = epochs.last_mut() {
                    *ah += counted_ah - self.facts.share(p, segment.begin_ms) * reference_ah;
                    *heard_ms += segment.lasts_ms();
                }
            }
            epochs
        };
        Usual {
            epochs: (0..self.amounts.len() - 1).map(of_pack).collect(),
        }
    }
}
