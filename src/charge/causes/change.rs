//! An unannounced change of a board's error: a step in what the regression leaves over.
//!
//! A question to the person who was there, never a fact.

use super::Problem;

/// A change is asked about from this many standard errors on.
const TELLING: f64 = 6.0;
/// Days that must lie on either side.
const LEAST_DAYS: usize = 4;

/// A step of a board's error that nobody noted.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Change {
    /// When, about; ms since 1970.
    pub at_ms: i64,
    /// By how much the board reports more since, A.
    pub by_a: f64,
    /// Standard uncertainty of that, A.
    pub standard_uncertainty_a: f64,
}

/// The largest step that tells, within one epoch of pack `p`; `residuals` are (step, A) in order of time.
pub(super) fn find(problem: &Problem<'_>, p: usize, residuals: &[(usize, f64)]) -> Option<Change> {
    let pack = &problem.packs[p];
    (0..=pack.epochs.len())
        .filter_map(|epoch| {
            let own: Vec<(usize, f64)> = residuals
                .iter()
                .filter(|(step, _)| pack.epoch(*step) == epoch)
                .copied()
                .collect();
            in_epoch(problem, &own)
        })
        .max_by(|a, b| score(a).total_cmp(&score(b)))
}

fn score(change: &Change) -> f64 {
    change.by_a.abs() / change.standard_uncertainty_a
}

#[expect(clippy::cast_precision_loss, reason = "far fewer than 2^52 rows")]
fn in_epoch(problem: &Problem<'_>, residuals: &[(usize, f64)]) -> Option<Change> {
    let total: f64 = residuals.iter().map(|(_, residual)| residual).sum();
    let count = residuals.len() as f64;
    // The split that explains most of the squares.
    let (mut before, mut split, mut most) = (0.0, 0, 0.0);
    for index in 1..residuals.len() {
        before += residuals[index - 1].1;
        let (earlier, later) = (index as f64, count - index as f64);
        let step_a = (total - before) / later - before / earlier;
        let explains = step_a * step_a * earlier * later / count;
        if explains > most {
            (split, most) = (index, explains);
        }
    }
    let (earlier, later) = residuals.split_at(split);
    let (earlier, later) = (days(problem, earlier), days(problem, later));
    if earlier.len() < LEAST_DAYS || later.len() < LEAST_DAYS {
        return None;
    }
    let (mean_before, mean_after) = (mean(&earlier), mean(&later));
    let off: Vec<f64> = earlier
        .iter()
        .map(|day| day - mean_before)
        .chain(later.iter().map(|day| day - mean_after))
        .collect();
    let squares: f64 = off.iter().map(|off| off * off).sum();
    let alike: f64 = off.windows(2).map(|pair| pair[0] * pair[1]).sum::<f64>() / squares.max(1e-300);
    let alike = alike.clamp(0.0, 0.9);
    // Neighbouring days that are alike say less: (1 + ρ)/(1 − ρ), for a first-order process.
    let variance = squares / (off.len() - 2) as f64 * (1.0 + alike) / (1.0 - alike);
    let standard_uncertainty_a = (variance * (1.0 / earlier.len() as f64 + 1.0 / later.len() as f64)).sqrt();
    let change = Change {
        at_ms: problem.steps.begin_of(residuals[split].0),
        by_a: mean_after - mean_before,
        standard_uncertainty_a,
    };
    (score(&change) > TELLING).then_some(change)
}

/// Means of days.
#[expect(
    clippy::cast_precision_loss,
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "a day's number"
)]
fn days(problem: &Problem<'_>, residuals: &[(usize, f64)]) -> Vec<f64> {
    let day_of = |step: usize| (step as f64 * problem.steps.hours() / 24.0) as usize;
    residuals
        .chunk_by(|a, b| day_of(a.0) == day_of(b.0))
        .map(|day| day.iter().map(|(_, residual)| residual).sum::<f64>() / day.len() as f64)
        .collect()
}

#[expect(clippy::cast_precision_loss, reason = "a few days")]
fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}
