//! What the reference counted while it was not heard, by what the packs did.

use super::{Amount, Filled, How, OF_ITS_SHARE, STRAY, Segment, UNKNOWN, gap_over, usual::Usual, whose};
use crate::charge::{
    estimate::{Estimate, Source},
    facts::Gap,
};

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
            let told = self.told_by(&witnesses, usual, &unknown, gap);
            if self.agree(&witnesses, usual, &unknown, &told)
                && let Some(told) = self.weighed_by_marks(usual, &unknown, told)
            {
                for (index, ah) in unknown.into_iter().zip(told) {
                    let how = How::ByOthers;
                    self.amounts[0][index] = Amount { how, ah };
                    self.witnesses[index].clone_from(&witnesses);
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

    /// What the reference counted in each segment that is unknown of a gap, by what some packs did.
    fn told_by(&self, witnesses: &[usize], usual: &Usual, unknown: &[usize], gap: &Gap) -> Vec<Estimate> {
        let mut told = Vec::with_capacity(unknown.len());
        let (mut told_ah, mut usual_ah, mut others_ah) = (0.0, 0.0, 0.0);
        for index in unknown {
            let segment = self.segments[*index];
            let share: f64 = witnesses
                .iter()
                .map(|p| self.facts.share(*p, segment.begin_ms))
                .sum();
            let usual_here_ah: f64 = witnesses.iter().map(|p| usual.ah(self.facts, *p, segment)).sum();
            let counted: Estimate = witnesses
                .iter()
                .map(|p| self.amounts[p + 1][*index].ah.clone())
                .sum();
            let here = (counted - Estimate::exact(usual_here_ah)).times(1.0 / share);
            usual_ah += usual_here_ah / share;
            told_ah += here.value_ah;
            others_ah += (1.0 - share) * here.value_ah;
            told.push(here);
        }
        // The others' part is known by shares. All of it together is unsure, evenly, wherever time is cut.
        let strays_ah = usual_ah.hypot(STRAY * told_ah).hypot(OF_ITS_SHARE * others_ah);
        let lasts_ms = |index: &usize| self.segments[*index].lasts_ms();
        let unknown_ms: f64 = unknown.iter().map(lasts_ms).sum();
        let unsure = |(here, index): (Estimate, &usize)| {
            let by_ah = strays_ah * lasts_ms(index) / unknown_ms;
            here.moved(Source::Gaps, whose(0), gap.begin_ms, by_ah)
        };
        told.into_iter().zip(unknown).map(unsure).collect()
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
