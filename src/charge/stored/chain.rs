//! One chain of counts: what its full charges say of the reference and of what the packs held.

use super::{Known, Stored, Stretch};
use crate::charge::{estimate::Estimate, losses::Closure, sharing};

impl Stored<'_> {
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
    pub(super) fn closure(&self, begin: usize, end: usize, levels: Vec<Estimate>) -> Option<Closure> {
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

    /// Follows the packs through one stretch.
    pub(super) fn stretch(&self, begin: usize, end: usize, levels: Vec<Estimate>) -> Stretch {
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
        // Together they hold one Ah, and what those off the busbar hold stays, as does how the others differ.
        let one = |p| Estimate::exact(facts.share(p, begin_ms));
        let ones: Vec<Estimate> = (0..levels.len()).map(one).collect();
        let on = |(p, level): (usize, &Estimate)| facts.on_busbar(p, begin_ms).then(|| level.clone());
        let held: Estimate = levels.iter().enumerate().filter_map(on).sum();
        let still: Vec<Estimate> = levels
            .into_iter()
            .zip(&ones)
            .map(|(level, one)| level - held.clone().times(one.value_ah))
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
}
