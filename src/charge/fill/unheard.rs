//! How the count of an instrument goes on between two cuts in which it was not heard.

use super::{Filled, How};
use crate::charge::estimate::Estimate;

/// What an instrument counts while it is not heard: so much of what others are heard to count, the rest evenly.
#[derive(Debug)]
pub(in crate::charge) struct Unheard {
    /// By position of the instrument: what part of its count goes over.
    followed: Vec<(usize, f64)>,
    /// What it counts beside by the next cut, Ah.
    pub(in crate::charge) rest: Estimate,
}

impl Unheard {
    /// What it has counted of that which others have, Ah.
    pub(in crate::charge) fn followed_ah(&self, counted_ah: impl Fn(usize) -> f64) -> f64 {
        let followed = self.followed.iter();
        followed.map(|(of, part)| part * counted_ah(*of)).sum()
    }
}

impl Filled<'_> {
    /// How the count of an instrument goes on after a cut in which it is not heard up to the next; `None` where it is.
    pub(in crate::charge) fn unheard(&self, of: usize, index: usize) -> Option<Unheard> {
        let amount = &self.amounts[of][index];
        let begin_ms = self.segments[index].begin_ms;
        let followed: Vec<(usize, f64)> = match (of.checked_sub(1), amount.how) {
            (_, How::Heard) => return None,
            (None, How::ByOthers) => {
                let share = |p: &usize| self.facts.share(*p, begin_ms);
                let together: f64 = self.witnesses[index].iter().map(share).sum();
                let heard = self.witnesses[index]
                    .iter()
                    .filter(|p| self.is_heard(**p + 1, index));
                heard.map(|p| (p + 1, 1.0 / together)).collect()
            }
            (Some(p), how) if how != How::ByItself || self.is_heard(0, index) => {
                vec![(0, self.facts.share(p, begin_ms))]
            }
            _ => Vec::new(),
        };
        let mut unheard = Unheard {
            followed,
            rest: amount.ah.clone(),
        };
        unheard.rest.value_ah -= unheard.followed_ah(|of| self.amounts[of][index].ah.value_ah);
        Some(unheard)
    }
}
