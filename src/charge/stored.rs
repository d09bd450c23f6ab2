//! Stored charge between marks: what the reference counted, less what it cannot see, shared among the packs.
//!
//! Between two marks the closure of the reference is known and taken off in proportion to elapsed time, as for any
//! instrument that is calibrated before and after a deployment. After the last mark (and before the first) what is
//! taken off is what the losses say. Where a pack joins a bank, nobody knows what it brings: the chain breaks
//! there, and the charge is known from the marks on either side only.

use super::{
    count::Counted,
    estimate::{Estimate, Source, Whose},
    facts::{Facts, Learned},
    fill::{Filled, Flow},
    losses::{Closure, Losses},
    sharing::{self, Shared},
    wander::{Wander, Wandering},
};

/// Imbalance between packs on one busbar on the flat part of the curve, fraction of capacity.
pub(super) const UNEQUAL_FLAT: f64 = 0.006;
/// The same near empty and near full, where voltage tells more.
const UNEQUAL_STEEP: f64 = 0.004;
/// The same at a mark that doesn't count for the pack, fraction of capacity.
const UNEQUAL_AT_FOREIGN_MARK: f64 = 0.02;
/// The same when the record begins, as nobody knows for how long the packs have stood on one busbar by then: common
/// practice is to put packs together within two points of each other, taken as a rectangular distribution.
const UNEQUAL_AT_BEGINNING: f64 = 0.0115;
/// Where the curve is steep: this near full or empty, fraction of capacity.
const STEEP_WITHIN: f64 = 0.12;
/// How unlike the others' state of charge that of a pack may be which joins a bank, fraction of capacity.
const UNEQUAL_AT_JOINING: f64 = 0.1;

/// Whether an instant lies between two marks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Basis {
    /// Marks on both sides: the closure is known.
    Closed,
    /// A mark on one side at most.
    Provisional,
}

/// What the charge of a stretch is known by.
#[derive(Debug, Clone)]
enum Known {
    /// Marks at both ends: the reference counts so much too much an hour, Ah.
    Closed(Estimate),
    /// A mark at the end: what the packs held at the beginning follows from it.
    Backwards,
    /// What they held at the beginning.
    Forwards,
}

/// A stretch of time in which the charge is one chain of counts.
#[derive(Debug, Clone)]
struct Stretch {
    begin: usize,
    end: usize,
    known: Known,
    /// What comes and goes in the reference's epoch that it begins in.
    wander: Wander,
    states: Vec<Shared>,
}

impl Stretch {
    /// What the packs held last before a cut, or at it.
    fn state_at(&self, at: usize) -> &Shared {
        &self.states[self.states.partition_point(|state| state.cut <= at) - 1]
    }
}

/// How what a pack holds goes on between two neighbouring cuts: linear in what goes by the reference.
pub(super) struct GoesOn {
    /// With every hour, and every Ah that the reference counts net, in, and in or out; with what moves its count up
    /// to the next cut; with what is left of what a pack brought that came back, and how unsure that is; with what the
    /// reference's closure came and went by; and, at once behind a full charge, with how the packs differ by then.
    pub(super) terms: [Estimate; Self::TERMS],
    /// For how many hours the pack was back by the first cut.
    back_h: f64,
    /// How what the reference counts too much comes and goes, and for how many hours it did by the first cut.
    wandering: Wandering,
    since_h: f64,
}

impl GoesOn {
    /// How many they are.
    pub(super) const TERMS: usize = 12;
    /// Where among them, behind a first one, stands what moves the reference's count.
    pub(super) const NOISE: std::ops::RangeFrom<usize> = 5..;

    /// How much of each it takes so many hours after the first cut, when the reference has counted so much, and these
    /// parts of what moves its count have passed.
    pub(super) fn by(&self, hours: f64, reference: &Counted, noise: [f64; 2]) -> [f64; Self::TERMS] {
        let (left_then, unsure_then) = sharing::left_beyond(self.back_h);
        let (left, unsure) = sharing::left_beyond(self.back_h + hours);
        let (in_ah, out_ah) = (reference.charged_ah(), reference.discharged_ah());
        let [first, second, third] = self.wandering.between_ah(self.since_h, self.since_h + hours);
        [
            hours,
            reference.net_ah(),
            in_ah,
            in_ah + out_ah,
            noise[0],
            noise[1],
            left - left_then,
            unsure - unsure_then,
            first,
            second,
            third,
            1.0,
        ]
    }

    /// What the pack holds more than at the first cut, Ah.
    pub(super) fn value_ah(&self, by: &[f64; Self::TERMS]) -> f64 {
        by.iter()
            .zip(&self.terms)
            .map(|(by, term)| by * term.value_ah)
            .sum()
    }
}

/// How unequal a pack may be to the others between two neighbouring cuts.
pub(super) struct Unequal {
    capacity_ah: f64,
    /// How far it was learned to stray, fraction of capacity.
    strays: Option<f64>,
    beside: f64,
    since_begun_h: f64,
    full_is_known: bool,
}

impl Unequal {
    /// So many hours after the first of them, given the pack's stored charge then, Ah (standard uncertainty).
    pub(super) fn ah(&self, after_h: f64, stored_ah: f64) -> f64 {
        let depth = -stored_ah / self.capacity_ah;
        let since_begun_h = self.since_begun_h + after_h;
        let left = (-since_begun_h / sharing::SETTLES_WITHIN_H).exp();
        let begun = self.beside * UNEQUAL_AT_BEGINNING * left;
        let steep = !self.full_is_known || !(STEEP_WITHIN..=1.0 - STEEP_WITHIN).contains(&depth);
        let usual = if steep { UNEQUAL_STEEP } else { UNEQUAL_FLAT };
        let settled = self.strays.map_or(usual, |strays| strays.min(usual));
        // A pack by itself is like itself; what they began with gives way to what is usual.
        let settled = if self.beside > 0.0 { settled } else { 0.0 };
        self.capacity_ah * (settled * (1.0 - left * left).sqrt()).hypot(begun)
    }
}

/// The stored charge of a bank over time.
#[derive(Debug)]
pub struct Stored<'a> {
    facts: &'a Facts,
    filled: &'a Filled<'a>,
    /// The marks, as cuts.
    marks: Vec<usize>,
    stretches: Vec<Stretch>,
    /// The closed spans.
    pub closures: Vec<Closure>,
    pub(super) losses: Losses<'a>,
}

impl<'a> Stored<'a> {
    /// Follows the charge from the first cut to the last.
    #[must_use]
    pub fn new(facts: &'a Facts, filled: &'a Filled<'a>) -> Self {
        let marks: Vec<usize> = facts
            .marks
            .iter()
            .filter_map(|mark| facts.cut_at(mark.at_ms))
            .collect();
        let mut stored = Self {
            facts,
            filled,
            marks,
            stretches: Vec::new(),
            closures: Vec::new(),
            losses: Losses::new(facts, filled, Vec::new()),
        };
        // Spans that nobody missed the beginning of say what the reference counts too much, whatever happens
        // elsewhere; the others are followed with what those say.
        let packs = facts.bank.eras[0].packs.len();
        let at_full = |mark| (0..packs).map(|p| facts.full(p, mark)).collect();
        let bounds = stored.bounds();
        let undisturbed: Vec<Closure> = bounds
            .windows(2)
            .filter(|pair| stored.is_mark(pair[0]) && stored.is_mark(pair[1]))
            .filter(|pair| stored.is_everyone_there(pair[0]) && filled.is_measured(pair[0], pair[1]))
            .filter_map(|pair| stored.closure(pair[0], pair[1], at_full(pair[0])))
            .collect();
        stored.losses = Losses::new(facts, filled, undisturbed);
        stored.follow(&bounds);
        stored
    }

    /// The instants at which a new chain begins: marks and joinings, the first cut and the last.
    fn bounds(&self) -> Vec<usize> {
        let last = self.facts.cuts.len() - 1;
        (0..=last)
            .filter(|cut| *cut == 0 || *cut == last || self.is_mark(*cut) || self.is_joining(*cut))
            .collect()
    }

    fn is_mark(&self, cut: usize) -> bool {
        self.marks.binary_search(&cut).is_ok()
    }

    fn is_everyone_there(&self, cut: usize) -> bool {
        let at_ms = self.facts.cuts[cut].at_ms;
        let mut in_bank = self.facts.bank.at(at_ms).in_bank();
        in_bank.all(|(p, _)| self.facts.on_busbar(p, at_ms))
    }

    fn is_joining(&self, cut: usize) -> bool {
        let at_ms = self.facts.cuts[cut].at_ms;
        let (before, after) = (self.facts.bank.at(at_ms - 1), self.facts.bank.at(at_ms));
        cut > 0 && after.in_bank().any(|(p, _)| !before.packs[p].in_bank)
    }

    /// The instants within a stretch at which it changes who is on the busbar or what a pack is.
    fn knots(&self, begin: usize, end: usize) -> Vec<usize> {
        let changes = |cut: &usize| {
            let at_ms = self.facts.cuts[*cut].at_ms;
            let era = self.facts.bank.eras.iter().any(|era| era.begin_ms == at_ms);
            let away = &self.facts.away;
            era || away
                .iter()
                .any(|away| away.begin_ms == at_ms || away.end_ms == at_ms)
        };
        std::iter::once(begin)
            .chain((begin + 1..end).filter(changes))
            .collect()
    }

    /// What the reference counts too much over a span, given what each pack holds at its beginning: such that the
    /// packs on the busbar are full at its end. `None` where nobody is on the busbar then.
    fn closure(&self, begin: usize, end: usize, levels: Vec<Estimate>) -> Option<Closure> {
        let facts = self.facts;
        let knots = self.knots(begin, end);
        let none = vec![Estimate::default(); levels.len()];
        let counted = |from, until| self.filled.between(0, from, until);
        let by_an_hour = |from, until| Estimate::exact(-facts.hours(from, until));
        // What they hold at the end is a linear function of what is taken off an hour.
        let beyond_full =
            sharing::together_at(facts, &knots, end, levels, counted) - facts.full_together(end);
        let an_hour = sharing::together_at(facts, &knots, end, none, by_an_hour);
        (an_hour.value_ah < 0.0).then(|| Closure {
            begin,
            end,
            closure: beyond_full.times(-facts.hours(begin, end) / an_hour.value_ah),
        })
    }

    fn follow(&mut self, bounds: &[usize]) {
        let facts = self.facts;
        let mut levels = vec![Estimate::default(); facts.bank.eras[0].packs.len()];
        let ends = bounds.iter().skip(1).map(Some).chain([None]);
        for (begin, end) in bounds.iter().zip(ends) {
            let (begin, end) = (*begin, end.copied().unwrap_or(*begin));
            if end == begin && begin > 0 && !self.is_mark(begin) && !self.is_joining(begin) {
                break; // the last cut belongs to the stretch before it
            }
            let mut redefined_ah = vec![0.0; levels.len()];
            if self.is_mark(begin) {
                let at_ms = facts.cuts[begin].at_ms;
                for (p, level) in levels.iter_mut().enumerate() {
                    if facts.on_busbar(p, at_ms) {
                        *level = facts.full(p, begin);
                    }
                }
            } else if begin > 0 {
                redefined_ah = self.join(begin, &mut levels);
            }
            let mut stretch = self.stretch(begin, end, levels.clone());
            stretch.states[0].redefined_ah = redefined_ah;
            if let Known::Closed(an_hour) = &stretch.known
                && self.filled.is_measured(begin, end)
            {
                self.closures.push(Closure {
                    begin,
                    end,
                    closure: an_hour.clone().times(facts.hours(begin, end)),
                });
            }
            let last = &stretch.states[stretch.states.len() - 1];
            levels = last.levels(facts, end, &self.taken(&stretch, last.cut, end));
            self.stretches.push(stretch);
        }
    }

    /// What packs hold that join at a cut, about: the others' state of charge.
    fn join(&self, cut: usize, levels: &mut Vec<Estimate>) -> Vec<f64> {
        let at_ms = self.facts.cuts[cut].at_ms;
        let state = sharing::changed(self.facts, cut, std::mem::take(levels));
        *levels = state.levels(self.facts, cut, &Estimate::default());
        let (before, after) = (self.facts.bank.at(at_ms - 1), self.facts.bank.at(at_ms));
        for (p, pack) in after.in_bank().filter(|(p, _)| !before.packs[*p].in_bank) {
            let unsure_ah = UNEQUAL_AT_JOINING * pack.capacity_ah;
            let level = std::mem::take(&mut levels[p]);
            levels[p] = level.moved(Source::UnequalSoc, Whose::Pack(p), at_ms, unsure_ah);
        }
        state.redefined_ah
    }

    /// Follows the packs through one stretch.
    fn stretch(&self, begin: usize, end: usize, levels: Vec<Estimate>) -> Stretch {
        let known = match (self.is_mark(begin), self.is_mark(end)) {
            (true, true) if end > begin => self
                .closure(begin, end, levels.clone())
                .map_or(Known::Forwards, |span| {
                    Known::Closed(span.closure.times(1.0 / self.facts.hours(begin, end)))
                }),
            (false, true) => Known::Backwards,
            _ => Known::Forwards,
        };
        let mut stretch = Stretch {
            begin,
            end,
            known,
            wander: self.losses.wander_at(begin),
            states: Vec::new(),
        };
        let knots = self.knots(begin, end);
        let levels = if matches!(stretch.known, Known::Backwards) {
            self.backwards(&stretch, &knots, levels)
        } else {
            levels
        };
        let taken = |from, until| self.taken(&stretch, from, until);
        stretch.states = sharing::follow(self.facts, &knots, levels, taken);
        stretch
    }

    /// What each pack held at the beginning of a stretch, such that those on the busbar are full at its end.
    fn backwards(&self, stretch: &Stretch, knots: &[usize], levels: Vec<Estimate>) -> Vec<Estimate> {
        let facts = self.facts;
        let begin_ms = facts.cuts[stretch.begin].at_ms;
        // Together they hold one Ah, and what those off the busbar hold stays.
        let one = |p| Estimate::exact(facts.share(p, begin_ms));
        let ones: Vec<Estimate> = (0..levels.len()).map(one).collect();
        let still: Vec<Estimate> = levels
            .into_iter()
            .enumerate()
            .map(|(p, level)| {
                if facts.on_busbar(p, begin_ms) {
                    Estimate::default()
                } else {
                    level
                }
            })
            .collect();
        let taken = |from, until| self.taken(stretch, from, until);
        let nothing = |_, _| Estimate::default();
        let beyond_full = sharing::together_at(facts, knots, stretch.end, still.clone(), taken)
            - facts.full_together(stretch.end);
        let by_one = sharing::together_at(facts, knots, stretch.end, ones.clone(), nothing);
        if by_one.value_ah <= 0.0 {
            return still;
        }
        let together = beyond_full.times(-1.0 / by_one.value_ah);
        still
            .into_iter()
            .zip(ones)
            .map(|(still, one)| still + together.clone().times(one.value_ah))
            .collect()
    }

    /// What the packs on the busbar took together between two cuts of a stretch, Ah.
    fn taken(&self, stretch: &Stretch, from: usize, until: usize) -> Estimate {
        let pieces = self.facts.between_recalibrations(0, from, until);
        pieces.windows(2).fold(Estimate::default(), |sum, pair| {
            sum + self.taken_of(stretch, pair[0], &self.flow(stretch, pair[0], pair[1]))
        })
    }

    /// What they took of what goes by the reference after a cut and before it is set anew, Ah: linear in the flow.
    fn taken_of(&self, stretch: &Stretch, from: usize, flow: &Flow) -> Estimate {
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
    fn wandering(&self, stretch: &Stretch, from: usize) -> Wandering {
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

    fn is_of_one_epoch(&self, stretch: &Stretch) -> bool {
        let epoch_ms = |cut: usize| self.facts.epoch_ms(0, self.facts.cuts[cut].at_ms);
        epoch_ms(stretch.begin) == epoch_ms(stretch.end)
    }

    /// Stored charge of pack `p` at a cut, relative to full (to the first cut where there is no mark at all), Ah.
    #[must_use]
    pub fn of_pack(&self, p: usize, at: usize) -> (Estimate, Basis) {
        let basis = self.basis(p, at, self.stretch_at(at));
        let at_ms = self.facts.cuts[at].at_ms;
        if self.is_mark(at) && self.facts.on_busbar(p, at_ms) {
            (self.facts.full(p, at), basis)
        } else {
            (self.shared(p, at), basis)
        }
    }

    /// What pack `p` holds at a cut by what the packs hold together, Ah. At a mark that is so only behind it: how far
    /// from full each is by itself then flows to the others.
    fn shared(&self, p: usize, at: usize) -> Estimate {
        let stretch = self.stretch_at(at);
        let state = stretch.state_at(at);
        let level = state.level(self.facts, p, at, &self.taken(stretch, state.cut, at));
        self.with_shares(p, at, level)
    }

    /// How what pack `p` holds goes on after a cut, up to the next.
    pub(super) fn goes_on(&self, p: usize, at: usize) -> GoesOn {
        let stretch = self.stretch_at(at);
        let state = stretch.state_at(at);
        let with = |flow: Flow| {
            let taken = self.taken_of(stretch, at, &flow).times(state.part(p));
            self.with_shares(p, at, taken)
        };
        let nothing = Flow::default;
        let counted = |counted| with(Flow { counted, ..nothing() });
        let [sampling, rounding] = self.filled.unsure_ah(0, at).map(|(source, by_ah)| {
            let at_ms = self.facts.cuts[at].at_ms;
            counted(Estimate::default().moved(source, Whose::Common, at_ms, by_ah))
        });
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
        }
    }

    /// What pack `p` holds differently after `from`, up to `until`, because it is counted as another pack, Ah.
    #[must_use]
    pub fn redefined_ah(&self, p: usize, from: usize, until: usize) -> f64 {
        self.stretches
            .iter()
            .flat_map(|stretch| &stretch.states)
            .filter(|state| state.cut > from && state.cut <= until)
            .map(|state| state.redefined_ah[p])
            .sum()
    }

    fn stretch_at(&self, at: usize) -> &Stretch {
        let behind = self.stretches.partition_point(|stretch| stretch.begin <= at);
        &self.stretches[behind.saturating_sub(1)]
    }

    /// The level with what it depends on the capacities: a larger pack takes a larger share, and a smaller one of
    /// every other. With `s` the shares and `u` the relative uncertainties of the capacities,
    /// `∂ ln s_p / ∂ ln C_q = δ_pq − s_q`.
    fn with_shares(&self, p: usize, at: usize, level: Estimate) -> Estimate {
        let level_ah = level.value_ah;
        let era = self.facts.era(at);
        let together_ah = era.capacity_ah();
        if let Some(Learned { since_ms, spread, .. }) = &era.learned {
            // What was learned of one is learned of the others too: causes that move all of them.
            return (0..spread.ncols()).fold(level, |level, cause| {
                let mean: f64 = era
                    .in_bank()
                    .map(|(q, pack)| pack.capacity_ah / together_ah * spread[(q, cause)])
                    .sum();
                let by_ah = (spread[(p, cause)] - mean) * level_ah;
                level.moved(Source::CapacityShare, Whose::Pack(cause), *since_ms, by_ah)
            });
        }
        era.in_bank().fold(level, |level, (q, pack)| {
            let own = if q == p { 1.0 } else { 0.0 };
            let share = pack.capacity_ah / together_ah;
            let by_ah = (own - share) * pack.capacity_uncertainty * level_ah;
            level.moved(Source::CapacityShare, Whose::Pack(q), 0, by_ah)
        })
    }

    /// Closed where the pack showed a full charge on both sides (or just now) of one chain of counts.
    fn basis(&self, p: usize, at: usize, stretch: &Stretch) -> Basis {
        let at_ms = self.facts.cuts[at].at_ms;
        let marks = &self.facts.marks;
        let counts = |earlier: bool| {
            let side = |mark_ms: i64| {
                if earlier {
                    mark_ms <= at_ms
                } else {
                    mark_ms >= at_ms
                }
            };
            marks.iter().any(|mark| mark.counts[p] && side(mark.at_ms))
        };
        let full_now = marks.iter().any(|mark| mark.at_ms == at_ms && mark.counts[p]);
        let closed = matches!(stretch.known, Known::Closed(_)) && self.is_of_one_epoch(stretch);
        if full_now || (closed && counts(true) && counts(false)) {
            Basis::Closed
        } else {
            Basis::Provisional
        }
    }

    /// How unequal pack `p` may be to the others at a cut, given its stored charge there, Ah (standard uncertainty).
    #[must_use]
    pub fn unequal_ah(&self, p: usize, at: usize, stored_ah: f64) -> f64 {
        let capacity_ah = self.facts.era(at).packs[p].capacity_ah;
        let at_ms = self.facts.cuts[at].at_ms;
        let mark = self.facts.marks.iter().find(|mark| mark.at_ms == at_ms);
        if let Some(mark) = mark.filter(|_| self.facts.on_busbar(p, at_ms)) {
            return if mark.counts[p] {
                0.0
            } else {
                UNEQUAL_AT_FOREIGN_MARK * capacity_ah
            };
        }
        self.unequal_after(p, at).ah(0.0, stored_ah)
    }

    /// The same after a cut, up to the next.
    pub(super) fn unequal_after(&self, p: usize, at: usize) -> Unequal {
        let share = self.facts.share(p, self.facts.cuts[at].at_ms);
        let era = self.facts.era(at);
        Unequal {
            capacity_ah: era.packs[p].capacity_ah,
            strays: era.learned.as_ref().and_then(|learned| learned.strays[p]),
            // What they hold together is known: one is off by what it lies beside their mean.
            beside: (1.0 - share).sqrt(),
            since_begun_h: self.facts.hours(0, at),
            full_is_known: !self.marks.is_empty(),
        }
    }
}
