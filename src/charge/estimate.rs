//! A figure with its uncertainty, kept as what it depends on.
//!
//! An [`Estimate`] is a value and, for each independent cause, what one standard deviation of that cause moves it
//! by (standard uncertainty × sensitivity). Sums and differences add and subtract cause by cause, so what two
//! figures share cancels or not as it should: the law of propagation of uncertainty with covariances, JCGM 100:2008,
//! 5.2.2, in its linear form.

use std::{
    collections::BTreeMap,
    iter::Sum,
    ops::{Add, Neg, Sub},
};

/// Coverage factor of every stated expanded uncertainty.
pub const COVERAGE_FACTOR: f64 = 2.0;

/// A line of the budget.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Source {
    /// How alike two full charges are.
    FullCharge,
    /// Packs on one busbar are not at exactly one state of charge.
    UnequalSoc,
    /// Zero error of the reference.
    ReferenceOffset,
    /// Gain error of the reference.
    ReferenceGain,
    /// What the boards draw behind the reference's back.
    StandingDraw,
    /// What the cells lose by themselves.
    SelfDischarge,
    /// What charging loses.
    CoulombicEfficiency,
    /// How well closures seen so far foretell the open span.
    ReferenceClosure,
    /// How the reference's closure is spread within a span.
    SpanShape,
    /// Which part of the bank's charge is this pack's.
    CapacityShare,
    /// What happens between readings.
    Sampling,
    /// What was not heard, or is left out of a rate.
    Gaps,
    /// Rounding of the reports.
    Resolution,
}

impl Source {
    /// The word in answers.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Self::FullCharge => "full_charge_repeatability",
            Self::UnequalSoc => "unequal_soc",
            Self::ReferenceOffset => "reference_offset",
            Self::ReferenceGain => "reference_gain",
            Self::StandingDraw => "standing_draw",
            Self::SelfDischarge => "self_discharge",
            Self::CoulombicEfficiency => "coulombic_efficiency",
            Self::ReferenceClosure => "reference_closure",
            Self::SpanShape => "span_shape",
            Self::CapacityShare => "capacity_share",
            Self::Sampling => "sampling",
            Self::Gaps => "gaps",
            Self::Resolution => "resolution",
        }
    }
}

/// Whose a cause is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Whose {
    /// Common to all packs: everything about the reference.
    Common,
    /// One pack's own, by its position in the bank.
    Pack(usize),
}

/// One independent cause of error.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Cause {
    /// Which line of the budget it belongs to.
    pub source: Source,
    /// Whose it is.
    pub whose: Whose,
    /// Tells causes of one line apart: the instant in ms that the cause belongs to, 0 where there is but one.
    pub which: i64,
}

/// A value in Ah with what it depends on.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Estimate {
    /// The value, Ah.
    pub value_ah: f64,
    /// In order of the causes.
    moved_by: Vec<(Cause, f64)>,
}

impl Estimate {
    /// Nothing, exactly.
    pub const ZERO: Self = Self::exact(0.0);

    /// A value known exactly.
    #[must_use]
    pub const fn exact(value_ah: f64) -> Self {
        Self {
            value_ah,
            moved_by: Vec::new(),
        }
    }

    /// The same value that one standard deviation of a cause moves by `by_ah`.
    #[must_use]
    pub fn moved(mut self, source: Source, whose: Whose, which: i64, by_ah: f64) -> Self {
        if by_ah != 0.0 {
            let cause = Cause { source, whose, which };
            match self.place_of(&cause) {
                Ok(place) => self.moved_by[place].1 += by_ah,
                Err(place) => self.moved_by.insert(place, (cause, by_ah)),
            }
        }
        self
    }

    /// What is unsure about it, alone.
    #[must_use]
    pub(super) fn without_value(self) -> Self {
        Self {
            value_ah: 0.0,
            ..self
        }
    }

    /// Where a cause stands, or where it belongs.
    fn place_of(&self, cause: &Cause) -> Result<usize, usize> {
        self.moved_by.binary_search_by(|(other, _)| other.cmp(cause))
    }

    /// The estimate times a number known exactly.
    #[must_use]
    pub fn times(mut self, factor: f64) -> Self {
        self.value_ah *= factor;
        for (_, by_ah) in &mut self.moved_by {
            *by_ah *= factor;
        }
        self
    }

    /// Standard uncertainty, Ah.
    #[must_use]
    pub fn standard_uncertainty_ah(&self) -> f64 {
        self.moved_by
            .iter()
            .map(|(_, by_ah)| by_ah * by_ah)
            .sum::<f64>()
            .sqrt()
    }

    /// Covariance with another estimate, product of the two units: what both owe to the same causes.
    #[must_use]
    pub fn covariance(&self, other: &Self) -> f64 {
        let mut theirs = other.moved_by.iter().peekable();
        let shared = |(cause, by_ah): &(Cause, f64)| {
            while theirs.next_if(|(their, _)| their < cause).is_some() {}
            let (_, their_ah) = theirs.next_if(|(their, _)| their == cause)?;
            Some(by_ah * their_ah)
        };
        self.moved_by.iter().filter_map(shared).sum()
    }

    /// Expanded uncertainty with k = [`COVERAGE_FACTOR`], Ah.
    #[must_use]
    pub fn expanded_uncertainty_ah(&self) -> f64 {
        COVERAGE_FACTOR * self.standard_uncertainty_ah()
    }

    /// True where the value is further from nothing than its expanded uncertainty.
    #[must_use]
    pub fn is_significant(&self) -> bool {
        self.value_ah.abs() > self.expanded_uncertainty_ah()
    }

    /// The lines of the budget, largest first, as standard uncertainties in Ah: their root sum of squares is
    /// [`Self::standard_uncertainty_ah`].
    #[must_use]
    pub fn budget(&self) -> Vec<(Source, f64)> {
        let mut variances = BTreeMap::<Source, f64>::new();
        for (cause, by_ah) in &self.moved_by {
            *variances.entry(cause.source).or_default() += by_ah * by_ah;
        }
        let mut lines: Vec<_> = variances
            .into_iter()
            .map(|(source, variance)| (source, variance.sqrt()))
            .collect();
        lines.sort_by(|left, right| right.1.total_cmp(&left.1));
        lines
    }
}

/// Sums of the same estimates, each times a number known exactly: prepared once, each sum costs little.
#[derive(Debug, Clone)]
pub(super) struct Mixture<const N: usize> {
    values_ah: [f64; N],
    covariances: [[f64; N]; N],
}

impl<const N: usize> Mixture<N> {
    pub(super) fn new(terms: &[Estimate; N]) -> Self {
        let mut covariances = [[0.0; N]; N];
        for (one, term) in terms.iter().enumerate() {
            for (other, its) in terms[..=one].iter().enumerate() {
                covariances[one][other] = term.covariance(its);
                covariances[other][one] = covariances[one][other];
            }
        }
        Self {
            values_ah: terms.each_ref().map(|term| term.value_ah),
            covariances,
        }
    }

    /// Value of the sum, Ah.
    pub(super) fn value(&self, by: &[f64; N]) -> f64 {
        by.iter().zip(&self.values_ah).map(|(by, ah)| by * ah).sum()
    }

    /// Variance of the sum, Ah².
    pub(super) fn variance(&self, by: &[f64; N]) -> f64 {
        let rows = self.covariances.iter().zip(by);
        let variance: f64 = rows
            .map(|(row, one)| {
                one * row
                    .iter()
                    .zip(by)
                    .map(|(covariance, other)| covariance * other)
                    .sum::<f64>()
            })
            .sum();
        variance.max(0.0)
    }

    /// Variance of one of the estimates, Ah².
    pub(super) fn variance_of(&self, term: usize) -> f64 {
        self.covariances[term][term]
    }
}

impl Add for Estimate {
    type Output = Self;

    fn add(mut self, other: Self) -> Self {
        self.value_ah += other.value_ah;
        if self.moved_by.is_empty() {
            self.moved_by = other.moved_by;
            return self;
        }
        let mut merged = Vec::with_capacity(self.moved_by.len() + other.moved_by.len());
        let mut theirs = other.moved_by.into_iter().peekable();
        for (cause, by_ah) in self.moved_by {
            while let Some(their) = theirs.next_if(|(their, _)| *their < cause) {
                merged.push(their);
            }
            let shared = theirs.next_if(|(their, _)| *their == cause);
            let by_ah = by_ah + shared.map_or(0.0, |(_, by_ah)| by_ah);
            // What cancels is no cause: sums over many spans stay as small as what is left of them.
            if by_ah != 0.0 {
                merged.push((cause, by_ah));
            }
        }
        merged.extend(theirs);
        self.moved_by = merged;
        self
    }
}

/// Costs what sorting all causes costs, however many estimates there are.
impl Sum for Estimate {
    fn sum<I: Iterator<Item = Self>>(estimates: I) -> Self {
        let mut sum = Self::ZERO;
        for estimate in estimates {
            sum.value_ah += estimate.value_ah;
            sum.moved_by.extend(estimate.moved_by);
        }
        sum.moved_by.sort_by_key(|(cause, _)| *cause);
        sum.moved_by.dedup_by(|(cause, by_ah), (kept, sum_ah)| {
            let same = cause == kept;
            if same {
                *sum_ah += *by_ah;
            }
            same
        });
        sum.moved_by.retain(|(_, by_ah)| *by_ah != 0.0);
        sum
    }
}

impl Neg for Estimate {
    type Output = Self;

    fn neg(self) -> Self {
        self.times(-1.0)
    }
}

impl Sub for Estimate {
    type Output = Self;

    fn sub(self, other: Self) -> Self {
        self + -other
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn one(source: Source, whose: Whose, by_ah: f64) -> Estimate {
        Estimate::exact(10.0).moved(source, whose, 0, by_ah)
    }

    #[test]
    fn what_two_figures_share_cancels_in_their_difference() {
        let shared = |own: usize| {
            one(Source::ReferenceOffset, Whose::Common, 3.0).moved(Source::Sampling, Whose::Pack(own), 0, 0.4)
        };
        let difference = shared(1) - shared(2);
        assert!((difference.standard_uncertainty_ah() - (0.32_f64).sqrt()).abs() < 1e-12);
        assert!(difference.value_ah.abs() < f64::EPSILON);
    }

    #[test]
    fn the_budget_adds_up_and_is_sorted() {
        let estimate = one(Source::Gaps, Whose::Pack(0), 1.0)
            .moved(Source::Gaps, Whose::Pack(0), 5, 1.0)
            .moved(Source::FullCharge, Whose::Pack(0), 5, 3.0);
        let lines = estimate.budget();
        assert_eq!(lines[0], (Source::FullCharge, 3.0));
        let sum: f64 = lines.iter().map(|(_, by_ah)| by_ah * by_ah).sum();
        assert!((sum.sqrt() - estimate.standard_uncertainty_ah()).abs() < 1e-12);
    }

    #[test]
    fn what_moves_a_figure_back_and_forth_leaves_it_alone() {
        let estimate = one(Source::SpanShape, Whose::Common, 2.0);
        assert!((estimate.clone() - estimate).standard_uncertainty_ah() < f64::EPSILON);
    }
}
