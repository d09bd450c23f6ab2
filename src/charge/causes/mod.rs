//! Why a board drifts, as far as readings can tell: steady error, asymmetry of charging and discharging, blindness.
//!
//! Works with currents, not with accumulated error, which is an integral whose errors are integrated noise. Packs on
//! one busbar share one voltage; the bank's current, the open-circuit curve found in the data (`curve`) and each
//! pack's share of capacity and conductance (`model`, `flow`) say what flowed into each. What its board reported is
//! regressed on that (`regress`); what is left over shows unannounced changes (`change`).
//!
//! What can't be told is an answer: [`Untold`]. Which charge error there is to explain is `drift`'s.

pub mod account;
mod change;
mod curve;
mod flow;
mod model;
mod regress;
pub mod steps;

use nalgebra::DVector;

pub use change::Change;
use curve::FLAT_BELOW;
use model::Model;
use regress::{BLOCK_H, Places, Regression, jackknife, regress};
use steps::Steps;

/// Rounds of improving the model by what the regression says.
const ROUNDS: usize = 6;
/// Spread of a board's residuals that is assumed before any is seen, A.
const FIRST_SPREAD_A: f64 = 0.1;
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
/// A spread beyond these is no curve, V, or no pack, A.
const CURVE_SPREAD_V: f64 = 0.015;
const REPORT_SPREAD_A: f64 = 0.15;
/// Fewer blocks than this can't be left out in turn; less charging or discharging than this says too little, h.
const LEAST_BLOCKS: u32 = 4;
const LEAST_H: f64 = 15.0;
/// Wider than this, ±, and the answer is that it can't be told: A, fraction, Ah or part of it.
const STEADY_TOLD_A: f64 = 0.050;
const ASYMMETRY_TOLD: f64 = 0.015;
const BLIND_TOLD_AH: f64 = 5.0;
const BLIND_TOLD_PART: f64 = 0.25;

/// What is known of a pack beforehand.
#[derive(Debug, Clone, PartialEq)]
pub struct Pack {
    /// Capacity that shares go by, Ah, and its standard uncertainty as a fraction.
    pub capacity_ah: f64,
    /// Standard uncertainty of the capacity, fraction.
    pub capacity_uncertainty: f64,
    /// What board and self-discharge are taken to draw, A.
    pub draw_a: f64,
    /// Steps in which its board was calibrated anew, in order.
    pub epochs: Vec<usize>,
}

impl Pack {
    fn epoch(&self, step: usize) -> usize {
        self.epochs.partition_point(|begin| *begin <= step)
    }
}

/// What is to be explained, and what from.
#[derive(Debug)]
pub struct Problem<'a> {
    /// What was reported from a full charge on.
    pub steps: &'a Steps,
    /// The packs.
    pub packs: Vec<Pack>,
    /// Coulombic efficiency.
    pub efficiency: f64,
    /// Steps that begin at a full charge, in order; the first step is the first of them.
    pub full: Vec<usize>,
    /// By step, by pack: whether it is on the busbar.
    pub on: Vec<Vec<bool>>,
    /// By step: what stands in for the reference's current, A, where it wasn't heard.
    pub filled_a: Vec<f64>,
    /// From this step on the question runs.
    pub from: usize,
}

impl Problem<'_> {
    fn capacity_ah(&self) -> f64 {
        self.packs.iter().map(|pack| pack.capacity_ah).sum()
    }

    fn reference_a(&self, step: usize) -> f64 {
        let reported = self.steps.reported[0][step];
        reported.heard * reported.amperes + (1.0 - reported.heard).max(0.0) * self.filled_a[step]
    }

    /// What the packs on the busbar store of a terminal current, A.
    fn stored_a(&self, terminal_a: f64, step: usize) -> f64 {
        let on = self.packs.iter().zip(&self.on[step]).filter(|(_, on)| **on);
        let net_a = terminal_a - on.map(|(pack, _)| pack.draw_a).sum::<f64>();
        if net_a > 0.0 {
            self.efficiency * net_a
        } else {
            net_a
        }
    }

    /// Whether a step is part of what is asked about.
    fn counts(&self, step: usize) -> bool {
        step >= self.from
    }
}

/// A figure with its standard uncertainty.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Figure {
    /// The value.
    pub value: f64,
    /// Standard uncertainty.
    pub standard_uncertainty: f64,
}

/// Why something can't be told.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum Untold {
    /// No full charge to start from.
    #[error("there was no full charge yet: nothing says how full the packs were")]
    NeverFull,
    /// Too short.
    #[error("{days:.0} days behind the first full charge are too few; {least:.0} are needed")]
    TooShort {
        /// How many there are.
        days: f64,
        /// How many are needed.
        least: f64,
    },
    /// The curve isn't one.
    #[error(
        "the busbar's voltage departs by {mv:.0} mV from any one curve; up to {most_mv:.0} mV packs can be told apart"
    )]
    NoCurve {
        /// Spread, mV.
        mv: f64,
        /// Most that is believed, mV.
        most_mv: f64,
    },
    /// The pack doesn't follow the model.
    #[error("what the board reports departs by {ma:.0} mA from what the pack should carry")]
    Departs {
        /// Spread, mA.
        ma: f64,
    },
    /// Not enough of one direction.
    #[error("only {hours:.0} h of {direction} at a current that the board sees; {least:.0} h are needed")]
    OneDirection {
        /// How long, h.
        hours: f64,
        /// Charging or discharging.
        direction: &'static str,
        /// How long it takes, h.
        least: f64,
    },
    /// The interval says nothing of use.
    #[error("known to ±{expanded:.1} {unit} only, which is too wide to be of use")]
    TooWide {
        /// Expanded uncertainty.
        expanded: f64,
        /// Its unit.
        unit: &'static str,
    },
}

/// How much of a charge error each cause makes, Ah, by the model.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Explained {
    /// The steady error while the board sees a current, and the draw while it doesn't.
    pub steady_ah: f64,
    /// Charging and discharging counted differently.
    pub asymmetry_ah: f64,
    /// What flowed while the board reported nothing.
    pub blind_ah: f64,
    /// The mean gain, on what went in and has not come out.
    pub gain_ah: f64,
    /// What charging loses, which boards count as stored.
    pub coulombic_ah: f64,
}

impl Explained {
    /// All together, Ah.
    #[must_use]
    pub fn sum_ah(&self) -> f64 {
        self.steady_ah + self.asymmetry_ah + self.blind_ah + self.gain_ah + self.coulombic_ah
    }
}

/// Why one board drifts.
#[derive(Debug, Clone, PartialEq)]
pub struct Causes {
    /// Offset plus the draw that the board doesn't see, A, an epoch each.
    pub steady_a: Vec<Result<Figure, Untold>>,
    /// Gain of charging less gain of discharging.
    pub asymmetry: Result<Figure, Untold>,
    /// What flowed while the board reported nothing, Ah; charging is positive.
    pub blind_ah: Result<Figure, Untold>,
    /// Why none of them can be told.
    pub stands_against: Option<Untold>,
    /// What these make of the charge error.
    pub explained: Explained,
    /// A change of its error that nobody noted.
    pub change: Option<Change>,
    /// How far its reports depart from the model, A, root mean square.
    pub spread_a: f64,
}

/// Tells the causes apart, pack by pack.
///
/// # Errors
/// [`Untold`] where nothing can be told of any pack.
pub fn causes(problem: &Problem<'_>) -> Result<Vec<Causes>, Untold> {
    if problem.full.is_empty() {
        return Err(Untold::NeverFull);
    }
    let step_h = problem.steps.hours();
    #[expect(clippy::cast_precision_loss, reason = "far fewer than 2^52 steps")]
    let days = problem.steps.len().saturating_sub(problem.from) as f64 * step_h / 24.0;
    let least = f64::from(LEAST_BLOCKS) * BLOCK_H / 24.0;
    let too_short = Untold::TooShort { days, least };
    if days < least {
        return Err(too_short);
    }
    let mut model = Model::new(problem).ok_or(too_short)?;
    if model.curve.spread_v > CURVE_SPREAD_V {
        return Err(Untold::NoCurve {
            mv: 1000.0 * model.curve.spread_v,
            most_mv: 1000.0 * CURVE_SPREAD_V,
        });
    }
    let places = Places::new(problem);
    let mut gains = vec![1.0; problem.packs.len()];
    let mut spread_a = FIRST_SPREAD_A;
    for _ in 1..ROUNDS {
        let round = regress(problem, &model, &places, &gains, spread_a).ok_or(too_short)?;
        for (p, gain) in gains.iter_mut().enumerate() {
            let both = [places.charging(p), places.discharging(p)].map(|at| round.fit.coefficients[at]);
            *gain = f64::midpoint(both[0], both[1]);
        }
        spread_a = round.spread_a();
        model.improve(problem, |p, which| {
            round.fit.coefficients[places.of_model(p, which)]
        });
    }
    let regression = regress(problem, &model, &places, &gains, spread_a).ok_or(too_short)?;
    if regression.without.len() < LEAST_BLOCKS as usize {
        return Err(too_short);
    }
    let told = Told {
        problem,
        model: &model,
        places: &places,
        regression: &regression,
    };
    Ok((0..problem.packs.len()).map(|p| told.of_pack(p)).collect())
}

impl Regression {
    /// Spread of all residuals, A.
    fn spread_a(&self) -> f64 {
        let all = self.residuals.iter().flatten().map(|(_, residual)| *residual);
        root_mean_square(all).max(0.01)
    }
}

#[expect(clippy::cast_precision_loss, reason = "far fewer than 2^52 rows")]
fn root_mean_square(values: impl Iterator<Item = f64>) -> f64 {
    let (count, sum) = values.fold((0_usize, 0.0), |(count, sum), value| {
        (count + 1, sum + value * value)
    });
    (sum / count.max(1) as f64).sqrt()
}

/// What the regression says, made into figures.
struct Told<'a> {
    problem: &'a Problem<'a>,
    model: &'a Model,
    places: &'a Places,
    regression: &'a Regression,
}

impl Told<'_> {
    fn of_pack(&self, p: usize) -> Causes {
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
