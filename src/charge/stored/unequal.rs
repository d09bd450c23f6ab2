//! How unequal packs on one busbar may be.

use super::Stored;
use crate::charge::sharing;

/// Imbalance between packs on one busbar on the flat part of the curve, fraction of capacity.
pub(in crate::charge) const UNEQUAL_FLAT: f64 = 0.006;
/// The same near empty and near full, where voltage tells more.
const UNEQUAL_STEEP: f64 = 0.004;
/// The same at a mark that doesn't count for the pack, fraction of capacity.
const UNEQUAL_AT_FOREIGN_MARK: f64 = 0.02;
/// The same when the record begins, as nobody knows for how long the packs have stood on one busbar by then: common
/// practice is to put packs together within two points of each other, taken as a rectangular distribution.
const UNEQUAL_AT_BEGINNING: f64 = 0.0115;
/// Where the curve is steep: this near full or empty, fraction of capacity.
const STEEP_WITHIN: f64 = 0.12;

/// How unequal a pack may be to the others between two neighbouring cuts.
pub(in crate::charge) struct Unequal {
    capacity_ah: f64,
    /// How far it was learned to stray, fraction of capacity.
    strays: Option<f64>,
    beside: f64,
    since_begun_h: f64,
    full_is_known: bool,
}

impl Unequal {
    /// So many hours after the first of them, given the pack's stored charge then, Ah (standard uncertainty).
    pub(in crate::charge) fn ah(&self, after_h: f64, stored_ah: f64) -> f64 {
        let depth = -stored_ah / self.capacity_ah;
        let since_begun_h = self.since_begun_h + after_h;
        let left = (-since_begun_h / sharing::SETTLES_WITHIN_H).exp();
        let begun = self.beside * UNEQUAL_AT_BEGINNING * left;
        let steep = !self.full_is_known || !(STEEP_WITHIN..=1.0 - STEEP_WITHIN).contains(&depth);
        let usual = if steep { UNEQUAL_STEEP } else { UNEQUAL_FLAT };
        // One that strays further does so in proportion where packs are usually more alike.
        let settled = self.strays.map_or(usual, |strays| {
            strays.min(usual).max(usual * strays / UNEQUAL_FLAT)
        });
        // A pack by itself is like itself; what they began with gives way to what is usual.
        let settled = if self.beside > 0.0 { settled } else { 0.0 };
        self.capacity_ah * (settled * (1.0 - left * left).sqrt()).hypot(begun)
    }
}

impl Stored<'_> {
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
    pub(in crate::charge) fn unequal_after(&self, p: usize, at: usize) -> Unequal {
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
