//! What nobody heard between two full charges: at both the bank held the same, so what the reference counted in
//! between is what it counts too much, and what is missing is the rest.

use super::{Amount, Filled, How, whose};
use crate::charge::{
    estimate::{Estimate, Source},
    facts::Gap,
    losses::{Closure, Losses},
    time::as_f64,
};

impl Filled<'_> {
    /// Fills what the reference was not heard to count between successive full charges.
    pub(super) fn fill_reference_from_marks(&mut self) {
        let marks: Vec<usize> = self
            .facts
            .marks
            .iter()
            .filter_map(|mark| self.facts.cut_at(mark.at_ms))
            .collect();
        let spans: Vec<(usize, usize)> = marks
            .windows(2)
            .map(|pair| (pair[0], pair[1]))
            .filter(|(begin, end)| self.is_of_the_same_packs(*begin, *end))
            .collect();
        let (measured, missing): (Vec<_>, Vec<_>) = spans
            .into_iter()
            .partition(|(begin, end)| self.is_measured(*begin, *end));
        if missing.is_empty() {
            return;
        }
        let closures = measured
            .into_iter()
            .map(|(begin, end)| Closure {
                begin,
                end,
                closure: self.between(0, begin, end) - self.gained(begin, end),
            })
            .collect();
        let losses = Losses::new(self.facts, self, closures);
        let lost: Vec<Estimate> = missing
            .iter()
            .map(|(begin, end)| {
                let counted = losses.between(*begin, *begin, *end) + self.gained(*begin, *end);
                counted - self.between(0, *begin, *end)
            })
            .collect();
        for ((begin, end), missing) in missing.into_iter().zip(lost) {
            self.spread(begin, end, &missing);
        }
    }

    /// What the packs gained from one full charge to another: nothing, as nearly as full charges are alike.
    fn gained(&self, begin: usize, end: usize) -> Estimate {
        self.facts.full_together(end) - self.facts.full_together(begin)
    }

    /// Whether from a full charge to the next nobody came or went.
    fn is_of_the_same_packs(&self, begin: usize, end: usize) -> bool {
        let (begin_ms, end_ms) = (self.facts.cuts[begin].at_ms, self.facts.cuts[end].at_ms);
        let inside = |at_ms: i64| at_ms > begin_ms && at_ms < end_ms;
        let away = &self.facts.away;
        let disturbed = away
            .iter()
            .any(|away| away.begin_ms < end_ms && away.end_ms > begin_ms);
        !disturbed && !self.facts.bank.eras.iter().any(|era| inside(era.begin_ms))
    }

    /// Spreads what is missing in a span over the gaps in which it is. Each gap by itself may have taken more or
    /// less; given their sum, the longer one more than the shorter.
    fn spread(&mut self, begin: usize, end: usize, missing: &Estimate) {
        let gaps: Vec<(&Gap, Vec<usize>, f64)> = self
            .facts
            .gaps
            .iter()
            .filter(|gap| gap.of == 0)
            .filter_map(|gap| {
                let mut unheard = self.unknown(gap);
                unheard.retain(|index| (begin..end).contains(index));
                let unheard_ms: f64 = unheard.iter().map(|index| self.segments[*index].lasts_ms()).sum();
                (unheard_ms > 0.0).then_some((gap, unheard, unheard_ms))
            })
            .collect();
        let alone_ah: Vec<f64> = gaps
            .iter()
            .map(|(gap, _, unheard_ms)| self.unheard_ah(gap, *unheard_ms))
            .collect();
        let variance: f64 = alone_ah.iter().map(|by_ah| by_ah * by_ah).sum();
        for (place, (_, unheard, unheard_ms)) in gaps.iter().enumerate() {
            let weight = alone_ah[place] * alone_ah[place] / variance;
            let mut here = missing.clone().times(weight);
            for (other, (gap, ..)) in gaps.iter().enumerate() {
                let own = if other == place { 1.0 } else { 0.0 };
                let by_ah = (own - weight) * alone_ah[other];
                here = here.moved(Source::Gaps, whose(0), gap.begin_ms, by_ah);
            }
            for index in unheard {
                let part =
                    as_f64(self.facts.cuts[index + 1].at_ms - self.facts.cuts[*index].at_ms) / unheard_ms;
                self.amounts[0][*index] = Amount {
                    how: How::FromMarks,
                    ah: here.clone().times(part),
                };
            }
        }
    }
}
