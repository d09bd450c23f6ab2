//! Why a board drifts, as far as readings can tell: steady error, asymmetry of charging and discharging, blindness.
//!
//! Works with currents, not with accumulated error, which is an integral whose errors are integrated noise. Packs on
//! one busbar share one voltage; the bank's current, the open-circuit curve found in the data (`curve`) and each
//! pack's share of capacity and conductance (`model`, `flow`) say what flowed into each. What its board reported is
//! regressed on that (`regress`) and made into figures (`told`); what is left over shows unannounced changes (`change`).
//!
//! What can't be told is an answer: [`Untold`]. Which charge error there is to explain is `drift`'s.

pub mod account;
mod answer;
mod change;
mod curve;
mod flow;
mod model;
mod regress;
pub mod steps;
mod told;

pub use answer::{Causes, Explained, Figure, Untold};
pub use change::Change;
use model::Model;
use regress::{BLOCK_H, Places, Regression, regress};
use steps::Steps;
use told::Told;

/// Rounds of improving the model by what the regression says.
const ROUNDS: usize = 6;
/// Spread of a board's residuals that is assumed before any is seen, A.
const FIRST_SPREAD_A: f64 = 0.1;
/// A spread beyond this is no curve, V.
const CURVE_SPREAD_V: f64 = 0.015;
/// Fewer blocks than this can't be left out in turn.
const LEAST_BLOCKS: u32 = 4;

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
