//! What nobody heard between two full charges: at both the bank held the same, so what the reference counted in
//! between is what it counts too much, and what is missing is the rest.

use super::{Amount, Filled, How, Segment, usual::Usual, whose};
use crate::charge::{
    estimate::{Estimate, Source},
    facts::Gap,
    losses::{Closure, Losses},
    time::as_f64,
};

impl Filled<'_> {
    /// Fills what the reference was not heard to count between successive full charges.
    pub(super) fn fill_reference_from_marks(&mut self) {
        let (measured, missing): (Vec<_>, Vec<_>) = self
            .spans()
            .into_iter()
            .partition(|(begin, end)| self.is_measured(*begin, *end));
        if missing.is_empty() {
            return;
        }
        let losses = self.losses_by(&measured);
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

    /// What the packs tell of a stretch in which the reference was not heard, weighed against what the full charges
    /// around it say: what the two differ by is shared out as each is unsure.
    ///
    /// Displays that were all set anew at a full charge that nobody heard may agree with one another too, and are off
    /// together by what they had gathered until then. Beforehand that is as likely as the span was not heard; how likely
    /// it is after all follows from how well each fits the marks (Bayes). `None` where it is likelier than not.
    pub(super) fn weighed_by_marks(
        &self,
        usual: &Usual,
        unheard: &[usize],
        told: Vec<Estimate>,
    ) -> Option<Vec<Estimate>> {
        let spans = self.spans();
        let around =
            |(begin, end): &(usize, usize)| unheard.iter().all(|index| (*begin..*end).contains(index));
        let Some((begin, end)) = spans.iter().copied().find(around) else {
            return Some(told);
        };
        let counted = |index: usize| match unheard.iter().position(|one| *one == index) {
            Some(place) => Some(told[place].clone()),
            None => self.amounts[0][index]
                .known()
                .map(|_| self.between(0, index, index + 1)),
        };
        let Some(counted) = (begin..end).map(counted).sum::<Option<Estimate>>() else {
            return Some(told);
        };
        let beyond = counted - self.losses().between(begin, begin, end) - self.gained(begin, end);
        let lasts_ms = |index: usize| self.segments[index].lasts_ms();
        let unheard_ms: f64 = unheard.iter().map(|index| lasts_ms(*index)).sum();
        let beforehand = unheard_ms / (begin..end).map(lasts_ms).sum::<f64>();
        let gathered = Segment {
            begin_ms: self.segments[begin].begin_ms,
            end_ms: self.segments[unheard[0]].begin_ms,
        };
        let packs = 0..self.amounts.len() - 1;
        let set_anew_ah: f64 = packs.map(|p| -usual.ah(self.facts, p, gathered)).sum();
        // Normal densities of one width.
        let (beyond_ah, variance) = (beyond.value_ah, beyond.covariance(&beyond));
        let better_fit = 0.5 * (beyond_ah.powi(2) - (beyond_ah - set_anew_ah).powi(2)) / variance;
        let likely = 1.0 / (1.0 + (1.0 - beforehand) / beforehand * (-better_fit).exp());
        let weighed = |(told, index): (Estimate, &usize)| {
            let part = told.covariance(&beyond) / variance;
            let here_ah = set_anew_ah * lasts_ms(*index) / unheard_ms;
            (told - beyond.clone().times(part) - Estimate::exact(likely * here_ah)).moved(
                Source::Gaps,
                whose(0),
                gathered.end_ms,
                (likely * (1.0 - likely)).sqrt() * here_ah,
            )
        };
        (likely < 0.5).then(|| told.into_iter().zip(unheard).map(weighed).collect())
    }

    /// What the packs gained from one full charge to another: nothing, as nearly as full charges are alike.
    fn gained(&self, begin: usize, end: usize) -> Estimate {
        self.facts.full_together(end) - self.facts.full_together(begin)
    }

    /// The stretches from a full charge to the next in which the packs were the same, as cuts.
    fn spans(&self) -> Vec<(usize, usize)> {
        let marks: Vec<usize> = self
            .facts
            .marks
            .iter()
            .filter_map(|mark| self.facts.cut_at(mark.at_ms))
            .collect();
        marks
            .windows(2)
            .map(|pair| (pair[0], pair[1]))
            .filter(|(begin, end)| self.is_of_the_same_packs(*begin, *end))
            .collect()
    }

    /// The losses by what the reference counted over all spans that are measured by now.
    pub(super) fn losses(&self) -> Losses<'_> {
        let mut spans = self.spans();
        spans.retain(|(begin, end)| self.is_measured(*begin, *end));
        self.losses_by(&spans)
    }

    /// The losses by what the reference counted over measured spans.
    fn losses_by(&self, measured: &[(usize, usize)]) -> Losses<'_> {
        let closures = measured.iter().map(|(begin, end)| Closure {
            begin: *begin,
            end: *end,
            closure: self.between(0, *begin, *end) - self.gained(*begin, *end),
        });
        Losses::new(self.facts, self, closures.collect())
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
