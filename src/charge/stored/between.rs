//! How what a pack holds goes on from one cut to the next.

use super::Stored;
use crate::charge::{
    estimate::{Estimate, Source, Whose},
    fill::{Flow, Unheard},
    sharing,
    wander::Wandering,
};

/// How what a pack holds goes on between two neighbouring cuts: linear in what goes by the reference.
pub(in crate::charge) struct GoesOn {
    /// With every hour, and every Ah that the reference counts net, in, and in or out; with what moves its count up
    /// to the next cut; with what is left of what a pack brought that came back, and how unsure that is; with what the
    /// reference's closure came and went by; and, at once behind a full charge, with how the packs differ by then.
    pub(in crate::charge) terms: [Estimate; Self::TERMS],
    /// For how many hours the pack was back by the first cut.
    back_h: f64,
    /// How what the reference counts too much comes and goes, and for how many hours it did by the first cut.
    wandering: Wandering,
    since_h: f64,
    /// Where the reference isn't heard: how its count goes on.
    pub(in crate::charge) unheard: Option<Unheard>,
}

/// What has gone by the reference since a cut.
pub(in crate::charge) struct Passed {
    /// Net charge, Ah.
    pub(in crate::charge) net_ah: f64,
    /// Charge put in, as it was heard, Ah.
    pub(in crate::charge) charged_ah: f64,
    /// Charge put in and taken out, as it was heard, Ah.
    pub(in crate::charge) throughput_ah: f64,
    /// Which parts of what moves its count up to the next cut.
    pub(in crate::charge) noise: [f64; 2],
}

impl GoesOn {
    /// How many they are.
    pub(in crate::charge) const TERMS: usize = 12;
    /// Where among them, behind a first one, stands what moves the reference's count.
    pub(in crate::charge) const NOISE: std::ops::RangeFrom<usize> = 5..;

    /// How much of each it takes so many hours after the first cut.
    pub(in crate::charge) fn by(&self, hours: f64, reference: &Passed) -> [f64; Self::TERMS] {
        let (left_then, unsure_then) = sharing::left_beyond(self.back_h);
        let (left, unsure) = sharing::left_beyond(self.back_h + hours);
        let [first, second, third] = self.wandering.between_ah(self.since_h, self.since_h + hours);
        [
            hours,
            reference.net_ah,
            reference.charged_ah,
            reference.throughput_ah,
            reference.noise[0],
            reference.noise[1],
            left - left_then,
            unsure - unsure_then,
            first,
            second,
            third,
            1.0,
        ]
    }

    /// What the pack holds more than at the first cut, Ah.
    pub(in crate::charge) fn value_ah(&self, by: &[f64; Self::TERMS]) -> f64 {
        by.iter()
            .zip(&self.terms)
            .map(|(by, term)| by * term.value_ah)
            .sum()
    }
}

impl Stored<'_> {
    /// How what pack `p` holds goes on after a cut, up to the next.
    pub(in crate::charge) fn goes_on(&self, p: usize, at: usize) -> GoesOn {
        let stretch = self.stretch_at(at);
        let state = stretch.state_at(at);
        let with = |flow: Flow| {
            let taken = self.taken_of(stretch, at, &flow).times(state.part(p));
            self.with_shares(p, at, taken)
        };
        let nothing = Flow::default;
        let counted = |counted| with(Flow { counted, ..nothing() });
        let at_ms = self.facts.cuts[at].at_ms;
        let heard = || {
            let unsure = self.filled.unsure_ah(0, at);
            unsure.map(|(source, by_ah)| Estimate::ZERO.moved(source, Whose::Common, at_ms, by_ah))
        };
        let unheard = self.filled.unheard(0, at);
        let unsure = match &unheard {
            Some(unheard) => [unheard.rest.clone().without_value(), Estimate::ZERO],
            None => heard(),
        };
        let [sampling, rounding] = unsure.map(counted);
        let beyond = state.beyond(p).cloned().unwrap_or_default();
        let since_ms = self.facts.cuts[state.cut].at_ms;
        let unsure = Estimate::default().moved(Source::UnequalSoc, Whose::Pack(p), since_ms, beyond.value_ah);
        let one = 1.0;
        let wandered = |wandered_ah| {
            with(Flow {
                wandered_ah,
                ..nothing()
            })
        };
        GoesOn {
            terms: [
                with(Flow {
                    hours: one,
                    ..nothing()
                }),
                counted(Estimate::exact(one)),
                with(Flow {
                    charged_ah: one,
                    ..nothing()
                }),
                with(Flow {
                    throughput_ah: one,
                    ..nothing()
                }),
                sampling,
                rounding,
                self.with_shares(p, at, beyond),
                unsure,
                wandered([one, 0.0, 0.0]),
                wandered([0.0, one, 0.0]),
                wandered([0.0, 0.0, one]),
                self.shared(p, at) - self.of_pack(p, at).0,
            ],
            back_h: self.facts.hours(state.cut, at),
            wandering: self.wandering(stretch, at),
            since_h: self.facts.hours(stretch.begin, at),
            unheard,
        }
    }
}
