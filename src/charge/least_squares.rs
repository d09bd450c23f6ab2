//! Least squares: solution, covariance, residual spread, weights, and errors that survive autocorrelation.
//!
//! Rows go one by one into a [`Triangle`]: the upper triangle of an orthogonal (QR) decomposition of everything seen
//! so far, right-hand side included. It is as small as the number of unknowns, however many the rows; triangles of
//! parts add up to that of the whole, so that leaving a part out costs nothing; and no normal equations are formed,
//! which would lose half the digits (Björck, Numerical Methods for Least Squares Problems, 1996, 2.4 and 3.2).

use nalgebra::{DMatrix, DVector};

/// Rows gathered before they are folded into the triangle.
const FOLD_AT: usize = 128;
/// A column this much smaller, beside the others, than it is alone says nothing of its own.
const DEPENDENT: f64 = 1e-13;

/// Why there is no solution.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("the observations don't determine unknown {unknown}")]
pub struct Undetermined {
    /// The first unknown that nothing tells from those before it.
    pub unknown: usize,
}

/// All observations seen so far, as the triangle that they come to.
#[derive(Debug, Clone)]
pub struct Triangle {
    /// Unknowns.
    unknowns: usize,
    /// Upper triangle of the decomposition, right-hand side in the last column.
    upper: DMatrix<f64>,
    /// Rows not yet in it, one after another, right-hand side last.
    pending: Vec<f64>,
    /// Observations.
    observations: usize,
}

impl Triangle {
    /// Nothing seen yet of so many unknowns.
    #[must_use]
    pub fn new(unknowns: usize) -> Self {
        Self {
            unknowns,
            upper: DMatrix::zeros(0, unknowns + 1),
            pending: Vec::new(),
            observations: 0,
        }
    }

    /// Observations so far.
    #[must_use]
    pub fn observations(&self) -> usize {
        self.observations
    }

    /// Adds an observation: `row` times the unknowns is about `value`. With weights, row and value are given times
    /// the root of the weight (one over the standard uncertainty).
    ///
    /// # Panics
    /// Where the row is not as long as there are unknowns.
    pub fn add(&mut self, row: &[f64], value: f64) {
        self.know(row, value);
        self.observations += 1;
    }

    /// Adds what is known beforehand, which is no observation: mixed estimation (Theil and Goldberger,
    /// International Economic Review 2, 1961).
    ///
    /// # Panics
    /// Where the row is not as long as there are unknowns.
    pub fn know(&mut self, row: &[f64], value: f64) {
        assert_eq!(row.len(), self.unknowns, "a row is as long as there are unknowns");
        self.pending.extend_from_slice(row);
        self.pending.push(value);
        if self.pending.len() >= (FOLD_AT + self.unknowns) * (self.unknowns + 1) {
            self.upper = self.folded();
            self.pending.clear();
        }
    }

    /// Adds everything that another triangle of the same unknowns has seen.
    ///
    /// # Panics
    /// Where it is of other unknowns.
    pub fn merge(&mut self, other: &Self) {
        for row in other.folded().row_iter() {
            let row: Vec<f64> = row.iter().copied().collect();
            self.know(&row[..self.unknowns], row[self.unknowns]);
        }
        self.observations += other.observations;
    }

    /// The solution.
    ///
    /// # Errors
    /// [`Undetermined`] where the observations leave an unknown open.
    pub fn fit(&self) -> Result<Fit, Undetermined> {
        let unknowns = self.unknowns;
        let whole = self.folded();
        let open = |unknown| {
            unknown >= whole.nrows()
                || whole[(unknown, unknown)].abs() <= DEPENDENT * whole.column(unknown).norm()
        };
        if let Some(unknown) = (0..unknowns).find(|unknown| open(*unknown)) {
            return Err(Undetermined { unknown });
        }
        let upper = whole.view((0, 0), (unknowns, unknowns)).upper_triangle();
        let right = whole.view((0, unknowns), (unknowns, 1)).column(0).into_owned();
        let undetermined = Undetermined { unknown: 0 };
        let coefficients = upper.solve_upper_triangular(&right).ok_or(undetermined)?;
        let inverse = upper
            .solve_upper_triangular(&DMatrix::identity(unknowns, unknowns))
            .ok_or(undetermined)?;
        let left_over = if whole.nrows() > unknowns {
            whole[(unknowns, unknowns)]
        } else {
            0.0
        };
        Ok(Fit {
            coefficients,
            unscaled: &inverse * inverse.transpose(),
            left_over: left_over * left_over,
            degrees_of_freedom: self.observations.saturating_sub(unknowns),
        })
    }

    fn folded(&self) -> DMatrix<f64> {
        let columns = self.unknowns + 1;
        let seen = self.upper.nrows();
        let rows = seen + self.pending.len() / columns;
        if rows == seen {
            return self.upper.clone();
        }
        let stacked = DMatrix::from_fn(rows, columns, |row, column| {
            if row < seen {
                self.upper[(row, column)]
            } else {
                self.pending[(row - seen) * columns + column]
            }
        });
        stacked.qr().r()
    }
}

/// A solution with its uncertainty.
#[derive(Debug, Clone, PartialEq)]
pub struct Fit {
    /// The unknowns.
    pub coefficients: DVector<f64>,
    /// Covariance of the unknowns for observations of unit variance: (XᵀX)⁻¹.
    pub unscaled: DMatrix<f64>,
    /// Sum of the squared residuals, what is known beforehand included.
    pub left_over: f64,
    /// Observations less unknowns.
    pub degrees_of_freedom: usize,
}

impl Fit {
    /// Standard deviation of the residuals; `None` where nothing is left over to judge by.
    #[must_use]
    #[expect(clippy::cast_precision_loss, reason = "far fewer than 2^52 observations")]
    pub fn residual_spread(&self) -> Option<f64> {
        (self.degrees_of_freedom > 0).then(|| (self.left_over / self.degrees_of_freedom as f64).sqrt())
    }
}

/// Covariance of the unknowns where residuals of neighbouring observations are alike, with Bartlett's weights up to
/// `lag` observations apart and the factor n/(n − k) for few observations (Newey and West, Econometrica 55, 1987).
///
/// `observations` are those of the fit, in order of time.
#[must_use]
#[expect(
    clippy::cast_precision_loss,
    reason = "far fewer than 2^52 observations and lags"
)]
pub fn newey_west(fit: &Fit, observations: &[(Vec<f64>, f64)], lag: usize) -> Option<DMatrix<f64>> {
    if fit.degrees_of_freedom == 0 {
        return None;
    }
    let moved: Vec<DVector<f64>> = observations
        .iter()
        .map(|(row, value)| {
            let row = DVector::from_row_slice(row);
            let residual = value - row.dot(&fit.coefficients);
            row * residual
        })
        .collect();
    let unknowns = fit.coefficients.len();
    let mut together = DMatrix::zeros(unknowns, unknowns);
    for apart in 0..=lag.min(moved.len().saturating_sub(1)) {
        let weight = 1.0 - apart as f64 / (lag + 1) as f64;
        let mut at_lag = DMatrix::zeros(unknowns, unknowns);
        for (later, earlier) in moved[apart..].iter().zip(&moved) {
            at_lag.ger(weight, later, earlier, 1.0);
        }
        together += &at_lag;
        if apart > 0 {
            together += at_lag.transpose();
        }
    }
    let few = moved.len() as f64 / fit.degrees_of_freedom as f64;
    Some(&fit.unscaled * together * &fit.unscaled * few)
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn of(rows: &[(f64, f64)]) -> Triangle {
        let mut triangle = Triangle::new(2);
        for (x, y) in rows {
            triangle.add(&[1.0, *x], *y);
        }
        triangle
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(32))]

        #[test]
        fn parts_add_up_to_the_whole(
            rows in proptest::collection::vec((-9.0..9.0f64, -9.0..9.0f64), 6..400),
            at in 0.1..0.9f64,
        ) {
            #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, clippy::cast_precision_loss, reason = "a place in the list")]
            let at = (at * rows.len() as f64) as usize;
            let whole = of(&rows).fit().unwrap();
            let mut parts = of(&rows[..at]);
            parts.merge(&of(&rows[at..]));
            let parts = parts.fit().unwrap();
            // Some hundred orthogonal steps, each right to 1e-16 of figures of some tens.
            prop_assert!((whole.coefficients - parts.coefficients).norm() < 1e-11);
            prop_assert!((whole.left_over - parts.left_over).abs() < 1e-9);
            prop_assert_eq!(whole.degrees_of_freedom, parts.degrees_of_freedom);
        }
    }

    #[test]
    fn what_is_not_told_apart_is_said() {
        let same = of(&[(2.0, 1.0), (2.0, 1.5), (2.0, 0.5)]);
        assert_eq!(same.fit(), Err(Undetermined { unknown: 1 }));
        assert_eq!(Triangle::new(1).fit(), Err(Undetermined { unknown: 0 }));
    }

    #[test]
    fn two_points_leave_nothing_to_judge_by() {
        let fit = of(&[(0.0, 1.0), (1.0, 3.0)]).fit().unwrap();
        assert!((fit.coefficients[1] - 2.0).abs() < 1e-12);
        assert_eq!(fit.residual_spread(), None);
    }
}
