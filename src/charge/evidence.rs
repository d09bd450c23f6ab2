//! What a calibration phase shows of a board: its zero and gain beside the reference, and where it goes blind.
//!
//! Board and reference are compared at the same instants, while the pack is alone with the reference. With one
//! current only, an offset can't be told from a gain: then the difference is all there is to say.

use super::{count::Sample, time::as_f64};

/// Currents nearer to each other than this are one current, A.
const ONE_CURRENT_A: f64 = 1.0;
/// Smaller than this is nothing, A.
const NOTHING_A: f64 = 0.1;
/// Fewer instants say nothing.
const LEAST: usize = 10;
/// Two reports of the reference further apart than this say nothing of what was between, ms.
const APART_MS: i64 = 120_000;
/// Clocks are compared up to so far apart, ms, in such steps.
const CLOCKS_MS: i64 = 120_000;
const CLOCK_STEP_MS: i64 = 5_000;
/// The two must follow each other so well before their clocks can be compared.
const CORRELATED: f64 = 0.95;

/// A value and its standard uncertainty.
pub type Known = (f64, f64);

/// What the currents say.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Compared {
    /// One current only: the board's report less it, A.
    OneCurrent {
        /// The current, A.
        reference_a: f64,
        /// Reported less it, A.
        difference_a: Known,
    },
    /// Several: a line with errors in both (Deming, Statistical Adjustment of Data, 1943).
    Line {
        /// Reported with nothing flowing, A.
        offset_a: Known,
        /// Reported over the reference.
        gain: Known,
        /// Spread around the line, A.
        spread_a: f64,
    },
}

/// Which currents there were.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Kinds {
    /// Next to nothing.
    pub nothing: bool,
    /// Charging.
    pub charging: bool,
    /// Discharging.
    pub discharging: bool,
}

/// What a calibration phase shows of a board's current.
#[derive(Debug, Clone, PartialEq)]
pub struct Evidence {
    /// Instants compared.
    pub instants: usize,
    /// What they say; `None` where there are too few.
    pub compared: Option<Compared>,
    /// Between which currents of the reference the board went blind, A: the largest at which it reported nothing,
    /// and the smallest at which it reported something. Where the two overlap, the former is the larger.
    pub blind_a: Option<(f64, f64)>,
    /// Which currents there were.
    pub kinds: Kinds,
    /// How far the board's clock is behind the reference's, ms; `None` where nothing changed enough to tell.
    pub behind_ms: Option<i64>,
}

/// Compares samples of a board with the reference's, both in order of time. `resolution_ma` are the board's and the
/// reference's smallest steps, by whose ratio the line's errors are shared.
#[must_use]
pub fn evidence(board: &[Sample], reference: &[Sample], resolution_ma: (i64, i64)) -> Evidence {
    let pairs = pairs(board, reference, 0);
    let mut kinds = Kinds::default();
    for (own_a, _) in &pairs {
        kinds.nothing |= own_a.abs() < NOTHING_A;
        kinds.charging |= *own_a > ONE_CURRENT_A;
        kinds.discharging |= *own_a < -ONE_CURRENT_A;
    }
    let silent = pairs.iter().filter(|(_, reported_a)| *reported_a == 0.0);
    let silent_a = silent.map(|(own_a, _)| own_a.abs()).reduce(f64::max);
    let heard = pairs.iter().filter(|(_, reported_a)| *reported_a != 0.0);
    let heard_a = heard.map(|(own_a, _)| own_a.abs()).reduce(f64::min);
    // Where the board is blind, its report is no measurement.
    let seen: Vec<(f64, f64)> = pairs
        .iter()
        .filter(|(own_a, _)| silent_a.is_none_or(|silent_a| own_a.abs() > silent_a || silent_a < NOTHING_A))
        .copied()
        .collect();
    Evidence {
        instants: pairs.len(),
        compared: compared(&seen, resolution_ma),
        blind_a: silent_a.zip(heard_a),
        kinds,
        behind_ms: behind_ms(board, reference),
    }
}

/// (reference, board) in A at the board's instants, the reference interpolated `behind_ms` before them.
fn pairs(board: &[Sample], reference: &[Sample], behind_ms: i64) -> Vec<(f64, f64)> {
    board
        .iter()
        .filter_map(|sample| {
            let at_ms = sample.at_ms - behind_ms;
            let after = reference.partition_point(|of| of.at_ms <= at_ms);
            let (before, after) = (reference.get(after.checked_sub(1)?)?, reference.get(after)?);
            let apart_ms = after.at_ms - before.at_ms;
            let part = as_f64(at_ms - before.at_ms) / as_f64(apart_ms);
            let own_ma = as_f64(before.current_ma) + part * as_f64(after.current_ma - before.current_ma);
            (apart_ms <= APART_MS).then_some((own_ma / 1000.0, as_f64(sample.current_ma) / 1000.0))
        })
        .collect()
}

/// Means, variances and covariance of pairs.
struct Moments {
    count: f64,
    mean: (f64, f64),
    variance: (f64, f64),
    covariance: f64,
}

impl Moments {
    #[expect(clippy::cast_precision_loss, reason = "far fewer than 2^52 pairs")]
    fn of(pairs: &[(f64, f64)]) -> Option<Self> {
        if pairs.len() < LEAST {
            return None;
        }
        let count = pairs.len() as f64;
        let sums = pairs
            .iter()
            .fold((0.0, 0.0), |sum, pair| (sum.0 + pair.0, sum.1 + pair.1));
        let mean = (sums.0 / count, sums.1 / count);
        let mut moments = Self {
            count,
            mean,
            variance: (0.0, 0.0),
            covariance: 0.0,
        };
        for pair in pairs {
            let off = (pair.0 - mean.0, pair.1 - mean.1);
            moments.variance.0 += off.0 * off.0 / (count - 1.0);
            moments.variance.1 += off.1 * off.1 / (count - 1.0);
            moments.covariance += off.0 * off.1 / (count - 1.0);
        }
        Some(moments)
    }

    fn correlation(&self) -> f64 {
        self.covariance / (self.variance.0 * self.variance.1).sqrt().max(1e-300)
    }
}

fn compared(pairs: &[(f64, f64)], resolution_ma: (i64, i64)) -> Option<Compared> {
    let moments = Moments::of(pairs)?;
    let Moments {
        count,
        mean,
        variance,
        covariance,
    } = moments;
    let least = pairs.iter().map(|pair| pair.0).fold(f64::INFINITY, f64::min);
    let most = pairs.iter().map(|pair| pair.0).fold(f64::NEG_INFINITY, f64::max);
    // A rounded report is at best as right as its rounding (JCGM 100:2008, F.2.2.1).
    let rounding = |ma: i64| as_f64(ma.max(1)) / 1000.0 / 12.0_f64.sqrt();
    let rounded_a = rounding(resolution_ma.0);
    if most - least < ONE_CURRENT_A {
        let spread = (variance.0 + variance.1 - 2.0 * covariance).max(0.0);
        return Some(Compared::OneCurrent {
            reference_a: mean.0,
            difference_a: (mean.1 - mean.0, (spread / count + rounded_a * rounded_a).sqrt()),
        });
    }
    let ratio = (rounded_a / rounding(resolution_ma.1)).powi(2);
    let apart = variance.1 - ratio * variance.0;
    let root = (apart * apart + 4.0 * ratio * covariance * covariance).sqrt();
    if covariance <= 0.0 {
        return None;
    }
    let gain = (apart + root) / (2.0 * covariance);
    let correlation = moments.correlation();
    let loose = ((1.0 - correlation * correlation).max(0.0) / (count - 2.0)).sqrt() / correlation;
    let left: f64 = pairs
        .iter()
        .map(|pair| (pair.1 - mean.1 - gain * (pair.0 - mean.0)).powi(2))
        .sum();
    let spread_a = (left / (count - 2.0)).sqrt();
    let gain_u = gain * loose;
    Some(Compared::Line {
        offset_a: (
            mean.1 - gain * mean.0,
            (spread_a * spread_a / count + (mean.0 * gain_u).powi(2)).sqrt(),
        ),
        gain: (gain, gain_u),
        spread_a,
    })
}

/// The shift at which the two follow each other best.
fn behind_ms(board: &[Sample], reference: &[Sample]) -> Option<i64> {
    let shifts = -CLOCKS_MS / CLOCK_STEP_MS..=CLOCKS_MS / CLOCK_STEP_MS;
    let (best_ms, correlation) = shifts
        .filter_map(|shift| {
            let behind_ms = shift * CLOCK_STEP_MS;
            let moments = Moments::of(&pairs(board, reference, behind_ms))?;
            let changes = moments.variance.0.sqrt() > ONE_CURRENT_A;
            changes.then(|| (behind_ms, moments.correlation()))
        })
        .max_by(|a, b| a.1.total_cmp(&b.1).then(b.0.abs().cmp(&a.0.abs())))?;
    (correlation > CORRELATED).then_some(best_ms)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A sample every minute of what `current_a` says, `behind_s` late.
    fn samples(behind_s: i64, current_a: impl Fn(i64) -> f64) -> Vec<Sample> {
        #[expect(clippy::cast_possible_truncation, reason = "small numbers")]
        let sample = |minute: i64| Sample {
            at_ms: (60 * minute + behind_s) * 1000,
            current_ma: (current_a(minute) * 1000.0).round() as i64,
        };
        (0..240).map(sample).collect()
    }

    fn levels(minute: i64) -> f64 {
        [0.0, 12.0, -8.0, 3.0][usize::try_from(minute / 60).unwrap()]
    }

    #[test]
    fn three_currents_tell_offset_from_gain() {
        let board = samples(0, |minute| ((1.02 * levels(minute) + 0.1) * 10.0).round() / 10.0);
        let evidence = evidence(&board, &samples(0, levels), (100, 10));
        let Some(Compared::Line { offset_a, gain, .. }) = evidence.compared else {
            panic!("{evidence:?}");
        };
        // Rounding to a tenth of an ampere at four levels.
        assert!((offset_a.0 - 0.1).abs() < 0.05, "{offset_a:?}");
        assert!((gain.0 - 1.02).abs() < 0.01, "{gain:?}");
        let kinds = evidence.kinds;
        assert!(kinds.nothing && kinds.charging && kinds.discharging);
    }

    #[test]
    fn one_current_tells_a_difference_only() {
        let evidence = evidence(&samples(0, |_| 10.3), &samples(0, |_| 10.0), (100, 10));
        let Some(Compared::OneCurrent { difference_a, .. }) = evidence.compared else {
            panic!("{evidence:?}");
        };
        assert!((difference_a.0 - 0.3).abs() < 1e-9 && difference_a.1 > 0.02);
        assert_eq!(evidence.behind_ms, None);
    }

    #[test]
    fn a_late_clock_and_blindness_show() {
        let slope = |minute: i64| {
            #[expect(clippy::cast_precision_loss, reason = "minutes")]
            let at = minute as f64;
            4.0 * (at / 17.0).sin()
        };
        let blind = |minute: i64| {
            if slope(minute).abs() < 0.5 {
                0.0
            } else {
                slope(minute)
            }
        };
        let late = evidence(&samples(60, blind), &samples(0, slope), (1, 1));
        assert_eq!(late.behind_ms, Some(60_000));
        let timely = evidence(&samples(0, blind), &samples(0, slope), (1, 1));
        let (silent_a, heard_a) = timely.blind_a.unwrap();
        assert!(silent_a < 0.5 && heard_a >= 0.5, "{silent_a} {heard_a}");
    }
}
