//! Board revisions (or firmwares) side by side: a verdict that includes how units of one revision differ.
//!
//! The model is `rate of a unit = mean of its revision + what the unit is like + error of measurement`, with one
//! scatter between units for all revisions and the measurement's covariance as known. The scatter is estimated from
//! the units within revisions, and with so few of them its degrees of freedom decide (JCGM 100:2008, G.4:
//! Welch–Satterthwaite). With a single unit a revision gets no verdict: nothing says what another unit would do.

use super::{chance, compare, estimate::Estimate};

/// What units of one revision may differ by before any was seen: the zero error of an amplifier of 10 µV over a
/// board's shunt of a quarter of a milliohm, in Ah a day. It weighs as much as one degree of freedom.
pub(super) const SCATTER_AH_PER_DAY: f64 = 0.040 * 24.0;
pub(super) const SCATTER_DEGREES: f64 = 1.0;
/// A difference is claimed from this confidence on.
pub const CLAIMED: f64 = 0.95;

/// The units of one revision.
#[derive(Debug, Clone, PartialEq)]
pub struct Units {
    /// Rates of the units, estimates in Ah a day.
    pub rates: Vec<Estimate>,
    /// Days over which the shortest of them was measured.
    pub days: f64,
}

impl Units {
    /// Their mean, an estimate in Ah a day.
    #[must_use]
    pub fn mean(&self) -> Estimate {
        let sum: Estimate = self.rates.iter().cloned().sum();
        sum.times(1.0 / self.count())
    }

    #[expect(clippy::cast_precision_loss, reason = "a handful of units")]
    fn count(&self) -> f64 {
        self.rates.len() as f64
    }
}

/// How units scatter around their revisions.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Scatter {
    /// Standard deviation between units of one revision, Ah a day, the measurement's part taken off.
    pub ah_per_day: f64,
    /// The same with the measurement's part, squared: what was seen.
    seen: f64,
    /// Degrees of freedom behind it.
    pub degrees_of_freedom: f64,
}

impl Scatter {
    /// The scatter seen within revisions; `None` where each has but one unit.
    #[must_use]
    pub fn within(revisions: &[Units]) -> Option<Self> {
        let (mut squares, mut measured, mut degrees) = (0.0, 0.0, 0.0);
        for units in revisions.iter().filter(|units| units.rates.len() > 1) {
            let mean = units.mean();
            for rate in &units.rates {
                let off = rate.clone() - mean.clone();
                squares += off.value_ah.powi(2);
                measured += off.standard_uncertainty_ah().powi(2);
            }
            degrees += units.count() - 1.0;
        }
        let expected = SCATTER_DEGREES * SCATTER_AH_PER_DAY.powi(2);
        (degrees > 0.0).then(|| {
            let degrees_of_freedom = degrees + SCATTER_DEGREES;
            let seen = (squares + expected) / degrees_of_freedom;
            let own = (squares - measured).max(0.0);
            Self {
                ah_per_day: ((own + expected) / degrees_of_freedom).sqrt(),
                seen,
                degrees_of_freedom,
            }
        })
    }
}

/// Two revisions side by side.
#[derive(Debug, Clone, PartialEq)]
pub struct Verdict {
    /// The mean of one less the mean of the other, Ah a day.
    pub difference_ah_per_day: f64,
    /// Its standard uncertainty, the scatter between units included, Ah a day.
    pub standard_uncertainty_ah_per_day: f64,
    /// Effective degrees of freedom of that.
    pub degrees_of_freedom: f64,
    /// How sure it is that the two differ.
    pub differ: f64,
    /// How sure it is that one drifts less than the other, whichever way either drifts.
    pub one_is_better: f64,
    /// Whether that is the first of the two.
    pub first_is_better: bool,
    /// What it would still take, where nothing can be claimed.
    pub needs: Option<Needs>,
}

/// What a difference that is what it seems to be would still take to be claimed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Needs {
    /// The test to run about so many more days.
    Days(f64),
    /// More units: so many of each revision.
    Units(u32),
}

impl Verdict {
    /// Compares two revisions of at least two units each; `None` where either has fewer.
    #[must_use]
    pub fn between(first: &Units, second: &Units, scatter: &Scatter) -> Option<Self> {
        if first.rates.len() < 2 || second.rates.len() < 2 {
            return None;
        }
        let each = first.count().recip() + second.count().recip();
        let sure = |of: &Estimate| {
            let between = scatter.ah_per_day.powi(2) * each;
            let variance = between + of.standard_uncertainty_ah().powi(2);
            let behind = (scatter.seen * each).powi(2) / scatter.degrees_of_freedom;
            let degrees_of_freedom = (variance * variance / behind).max(scatter.degrees_of_freedom);
            let uncertainty = variance.sqrt();
            let confidence = chance::confidence(of.value_ah / uncertainty, degrees_of_freedom);
            (uncertainty, degrees_of_freedom, confidence)
        };
        let difference = first.mean() - second.mean();
        let (uncertainty, degrees_of_freedom, differ) = sure(&difference);
        // |a| < |b| where b − a and b + a have the same sign: both must be sure.
        let (_, _, apart_from_mirrored) = sure(&(first.mean() + second.mean()));
        let one_is_better = differ.min(apart_from_mirrored);
        let needs = (differ < CLAIMED).then(|| {
            let t = chance::t_for(CLAIMED, degrees_of_freedom);
            let left = (difference.value_ah / t).powi(2) - scatter.ah_per_day.powi(2) * each;
            let days = (left > 0.0)
                .then(|| {
                    let sure_at = difference.value_ah.abs() / left.sqrt();
                    compare::days_until(&difference, first.days.min(second.days), sure_at)
                })
                .flatten();
            days.map_or_else(
                || Needs::Units(units_for(difference.value_ah, scatter)),
                Needs::Days,
            )
        });
        Some(Self {
            difference_ah_per_day: difference.value_ah,
            standard_uncertainty_ah_per_day: uncertainty,
            degrees_of_freedom,
            differ,
            one_is_better,
            first_is_better: first.mean().value_ah.abs() < second.mean().value_ah.abs(),
            needs,
        })
    }
}

/// How many units of each of two revisions it takes to claim a difference in Ah a day, at most 99.
fn units_for(difference: f64, scatter: &Scatter) -> u32 {
    let enough = |units: &u32| {
        let degrees_of_freedom = 2.0 * (f64::from(*units) - 1.0) + SCATTER_DEGREES;
        let uncertainty = scatter.ah_per_day * (2.0 / f64::from(*units)).sqrt();
        difference.abs() >= chance::t_for(CLAIMED, degrees_of_freedom) * uncertainty
    };
    (2..99).find(enough).unwrap_or(99)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn units(rates: &[f64]) -> Units {
        Units {
            rates: rates.iter().copied().map(Estimate::exact).collect(),
            days: 68.0,
        }
    }

    #[test]
    fn one_unit_says_nothing_of_its_revision() {
        let (one, two) = (units(&[1.0]), units(&[5.0, 5.1]));
        let scatter = Scatter::within(&[one.clone(), two.clone()]).unwrap();
        assert_eq!(Verdict::between(&one, &two, &scatter), None);
        assert_eq!(Scatter::within(&[one.clone(), one]), None);
    }

    #[test]
    fn units_that_differ_as_much_as_revisions_make_no_verdict() {
        let revisions = [units(&[0.0, 3.0]), units(&[2.0, 5.0])];
        let scatter = Scatter::within(&revisions).unwrap();
        let verdict = Verdict::between(&revisions[0], &revisions[1], &scatter).unwrap();
        assert!(verdict.differ < CLAIMED);
        assert!(matches!(verdict.needs, Some(Needs::Units(3..))));
    }

    #[test]
    fn units_alike_and_revisions_apart_make_one() {
        let revisions = [units(&[0.2, 0.9]), units(&[5.0, 5.6])];
        let scatter = Scatter::within(&revisions).unwrap();
        let verdict = Verdict::between(&revisions[0], &revisions[1], &scatter).unwrap();
        assert!(verdict.one_is_better > CLAIMED && verdict.first_is_better);
    }

    #[test]
    fn as_much_to_either_side_is_a_difference_but_not_a_better_one() {
        let revisions = [units(&[-3.0, -3.2]), units(&[3.1, 3.3])];
        let scatter = Scatter::within(&revisions).unwrap();
        let verdict = Verdict::between(&revisions[0], &revisions[1], &scatter).unwrap();
        assert!(verdict.differ > CLAIMED && verdict.one_is_better < 0.5);
    }
}
