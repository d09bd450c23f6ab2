//! Makes what the regression says into figures: each with its standard uncertainty, or why it can't be told.
//!
//! Leaving out blocks in turn shows how much chance there is in a figure, but not what lasts all winter: a model's
//! errors. The constants here stand for these.

use nalgebra::DVector;

use super::{
    Causes, Explained, Figure, Problem, Untold, change,
    curve::FLAT_BELOW,
    model::Model,
    regress::{Places, Regression, jackknife},
    root_mean_square,
};

/// The voltage's part of the standard uncertainties: of the steady error, A per V of spread; of the asymmetry, per
/// V; of the blind charge, A per V over the blind time.
const STEADY_BY_VOLTS: f64 = 1.0;
const ASYMMETRY_BY_VOLTS: f64 = 0.3;
const BLIND_BY_VOLTS: f64 = 0.5;
/// Standard uncertainty of the steady error that is always there, A; more without a closed span. This and the figures
/// below stand for what leaving out blocks doesn't show, as a model's errors last all winter; set on simulated
/// winters that serve no other purpose.
const STEADY_AT_LEAST_A: f64 = 0.004;
const STEADY_OPEN_A: f64 = 0.004;
/// Standard uncertainty of the asymmetry that is always there: offset and gain are told apart by large and small
/// currents alone, and the model errs with the current.
const ASYMMETRY_AT_LEAST: f64 = 0.0023;
/// How rounding to a tenth of an ampere shows in the asymmetry: a part of the spread of a rectangular distribution,
/// A, over the mean discharging current.
const ROUNDING_A: f64 = 0.08 * 0.029;
/// Standard uncertainty of a blind charge that is always there: part of it, from shares; Ah; and A over the blind
/// time near full, where the curve is steep and no two packs are quite alike.
const BLIND_PART: f64 = 0.012;
const BLIND_AT_LEAST_AH: f64 = 0.9;
const BLIND_NEAR_FULL_A: f64 = 0.02;
/// A spread beyond this is no pack, A.
const REPORT_SPREAD_A: f64 = 0.15;
/// Less charging or discharging than this says too little, h.
const LEAST_H: f64 = 15.0;
/// Wider than this, ±, and the answer is that it can't be told: A, fraction, Ah or part of it.
const STEADY_TOLD_A: f64 = 0.050;
const ASYMMETRY_TOLD: f64 = 0.015;
const BLIND_TOLD_AH: f64 = 5.0;
const BLIND_TOLD_PART: f64 = 0.25;

/// What the regression says, made into figures.
pub(super) struct Told<'a> {
    pub(super) problem: &'a Problem<'a>,
    pub(super) model: &'a Model,
    pub(super) places: &'a Places,
    pub(super) regression: &'a Regression,
}

impl Told<'_> {
    pub(super) fn of_pack(&self, p: usize) -> Causes {
        let residuals = &self.regression.residuals[p];
        let spread_a = root_mean_square(residuals.iter().map(|(_, residual)| *residual));
        let stops = self.stops(p, spread_a);
        let (blind, explained) = self.blind(p);
        let or = |figure: Figure, limit: f64, per: f64, unit| match stops {
            Some(untold) => Err(untold),
            None if 2.0 * figure.standard_uncertainty > limit => Err(Untold::TooWide {
                expanded: 2.0 * figure.standard_uncertainty * per,
                unit,
            }),
            None => Ok(figure),
        };
        let steady_a = (0..self.places.epochs(p))
            .map(|epoch| or(self.steady(p, epoch), STEADY_TOLD_A, 1000.0, "mA"))
            .collect();
        let blind_limit_ah = BLIND_TOLD_AH.max(BLIND_TOLD_PART * blind.value.abs());
        Causes {
            steady_a,
            asymmetry: or(self.asymmetry(p), ASYMMETRY_TOLD, 100.0, "%"),
            blind_ah: or(blind, blind_limit_ah, 1.0, "Ah"),
            stands_against: stops,
            explained,
            change: change::find(self.problem, p, residuals),
            spread_a,
        }
    }

    /// What stands against telling anything of a pack.
    fn stops(&self, p: usize, spread_a: f64) -> Option<Untold> {
        if spread_a > REPORT_SPREAD_A {
            return Some(Untold::Departs {
                ma: 1000.0 * spread_a,
            });
        }
        let used = self.regression.used[p];
        [(used.charging_h, "charging"), (used.discharging_h, "discharging")]
            .into_iter()
            .find(|(hours, _)| *hours < LEAST_H)
            .map(|(hours, direction)| Untold::OneDirection {
                hours,
                direction,
                least: LEAST_H,
            })
    }

    /// A linear function of the unknowns, with what leaving out blocks says of it.
    fn linear(&self, function: &DVector<f64>) -> Figure {
        let value = function.dot(&self.regression.fit.coefficients);
        let variance = jackknife(&self.regression.without).map_or(f64::INFINITY, |covariance| {
            (function.transpose() * covariance * function)[(0, 0)]
        });
        Figure {
            value,
            standard_uncertainty: variance.max(0.0).sqrt(),
        }
    }

    fn steady(&self, p: usize, epoch: usize) -> Figure {
        let mut function = DVector::zeros(self.places.unknowns);
        function[self.places.offset(p, epoch)] = 1.0;
        let offset = self.linear(&function);
        let open_a = if self.problem.full.len() > 1 {
            0.0
        } else {
            STEADY_OPEN_A
        };
        Figure {
            value: offset.value + self.problem.packs[p].draw_a,
            standard_uncertainty: root_sum_square(&[
                offset.standard_uncertainty,
                STEADY_BY_VOLTS * self.model.curve.spread_v,
                STEADY_AT_LEAST_A,
                open_a,
            ]),
        }
    }

    fn asymmetry(&self, p: usize) -> Figure {
        let mut function = DVector::zeros(self.places.unknowns);
        function[self.places.charging(p)] = 1.0;
        function[self.places.discharging(p)] = -1.0;
        let used = self.regression.used[p];
        let mean_a = used.discharged_ah / used.discharging_h.max(1e-9);
        let figure = self.linear(&function);
        Figure {
            value: figure.value,
            standard_uncertainty: root_sum_square(&[
                figure.standard_uncertainty,
                ASYMMETRY_BY_VOLTS * self.model.curve.spread_v,
                ASYMMETRY_AT_LEAST,
                ROUNDING_A / mean_a.max(0.1),
            ]),
        }
    }

    /// What flowed unseen, and what every cause makes of the charge error.
    fn blind(&self, p: usize) -> (Figure, Explained) {
        let (problem, step_h) = (self.problem, self.problem.steps.hours());
        let of = &self.regression.fit.coefficients;
        let gains = [of[self.places.charging(p)], of[self.places.discharging(p)]];
        let (mean_gain, asymmetry) = (f64::midpoint(gains[0], gains[1]), gains[0] - gains[1]);
        let draw_a = problem.packs[p].draw_a;
        let mut function = DVector::zeros(self.places.unknowns);
        let mut explained = Explained::default();
        let (mut missed_ah, mut blind_h, mut near_full_h) = (0.0, 0.0, 0.0);
        for step in problem.from..problem.steps.len() {
            let own_a = self.model.amperes[p][step];
            let reported = problem.steps.reported[p + 1][step];
            let offset = self.places.offset(p, problem.packs[p].epoch(step));
            let gain = if own_a > 0.0 { gains[0] } else { gains[1] };
            let (mut seen_ah, mut sighted_h) = (own_a * step_h, step_h);
            if reported.nothing > 0.0 && problem.on[step][p] {
                // What was reported of the step says what flowed while it was seen; the rest wasn't.
                sighted_h = (1.0 - reported.nothing) * step_h;
                let counted_ah = reported.amperes * reported.heard * step_h;
                let reporting_h = (reported.heard - reported.nothing).max(0.0) * step_h;
                seen_ah = if reported.nothing > 0.99 {
                    0.0
                } else {
                    (counted_ah - of[offset] * reporting_h) / gain
                };
                missed_ah += own_a * reported.heard * step_h - seen_ah;
                blind_h += reported.nothing * step_h;
                if self.model.depth[step] > FLAT_BELOW {
                    near_full_h += reported.nothing * step_h;
                }
                for q in 0..problem.packs.len() {
                    for which in 0..Model::OF_A_PACK {
                        function[self.places.of_model(q, which)] +=
                            reported.nothing * step_h * self.model.moved(problem, p, q, which, step);
                    }
                }
            }
            let net_a = own_a - draw_a;
            explained.steady_ah += of[offset] * sighted_h + draw_a * step_h;
            explained.gain_ah += (mean_gain - 1.0) * seen_ah;
            explained.asymmetry_ah += 0.5 * asymmetry * seen_ah.abs();
            explained.coulombic_ah += (1.0 - problem.efficiency) * net_a.max(0.0) * step_h;
        }
        explained.blind_ah = -missed_ah;
        let moved = self.linear(&function);
        let figure = Figure {
            value: missed_ah,
            standard_uncertainty: root_sum_square(&[
                moved.standard_uncertainty,
                BLIND_BY_VOLTS * self.model.curve.spread_v * blind_h,
                BLIND_PART * missed_ah,
                BLIND_NEAR_FULL_A * near_full_h,
                BLIND_AT_LEAST_AH,
            ]),
        };
        (figure, explained)
    }
}

fn root_sum_square(parts: &[f64]) -> f64 {
    parts.iter().map(|part| part * part).sum::<f64>().sqrt()
}
