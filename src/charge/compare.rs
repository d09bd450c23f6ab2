//! Packs side by side: how fast each drifts, in what order, and how sure each order is.
//!
//! Every rate keeps its causes, so what all packs owe to the reference cancels in their differences or not as it
//! should.

use super::{
    chance,
    drift::{Insufficient, Record},
    estimate::{Estimate, Source},
    rate::{DAYS_PER_MONTH, Rate},
};

/// An order is taken for decided from this probability on.
pub const DECIDED: f64 = 0.95;
/// The standard normal deviate of [`DECIDED`].
const DECIDED_AT: f64 = 1.645;
/// Nobody plans a test that is longer, days.
const LONGEST_DAYS: u32 = 730;

/// How fast a pack drifts, in its present epoch.
#[derive(Debug, Clone, PartialEq)]
pub struct Drifting {
    /// The pack.
    pub p: usize,
    /// From, ms since 1970.
    pub begin_ms: i64,
    /// Until, ms since 1970.
    pub end_ms: i64,
    /// Length in days.
    pub days: f64,
    /// The pack's rated capacity, Ah.
    pub capacity_ah: f64,
    /// Charge in and out as the pack counted it, Ah.
    pub throughput_ah: f64,
    /// The rate: an estimate in Ah a day.
    pub ah_per_day: Estimate,
}

impl Drifting {
    /// The rate as an estimate in points of capacity a month.
    #[must_use]
    pub fn points_per_month(&self) -> Estimate {
        self.ah_per_day
            .clone()
            .times(100.0 * DAYS_PER_MONTH / self.capacity_ah)
    }

    /// The error in % of the throughput; `None` where nothing went through.
    #[must_use]
    pub fn percent_of_throughput(&self) -> Option<f64> {
        (self.throughput_ah > 0.0).then(|| 100.0 * self.ah_per_day.value_ah * self.days / self.throughput_ah)
    }
}

/// Two packs in order of how fast they drift.
#[derive(Debug, Clone, PartialEq)]
pub struct Order {
    /// The one that drifts less, as a place among the [`Drifting`].
    pub less: usize,
    /// The one that drifts more.
    pub more: usize,
    /// Probability of that order.
    pub probability: f64,
    /// By how much the faster one is faster: an estimate in points of capacity a month.
    pub difference: Estimate,
    /// About how many more days would decide it; `None` where it is decided, or where no test of two years would.
    pub more_days: Option<f64>,
}

/// A change of a pack's rate at a recalibration.
#[derive(Debug, Clone, PartialEq)]
pub struct Change {
    /// The pack.
    pub p: usize,
    /// Before it.
    pub before: Rate,
    /// After it.
    pub after: Rate,
    /// After less before: an estimate in Ah a day.
    pub by: Estimate,
}

impl Record<'_> {
    /// How fast pack `p`, of this rated capacity in Ah, drifts in the last epoch between two cuts.
    ///
    /// # Errors
    /// [`Insufficient`] where there is too little to answer from.
    pub fn drifting(
        &self,
        p: usize,
        capacity_ah: f64,
        (from, until): (usize, usize),
    ) -> Result<Drifting, Insufficient> {
        let rate = self.last_rate(p, from, until)?;
        let begin = self.facts.cut_at(rate.begin_ms).unwrap_or(from);
        let counted = self.heard(p + 1, begin, until);
        Ok(Drifting {
            p,
            begin_ms: rate.begin_ms,
            end_ms: rate.end_ms,
            days: rate.days,
            capacity_ah,
            throughput_ah: counted.throughput_ah(),
            ah_per_day: rate.per_day(),
        })
    }

    /// The changes of pack `p`'s rate at recalibrations between two cuts, where both sides of one can be told.
    #[must_use]
    pub fn changes(&self, p: usize, from: usize, until: usize) -> Vec<Change> {
        let rates = self.rates(p, from, until);
        let change = |pair: &[Result<Rate, Insufficient>]| match pair {
            [Ok(before), Ok(after)] => Some(Change {
                p,
                by: after.per_day() - before.per_day(),
                before: before.clone(),
                after: after.clone(),
            }),
            _ => None,
        };
        rates.windows(2).filter_map(change).collect()
    }
}

/// The packs by their rate's size in points of capacity a month, the slowest first.
#[must_use]
pub fn ranked(mut drifting: Vec<Drifting>) -> Vec<Drifting> {
    let size = |one: &Drifting| one.points_per_month().value_ah.abs();
    drifting.sort_by(|one, other| size(one).total_cmp(&size(other)));
    drifting
}

/// Every two of them, in the order of [`ranked`].
#[must_use]
pub fn orders(ranked: &[Drifting]) -> Vec<Order> {
    let rates: Vec<Estimate> = ranked.iter().map(Drifting::points_per_month).collect();
    let pairs = (0..ranked.len()).flat_map(|less| (less + 1..ranked.len()).map(move |more| (less, more)));
    pairs
        .map(|(less, more)| {
            let probability = chance::is_larger(&rates[more], &rates[less]);
            let difference = sized(&rates[more]) - sized(&rates[less]);
            let days = ranked[less].days.min(ranked[more].days);
            let more_days = (probability < DECIDED)
                .then(|| days_until(&difference, days, DECIDED_AT))
                .flatten();
            Order {
                less,
                more,
                probability,
                difference,
                more_days,
            }
        })
        .collect()
}

/// The estimate with its sign turned such that its value is positive.
fn sized(estimate: &Estimate) -> Estimate {
    let estimate = estimate.clone();
    if estimate.value_ah < 0.0 {
        -estimate
    } else {
        estimate
    }
}

/// About how many more days it takes until a difference of rates that was measured over `days` is `sure_at` standard
/// uncertainties, if it stays what it is; `None` where two years wouldn't do.
///
/// Full charges, imbalance and gaps leave an error in Ah that doesn't grow, sampling and rounding one that grows
/// with the root of time, all else goes on at its rate.
#[must_use]
pub fn days_until(difference: &Estimate, days: f64, sure_at: f64) -> Option<f64> {
    let allowed = (difference.value_ah / sure_at).powi(2);
    let variance_after = |longer: f64| -> f64 {
        let fades = |source: Source| match source {
            Source::FullCharge | Source::UnequalSoc | Source::Gaps => longer.powi(-2),
            Source::Sampling | Source::Resolution => longer.recip(),
            _ => 1.0,
        };
        let lines = difference.budget().into_iter();
        lines.map(|(source, by)| by * by * fades(source)).sum()
    };
    (1..=LONGEST_DAYS)
        .map(f64::from)
        .take_while(|more| days + more <= f64::from(LONGEST_DAYS))
        .find(|more| variance_after((days + more) / days) <= allowed)
}

#[cfg(test)]
mod tests {
    use super::super::estimate::Whose;
    use super::*;

    fn drifting(p: usize, ah_per_day: f64, own: f64, shared: f64) -> Drifting {
        Drifting {
            p,
            begin_ms: 0,
            end_ms: 86_400_000 * 40,
            days: 40.0,
            capacity_ah: 200.0,
            throughput_ah: 1000.0,
            ah_per_day: Estimate::exact(ah_per_day)
                .moved(Source::FullCharge, Whose::Pack(p), 0, own)
                .moved(Source::ReferenceOffset, Whose::Common, 0, shared),
        }
    }

    #[test]
    fn what_all_owe_to_the_reference_does_not_blur_the_order() {
        let ranked = ranked(vec![drifting(0, 1.3, 0.02, 0.5), drifting(1, 1.0, 0.02, 0.5)]);
        assert_eq!((ranked[0].p, ranked[1].p), (1, 0));
        let order = &orders(&ranked)[0];
        assert!(order.probability > 0.98, "{}", order.probability);
        assert_eq!(order.more_days, None);
    }

    #[test]
    fn packs_that_drift_to_either_side_are_ranked_by_size() {
        let ranked = ranked(vec![drifting(0, -1.3, 0.02, 0.0), drifting(1, 1.0, 0.02, 0.0)]);
        let order = &orders(&ranked)[0];
        assert!(order.probability > 0.98);
        assert!((order.difference.value_ah - 0.3 * 100.0 * DAYS_PER_MONTH / 200.0).abs() < 1e-9);
    }

    #[test]
    fn an_error_of_the_ends_fades_with_the_length_of_the_test() {
        let close = [drifting(0, 1.0, 0.1, 0.0), drifting(1, 1.1, 0.1, 0.0)];
        let order = &orders(&close)[0];
        assert!(order.probability < DECIDED);
        // 0.1 apart with 0.1·√2 of uncertainty: 1.645 times it after 40·1.645·√2 days.
        assert_eq!(
            order.more_days,
            Some((40.0 * 1.645 * 2.0_f64.sqrt() - 40.0).ceil())
        );
        let lasting = [drifting(0, 1.0, 0.1, 0.1), drifting(1, -1.1, 0.1, 0.1)];
        assert_eq!(orders(&lasting)[0].more_days, None);
    }
}
