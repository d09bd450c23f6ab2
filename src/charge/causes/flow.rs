//! How the bank's current divides among packs that share a voltage: a model run forward step by step.

use super::curve::{Curve, LAGS_H};

/// A pack of the model.
#[derive(Debug, Clone, Copy)]
pub(super) struct Cell {
    /// Capacity, Ah.
    pub(super) capacity_ah: f64,
    /// What its board and self-discharge take, A.
    pub(super) draw_a: f64,
    /// Ohmic resistance and those of the polarisations, Ω.
    pub(super) ohms: [f64; 1 + LAGS_H.len()],
}

/// What happens to the bank in a step.
#[derive(Debug, Clone, Copy)]
pub(super) struct Drive<'a> {
    /// Terminal current of all packs on the busbar together, A.
    pub(super) amperes: f64,
    /// Which of them are on it.
    pub(super) on: &'a [bool],
    /// The step begins at a full charge.
    pub(super) full: bool,
}

/// Runs the packs through all steps. `each` hears of every step's number and each pack's terminal current, A.
pub(super) fn run<'a>(
    cells: &[Cell],
    curve: &Curve,
    efficiency: f64,
    step_h: f64,
    drives: impl Iterator<Item = Drive<'a>>,
    mut each: impl FnMut(usize, &[f64]),
) {
    let fade = LAGS_H.map(|lag_h| (-step_h / lag_h).exp());
    let half = LAGS_H.map(|lag_h| (-0.5 * step_h / lag_h).exp());
    let mut depth = vec![0.0; cells.len()];
    let mut lagging = vec![[0.0; LAGS_H.len()]; cells.len()];
    let mut amperes = vec![0.0; cells.len()];
    // Each pack as a source behind a resistance in the middle of the step: V = source + ohms·I.
    let mut sources = vec![(0.0, 1.0); cells.len()];
    for (step, drive) in drives.enumerate() {
        if drive.full {
            for (p, depth) in depth.iter_mut().enumerate() {
                if drive.on[p] {
                    *depth = 0.0;
                }
            }
        }
        let (mut pushed_a, mut conductance) = (0.0, 0.0);
        for (p, cell) in cells.iter().enumerate() {
            let (volts, slope) = curve.volts_and_slope(depth[p]);
            let mut source = volts;
            let mut ohms = cell.ohms[0] + 0.5 * slope * step_h / cell.capacity_ah;
            for lag in 0..LAGS_H.len() {
                let own_ohms = cell.ohms[1 + lag];
                source += half[lag] * own_ohms * lagging[p][lag];
                ohms += (1.0 - half[lag]) * own_ohms;
            }
            sources[p] = (source, ohms);
            if drive.on[p] {
                pushed_a += source / ohms;
                conductance += 1.0 / ohms;
            }
        }
        let volts = (drive.amperes + pushed_a) / conductance.max(1e-9);
        for (p, cell) in cells.iter().enumerate() {
            let (source, ohms) = sources[p];
            let own_a = if drive.on[p] { (volts - source) / ohms } else { 0.0 };
            amperes[p] = own_a;
            let net_a = own_a - cell.draw_a;
            let stored_a = if net_a > 0.0 { efficiency * net_a } else { net_a };
            depth[p] += stored_a * step_h / cell.capacity_ah;
            for lag in 0..LAGS_H.len() {
                lagging[p][lag] = fade[lag] * lagging[p][lag] + (1.0 - fade[lag]) * own_a;
            }
        }
        each(step, &amperes);
    }
}
