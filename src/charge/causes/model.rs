//! The model of the bank as it stands: what flowed into each pack by it, and how that moves with its figures.

use super::{
    Problem,
    curve::{Curve, LAGS_H, Seen},
    flow::{self, Cell, Drive},
    regress::OHMS_PRIOR,
};

/// By how much a figure's logarithm is moved to see what depends on it.
const NUDGE: f64 = 0.02;
/// Which of a pack's figures is its capacity; the others are its resistances.
const CAPACITY: usize = 1 + LAGS_H.len();
/// No figure departs further from what was expected, in logarithms.
const FURTHEST: f64 = 0.7;

/// The model and what it says.
#[derive(Debug)]
pub(super) struct Model {
    /// By pack: logarithms of its resistances and capacity over what was expected.
    departed: Vec<[f64; Self::OF_A_PACK]>,
    /// What the reference counts too much besides the draws, by step, A.
    excess_a: Vec<f64>,
    /// Depth of the whole bank by step, 0 full, −1 empty.
    pub(super) depth: Vec<f64>,
    /// The curve.
    pub(super) curve: Curve,
    /// By pack, by step: terminal current, A.
    pub(super) amperes: Vec<Vec<f64>>,
    /// By pack, by figure, by step: what the pack's own current moves by for its logarithm.
    moved: Vec<Vec<Vec<f64>>>,
}

impl Model {
    /// Figures of a pack.
    pub(super) const OF_A_PACK: usize = CAPACITY + 1;

    /// The model as it is before any report of a pack was looked at.
    pub(super) fn new(problem: &Problem<'_>) -> Option<Self> {
        let closed = problem.full.len() > 1;
        let mut excess_a = excess(problem);
        let mut depth = depths(problem, &excess_a);
        let seen = seen(problem, &excess_a, &depth);
        let (curve, drift_a) = Curve::fit(&seen, !closed)?;
        if !closed {
            for excess_a in &mut excess_a {
                *excess_a += drift_a;
            }
            depth = depths(problem, &excess_a);
        }
        let mut model = Self {
            departed: vec![[0.0; Self::OF_A_PACK]; problem.packs.len()],
            excess_a,
            depth,
            curve,
            amperes: Vec::new(),
            moved: Vec::new(),
        };
        model.run(problem);
        Some(model)
    }

    /// Moves the figures and runs the model anew.
    pub(super) fn improve(&mut self, problem: &Problem<'_>, by: impl Fn(usize, usize) -> f64) {
        for (p, departed) in self.departed.iter_mut().enumerate() {
            for (which, departed) in departed.iter_mut().enumerate() {
                *departed = (*departed + by(p, which)).clamp(-FURTHEST, FURTHEST);
            }
        }
        self.run(problem);
    }

    fn run(&mut self, problem: &Problem<'_>) {
        let cells = self.cells(problem, &self.departed);
        self.amperes = self.flows(problem, &cells, None);
        self.moved = (0..problem.packs.len())
            .map(|p| {
                (0..Self::OF_A_PACK)
                    .map(|which| {
                        if which < CAPACITY && cells[p].ohms[which] <= 0.0 {
                            return Vec::new();
                        }
                        let mut departed = self.departed.clone();
                        departed[p][which] += NUDGE;
                        let mut own = self
                            .flows(problem, &self.cells(problem, &departed), Some(p))
                            .swap_remove(0);
                        for (own, before) in own.iter_mut().zip(&self.amperes[p]) {
                            *own = (*own - before) / NUDGE;
                        }
                        own
                    })
                    .collect()
            })
            .collect();
    }

    fn cells(&self, problem: &Problem<'_>, departed: &[[f64; Self::OF_A_PACK]]) -> Vec<Cell> {
        let together_ah = problem.capacity_ah();
        let expected = problem.packs.iter().zip(departed);
        let ah: Vec<f64> = expected
            .map(|(pack, departed)| pack.capacity_ah * departed[CAPACITY].exp())
            .collect();
        // Only shares are told: what they are shares of stays.
        let grown = together_ah / ah.iter().sum::<f64>();
        let bank_ohms = |which: usize| match which {
            0 => self.curve.ohms,
            _ => self.curve.lag_ohms[which - 1],
        };
        problem
            .packs
            .iter()
            .zip(&ah)
            .enumerate()
            .map(|(p, (pack, ah))| Cell {
                capacity_ah: ah * grown,
                draw_a: pack.draw_a,
                ohms: std::array::from_fn(|which| {
                    bank_ohms(which) * together_ah / pack.capacity_ah * departed[p][which].exp()
                }),
            })
            .collect()
    }

    /// Terminal currents, of all packs or of one.
    fn flows(&self, problem: &Problem<'_>, cells: &[Cell], only: Option<usize>) -> Vec<Vec<f64>> {
        let packs = only.map_or(0..cells.len(), |p| p..p + 1);
        let mut flows: Vec<Vec<f64>> = packs
            .clone()
            .map(|_| Vec::with_capacity(problem.steps.len()))
            .collect();
        let drives = (0..problem.steps.len()).map(|step| Drive {
            // What flows in at the terminals: the draws are behind them.
            amperes: problem.reference_a(step) - self.excess_a[step],
            on: &problem.on[step],
            full: problem.full.binary_search(&step).is_ok(),
        });
        flow::run(
            cells,
            &self.curve,
            problem.efficiency,
            problem.steps.hours(),
            drives,
            |_, amperes| {
                for (flow, p) in flows.iter_mut().zip(packs.clone()) {
                    flow.push(amperes[p]);
                }
            },
        );
        flows
    }

    /// What the current of pack `p` moves by where a figure's logarithm of pack `q` does, A. What flows more into
    /// one flows less into the others, about by their capacities.
    pub(super) fn moved(&self, problem: &Problem<'_>, p: usize, q: usize, which: usize, step: usize) -> f64 {
        let Some(own_a) = self.moved[q][which].get(step) else {
            return 0.0;
        };
        if p == q {
            return *own_a;
        }
        let others_ah = problem.capacity_ah() - problem.packs[q].capacity_ah;
        -own_a * problem.packs[p].capacity_ah / others_ah.max(1e-9)
    }

    /// How far a figure has departed from what was expected.
    pub(super) fn departed(&self, p: usize, which: usize) -> f64 {
        self.departed[p][which]
    }

    /// How far a figure may be expected to depart.
    pub(super) fn prior(problem: &Problem<'_>, p: usize, which: usize) -> f64 {
        if which == CAPACITY {
            problem.packs[p].capacity_uncertainty
        } else {
            OHMS_PRIOR
        }
    }
}

/// What the reference counts too much besides the draws, such that nothing is gained from full to full.
#[expect(clippy::cast_precision_loss, reason = "far fewer than 2^52 steps")]
fn excess(problem: &Problem<'_>) -> Vec<f64> {
    let mut excess_a = vec![0.0; problem.steps.len()];
    let mut last_a = 0.0;
    for pair in problem.full.windows(2) {
        let span = pair[0]..pair[1];
        for _ in 0..4 {
            let gained: f64 = span
                .clone()
                .map(|step| problem.stored_a(problem.reference_a(step) - last_a, step))
                .sum();
            last_a += gained / span.len() as f64;
        }
        excess_a[span].fill(last_a);
    }
    if let Some(last) = problem.full.last() {
        excess_a[*last..].fill(last_a);
    }
    excess_a
}

fn depths(problem: &Problem<'_>, excess_a: &[f64]) -> Vec<f64> {
    let step_h = problem.steps.hours();
    let capacity_ah = problem.capacity_ah();
    let mut depth = 0.0;
    (0..problem.steps.len())
        .map(|step| {
            if problem.full.binary_search(&step).is_ok() {
                depth = 0.0;
            }
            let by =
                problem.stored_a(problem.reference_a(step) - excess_a[step], step) * step_h / capacity_ah;
            depth += by;
            depth - 0.5 * by
        })
        .collect()
}

fn seen(problem: &Problem<'_>, excess_a: &[f64], depth: &[f64]) -> Vec<Seen> {
    let step_h = problem.steps.hours();
    let fade = LAGS_H.map(|lag_h| (-step_h / lag_h).exp());
    let half = LAGS_H.map(|lag_h| (-0.5 * step_h / lag_h).exp());
    let mut lagging = [0.0; LAGS_H.len()];
    let mut since_h = 0.0;
    let mut seen = Vec::new();
    for step in 0..problem.steps.len() {
        if problem.full.binary_search(&step).is_ok() {
            since_h = 0.0;
        }
        let amperes = problem.reference_a(step) - excess_a[step];
        let everyone = problem.on[step].iter().all(|on| *on);
        if let Some(volts) = problem.steps.volts[step].filter(|_| everyone) {
            seen.push(Seen {
                depth: depth[step],
                amperes,
                lagging_a: std::array::from_fn(|lag| half[lag] * lagging[lag] + (1.0 - half[lag]) * amperes),
                volts,
                depth_by_ampere: -since_h / problem.capacity_ah(),
            });
        }
        for lag in 0..LAGS_H.len() {
            lagging[lag] = fade[lag] * lagging[lag] + (1.0 - fade[lag]) * amperes;
        }
        since_h += step_h;
    }
    seen
}
