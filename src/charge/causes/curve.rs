//! The bank's open-circuit voltage by depth below full, and its resistances, found in the data.
//!
//! Least squares of the busbar's voltage on hat functions of depth, an ohmic resistance and polarisations that
//! follow the current with fixed time constants. The time constants needn't be the cells' own: four of them, each
//! three times the one before, come near whatever lies between.

use crate::charge::least_squares::Triangle;

/// Time constants of the polarisations, h.
pub(super) const LAGS_H: [f64; 4] = [0.2, 0.6, 1.8, 5.4];
/// Distance of the knots, as a fraction of capacity, and nearer to full than `NEAR_FULL`.
const KNOT: f64 = 0.025;
const KNOT_NEAR_FULL: f64 = 0.01;
const NEAR_FULL: f64 = 0.05;
/// Least slope of the curve that is believed, V per unit of depth.
const LEAST_SLOPE: f64 = 0.1;
/// A residual beyond this is no voltage of the curve's, V.
const OUTLYING_V: f64 = 0.1;
/// Weight of straightness, such that it only bridges depths without readings.
const STRAIGHT: f64 = 1e-2;
/// Above this depth the curve is too steep for small errors of depth to be small errors of voltage.
pub(super) const FLAT_BELOW: f64 = -0.12;

/// Voltage by depth, and what current adds to it.
#[derive(Debug, Clone)]
pub(super) struct Curve {
    knots: Vec<f64>,
    volts: Vec<f64>,
    /// Ohmic resistance of the whole bank, Ω.
    pub(super) ohms: f64,
    /// Resistances of its polarisations, Ω.
    pub(super) lag_ohms: [f64; LAGS_H.len()],
    /// Root mean square residual on the flat part, V.
    pub(super) spread_v: f64,
}

/// One observation: depth (0 full, −1 empty), terminal current of the bank, its polarising currents, and voltage.
#[derive(Debug, Clone, Copy)]
pub(super) struct Seen {
    pub(super) depth: f64,
    pub(super) amperes: f64,
    pub(super) lagging_a: [f64; LAGS_H.len()],
    pub(super) volts: f64,
    /// What one more ampere of the reference's error would have made of the depth by now; fitted where wanted.
    pub(super) depth_by_ampere: f64,
}

impl Curve {
    /// Finds the curve; where the depth is uncertain by a constant current, also that current, in A.
    pub(super) fn fit(seen: &[Seen], drifts: bool) -> Option<(Self, f64)> {
        let deepest = seen.iter().map(|one| one.depth).fold(0.0_f64, f64::min);
        let highest = seen.iter().map(|one| one.depth).fold(0.0_f64, f64::max);
        let knots = knots(deepest, highest);
        let mut curve = Self {
            volts: vec![0.0; knots.len()],
            knots,
            ohms: 0.0,
            lag_ohms: [0.0; LAGS_H.len()],
            spread_v: f64::INFINITY,
        };
        let mut drift_a = 0.0;
        // Once with everything, then without what lies far off; with a drift the slope changes what it means.
        for round in 0..if drifts { 5 } else { 2 } {
            drift_a += curve.improve(seen, drift_a, drifts && round > 0, round > 0)?;
        }
        curve.spread_v = curve.spread(seen, drift_a)?;
        Some((curve, drift_a))
    }

    fn improve(&mut self, seen: &[Seen], drift_a: f64, drifts: bool, only_near: bool) -> Option<f64> {
        let mut lags: Vec<usize> = (0..LAGS_H.len()).collect();
        loop {
            let knots = self.knots.len();
            let unknowns = knots + 1 + lags.len() + usize::from(drifts);
            let mut triangle = Triangle::new(unknowns);
            let mut row = vec![0.0; unknowns];
            for one in seen {
                let depth = one.depth + drift_a * one.depth_by_ampere;
                if only_near && (one.volts - self.expected(one, drift_a)).abs() > OUTLYING_V {
                    continue;
                }
                row.fill(0.0);
                let (below, part) = self.place(depth);
                row[below] = 1.0 - part;
                row[below + 1] = part;
                row[knots] = one.amperes;
                for (place, lag) in lags.iter().enumerate() {
                    row[knots + 1 + place] = one.lagging_a[*lag];
                }
                if drifts {
                    row[unknowns - 1] = self.slope(depth) * one.depth_by_ampere;
                }
                triangle.add(&row, one.volts);
            }
            for knot in 1..knots - 1 {
                row.fill(0.0);
                let (before, after) = (
                    self.knots[knot] - self.knots[knot - 1],
                    self.knots[knot + 1] - self.knots[knot],
                );
                row[knot - 1] = STRAIGHT * after / (before + after);
                row[knot] = -STRAIGHT;
                row[knot + 1] = STRAIGHT * before / (before + after);
                triangle.know(&row, 0.0);
            }
            let fit = triangle.fit().ok()?;
            // A polarisation against the current is none: without it then.
            let least = (0..lags.len())
                .min_by(|a, b| fit.coefficients[knots + 1 + a].total_cmp(&fit.coefficients[knots + 1 + b]));
            if let Some(least) = least.filter(|place| fit.coefficients[knots + 1 + place] < 0.0) {
                lags.remove(least);
                continue;
            }
            self.volts = fit.coefficients.rows(0, knots).iter().copied().collect();
            self.ohms = fit.coefficients[knots].max(1e-6);
            self.lag_ohms = [0.0; LAGS_H.len()];
            for (place, lag) in lags.iter().enumerate() {
                self.lag_ohms[*lag] = fit.coefficients[knots + 1 + place];
            }
            return Some(if drifts {
                fit.coefficients[unknowns - 1]
            } else {
                0.0
            });
        }
    }

    fn expected(&self, one: &Seen, drift_a: f64) -> f64 {
        let depth = one.depth + drift_a * one.depth_by_ampere;
        let lagging: f64 = one
            .lagging_a
            .iter()
            .zip(&self.lag_ohms)
            .map(|(a, ohms)| a * ohms)
            .sum();
        self.volts(depth) + self.ohms * one.amperes + lagging
    }

    #[expect(clippy::cast_precision_loss, reason = "far fewer than 2^52 observations")]
    fn spread(&self, seen: &[Seen], drift_a: f64) -> Option<f64> {
        let squares: Vec<f64> = seen
            .iter()
            .filter(|one| one.depth < FLAT_BELOW)
            .map(|one| (one.volts - self.expected(one, drift_a)).powi(2))
            .collect();
        (!squares.is_empty()).then(|| (squares.iter().sum::<f64>() / squares.len() as f64).sqrt())
    }

    /// The knot below a depth, and how far it lies towards the next.
    fn place(&self, depth: f64) -> (usize, f64) {
        let below = self.knots.partition_point(|knot| *knot <= depth);
        let below = below.clamp(1, self.knots.len() - 1) - 1;
        let part = (depth - self.knots[below]) / (self.knots[below + 1] - self.knots[below]);
        (below, part)
    }

    /// Open-circuit voltage at a depth, V.
    pub(super) fn volts(&self, depth: f64) -> f64 {
        self.volts_and_slope(depth).0
    }

    fn slope(&self, depth: f64) -> f64 {
        self.volts_and_slope(depth).1
    }

    /// Open-circuit voltage at a depth, V, and its slope there, V per unit of depth.
    pub(super) fn volts_and_slope(&self, depth: f64) -> (f64, f64) {
        let (below, part) = self.place(depth);
        let (from, to) = (self.volts[below], self.volts[below + 1]);
        let slope = (to - from) / (self.knots[below + 1] - self.knots[below]);
        (from + part * (to - from), slope.max(LEAST_SLOPE))
    }
}

fn knots(deepest: f64, highest: f64) -> Vec<f64> {
    let mut knots = Vec::new();
    let mut at = highest.max(0.0) + KNOT_NEAR_FULL;
    while at > deepest - KNOT {
        knots.push(at);
        at -= if at > -NEAR_FULL { KNOT_NEAR_FULL } else { KNOT };
    }
    knots.push(at);
    knots.reverse();
    knots
}
