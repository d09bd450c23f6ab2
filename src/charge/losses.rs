//! What the reference counts too much: its own error and the charge that leaves the packs behind its back.
//!
//! Once a span has closed, its closure says so for the reference's epoch; before that, the setup's figures for
//! draws, self-discharge and coulombic loss stand in.

use super::{
    estimate::{Estimate, Source, Whose},
    facts::Facts,
    fill::{Filled, Flow},
    wander::{SPELL_H, Wander, Wandering},
};

/// Hours in the 30 days by which self-discharge is stated.
pub const HOURS_PER_MONTH: f64 = 720.0;
/// The part of what is unsure about draws and the reference's zero that is not steady but wanders with cold and
/// time: common practice for lack of better, no source.
const WANDERS: f64 = 0.1;
/// How many degrees of freedom that expectation is worth beside the scatter seen between spans.
const SCATTER_FREEDOM: f64 = 2.0;

/// A closed span of the bank and the reference's closure over it.
#[derive(Debug, Clone, PartialEq)]
pub struct Closure {
    /// The mark it begins with, as a cut.
    pub begin: usize,
    /// The mark it ends with, as a cut.
    pub end: usize,
    /// What the reference counted net beyond what was stored, Ah: its own error and the losses behind it.
    pub closure: Estimate,
}

/// What is known of the losses.
#[derive(Debug)]
pub(super) struct Losses<'a> {
    facts: &'a Facts,
    filled: &'a Filled<'a>,
    /// The closures to go by.
    epochs: Vec<Epoch>,
}

/// What closed spans say of one epoch of the reference, all that is asked again and again.
#[derive(Debug)]
struct Epoch {
    since_ms: Option<i64>,
    /// Those spans, in order of time.
    closed: Vec<Closure>,
    /// Their closures together, Ah.
    total: Estimate,
    /// How long they last together, h.
    hours: f64,
    /// What went in and out in them, Ah.
    throughput_ah: f64,
    wander: Wander,
}

impl<'a> Losses<'a> {
    pub(super) fn new(facts: &'a Facts, filled: &'a Filled<'a>, closures: Vec<Closure>) -> Self {
        let mut losses = Self {
            facts,
            filled,
            epochs: Vec::new(),
        };
        let within = |span: &Closure| losses.epoch_ms(span.begin) == losses.epoch_ms(span.end);
        let closures: Vec<Closure> = joined(facts, closures).into_iter().filter(within).collect();
        let epochs = closures.chunk_by(|one, next| losses.epoch_ms(one.begin) == losses.epoch_ms(next.begin));
        let surer = epochs.filter(|closed| losses.are_surer(closed));
        losses.epochs = surer.map(|closed| losses.epoch(closed.to_vec())).collect();
        losses
    }

    /// Whether closures say more than the setup does: one of some hours says next to nothing of a winter.
    fn are_surer(&self, closed: &[Closure]) -> bool {
        let seen: Estimate = closed.iter().map(|span| span.closure.clone()).sum();
        let foretold = |span: &Closure| self.expected(span.begin, &self.filled.flow(span.begin, span.end));
        let foretold: Estimate = closed.iter().map(foretold).sum();
        seen.standard_uncertainty_ah() < foretold.standard_uncertainty_ah()
    }

    fn epoch(&self, closed: Vec<Closure>) -> Epoch {
        let hours = |span: &Closure| self.facts.hours(span.begin, span.end);
        let throughput_ah = |span: &Closure| self.filled.throughput_ah(span.begin, span.end);
        Epoch {
            since_ms: closed.first().and_then(|span| self.epoch_ms(span.begin)),
            total: closed.iter().map(|span| span.closure.clone()).sum(),
            hours: closed.iter().map(hours).sum(),
            throughput_ah: closed.iter().map(throughput_ah).sum(),
            wander: self.wander(&closed),
            closed,
        }
    }

    /// What the reference counts too much between two cuts, Ah. What is uncertain about the whole stretch since
    /// `origin` is one cause, so that parts of the stretch add up.
    pub(super) fn between(&self, origin: usize, from: usize, until: usize) -> Estimate {
        let pieces = self.facts.between_recalibrations(0, from, until);
        let counted = |pair: &[usize]| {
            let since_h = |cut: usize| self.facts.hours(origin, cut);
            let ahead = self.ahead(pair[0]);
            let flow = Flow {
                wandered_ah: ahead.between_ah(since_h(pair[0]), since_h(pair[1])),
                ..self.filled.flow(pair[0], pair[1])
            };
            self.of(origin, pair[0], &flow)
        };
        pieces.windows(2).map(counted).sum()
    }

    /// What the reference counts too much of what goes by it after a cut and before it is set anew, Ah: linear in
    /// the flow.
    pub(super) fn of(&self, origin: usize, from: usize, flow: &Flow) -> Estimate {
        self.measured(origin, from, flow)
            .unwrap_or_else(|| self.expected(from, flow))
    }

    /// By the closures of the reference's epoch.
    fn measured(&self, origin: usize, from: usize, flow: &Flow) -> Option<Estimate> {
        let epoch = self.closed_around(from)?;
        let elapsed = flow.hours / epoch.hours;
        let by_throughput = if epoch.throughput_ah > 0.0 {
            flow.throughput_ah / epoch.throughput_ah
        } else {
            elapsed
        };
        let total = epoch.total.clone();
        let shape_ah = 0.5 * total.value_ah * (by_throughput - elapsed);
        let at_ms = |cut: usize| self.facts.cuts[cut].at_ms;
        Some(
            total
                .times(elapsed)
                .moved(Source::SpanShape, Whose::Common, at_ms(origin), shape_ah)
                .moved(
                    Source::ReferenceClosure,
                    Whose::Common,
                    at_ms(origin),
                    flow.wandered_ah[0],
                ),
        )
    }

    /// What closed spans say of the epoch of the reference that a cut is in; `None` where none has closed.
    fn closed_around(&self, cut: usize) -> Option<&Epoch> {
        let since_ms = self.epoch_ms(cut);
        self.epochs.iter().find(|epoch| epoch.since_ms == since_ms)
    }

    /// What comes and goes in the epoch of the reference that a cut is in.
    pub(super) fn wander_at(&self, cut: usize) -> Wander {
        self.closed_around(cut)
            .map_or_else(Wander::default, |epoch| epoch.wander)
    }

    /// How what is taken off by the closures comes and goes after a cut, as long as the reference isn't set anew.
    pub(super) fn ahead(&self, from: usize) -> Wandering {
        self.closed_around(from)
            .map_or(Wandering::Still, |epoch| Wandering::Ahead {
                wander: epoch.wander,
                closed_h: epoch.hours,
                scatter_ah_per_hour: self.scatter_ah_per_hour(&epoch.closed, from),
            })
    }

    /// Those long enough to tell how one spell differs from another.
    fn spells<'b>(&self, closed: &'b [Closure]) -> impl Iterator<Item = &'b Closure> {
        let lasts = |span: &&Closure| self.facts.hours(span.begin, span.end) >= SPELL_H;
        closed.iter().filter(lasts)
    }

    fn wander(&self, closed: &[Closure]) -> Wander {
        Wander::seen(self.spells(closed).map(|span| {
            let foretold = self.expected(span.begin, &self.filled.flow(span.begin, span.end));
            let unforeseen = span.closure.clone() - foretold;
            (
                self.facts.hours(span.begin, span.end),
                unforeseen.value_ah,
                unforeseen.standard_uncertainty_ah(),
            )
        }))
    }

    /// How much the rate of the next span may differ from the mean of those that closed, Ah/h (standard deviation):
    /// what is expected beforehand and what was seen, each by its degrees of freedom.
    fn scatter_ah_per_hour(&self, closed: &[Closure], from: usize) -> f64 {
        let rates: Vec<f64> = self
            .spells(closed)
            .map(|span| span.closure.value_ah / self.facts.hours(span.begin, span.end))
            .collect();
        // Where none is, they are one all the same.
        let count = f64::from(u32::try_from(rates.len().max(1)).unwrap_or(u32::MAX));
        let mean = rates.iter().sum::<f64>() / count;
        let squares: f64 = rates.iter().map(|rate| (rate - mean).powi(2)).sum();
        let beforehand = SCATTER_FREEDOM * self.wander_ah_per_hour(from).powi(2);
        let scatter = ((beforehand + squares) / (SCATTER_FREEDOM + count - 1.0)).sqrt();
        scatter * (1.0 + 1.0 / count).sqrt()
    }

    /// How much what leaves the packs behind the reference's back may wander from span to span, Ah/h: a cold that
    /// moves draws moves those of all boards at once.
    fn wander_ah_per_hour(&self, from: usize) -> f64 {
        let in_bank = self.facts.era(from).in_bank();
        let draws_ma: f64 = in_bank.map(|(_, pack)| pack.standing_draw_ma.1).sum();
        WANDERS * (draws_ma + self.facts.bank.reference_offset_ma) / 1000.0
    }

    /// By what the setup says.
    fn expected(&self, from: usize, flow: &Flow) -> Estimate {
        let epoch_ms = self.epoch_ms(from).unwrap_or(0);
        let offset_ah = self.facts.bank.reference_offset_ma / 1000.0 * flow.hours;
        let behind: Estimate = self.behind(from, flow).into_iter().map(|(_, part)| part).sum();
        behind.moved(Source::ReferenceOffset, Whose::Common, epoch_ms, offset_ah)
    }

    /// What should leave the packs behind the reference's back after a cut, by what the setup says, Ah: what
    /// the boards draw, what the cells lose by themselves, what charging loses.
    pub(super) fn behind(&self, from: usize, flow: &Flow) -> [(Source, Estimate); 3] {
        let bank = &self.facts.bank;
        let era = self.facts.era(from);
        let Flow {
            hours, charged_ah, ..
        } = *flow;
        let (month, month_uncertainty) = bank.self_discharge_month;
        let (efficiency, efficiency_uncertainty) = bank.coulombic_efficiency;
        let held_months_ah = era.capacity_ah() * hours / HOURS_PER_MONTH;
        let drawn = era.in_bank().map(|(p, pack)| {
            let (draw_ma, uncertainty_ma) = pack.standing_draw_ma;
            let of_pack = Estimate::exact(draw_ma / 1000.0 * hours);
            let by_ah = uncertainty_ma / 1000.0 * hours;
            let whose = if pack.draw_is_assumed {
                Whose::Common
            } else {
                Whose::Pack(p)
            };
            of_pack.moved(Source::StandingDraw, whose, 0, by_ah)
        });
        let common = |source, value_ah, by_ah| {
            let part = Estimate::exact(value_ah).moved(source, Whose::Common, 0, by_ah);
            (source, part)
        };
        [
            (Source::StandingDraw, drawn.sum()),
            common(
                Source::SelfDischarge,
                month * held_months_ah,
                month_uncertainty * held_months_ah,
            ),
            common(
                Source::CoulombicEfficiency,
                (1.0 - efficiency) * charged_ah,
                efficiency_uncertainty * charged_ah,
            ),
        ]
    }

    fn epoch_ms(&self, cut: usize) -> Option<i64> {
        self.facts.epoch_ms(0, self.facts.cuts[cut].at_ms)
    }
}

/// Spans that follow one another and last less than a spell, as one: two full charges of one day tell little of a rate,
/// and closures add up.
fn joined(facts: &Facts, closures: Vec<Closure>) -> Vec<Closure> {
    let is_short = |span: &Closure| facts.hours(span.begin, span.end) < SPELL_H;
    let epoch_ms = |cut: usize| facts.epoch_ms(0, facts.cuts[cut].at_ms);
    let mut joined: Vec<Closure> = Vec::new();
    for span in closures {
        let one = |before: &Closure| {
            before.end == span.begin
                && epoch_ms(before.begin) == epoch_ms(span.end)
                && (is_short(before) || is_short(&span))
        };
        match joined.last_mut().filter(|before| one(before)) {
            Some(before) => {
                before.end = span.end;
                before.closure = before.closure.clone() + span.closure;
            }
            None => joined.push(span),
        }
    }
    joined
}
