//! How likely something is, given estimates: orders of sizes, and how sure a difference with few degrees of freedom
//! is.

use statrs::{
    distribution::{ContinuousCDF, StudentsT},
    function::erf::erfc,
};

use super::estimate::Estimate;

/// Half the panels of the numerical integral; errors are below 1e-4.
const PANELS: u32 = 400;
/// With more degrees of freedom than this it is as good as the normal distribution.
const MANY: f64 = 1e4;
/// Beyond so many standard deviations nothing is left to integrate.
const ENDS: f64 = 8.0;

/// Probability that a normally distributed quantity with nothing as its mean and a standard deviation of one lies
/// below `z`.
#[must_use]
pub fn below(z: f64) -> f64 {
    0.5 * erfc(-z / std::f64::consts::SQRT_2)
}

/// Probability that `one` is larger in size, whatever its sign, than `other`: the two taken as jointly normal with
/// the covariance of what they have in common.
///
/// `|x| > |y|` where `x − y` and `x + y` have the same sign.
#[must_use]
pub fn is_larger(one: &Estimate, other: &Estimate) -> f64 {
    let difference = one.clone() - other.clone();
    let sum = one.clone() + other.clone();
    let (spread, sum_spread) = (
        difference.standard_uncertainty_ah(),
        sum.standard_uncertainty_ah(),
    );
    if spread <= 0.0 || sum_spread <= 0.0 {
        return match one.value_ah.abs().total_cmp(&other.value_ah.abs()) {
            std::cmp::Ordering::Less => 0.0,
            std::cmp::Ordering::Equal => 0.5,
            std::cmp::Ordering::Greater => 1.0,
        };
    }
    // Given the difference, the sum is normal with a mean that follows it and a smaller spread.
    let slope = difference.covariance(&sum) / spread;
    let left = (sum_spread * sum_spread - slope * slope)
        .max(1e-12 * sum_spread * sum_spread)
        .sqrt();
    let same_sign = |z: f64| {
        let sign = (difference.value_ah + spread * z).signum();
        let density = (-0.5 * z * z).exp() / std::f64::consts::TAU.sqrt();
        density * below(sign * (sum.value_ah + slope * z) / left)
    };
    let change = (-difference.value_ah / spread).clamp(-ENDS, ENDS);
    midpoints(-ENDS, change, same_sign) + midpoints(change, ENDS, same_sign)
}

fn midpoints(from: f64, until: f64, of: impl Fn(f64) -> f64) -> f64 {
    let width = (until - from) / f64::from(PANELS);
    (0..PANELS)
        .map(|panel| width * of(from + (f64::from(panel) + 0.5) * width))
        .sum()
}

/// How sure it is that a difference of `t` standard uncertainties, which have these degrees of freedom, is none of
/// chance: one less the probability of a difference as large in either direction where there is none (Student).
#[must_use]
pub fn confidence(t: f64, degrees_of_freedom: f64) -> f64 {
    StudentsT::new(0.0, 1.0, degrees_of_freedom.min(MANY))
        .map_or(0.0, |student| 2.0 * student.cdf(t.abs()) - 1.0)
}

/// The `t` at which [`confidence`] is reached.
#[must_use]
pub fn t_for(confidence: f64, degrees_of_freedom: f64) -> f64 {
    StudentsT::new(0.0, 1.0, degrees_of_freedom.min(MANY)).map_or(f64::INFINITY, |student| {
        student.inverse_cdf(0.5 + 0.5 * confidence)
    })
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::super::estimate::{Source, Whose};
    use super::*;

    fn estimate(value: f64, own: f64, p: usize, shared: f64) -> Estimate {
        Estimate::exact(value)
            .moved(Source::Sampling, Whose::Pack(p), 0, own)
            .moved(Source::ReferenceOffset, Whose::Common, 0, shared)
    }

    proptest! {
        #[test]
        fn one_of_two_is_larger(
            x in -3.0..3.0f64, y in -3.0..3.0f64, u in 0.1..2.0f64, v in 0.1..2.0f64, shared in -1.0..1.0f64,
        ) {
            let (x, y) = (estimate(x, u, 1, shared), estimate(y, v, 2, shared));
            prop_assert!((is_larger(&x, &y) + is_larger(&y, &x) - 1.0).abs() < 1e-3);
        }

        #[test]
        fn of_two_that_share_nothing_signs_play_no_part(
            x in -3.0..3.0f64, y in -3.0..3.0f64, u in 0.1..2.0f64, v in 0.1..2.0f64,
        ) {
            let (x, y) = (estimate(x, u, 1, 0.0), estimate(y, v, 2, 0.0));
            prop_assert!((is_larger(&x, &y) - is_larger(&-x, &y)).abs() < 1e-3);
        }

        #[test]
        fn far_from_nothing_it_is_the_order_of_two_numbers(x in 8.0..9.0f64, y in 8.0..9.0f64, u in 0.1..0.5f64) {
            let (one, other) = (estimate(x, u, 1, 0.3), estimate(-y, u, 2, 0.0));
            let expect = below((x - y) / (2.0 * u * u + 0.09).sqrt());
            prop_assert!((is_larger(&one, &other) - expect).abs() < 1e-3);
        }
    }

    #[test]
    fn few_degrees_of_freedom_ask_for_more() {
        // Two-sided 95 % points of Student's t (JCGM 100:2008, table G.2).
        for (degrees_of_freedom, t) in [
            (1.0, 12.71),
            (2.0, 4.30),
            (3.0, 3.18),
            (10.0, 2.23),
            (100.0, 1.984),
        ] {
            assert!((t_for(0.95, degrees_of_freedom) - t).abs() < 0.005);
            assert!((confidence(t, degrees_of_freedom) - 0.95).abs() < 0.0005);
        }
    }
}
