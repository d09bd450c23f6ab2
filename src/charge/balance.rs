//! The bank's balance: what the packs' boards count together against what the reference counts.
//!
//! Currents of packs in parallel add up to the bank's, so this check needs no full charge. It says how wrong the
//! boards are together, never which of them: only the sum of their errors is determined.

use super::least_squares::{Triangle, newey_west};

/// Residuals of hours less than this apart are taken to be alike: a day comes back after a day.
const ALIKE_H: usize = 24;
/// Less of an hour heard than this, and it doesn't count.
const HEARD_AT_LEAST: f64 = 0.95;
/// Fewer hours give no line.
const LEAST_H: usize = 48;
/// A pack misreports when its report stands still, or runs against the bank, for so many hours on end
const LEAST_ON_END_H: usize = 3;
/// in which at least so much should have flowed through it, A or part of its capacity,
const TELLING_A: f64 = 2.0;
const TELLING_C: f64 = 0.02;
/// and at least this part of the difference is missing from the sum.
const MISSING: f64 = 0.5;

/// What an instrument reported in an hour.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reported {
    /// Net charge, Ah.
    pub net_ah: f64,
    /// Part of the hour that was heard.
    pub heard: f64,
    /// All its reports were the same.
    pub still: bool,
}

/// An hour of the whole bank.
#[derive(Debug, Clone, PartialEq)]
pub struct Hour {
    /// Where it begins, ms since 1970.
    pub begin_ms: i64,
    /// What the reference reported.
    pub reference: Reported,
    /// What each pack reported.
    pub packs: Vec<Reported>,
    /// Each pack's share of the bank's capacity, and the capacity, Ah; nothing where it isn't in the bank.
    pub shares: Vec<(f64, f64)>,
}

/// An hour that counts.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Counted {
    /// Where it begins, ms since 1970.
    pub begin_ms: i64,
    /// By the packs together, Ah.
    pub packs_ah: f64,
    /// By the reference, Ah.
    pub reference_ah: f64,
}

/// The packs together over the reference's current: a straight line, with standard uncertainties that survive
/// autocorrelation (Newey and West 1987, a day's lags).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Line {
    /// Reported together for each ampere of the reference, and its standard uncertainty.
    pub slope: (f64, f64),
    /// Reported together when the reference reports nothing, A, and its standard uncertainty.
    pub intercept_a: (f64, f64),
    /// Spread of an hour's mean around the line, A.
    pub spread_a: f64,
}

/// What a report does that can't be true.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fault {
    /// It stands still.
    Stopped,
    /// It runs against the bank.
    Reversed,
}

/// A pack whose report can't be true, and whose share is missing from the sum.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Misreport {
    /// The pack.
    pub p: usize,
    /// What its report did.
    pub fault: Fault,
    /// From when, ms since 1970.
    pub begin_ms: i64,
    /// Until when, ms since 1970.
    pub end_ms: i64,
}

/// The balance.
#[derive(Debug, Clone, PartialEq)]
pub struct Balance {
    /// The hours in which everyone was heard.
    pub hours: Vec<Counted>,
    /// How many there were besides.
    pub left_out: usize,
    /// The line; `None` where there are too few hours, or the current never changed.
    pub line: Option<Line>,
    /// Reports that can't be true, in order of time.
    pub misreports: Vec<Misreport>,
}

impl Balance {
    /// Counted by the packs together less by the reference, Ah.
    #[must_use]
    pub fn difference_ah(&self) -> f64 {
        self.hours
            .iter()
            .map(|hour| hour.packs_ah - hour.reference_ah)
            .sum()
    }
}

/// Balances hours in order of time.
#[must_use]
pub fn balance(hours: &[Hour]) -> Balance {
    let is_heard = |hour: &Hour| {
        let in_bank = hour
            .packs
            .iter()
            .zip(&hour.shares)
            .filter(|(_, share)| share.0 > 0.0);
        std::iter::once(&hour.reference)
            .chain(in_bank.map(|(pack, _)| pack))
            .all(|reported| reported.heard >= HEARD_AT_LEAST)
    };
    let heard: Vec<&Hour> = hours.iter().filter(|hour| is_heard(hour)).collect();
    let counted: Vec<Counted> = heard
        .iter()
        .map(|hour| Counted {
            begin_ms: hour.begin_ms,
            packs_ah: packs_ah(hour),
            reference_ah: hour.reference.net_ah,
        })
        .collect();
    let packs = hours.first().map_or(0, |hour| hour.packs.len());
    let mut misreports: Vec<Misreport> = (0..packs)
        .flat_map(|p| [(p, Fault::Stopped), (p, Fault::Reversed)])
        .flat_map(|(p, fault)| misreports(&heard, p, fault))
        .collect();
    misreports.sort_by_key(|it| (it.begin_ms, it.p));
    Balance {
        line: line(&counted),
        left_out: hours.len() - counted.len(),
        hours: counted,
        misreports,
    }
}

fn packs_ah(hour: &Hour) -> f64 {
    let in_bank = hour
        .packs
        .iter()
        .zip(&hour.shares)
        .filter(|(_, share)| share.0 > 0.0);
    in_bank.map(|(pack, _)| pack.net_ah).sum()
}

fn line(hours: &[Counted]) -> Option<Line> {
    if hours.len() < LEAST_H {
        return None;
    }
    // An hour's Ah is its mean current in A.
    let observations: Vec<(Vec<f64>, f64)> = hours
        .iter()
        .map(|hour| (vec![1.0, hour.reference_ah], hour.packs_ah))
        .collect();
    let mut triangle = Triangle::new(2);
    for (row, value) in &observations {
        triangle.add(row, *value);
    }
    let fit = triangle.fit().ok()?;
    let covariance = newey_west(&fit, &observations, ALIKE_H)?;
    let with_error = |unknown: usize| {
        (
            fit.coefficients[unknown],
            covariance[(unknown, unknown)].max(0.0).sqrt(),
        )
    };
    Some(Line {
        slope: with_error(1),
        intercept_a: with_error(0),
        spread_a: fit.residual_spread()?,
    })
}

/// When pack `p` misreported. Hours in which too little flowed to tell are passed over. A pack that is off the busbar
/// reports nothing too, but then the others carry the current, and nothing is missing.
fn misreports(hours: &[&Hour], p: usize, fault: Fault) -> Vec<Misreport> {
    let should_ah = |hour: &Hour| hour.shares[p].0 * hour.reference.net_ah;
    let tells = |hour: &&&Hour| should_ah(hour).abs() > TELLING_A.max(TELLING_C * hour.shares[p].1);
    let is_so = |hour: &Hour| match fault {
        // A current that stands still for all is nobody's fault.
        Fault::Stopped => hour.packs[p].still && !hour.reference.still,
        Fault::Reversed => hour.packs[p].net_ah / should_ah(hour) < -MISSING,
    };
    let telling: Vec<&Hour> = hours.iter().filter(tells).copied().collect();
    telling
        .chunk_by(|before, after| is_so(before) == is_so(after))
        .filter(|run| run.len() >= LEAST_ON_END_H && is_so(run[0]))
        .filter(|run| {
            let (mut missing_ah, mut differs_ah) = (0.0, 0.0);
            for hour in *run {
                let direction = hour.reference.net_ah.signum();
                missing_ah += direction * (hour.reference.net_ah - packs_ah(hour));
                differs_ah += direction * (should_ah(hour) - hour.packs[p].net_ah);
            }
            missing_ah >= MISSING * differs_ah
        })
        .map(|run| Misreport {
            p,
            fault,
            begin_ms: run[0].begin_ms,
            end_ms: run[run.len() - 1].begin_ms + 3_600_000,
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Hours of two packs of 100 and 200 Ah whose boards count with a gain and an offset each.
    fn hours(count: i32, boards: [(f64, f64); 2]) -> Vec<Hour> {
        let reported = |net_ah| Reported {
            net_ah,
            heard: 1.0,
            still: false,
        };
        (0..count)
            .map(|hour| {
                let bank_a = 30.0 * (f64::from(hour) * 0.26).sin() - 2.0;
                let shares = [1.0 / 3.0, 2.0 / 3.0];
                Hour {
                    begin_ms: i64::from(hour) * 3_600_000,
                    reference: reported(bank_a),
                    packs: (0..2)
                        .map(|p| reported(boards[p].0 * shares[p] * bank_a + boards[p].1))
                        .collect(),
                    shares: vec![(shares[0], 100.0), (shares[1], 200.0)],
                }
            })
            .collect()
    }

    #[test]
    fn the_line_is_the_boards_mean_gain_and_summed_offset() {
        let balance = balance(&hours(200, [(1.01, 0.05), (0.98, -0.02)]));
        let line = balance.line.unwrap();
        assert!((line.slope.0 - 0.99).abs() < 1e-12, "{line:?}");
        assert!((line.intercept_a.0 - 0.03).abs() < 1e-12, "{line:?}");
        assert!(balance.misreports.is_empty());
    }

    /// What is told of each pack.
    fn told(hours: &[Hour]) -> Vec<(usize, Fault, i64, i64)> {
        let hour = |ms: i64| ms / 3_600_000;
        let misreports = balance(hours).misreports.into_iter();
        misreports
            .map(|it| (it.p, it.fault, hour(it.begin_ms), hour(it.end_ms)))
            .collect()
    }

    #[test]
    fn a_pack_that_stopped_counting_is_told_once_and_apart_from_one_off_the_busbar() {
        let mut hours = hours(200, [(1.0, 0.0), (1.0, 0.0)]);
        for hour in &mut hours[24..72] {
            hour.packs[0] = Reported {
                net_ah: 0.0,
                heard: 1.0,
                still: true,
            };
        }
        // In its first two hours too little flowed to tell.
        assert_eq!(told(&hours), [(0, Fault::Stopped, 26, 72)]);
        // The other one carries everything: the first is off the busbar.
        for hour in &mut hours[24..72] {
            hour.packs[1].net_ah = hour.reference.net_ah;
        }
        assert_eq!(told(&hours), []);
    }

    #[test]
    fn a_pack_that_reports_the_wrong_way_round_is_told() {
        let mut hours = hours(200, [(1.0, 0.02), (1.0, -0.01)]);
        for hour in &mut hours[50..100] {
            hour.packs[1].net_ah *= -1.0;
        }
        let told = told(&hours);
        assert_eq!(told.len(), 1, "{told:?}");
        let (p, fault, begin_h, end_h) = told[0];
        assert_eq!((p, fault), (1, Fault::Reversed));
        // Around its ends too little may flow to tell.
        assert!(
            (50..54).contains(&begin_h) && (97..=100).contains(&end_h),
            "{told:?}"
        );
    }

    #[test]
    fn too_few_hours_give_no_line() {
        assert_eq!(balance(&hours(20, [(1.0, 0.0), (1.0, 0.0)])).line, None);
        assert_eq!(balance(&[]).line, None);
    }
}
