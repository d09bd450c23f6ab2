//! What packs counted while they were not heard, by what the reference did, and what is left that nobody can say.

use super::{Amount, Filled, How, gap_over, usual::Usual, whose};
use crate::charge::{
    estimate::{Estimate, Source},
    facts::Gap,
    time,
};

/// Standard deviation of the current of a bank that nobody heard, fraction of capacity an hour, and of the charge
/// in the end: common practice off the grid is to stay within a tenth an hour, and a bank is never more than full.
const UNHEARD_C: f64 = 0.05;
const UNHEARD_AT_MOST: f64 = 0.29;

impl Filled<'_> {
    /// What nobody can say is taken for nothing, give or take what a bank may take in that time.
    pub(super) fn suppose_reference(&mut self) {
        for gap in self.facts.gaps.iter().filter(|gap| gap.of == 0) {
            let unheard = self.unknown(gap);
            let unheard_ms: f64 = unheard.iter().map(|index| self.segments[*index].lasts_ms()).sum();
            for index in unheard {
                let part = self.segments[index].lasts_ms() / unheard_ms;
                let by_ah = part * self.unheard_ah(gap, unheard_ms);
                self.amounts[0][index].ah =
                    Estimate::default().moved(Source::Gaps, whose(0), gap.begin_ms, by_ah);
            }
        }
    }

    /// Standard deviation of what a bank may take while nobody hears it, Ah.
    pub(super) fn unheard_ah(&self, gap: &Gap, unheard_ms: f64) -> f64 {
        let capacity_ah = self.facts.bank.at(gap.begin_ms).capacity_ah();
        capacity_ah * (UNHEARD_C * unheard_ms / time::MS_PER_HOUR).min(UNHEARD_AT_MOST)
    }

    /// Where a pack has no witness of its own, it takes its share of the reference's charge and its usual error.
    pub(super) fn fill_packs_from_reference(&mut self, usual: &Usual) {
        for p in 0..self.amounts.len() - 1 {
            for (index, segment) in self.segments.iter().enumerate() {
                if self.amounts[p + 1][index].how != How::Unknown {
                    continue;
                }
                let reference = &self.amounts[0][index];
                let how = match reference.how {
                    // What a board makes of its share, nobody can say who never heard it.
                    _ if !usual.is_known(self.facts, p, *segment) => How::Unknown,
                    How::Heard | How::ByItself | How::ByOthers => How::ByOthers,
                    unwitnessed => unwitnessed,
                };
                let usual_ah = usual.ah(self.facts, p, *segment);
                let mut ah = reference
                    .ah
                    .clone()
                    .times(self.facts.share(p, segment.begin_ms))
                    .moved(
                        Source::Gaps,
                        whose(p + 1),
                        gap_over(self.facts, p + 1, *segment).map_or(segment.begin_ms, |gap| gap.begin_ms),
                        usual_ah.hypot(self.stray_ah(p, *segment)),
                    );
                ah.value_ah += usual_ah;
                self.amounts[p + 1][index] = Amount { how, ah };
            }
        }
    }
}
