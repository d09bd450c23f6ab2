//! Stored charge between marks: what the reference counted, less what it cannot see, shared among the packs.
//!
//! Between two marks the closure of the reference is known and taken off in proportion to elapsed time, as for any
//! instrument that is calibrated before and after a deployment. After the last mark (and before the first) what is
//! taken off is the closure rate seen so far, or, before any span has closed, what the setup says of draws,
//! self-discharge and coulombic loss.

use super::{
    estimate::{Estimate, Source, Whose},
    facts::Facts,
    fill::Filled,
};

const MS_PER_HOUR: f64 = 3_600_000.0;
const HOURS_PER_MONTH: f64 = 720.0;

/// Imbalance between packs on one busbar on the flat part of the curve, fraction of capacity.
const UNEQUAL_FLAT: f64 = 0.006;
/// The same near empty and near full, where voltage tells more.
const UNEQUAL_STEEP: f64 = 0.004;
/// The same at a mark that doesn't count for the pack, fraction of capacity.
const UNEQUAL_AT_FOREIGN_MARK: f64 = 0.02;
/// Where the curve is steep: this near full or empty, fraction of capacity.
const STEEP_WITHIN: f64 = 0.12;

/// Whether an instant lies between two marks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Basis {
    /// Marks on both sides: the closure is known.
    Closed,
    /// A mark on one side at most.
    Provisional,
}

/// A closed span of the bank and the reference's closure over it.
#[derive(Debug, Clone, PartialEq)]
pub struct Closure {
    /// The mark it begins with, as a cut.
    pub begin: usize,
    /// The mark it ends with, as a cut.
    pub end: usize,
    /// What the reference counted net, Ah: its own error and the losses behind it.
    pub closure: Estimate,
}

/// The stored charge of a bank over time.
#[derive(Debug)]
pub struct Stored<'a> {
    facts: &'a Facts,
    filled: &'a Filled<'a>,
    /// The marks, as cuts.
    marks: Vec<usize>,
    /// The spans between them.
    pub closures: Vec<Closure>,
}

impl<'a> Stored<'a> {
    /// Finds the spans.
    #[must_use]
    pub fn new(facts: &'a Facts, filled: &'a Filled<'a>) -> Self {
        let marks: Vec<usize> = facts
            .marks
            .iter()
            .filter_map(|mark| facts.cut_at(mark.at_ms))
            .collect();
        let closures = marks
            .windows(2)
            .map(|pair| Closure {
                begin: pair[0],
                end: pair[1],
                closure: filled.between(0, pair[0], pair[1]),
            })
            .collect();
        Self {
            facts,
            filled,
            marks,
            closures,
        }
    }

    /// Stored charge of pack `p` at a cut, relative to full (to the first cut where there is no mark at all), Ah.
    #[must_use]
    pub fn of_pack(&self, p: usize, at: usize) -> (Estimate, Basis) {
        let share = self.facts.bank.share(p);
        let capacity_ah = self.facts.bank.packs[p].capacity_ah;
        let repeatability_ah = self.facts.bank.full_repeatability * capacity_ah;
        let after = self.marks.partition_point(|mark| *mark <= at);
        let begin = after.checked_sub(1).map(|index| self.marks[index]);
        let end = self.marks.get(after).copied();
        let mark_ms = |mark: usize| self.facts.cuts[mark].at_ms;
        let full = |estimate: Estimate, mark: usize, part: f64| {
            estimate.moved(
                Source::FullCharge,
                Whose::Pack(p),
                mark_ms(mark),
                part * repeatability_ah,
            )
        };
        let (stored, basis) = match (begin, end) {
            (Some(begin), _) if begin == at => {
                let counts = self.facts.marks[after - 1].counts[p];
                let basis = if counts { Basis::Closed } else { Basis::Provisional };
                (full(Estimate::default(), begin, 1.0), basis)
            }
            (Some(begin), Some(end)) => {
                let elapsed = self.hours(begin, at) / self.hours(begin, end);
                let (group, basis) = self.within_span(begin, at, end);
                (
                    full(full(group.times(share), begin, 1.0 - elapsed), end, elapsed),
                    basis,
                )
            }
            (Some(mark), None) | (None, Some(mark)) => (
                full(self.outside_spans(mark, at).times(share), mark, 1.0),
                Basis::Provisional,
            ),
            (None, None) => (self.outside_spans(0, at).times(share), Basis::Provisional),
        };
        (self.shared(p, stored), basis)
    }

    /// Stored charge of pack `p` with what it depends on the capacities: a larger pack takes a larger share, and a
    /// smaller one of every other. With `s` the shares and `u` the relative uncertainties of the capacities,
    /// `∂ ln s_p / ∂ ln C_q = δ_pq − s_q`.
    fn shared(&self, p: usize, stored: Estimate) -> Estimate {
        let stored_ah = stored.value_ah;
        self.facts
            .bank
            .packs
            .iter()
            .enumerate()
            .fold(stored, |stored, (q, pack)| {
                let own = if q == p { 1.0 } else { 0.0 };
                let by_ah = (own - self.facts.bank.share(q)) * pack.capacity_uncertainty * stored_ah;
                stored.moved(Source::CapacityShare, Whose::Pack(q), 0, by_ah)
            })
    }

    /// How unequal pack `p` may be to the others at a cut, given its stored charge there, Ah (standard uncertainty).
    #[must_use]
    pub fn unequal_ah(&self, p: usize, at: usize, stored_ah: f64) -> f64 {
        let capacity_ah = self.facts.bank.packs[p].capacity_ah;
        let at_ms = self.facts.cuts[at].at_ms;
        if let Some(mark) = self.facts.marks.iter().find(|mark| mark.at_ms == at_ms) {
            return if mark.counts[p] {
                0.0
            } else {
                UNEQUAL_AT_FOREIGN_MARK * capacity_ah
            };
        }
        let depth = -stored_ah / capacity_ah;
        let steep = self.marks.is_empty() || !(STEEP_WITHIN..=1.0 - STEEP_WITHIN).contains(&depth);
        capacity_ah * if steep { UNEQUAL_STEEP } else { UNEQUAL_FLAT }
    }

    /// The group's stored charge at a cut within a closed span, relative to full, Ah.
    fn within_span(&self, begin: usize, at: usize, end: usize) -> (Estimate, Basis) {
        let closure = self.filled.between(0, begin, end);
        let elapsed = self.hours(begin, at) / self.hours(begin, end);
        let throughput_ah = self.filled.throughput_ah(begin, end);
        let by_throughput = if throughput_ah > 0.0 {
            self.filled.throughput_ah(begin, at) / throughput_ah
        } else {
            elapsed
        };
        let shape_ah = 0.5 * closure.value_ah * (by_throughput - elapsed);
        let begin_ms = self.facts.cuts[begin].at_ms;
        let group = self.filled.between(0, begin, at) - closure.times(elapsed);
        let gain_ah = self.facts.bank.reference_gain * group.value_ah;
        let group = group
            .moved(Source::SpanShape, Whose::Common, begin_ms, shape_ah)
            .moved(Source::ReferenceGain, Whose::Common, 0, gain_ah);
        if self.epoch_ms(begin) == self.epoch_ms(end) {
            return (group, Basis::Closed);
        }
        // The reference was set anew in between: its closure is that of two instruments, and how it splits is
        // not known better than either's zero.
        let offset_ah = self.facts.bank.reference_offset_ma / 1000.0 * self.hours(begin, at);
        (
            group.moved(Source::ReferenceOffset, Whose::Common, begin_ms, offset_ah),
            Basis::Provisional,
        )
    }

    /// The group's stored charge at a cut with a mark on one side only, relative to that mark, Ah.
    fn outside_spans(&self, mark: usize, at: usize) -> Estimate {
        let (first, last) = (mark.min(at), mark.max(at));
        let counted = self.filled.between(0, first, last);
        let gain_ah = self.facts.bank.reference_gain * counted.value_ah;
        let losses = self
            .measured_losses(first, last)
            .unwrap_or_else(|| self.expected_losses(first, last));
        let change = (counted - losses).moved(Source::ReferenceGain, Whose::Common, 0, gain_ah);
        if at < mark { -change } else { change }
    }

    /// What the reference counts too much between two cuts, by the closures of its epoch, Ah.
    fn measured_losses(&self, first: usize, last: usize) -> Option<Estimate> {
        let epoch_ms = self.epoch_ms(last);
        let closed: Vec<_> = self
            .closures
            .iter()
            .filter(|span| self.epoch_ms(span.begin) == epoch_ms && self.epoch_ms(span.end) == epoch_ms)
            .collect();
        let (oldest, newest) = (closed.first()?, closed.last()?);
        let hours: f64 = closed.iter().map(|span| self.hours(span.begin, span.end)).sum();
        let total = closed
            .iter()
            .fold(Estimate::default(), |sum, span| sum + span.closure.clone());
        let elapsed = self.hours(first, last) / hours;
        let throughput_ah: f64 = closed
            .iter()
            .map(|span| self.filled.throughput_ah(span.begin, span.end))
            .sum();
        let by_throughput = if throughput_ah > 0.0 {
            self.filled.throughput_ah(first, last) / throughput_ah
        } else {
            elapsed
        };
        let mark_ah = self.facts.bank.full_repeatability * self.facts.bank.capacity_ah();
        let shape_ah = 0.5 * total.value_ah * (by_throughput - elapsed);
        let scatter_ah = self.scatter_ah_per_hour(&closed) * self.hours(first, last);
        let first_ms = self.facts.cuts[first].at_ms;
        Some(
            total
                .moved(
                    Source::ReferenceClosure,
                    Whose::Common,
                    self.facts.cuts[oldest.begin].at_ms,
                    mark_ah,
                )
                .moved(
                    Source::ReferenceClosure,
                    Whose::Common,
                    self.facts.cuts[newest.end].at_ms,
                    mark_ah,
                )
                .times(elapsed)
                .moved(Source::SpanShape, Whose::Common, first_ms, shape_ah)
                .moved(Source::ReferenceClosure, Whose::Common, first_ms, scatter_ah),
        )
    }

    /// How much the closure rates of several spans differ, Ah/h (standard deviation); nothing known of one span.
    fn scatter_ah_per_hour(&self, closed: &[&Closure]) -> f64 {
        if closed.len() < 2 {
            return 0.0;
        }
        let rates: Vec<f64> = closed
            .iter()
            .map(|span| span.closure.value_ah / self.hours(span.begin, span.end))
            .collect();
        let count = f64::from(u32::try_from(rates.len()).unwrap_or(u32::MAX));
        let mean = rates.iter().sum::<f64>() / count;
        let squares: f64 = rates.iter().map(|rate| (rate - mean).powi(2)).sum();
        (squares / (count - 1.0)).sqrt()
    }

    /// What the reference counts too much between two cuts, by what the setup says, Ah.
    fn expected_losses(&self, first: usize, last: usize) -> Estimate {
        let bank = &self.facts.bank;
        let hours = self.hours(first, last);
        let (month, month_uncertainty) = bank.self_discharge_month;
        let (efficiency, efficiency_uncertainty) = bank.coulombic_efficiency;
        let held_months_ah = bank.capacity_ah() * hours / HOURS_PER_MONTH;
        let charged_ah = self.filled.charged_ah(first, last);
        let draw_ma: f64 = bank.packs.iter().map(|pack| pack.standing_draw_ma.0).sum();
        let value_ah = draw_ma / 1000.0 * hours + month * held_months_ah + (1.0 - efficiency) * charged_ah;
        let epoch_ms = self.epoch_ms(last).unwrap_or(0);
        let mut losses = Estimate::exact(value_ah)
            .moved(
                Source::ReferenceOffset,
                Whose::Common,
                epoch_ms,
                bank.reference_offset_ma / 1000.0 * hours,
            )
            .moved(
                Source::SelfDischarge,
                Whose::Common,
                0,
                month_uncertainty * held_months_ah,
            )
            .moved(
                Source::CoulombicEfficiency,
                Whose::Common,
                0,
                efficiency_uncertainty * charged_ah,
            );
        for (p, pack) in bank.packs.iter().enumerate() {
            let by_ah = pack.standing_draw_ma.1 / 1000.0 * hours;
            losses = losses.moved(Source::StandingDraw, Whose::Pack(p), 0, by_ah);
        }
        losses
    }

    fn epoch_ms(&self, cut: usize) -> Option<i64> {
        self.facts.epoch_ms(0, self.facts.cuts[cut].at_ms)
    }

    #[expect(clippy::cast_precision_loss, reason = "times are far below 2^52 ms")]
    fn hours(&self, from: usize, until: usize) -> f64 {
        (self.facts.cuts[until].at_ms - self.facts.cuts[from].at_ms) as f64 / MS_PER_HOUR
    }
}
