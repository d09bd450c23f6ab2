//! Stored charge between marks: what the reference counted, less what it cannot see, shared among the packs.
//!
//! Between two marks the closure of the reference is known and taken off in proportion to elapsed time, as for any
//! instrument that is calibrated before and after a deployment. After the last mark (and before the first) what is
//! taken off is what the losses say. Where a pack joins a bank, nobody knows what it brings: the chain breaks
//! there, and the charge is known from the marks on either side only.

mod between;
mod chain;
mod taken;
mod unequal;

use super::{
    estimate::{Estimate, Source, Whose},
    facts::{Facts, Learned},
    fill::Filled,
    losses::{Closure, Losses},
    sharing::{self, Shared},
    wander::Wander,
};

pub(super) use between::{GoesOn, Passed};
pub(super) use unequal::{UNEQUAL_FLAT, Unequal};

/// How unlike the others' state of charge that of a pack may be which joins a bank, fraction of capacity: it comes as it
/// was stored, within some 35 points of them, taken as a rectangular distribution. Common practice, no source.
const UNEQUAL_AT_JOINING: f64 = 0.2;

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
        cut > 0 && (0..after.packs.len()).any(|p| after.joins(before, p))
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
            let mut redefined = vec![Estimate::ZERO; levels.len()];
            if self.is_mark(begin) {
                let at_ms = facts.cuts[begin].at_ms;
                for (p, level) in levels.iter_mut().enumerate() {
                    if facts.on_busbar(p, at_ms) {
                        *level = facts.full(p, begin);
                    }
                }
            } else if begin > 0 {
                redefined = self.join(begin, &mut levels);
            }
            let mut stretch = self.stretch(begin, end, levels.clone());
            stretch.states[0].redefined = redefined;
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
    fn join(&self, cut: usize, levels: &mut Vec<Estimate>) -> Vec<Estimate> {
        let at_ms = self.facts.cuts[cut].at_ms;
        let state = sharing::changed(self.facts, cut, std::mem::take(levels));
        *levels = state.levels(self.facts, cut, &Estimate::default());
        let mut redefined = state.redefined;
        let (before, after) = (self.facts.bank.at(at_ms - 1), self.facts.bank.at(at_ms));
        for (p, pack) in after.in_bank().filter(|(p, _)| after.joins(before, *p)) {
            let unsure_ah = UNEQUAL_AT_JOINING * pack.capacity_ah;
            let level = std::mem::take(&mut levels[p]);
            levels[p] = level.moved(Source::UnequalSoc, Whose::Pack(p), at_ms, unsure_ah);
            let brought = std::mem::take(&mut redefined[p]);
            redefined[p] = brought.moved(Source::UnequalSoc, Whose::Pack(p), at_ms, unsure_ah);
        }
        redefined
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

    /// What pack `p` holds differently after `from`, up to `until`, because it is counted as another pack.
    #[must_use]
    pub fn redefined(&self, p: usize, from: usize, until: usize) -> Estimate {
        self.stretches
            .iter()
            .flat_map(|stretch| &stretch.states)
            .filter(|state| state.cut > from && state.cut <= until)
            .map(|state| state.redefined[p].clone())
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
}
