//! Regression of what the boards reported on what the model says that flowed.
//!
//! All packs at once: two gains and an offset an epoch for each board, and what the model's resistances and
//! capacity shares should rather be. Rows are chosen by the model's current, never by the report, which would bias
//! them.

use std::ops::Range;

use nalgebra::{DMatrix, DVector};

use super::{Problem, curve::FLAT_BELOW, model::Model};
use crate::charge::least_squares::{Fit, Triangle};

/// Steps whose means make one row, at most.
const STEPS_A_ROW: usize = 3;
/// Standard uncertainty of a board's mean gain beforehand.
const GAIN_PRIOR: f64 = 0.015;
/// Scatter of resistances between packs beforehand, in logarithms.
pub(super) const OHMS_PRIOR: f64 = 0.3;
/// A board may be blind to currents up to this, whatever is seen of it, A.
const BLIND_AT_LEAST_A: f64 = 0.5;
/// Margin above the largest current to which a board was seen blind, A, and which of them counts as that.
const BLIND_MARGIN_A: f64 = 0.1;
const BLIND_QUANTILE: f64 = 0.995;
/// After it begins the model takes this long to forget what it can't know, h.
const WARM_UP_H: f64 = 24.0;
/// Length of the blocks that are left out in turn, h.
pub(super) const BLOCK_H: f64 = 120.0;
/// How much less a row says than if its residual were its own: residuals last for hours.
const ROWS_ALIKE: f64 = 3.0;

/// Where a board's unknowns stand among all.
#[derive(Debug, Clone)]
pub(super) struct Places {
    /// By pack, the first of its unknowns: gains of charging and discharging, then an offset an epoch.
    board: Vec<usize>,
    /// Epochs by pack.
    epochs: Vec<usize>,
    /// The first of the model's: by pack, as many as the model has of each.
    model: usize,
    /// All.
    pub(super) unknowns: usize,
}

impl Places {
    pub(super) fn new(problem: &Problem<'_>) -> Self {
        let epochs: Vec<usize> = problem.packs.iter().map(|pack| pack.epochs.len() + 1).collect();
        let mut next = 0;
        let board = epochs
            .iter()
            .map(|epochs| {
                let first = next;
                next += 2 + epochs;
                first
            })
            .collect();
        Self {
            board,
            model: next,
            unknowns: next + problem.packs.len() * Model::OF_A_PACK,
            epochs,
        }
    }

    pub(super) fn charging(&self, p: usize) -> usize {
        self.board[p]
    }

    pub(super) fn discharging(&self, p: usize) -> usize {
        self.board[p] + 1
    }

    pub(super) fn offset(&self, p: usize, epoch: usize) -> usize {
        self.board[p] + 2 + epoch.min(self.epochs[p] - 1)
    }

    pub(super) fn epochs(&self, p: usize) -> usize {
        self.epochs[p]
    }

    pub(super) fn of_model(&self, p: usize, which: usize) -> usize {
        self.model + p * Model::OF_A_PACK + which
    }
}

/// One row of the regression before it is weighted: the mean of some steps.
struct Row {
    step: usize,
    steps: usize,
    unknowns: Vec<f64>,
    reported_a: f64,
}

/// What the boards' reports came to.
#[derive(Debug)]
pub(super) struct Regression {
    pub(super) fit: Fit,
    /// By block left out: the unknowns without it.
    pub(super) without: Vec<DVector<f64>>,
    /// By pack: (step, residual in A) of its rows.
    pub(super) residuals: Vec<Vec<(usize, f64)>>,
    /// By pack: hours of charging and of discharging that count, and the mean of the latter, A.
    pub(super) used: Vec<Used>,
}

/// How much there was to go by for a board.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Used {
    pub(super) charging_h: f64,
    pub(super) discharging_h: f64,
    pub(super) discharged_ah: f64,
}

/// The steps that count for pack `p`.
fn counting(problem: &Problem<'_>, model: &Model, p: usize) -> Vec<bool> {
    let reported = &problem.steps.reported[p + 1];
    let own = &model.amperes[p];
    let flat = |step: &usize| model.depth[*step] < FLAT_BELOW && problem.on[*step][p];
    let mut unseen: Vec<f64> = (0..own.len())
        .filter(flat)
        .filter(|step| reported[*step].nothing > 0.99)
        .map(|step| own[step].abs())
        .collect();
    unseen.sort_by(f64::total_cmp);
    #[expect(
        clippy::cast_precision_loss,
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a place in the list"
    )]
    let place = (unseen.len() as f64 * BLIND_QUANTILE) as usize;
    let blind_a = unseen.get(place).map_or(0.0, |largest| largest + BLIND_MARGIN_A);
    let least_a = blind_a.max(BLIND_AT_LEAST_A);
    let share = problem.packs[p].capacity_ah / problem.capacity_ah();
    (0..problem.steps.len())
        .map(|step| {
            let heard = problem.steps.reported[0][step].heard > 0.9 && reported[step].heard > 0.9;
            let smallest_a = own[step].abs() - share * problem.steps.swing_a[step];
            heard && problem.counts(step) && flat(&step) && smallest_a > least_a
        })
        .collect()
}

#[expect(clippy::cast_precision_loss, reason = "a few steps")]
fn rows(problem: &Problem<'_>, model: &Model, places: &Places, p: usize, gain: f64) -> (Vec<Row>, Used) {
    let counts = counting(problem, model, p);
    let step_h = problem.steps.hours();
    let mut used = Used::default();
    let mut rows: Vec<Row> = Vec::new();
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        reason = "a day's steps"
    )]
    let warm = (WARM_UP_H / step_h) as usize;
    let mut step = problem.from.max(warm);
    while step < counts.len() {
        if !counts[step] {
            step += 1;
            continue;
        }
        let charging = model.amperes[p][step] > 0.0;
        let epoch = problem.packs[p].epoch(step);
        let goes_on = |other: &usize| {
            counts[*other]
                && (model.amperes[p][*other] > 0.0) == charging
                && problem.packs[p].epoch(*other) == epoch
        };
        let end = (step..counts.len().min(step + STEPS_A_ROW))
            .take_while(goes_on)
            .last()
            .map_or(step + 1, |last| last + 1);
        rows.push(row(problem, model, places, p, gain, step..end));
        let (hours, own_a) = ((end - step) as f64 * step_h, &model.amperes[p][step..end]);
        if charging {
            used.charging_h += hours;
        } else {
            used.discharging_h += hours;
            used.discharged_ah -= own_a.iter().sum::<f64>() * step_h;
        }
        step = end;
    }
    (rows, used)
}

#[expect(clippy::cast_precision_loss, reason = "a few steps")]
fn row(
    problem: &Problem<'_>,
    model: &Model,
    places: &Places,
    p: usize,
    gain: f64,
    steps: Range<usize>,
) -> Row {
    let part = 1.0 / steps.len() as f64;
    let mut row = Row {
        step: steps.start,
        steps: steps.len(),
        unknowns: vec![0.0; places.unknowns],
        reported_a: 0.0,
    };
    for step in steps {
        let own_a = model.amperes[p][step];
        let board = if own_a > 0.0 {
            places.charging(p)
        } else {
            places.discharging(p)
        };
        row.unknowns[board] += part * own_a;
        row.unknowns[places.offset(p, problem.packs[p].epoch(step))] += part;
        for q in 0..problem.packs.len() {
            for which in 0..Model::OF_A_PACK {
                row.unknowns[places.of_model(q, which)] +=
                    part * gain * model.moved(problem, p, q, which, step);
            }
        }
        row.reported_a += part * problem.steps.reported[p + 1][step].amperes;
    }
    row
}

/// Regresses the boards' reports on the model, as it stands.
#[expect(clippy::cast_precision_loss, reason = "a few steps")]
pub(super) fn regress(
    problem: &Problem<'_>,
    model: &Model,
    places: &Places,
    gains: &[f64],
    spread_a: f64,
) -> Option<Regression> {
    let step_h = problem.steps.hours();
    let block_of = |step: usize| {
        #[expect(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "a few blocks"
        )]
        let block = ((step - problem.from.min(step)) as f64 * step_h / BLOCK_H) as usize;
        block
    };
    let mut blocks: Vec<Triangle> = Vec::new();
    let mut used = Vec::with_capacity(problem.packs.len());
    for (p, gain) in gains.iter().enumerate() {
        let (rows, of_pack) = rows(problem, model, places, p, *gain);
        used.push(of_pack);
        for row in &rows {
            let block = block_of(row.step);
            while blocks.len() <= block {
                blocks.push(Triangle::new(places.unknowns));
            }
            let weight = (row.steps as f64 / STEPS_A_ROW as f64).sqrt() / (spread_a * ROWS_ALIKE);
            let weighted: Vec<f64> = row.unknowns.iter().map(|unknown| unknown * weight).collect();
            blocks[block].add(&weighted, row.reported_a * weight);
        }
    }
    blocks.retain(|block| block.observations() > 0);
    let known = known_beforehand(problem, model, places);
    let all_but = |left_out: Option<usize>| {
        let mut all = known.clone();
        for (_, block) in blocks
            .iter()
            .enumerate()
            .filter(|(place, _)| Some(*place) != left_out)
        {
            all.merge(block);
        }
        all.fit().ok()
    };
    let fit = all_but(None)?;
    let without = (0..blocks.len())
        .filter_map(|block| Some(all_but(Some(block))?.coefficients))
        .collect();
    // The rows of one pack at a time: those of all, over a year, would fill the memory of a small board.
    let residuals = gains
        .iter()
        .enumerate()
        .map(|(p, gain)| {
            let residual = |row: &Row| {
                let expected: f64 = row
                    .unknowns
                    .iter()
                    .zip(&fit.coefficients)
                    .map(|(a, b)| a * b)
                    .sum();
                (row.step, row.reported_a - expected)
            };
            rows(problem, model, places, p, *gain)
                .0
                .iter()
                .map(residual)
                .collect()
        })
        .collect();
    Some(Regression {
        fit,
        without,
        residuals,
        used,
    })
}

/// What is known of gains, resistances and shares beforehand.
fn known_beforehand(problem: &Problem<'_>, model: &Model, places: &Places) -> Triangle {
    let mut known = Triangle::new(places.unknowns);
    let mut row = vec![0.0; places.unknowns];
    for p in 0..problem.packs.len() {
        row.fill(0.0);
        row[places.charging(p)] = 0.5 / GAIN_PRIOR;
        row[places.discharging(p)] = 0.5 / GAIN_PRIOR;
        known.know(&row, 1.0 / GAIN_PRIOR);
        for which in 0..Model::OF_A_PACK {
            let spread = Model::prior(problem, p, which);
            row.fill(0.0);
            row[places.of_model(p, which)] = 1.0 / spread;
            known.know(&row, -model.departed(p, which) / spread);
        }
    }
    known
}

/// Covariance of the unknowns by leaving out block after block (Efron, The Jackknife, the Bootstrap and Other
/// Resampling Plans, 1982).
#[expect(clippy::cast_precision_loss, reason = "a few blocks")]
pub(super) fn jackknife(without: &[DVector<f64>]) -> Option<DMatrix<f64>> {
    let blocks = without.len() as f64;
    let first = without.first()?;
    let mean = without
        .iter()
        .fold(DVector::zeros(first.len()), |sum, one| sum + one)
        / blocks;
    let mut covariance = DMatrix::zeros(first.len(), first.len());
    for one in without {
        let off = one - &mean;
        covariance.ger((blocks - 1.0) / blocks, &off, &off, 1.0);
    }
    Some(covariance)
}
