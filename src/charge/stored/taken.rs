//! What the packs on the busbar took together: what the reference counted, less what it counts too much.

use super::{Known, Stored, Stretch};
use crate::charge::{
    estimate::{Estimate, Source, Whose},
    fill::Flow,
    wander::Wandering,
};

impl Stored<'_> {
    /// What the packs on the busbar took together between two cuts of a stretch, Ah.
    pub(super) fn taken(&self, stretch: &Stretch, from: usize, until: usize) -> Estimate {
        let pieces = self.facts.between_recalibrations(0, from, until);
        let taken = |pair: &[usize]| self.taken_of(stretch, pair[0], &self.flow(stretch, pair[0], pair[1]));
        pieces.windows(2).map(taken).sum()
    }

    /// What they took of what goes by the reference after a cut and before it is set anew, Ah: linear in the flow.
    pub(super) fn taken_of(&self, stretch: &Stretch, from: usize, flow: &Flow) -> Estimate {
        let facts = self.facts;
        let counted = flow.counted.clone();
        let begin_ms = facts.cuts[stretch.begin].at_ms;
        let taken = match &stretch.known {
            Known::Closed(an_hour) => {
                let taken = counted - an_hour.clone().times(flow.hours);
                let shape_ah = self.shape_ah(stretch, an_hour.value_ah, flow);
                let taken = taken.moved(Source::SpanShape, Whose::Common, begin_ms, shape_ah);
                // Nothing else happens in the milliseconds behind a mark: they tell the terms apart.
                let terms = flow.wandered_ah.iter().zip(begin_ms + 1..);
                let taken = terms.fold(taken, |taken, (by_ah, key)| {
                    taken.moved(Source::SpanShape, Whose::Common, key, *by_ah)
                });
                if self.is_of_one_epoch(stretch) {
                    taken
                } else {
                    // The reference was set anew in between: its closure is that of two instruments, and how it
                    // splits is not known better than either's zero.
                    let offset_ah = facts.bank.reference_offset_ma / 1000.0 * flow.hours;
                    taken.moved(Source::ReferenceOffset, Whose::Common, begin_ms, offset_ah)
                }
            }
            Known::Backwards | Known::Forwards => counted - self.losses.of(stretch.begin, from, flow),
        };
        let gain_ah = facts.bank.reference_gain * taken.value_ah;
        taken.moved(Source::ReferenceGain, Whose::Common, 0, gain_ah)
    }

    /// What went by the reference between two cuts of a stretch.
    fn flow(&self, stretch: &Stretch, from: usize, until: usize) -> Flow {
        let since_h = |cut: usize| self.facts.hours(stretch.begin, cut);
        let wandering = self.wandering(stretch, from);
        Flow {
            wandered_ah: wandering.between_ah(since_h(from), since_h(until)),
            ..self.filled.flow(from, until)
        }
    }

    /// How what the reference counts too much comes and goes in a stretch, after a cut.
    pub(super) fn wandering(&self, stretch: &Stretch, from: usize) -> Wandering {
        match &stretch.known {
            Known::Closed(_) => Wandering::Within {
                wander: stretch.wander,
                span_h: self.facts.hours(stretch.begin, stretch.end),
            },
            Known::Backwards | Known::Forwards => self.losses.ahead(from),
        }
    }

    /// Half the difference between taking a closure off by throughput and by time, Ah.
    fn shape_ah(&self, stretch: &Stretch, an_hour_ah: f64, flow: &Flow) -> f64 {
        let whole_hours = self.facts.hours(stretch.begin, stretch.end);
        let elapsed = flow.hours / whole_hours;
        let throughput_ah = self.filled.throughput_ah(stretch.begin, stretch.end);
        if throughput_ah <= 0.0 {
            return 0.0;
        }
        let by_throughput = flow.throughput_ah / throughput_ah;
        0.5 * an_hour_ah * whole_hours * (by_throughput - elapsed)
    }

    pub(super) fn is_of_one_epoch(&self, stretch: &Stretch) -> bool {
        let epoch_ms = |cut: usize| self.facts.epoch_ms(0, self.facts.cuts[cut].at_ms);
        epoch_ms(stretch.begin) == epoch_ms(stretch.end)
    }
}
