//! How the charge of packs on one busbar is shared among them, through every change of who is on it.
//!
//! Packs on one busbar settle to nearly one state of charge, so each carries its capacity's share of what they
//! hold together. A pack off the busbar keeps what it held. When it returns, everything is summed and shared anew;
//! what it brought too much or too little flows to the others within hours.

use super::{
    estimate::{Estimate, Source, Whose},
    facts::{Era, Facts},
};

/// Time constant with which a pack that returns comes to the others' state of charge, h. Two packs some points
/// apart on the flat part of the curve differ by a tenth of a volt or so, which tens of milliohms turn into a few
/// amperes: common practice, no source.
pub(super) const SETTLES_WITHIN_H: f64 = 8.0;

/// What each pack holds from one instant on, Ah relative to full.
#[derive(Debug, Clone)]
pub(super) struct Shared {
    /// The instant, as a cut.
    pub(super) cut: usize,
    /// What the packs on the busbar hold together.
    together: Estimate,
    packs: Vec<Held>,
    /// By pack: what it holds differently from the instant before because it is counted as another pack, Ah.
    pub(super) redefined: Vec<Estimate>,
}

/// What one pack holds.
#[derive(Debug, Clone)]
enum Held {
    /// Its share of what the packs on the busbar hold together.
    Share {
        part: f64,
        /// What it holds beyond its share, which flows to the others.
        beyond: Option<Estimate>,
    },
    /// What it held when it left.
    Still(Estimate),
}

impl Shared {
    /// What the packs hold from a cut on, given what each of them holds at it.
    pub(super) fn from(facts: &Facts, cut: usize, levels: Vec<Estimate>) -> Self {
        let at_ms = facts.cuts[cut].at_ms;
        let on: Vec<bool> = (0..levels.len()).map(|p| facts.on_busbar(p, at_ms)).collect();
        let together: Estimate = levels
            .iter()
            .zip(&on)
            .filter(|(_, on)| **on)
            .map(|(level, _)| level.clone())
            .sum();
        let redefined = vec![Estimate::ZERO; levels.len()];
        let (before, now) = (facts.bank.at(at_ms - 1), facts.bank.at(at_ms));
        let joins = |p: usize| now.joins(before, p);
        let packs = levels
            .into_iter()
            .enumerate()
            .map(|(p, level)| {
                if !on[p] {
                    return Held::Still(level);
                }
                let part = facts.share(p, at_ms);
                let beyond = level - together.clone().times(part);
                Held::Share {
                    part,
                    // Of a pack that joins nobody knows what it is.
                    beyond: (beyond.value_ah.abs() > 1e-9 || joins(p)).then_some(beyond),
                }
            })
            .collect();
        Self {
            cut,
            together,
            packs,
            redefined,
        }
    }

    /// What pack `p` holds at a later cut before anything changes, given what the packs on the busbar took
    /// together since.
    pub(super) fn level(&self, facts: &Facts, p: usize, at: usize, taken: &Estimate) -> Estimate {
        match &self.packs[p] {
            Held::Still(level) => level.clone(),
            Held::Share { part, beyond } => {
                let level = (self.together.clone() + taken.clone()).times(*part);
                let Some(beyond) = beyond else {
                    return level;
                };
                let (left, unsure) = left_beyond(facts.hours(self.cut, at));
                let since_ms = facts.cuts[self.cut].at_ms;
                let unsure_ah = unsure * beyond.value_ah;
                (level + beyond.clone().times(left)).moved(
                    Source::UnequalSoc,
                    Whose::Pack(p),
                    since_ms,
                    unsure_ah,
                )
            }
        }
    }

    /// The part that pack `p` takes of what the packs on the busbar take together.
    pub(super) fn part(&self, p: usize) -> f64 {
        match &self.packs[p] {
            Held::Still(_) => 0.0,
            Held::Share { part, .. } => *part,
        }
    }

    /// What pack `p` holds beyond its share at first.
    pub(super) fn beyond(&self, p: usize) -> Option<&Estimate> {
        match &self.packs[p] {
            Held::Still(_) => None,
            Held::Share { beyond, .. } => beyond.as_ref(),
        }
    }

    /// What every pack holds at a later cut before anything changes.
    pub(super) fn levels(&self, facts: &Facts, at: usize, taken: &Estimate) -> Vec<Estimate> {
        (0..self.packs.len())
            .map(|p| self.level(facts, p, at, taken))
            .collect()
    }

    /// What the packs on the busbar hold together at a later cut before anything changes.
    pub(super) fn together(&self, taken: &Estimate) -> Estimate {
        self.together.clone() + taken.clone()
    }
}

/// How much is left of what a pack holds beyond its share after so many hours, and how unsure that is, as parts of
/// what it was: half the difference between settling twice as fast and half as fast.
pub(super) fn left_beyond(hours: f64) -> (f64, f64) {
    let passed = hours / SETTLES_WITHIN_H;
    let unsure = 0.5 * ((-passed / 2.0).exp() - (-2.0 * passed).exp());
    ((-passed).exp(), unsure)
}

/// Follows the packs through the changes at `knots`, from `levels` at the first of them on.
///
/// `taken` says what the packs on the busbar took together between two cuts.
pub(super) fn follow(
    facts: &Facts,
    knots: &[usize],
    levels: Vec<Estimate>,
    taken: impl Fn(usize, usize) -> Estimate,
) -> Vec<Shared> {
    let mut states = vec![Shared::from(facts, knots[0], levels)];
    for knot in &knots[1..] {
        let before = &states[states.len() - 1];
        let levels = before.levels(facts, *knot, &taken(before.cut, *knot));
        states.push(changed(facts, *knot, levels));
    }
    states
}

/// What the packs on the busbar hold together at `end`, behind the last of the `knots`.
pub(super) fn together_at(
    facts: &Facts,
    knots: &[usize],
    end: usize,
    levels: Vec<Estimate>,
    taken: impl Fn(usize, usize) -> Estimate,
) -> Estimate {
    let states = follow(facts, knots, levels, &taken);
    let last = &states[states.len() - 1];
    last.together(&taken(last.cut, end))
}

/// What the packs hold from a change on. A pack that is another one from then on (or is known to be of another
/// capacity) holds what the others' state of charge says.
pub(super) fn changed(facts: &Facts, cut: usize, levels: Vec<Estimate>) -> Shared {
    let at_ms = facts.cuts[cut].at_ms;
    let (before, after) = (facts.bank.at(at_ms - 1), facts.bank.at(at_ms));
    let was_on = |p: &usize| facts.on_busbar(*p, at_ms - 1);
    let (mut held, mut of_ah) = (Estimate::default(), 0.0);
    for p in (0..levels.len()).filter(was_on) {
        held = held + levels[p].clone();
        of_ah += before.packs[p].capacity_ah;
    }
    let mut redefined = vec![Estimate::ZERO; levels.len()];
    let mut now = levels;
    for p in 0..now.len() {
        if is_another(before, after, p) && of_ah > 0.0 {
            let level = held.clone().times(after.packs[p].capacity_ah / of_ah);
            redefined[p] = Estimate::exact(level.value_ah - now[p].value_ah);
            now[p] = level;
        }
    }
    Shared {
        redefined,
        ..Shared::from(facts, cut, now)
    }
}

/// Whether a pack of the bank is not what it was: it has joined, or is known to be of another capacity.
#[expect(clippy::float_cmp, reason = "the same figure from the same setup")]
fn is_another(before: &Era, after: &Era, p: usize) -> bool {
    let another = before.packs[p].capacity_ah != after.packs[p].capacity_ah;
    after.joins(before, p) || (after.packs[p].in_bank && another)
}
