//! What the reference counted while it was not heard, by what the packs did.

use super::{Amount, Filled, How, OF_ITS_SHARE, STRAY, Segment, UNKNOWN, gap_over, usual::Usual, whose};
use crate::charge::estimate::{Estimate, Source};

/// One display alone may have been set anew without anybody seeing it: so many packs have to agree.
const WITNESSES: usize = 2;

impl Filled<'_> {
    /// Where the reference has no witness of its own, the packs' sum stands in, less what it usually differs by.
    pub(super) fn fill_reference_from_packs(&mut self, usual: &Usual) {
        for gap in self.facts.gaps.iter().filter(|gap| gap.of == 0) {
            let unknown = self.unknown(gap);
            // From one to the next of these it may change who has a witness, but not within.
            let Some(first) = unknown.first() else { continue };
            let begin_ms = self.segments[*first].begin_ms;
            let witnesses: Vec<usize> = (0..self.amounts.len() - 1)
                .filter(|p| self.facts.on_busbar(*p, begin_ms))
                .filter(|p| {
                    unknown
                        .iter()
                        .all(|index| self.amounts[p + 1][*index].known().is_some())
                })
                .collect();
            if witnesses.len() < WITNESSES {
                continue;
            }
            let told: Vec<Estimate> = unknown
                .iter()
                .map(|index| self.told_by(&witnesses, usual, *index))
                .collect();
            if self.agree(&witnesses, usual, &unknown, &told)
                && let Some(told) = self.weighed_by_marks(usual, &unknown, told)
            {
                for (index, ah) in unknown.into_iter().zip(told) {
                    let how = How::Witnessed;
                    self.amounts[0][index] = Amount { how, ah };
                }
            } else {
                // They were set anew, all of them, at a full charge that nobody heard.
                for p in witnesses {
                    for index in &unknown {
                        self.forget(p + 1, self.segments[*index]);
                    }
                }
            }
        }
    }

    /// What the reference counted in a segment, by what some packs did.
    fn told_by(&self, witnesses: &[usize], usual: &Usual, index: usize) -> Estimate {
        let segment = self.segments[index];
        let (mut sum, mut usual_ah, mut share) = (Estimate::default(), 0.0, 0.0);
        for p in witnesses {
            sum = sum + self.amounts[p + 1][index].ah.clone();
            usual_ah += usual.ah(self.facts, *p, segment);
            share += self.facts.share(*p, segment.begin_ms);
        }
        sum.value_ah -= usual_ah;
        // The others' part is known by shares.
        let strays_ah = usual_ah
            .hypot(STRAY * sum.value_ah)
            .hypot(OF_ITS_SHARE * (1.0 - share) * sum.value_ah);
        sum.moved(Source::Gaps, whose(0), self.gap_begin_ms(0, segment), strays_ah)
            .times(1.0 / share)
    }

    /// Whether every one of the witnesses counted its share of what they tell together.
    fn agree(&self, witnesses: &[usize], usual: &Usual, unknown: &[usize], told: &[Estimate]) -> bool {
        let (Some(first), Some(last)) = (unknown.first(), unknown.last()) else {
            return false;
        };
        let during = Segment {
            begin_ms: self.segments[*first].begin_ms,
            end_ms: self.segments[*last].end_ms,
        };
        let told_ah: f64 = told.iter().map(|one| one.value_ah).sum();
        witnesses.iter().all(|p| {
            let counted = unknown
                .iter()
                .map(|index| self.amounts[p + 1][*index].ah.clone())
                .sum();
            let should_ah =
                self.facts.share(*p, during.begin_ms) * told_ah + usual.ah(self.facts, *p, during);
            self.agrees(usual, *p, during, &counted, should_ah)
        })
    }

    /// Takes back what was filled in the gap of an instrument.
    fn forget(&mut self, of: usize, segment: Segment) {
        let Some(inside) = gap_over(self.facts, of, segment).and_then(|gap| self.inside(gap)) else {
            return;
        };
        for index in inside {
            self.amounts[of][index] = UNKNOWN;
        }
    }
}
