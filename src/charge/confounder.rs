//! What else differs between groups of packs that are compared, and might be the reason for what is seen.

use super::compare::Drifting;

/// Groups whose capacities or times differ by less than this fraction are alike.
const ALIKE: f64 = 0.1;

/// Something that differs besides what is compared.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum Confounder {
    /// Mean rated capacities.
    #[error(
        "the packs of {one} hold {one_ah:.0} Ah on average, those of {other} {other_ah:.0} Ah: errors that go with \
         throughput grow with capacity"
    )]
    Capacity {
        /// One group.
        one: String,
        /// Ah.
        one_ah: f64,
        /// The other.
        other: String,
        /// Ah.
        other_ah: f64,
    },
    /// How long they were on trial.
    #[error("{one} is judged by {one_days:.0} days, {other} by {other_days:.0}")]
    Time {
        /// One group.
        one: String,
        /// Days of its shortest.
        one_days: f64,
        /// The other.
        other: String,
        /// Days of its shortest.
        other_days: f64,
    },
    /// What the groups are also told apart by.
    #[error("{one} and {other} differ in {what} too")]
    Also {
        /// One group.
        one: String,
        /// The other.
        other: String,
        /// "firmware" or "revision".
        what: &'static str,
    },
}

/// A group with what may matter besides.
#[derive(Debug, Clone)]
pub struct Group<'a> {
    /// Its name.
    pub name: String,
    /// Its packs.
    pub packs: Vec<&'a Drifting>,
    /// The values of what else packs are told apart by, one a pack.
    pub also: Vec<Option<String>>,
}

impl Group<'_> {
    fn mean_ah(&self) -> f64 {
        #[expect(clippy::cast_precision_loss, reason = "a handful of packs")]
        let count = self.packs.len() as f64;
        self.packs.iter().map(|pack| pack.capacity_ah).sum::<f64>() / count
    }

    fn days(&self) -> f64 {
        let days = self.packs.iter().map(|pack| pack.days);
        days.fold(f64::INFINITY, f64::min)
    }
}

/// What else differs between two groups; `what` names what they may be told apart by besides.
#[must_use]
pub fn between(one: &Group<'_>, other: &Group<'_>, what: &'static str) -> Vec<Confounder> {
    let apart = |left: f64, right: f64| (left - right).abs() > ALIKE * left.max(right);
    let names = || (one.name.clone(), other.name.clone());
    let mut found = Vec::new();
    if apart(one.mean_ah(), other.mean_ah()) {
        let (one_name, other_name) = names();
        found.push(Confounder::Capacity {
            one: one_name,
            one_ah: one.mean_ah(),
            other: other_name,
            other_ah: other.mean_ah(),
        });
    }
    if apart(one.days(), other.days()) {
        let (one_name, other_name) = names();
        found.push(Confounder::Time {
            one: one_name,
            one_days: one.days(),
            other: other_name,
            other_days: other.days(),
        });
    }
    let same = |left: &Group<'_>, right: &Group<'_>| left.also.iter().all(|value| right.also.contains(value));
    if !(same(one, other) && same(other, one)) {
        let (one, other) = names();
        found.push(Confounder::Also { one, other, what });
    }
    found
}
