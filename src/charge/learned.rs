//! What the boards tell of the packs' shares.
//!
//! Packs on one busbar settle to one state of charge within hours: over swings of days each takes its capacity's
//! share. How much a board counts for each Ah that the reference counts is therefore its pack's share times its own
//! gain, and both are known beforehand to a percent or two: what is seen narrows the shares. Offsets and what is
//! blind go with time and are fitted beside it.

use nalgebra::{DMatrix, DVector};

use super::{
    count::Counted,
    facts::{Cut, Era, Facts, Learned},
    least_squares::{Fit, Triangle},
    stored::UNEQUAL_FLAT,
    time::days,
};

/// Standard uncertainty of a board's gain, fraction: common practice, no source.
pub(super) const GAIN: f64 = 0.012;
/// How far residuals that are alike from one instant to the next make a slope less sure than their spread says.
const ALIKE: f64 = 2.0;
/// So many standard deviations from what is usual a count is no pack's share any more.
const FAR_OFF: f64 = 5.0;
/// A board that counts this part of its share, and more, with the other sign runs against the reference.
const REVERSED: f64 = 0.5;
/// How many degrees of freedom the usual imbalance is worth beside what was left over.
const USUAL_FREEDOM: f64 = 4.0;
/// As many instants as it takes to say anything.
const INSTANTS: usize = 12;
/// How long after a pack's return the packs are one again, ms.
const SETTLED_MS: i64 = 24 * 3_600_000;
/// This much of the time between two instants has to be heard, ms in 1,000.
const HEARD_PERMILLE: i64 = 999;

/// The facts with capacities as the boards' counts leave them. Where a pack came, went or changed, learning begins
/// anew; nothing changes where too little was heard.
#[must_use]
pub fn learned(mut facts: Facts) -> Facts {
    let mut first = 0;
    while first < facts.bank.eras.len() {
        let eras = &facts.bank.eras[first..];
        let alike = eras.iter().take_while(|era| is_alike(era, &eras[0])).count();
        let until_ms = eras.get(alike).map_or(i64::MAX, |era| era.begin_ms);
        let since_ms = eras[0].begin_ms;
        let told = told_in(&facts, &eras[0], until_ms);
        for (reversed, told) in facts.reversed.iter_mut().zip(&told) {
            *reversed |= told.is_some_and(|told| told.relative < -1.0 - REVERSED);
        }
        let told: Vec<Option<Told>> = told
            .into_iter()
            .zip(&eras[0].packs)
            .map(|(told, pack)| told.filter(|told| told.is_of(pack.capacity_uncertainty)))
            .collect();
        if let Some((relative, spread)) = narrowed(&eras[0], &told) {
            let strays = told.iter().map(|told| Some(told.as_ref()?.strays)).collect();
            let learned = Learned {
                since_ms,
                spread,
                strays,
            };
            for era in &mut facts.bank.eras[first..first + alike] {
                correct(era, &relative);
                era.learned = Some(learned.clone());
            }
        }
        first += alike;
    }
    facts
}

/// Whether the packs are the same, each of the same capacity.
#[expect(clippy::float_cmp, reason = "the same figure from the same setup")]
fn is_alike(era: &Era, other: &Era) -> bool {
    era.packs.iter().zip(&other.packs).all(|(one, other)| {
        one.in_bank == other.in_bank
            && one.capacity_ah == other.capacity_ah
            && one.cells_changed == other.cells_changed
    })
}

/// Corrects capacities by relative errors; only how their sum is shared is learned.
fn correct(era: &mut Era, relative: &DVector<f64>) {
    let together_ah = era.capacity_ah();
    for (p, pack) in era.packs.iter_mut().enumerate() {
        pack.capacity_ah *= 1.0 + relative[p];
    }
    let scale = together_ah / era.capacity_ah();
    for pack in &mut era.packs {
        pack.capacity_ah *= scale;
    }
}

/// What a board's counts tell of its pack.
#[derive(Debug, Clone, Copy)]
struct Told {
    /// How much of what it should count by its pack's capacity it counts, less one.
    relative: f64,
    /// Standard uncertainty of that slope.
    unsure: f64,
    /// How far the pack strays from its share, fraction of capacity.
    strays: f64,
}

impl Told {
    /// Whether the board counts what a pack may have carried whose capacity is known like this. One that doesn't says
    /// nothing of capacities.
    fn is_of(&self, capacity_uncertainty: f64) -> bool {
        let usual = capacity_uncertainty.hypot(GAIN).hypot(self.unsure);
        self.relative.abs() < FAR_OFF * usual
    }
}

/// What the boards told in an era that lasts until then, pack by pack.
fn told_in(facts: &Facts, era: &Era, until_ms: i64) -> Vec<Option<Told>> {
    let grid: Vec<&Cut> = facts
        .grid
        .iter()
        .filter(|cut| (era.begin_ms..until_ms).contains(&cut.at_ms) && are_together(facts, cut.at_ms))
        .collect();
    let of_pack = |p: usize| era.packs[p].in_bank.then(|| told_by(facts, &grid, era, p))?;
    (0..era.packs.len()).map(of_pack).collect()
}

fn told_by(facts: &Facts, grid: &[&Cut], era: &Era, p: usize) -> Option<Told> {
    let share = era.packs[p].capacity_ah / era.capacity_ah();
    let epochs = &facts.recalibrated_ms[p + 1];
    let unknowns = 2 + epochs.len();
    let mut triangle = Triangle::new(unknowns);
    let windows = windows_heard(facts, grid, p);
    let epoch_of = |window: &[&Cut]| epochs.partition_point(|at_ms| *at_ms <= window[0].at_ms);
    for window in &windows {
        let (begin, epoch) = (window[0], epoch_of(window));
        let rows: Vec<(f64, f64, f64)> = window
            .iter()
            .map(|cut| {
                let of = |of: usize| (cut.totals[of] - begin.totals[of]).net_ah();
                (share * of(0), days(cut.at_ms - begin.at_ms), of(p + 1))
            })
            .collect();
        // What a window begins with is of no interest: only how it goes on.
        let mean =
            |part: fn(&(f64, f64, f64)) -> f64| rows.iter().map(part).sum::<f64>() / as_f64(rows.len());
        let (reference_ah, day, counted_ah) = (mean(|row| row.0), mean(|row| row.1), mean(|row| row.2));
        for row in &rows {
            let mut known = vec![0.0; unknowns];
            known[0] = row.0 - reference_ah;
            known[1 + epoch] = row.1 - day;
            triangle.add(&known, row.2 - counted_ah);
        }
    }
    let observations = triangle.observations();
    if observations < INSTANTS + windows.len() {
        return None;
    }
    // An epoch in which nothing was heard leaves its offset open.
    for epoch in 0..=epochs.len() {
        let mut known = vec![0.0; unknowns];
        known[1 + epoch] = 1e-6;
        triangle.know(&known, 0.0);
    }
    let fit: Fit = triangle.fit().ok()?;
    let freedom = observations
        .checked_sub(windows.len() + unknowns)
        .filter(|left| *left > 0)?;
    let spread_ah = (fit.left_over / as_f64(freedom)).sqrt();
    // From one instant to the next, so that what a board's error wanders by over weeks is not taken for its pack's.
    let step_ah = |epoch: usize, pair: &[&Cut]| {
        let counted_ah = |of: usize| (pair[1].totals[of] - pair[0].totals[of]).net_ah();
        let lasts_days = days(pair[1].at_ms - pair[0].at_ms);
        let offset_ah = fit.coefficients[1 + epoch] * lasts_days;
        counted_ah(p + 1) - (fit.coefficients[0] * share * counted_ah(0) + offset_ah)
    };
    let steps: Vec<f64> = windows
        .iter()
        .flat_map(|window| {
            let epoch = epoch_of(window);
            window.windows(2).map(move |pair| step_ah(epoch, pair))
        })
        .collect();
    let count = as_f64(steps.len());
    let lags_ah = (steps.iter().map(|step| step * step).sum::<f64>() / (2.0 * count)).sqrt();
    let capacity_ah = era.packs[p].capacity_ah;
    Some(Told {
        relative: fit.coefficients[0] - 1.0,
        unsure: ALIKE * spread_ah * fit.unscaled[(0, 0)].sqrt(),
        strays: narrowed_by(spread_ah / capacity_ah, as_f64(freedom) / ALIKE.powi(2))
            .min(UNEQUAL_FLAT)
            .max(narrowed_by(lags_ah / capacity_ah, count)),
    })
}

/// How far a pack strays from its share, fraction of capacity: what is usual and what was seen, each by its degrees of
/// freedom. What is left over of counts has other causes too and can only say that it is less; a pack on a long cable or
/// behind a bad lug lags behind the others by many times what is usual, back and forth from one instant to the next.
fn narrowed_by(seen: f64, freedom: f64) -> f64 {
    let usual = USUAL_FREEDOM * UNEQUAL_FLAT.powi(2);
    ((usual + freedom * seen.powi(2)) / (USUAL_FREEDOM + freedom)).sqrt()
}

/// Stretches in which the reference and a pack were heard without a gap and neither was recalibrated.
fn windows_heard<'a>(facts: &Facts, grid: &[&'a Cut], p: usize) -> Vec<Vec<&'a Cut>> {
    let mut windows: Vec<Vec<&Cut>> = Vec::new();
    for cut in grid {
        let goes_on = windows
            .last()
            .and_then(|window| window.last())
            .is_some_and(|last| {
                let set_anew = |at_ms: &i64| *at_ms > last.at_ms && *at_ms <= cut.at_ms;
                let recalibrated = facts.recalibrated_ms[p + 1]
                    .iter()
                    .chain(&facts.recalibrated_ms[0]);
                let heard = |of: usize| is_heard(cut.totals[of] - last.totals[of], cut.at_ms - last.at_ms);
                heard(0) && heard(p + 1) && !recalibrated.into_iter().any(set_anew)
            });
        match windows.last_mut() {
            Some(window) if goes_on => window.push(cut),
            _ => windows.push(vec![cut]),
        }
    }
    windows.retain(|window| window.len() > 2);
    windows
}

fn is_heard(counted: Counted, lasts_ms: i64) -> bool {
    1000 * counted.heard_ms >= HEARD_PERMILLE * lasts_ms
}

fn are_together(facts: &Facts, at_ms: i64) -> bool {
    let away =
        |away: &super::facts::Away| (away.begin_ms..away.end_ms.saturating_add(SETTLED_MS)).contains(&at_ms);
    !facts.away.iter().any(away)
}

/// Relative errors of the capacities, given what was seen, and a triangular factor of their covariance: what is
/// known beforehand and what was seen, each by its weight (linear Gaussian update; e.g. Rodgers, Inverse Methods for
/// Atmospheric Sounding, 2000, 2.4).
fn narrowed(era: &Era, told: &[Option<Told>]) -> Option<(DVector<f64>, DMatrix<f64>)> {
    let packs = era.packs.len();
    let together_ah = era.capacity_ah();
    let told: Vec<(usize, Told)> = (0..packs).filter_map(|p| Some((p, told[p]?))).collect();
    if told.is_empty() {
        return None;
    }
    let beforehand = DMatrix::from_fn(packs, packs, |p, q| {
        if p == q {
            era.packs[p].capacity_uncertainty.powi(2)
        } else {
            0.0
        }
    });
    // A larger pack takes a larger share, and a smaller one of every other.
    let acts = DMatrix::from_fn(told.len(), packs, |row, q| {
        let own = if told[row].0 == q { 1.0 } else { 0.0 };
        let share = era.packs[q].capacity_ah / together_ah;
        if era.packs[q].in_bank { own - share } else { 0.0 }
    });
    let noise = DMatrix::from_fn(told.len(), told.len(), |row, other| {
        if row == other {
            GAIN.powi(2) + told[row].1.unsure.powi(2)
        } else {
            0.0
        }
    });
    let values = DVector::from_iterator(told.len(), told.iter().map(|(_, told)| told.relative));
    let foretold = &acts * &beforehand * acts.transpose() + noise;
    let gain = &beforehand * acts.transpose() * foretold.try_inverse()?;
    let left = &beforehand - &gain * &acts * &beforehand;
    let spread = (0.5 * (&left + left.transpose())).cholesky()?.unpack();
    Some((gain * values, spread))
}

#[expect(clippy::cast_precision_loss, reason = "some hundred instants")]
fn as_f64(count: usize) -> f64 {
    count as f64
}

#[cfg(test)]
mod tests {
    use super::super::{
        count::PER_AH,
        facts::{Away, Bank, Pack},
    };
    use super::*;

    const HOUR_MS: i64 = 3_600_000;

    #[expect(clippy::cast_possible_truncation, reason = "a charge of some Ah")]
    fn charge(ah: f64) -> i64 {
        (ah * PER_AH).round() as i64
    }

    /// Two packs of one rated capacity that swing for thirty days; the boards count so much of half the charge.
    fn facts(counts: [f64; 2]) -> Facts {
        let pack = Pack {
            capacity_ah: 200.0,
            capacity_uncertainty: 0.02,
            displayed_capacity_ah: 200.0,
            standing_draw_ma: (15.0, 15.0),
            draw_is_assumed: true,
            in_bank: true,
            cells_changed: 0,
        };
        let counted = |ah: f64, at_ms: i64| Counted {
            charged: charge(ah),
            heard_ms: at_ms,
            ..Counted::default()
        };
        let grid = (0..60).map(|place| {
            let at_ms = place * 13 * HOUR_MS;
            let reference_ah = -200.0 * (days(at_ms) / 3.0).sin().abs();
            let board = |part: f64| counted(part * reference_ah / 2.0 + 0.3 * days(at_ms), at_ms);
            Cut {
                at_ms,
                totals: vec![counted(reference_ah, at_ms), board(counts[0]), board(counts[1])],
            }
        });
        Facts {
            bank: Bank {
                reference_offset_ma: 10.0,
                reference_gain: 0.002,
                self_discharge_month: (0.005, 0.005),
                coulombic_efficiency: (0.998, 0.001),
                full_repeatability: 0.003,
                eras: vec![Era {
                    begin_ms: i64::MIN,
                    packs: vec![pack; 2],
                    learned: None,
                }],
            },
            cuts: Vec::new(),
            grid: grid.collect(),
            gaps: Vec::new(),
            marks: Vec::new(),
            away: Vec::new(),
            recalibrated_ms: vec![Vec::new(); 3],
            resolution_ma: vec![None; 3],
            reversed: vec![false; 2],
        }
    }

    fn capacities_ah(facts: &Facts) -> Vec<f64> {
        facts.bank.eras[0]
            .packs
            .iter()
            .map(|pack| pack.capacity_ah)
            .collect()
    }

    #[test]
    fn what_boards_count_is_weighed_against_what_was_known() {
        // One counts 2 % more than half, the other 2 % less: capacity or gain, each by its variance.
        let learned = learned(facts([1.02, 0.98]));
        let of_capacity = 0.02 * 0.02_f64.powi(2) / (0.02_f64.powi(2) + GAIN.powi(2));
        let capacities_ah = capacities_ah(&learned);
        assert!(
            (capacities_ah[0] / 200.0 - 1.0 - of_capacity).abs() < 1e-5,
            "{capacities_ah:?}"
        );
        assert!((capacities_ah[0] + capacities_ah[1] - 400.0).abs() < 1e-9);
        // What is left of the difference of two capacities: both variances, each as a parallel of two.
        let spread = learned.bank.eras[0].learned.clone().unwrap().spread;
        let difference = spread.row(0) - spread.row(1);
        let left = (2.0 / (0.02_f64.powi(-2) + GAIN.powi(-2))).sqrt();
        assert!((difference.norm() - left).abs() < 1e-5, "{}", difference.norm());
    }

    #[test]
    fn a_pack_that_lags_behind_the_others_is_seen_to_stray_as_far() {
        let usual = learned(facts([1.0, 1.0])).bank.eras[0].learned.clone().unwrap();
        assert!(usual.strays[0].unwrap() < UNEQUAL_FLAT);
        // A twentieth of its capacity, back and forth at another pace than the bank swings.
        let mut lagging = facts([1.0, 1.0]);
        for cut in &mut lagging.grid {
            cut.totals[1].charged += charge(10.0 * (3.0 * days(cut.at_ms)).sin());
        }
        let strays = learned(lagging).bank.eras[0].learned.clone().unwrap().strays;
        let lags = 0.05 / 2.0_f64.sqrt();
        assert!((strays[0].unwrap() / lags - 1.0).abs() < 0.2, "{strays:?}");
        assert!(strays[1].unwrap() < UNEQUAL_FLAT);
    }

    #[test]
    fn a_board_that_counts_everything_too_high_moves_no_share() {
        let learned = learned(facts([1.02, 1.02]));
        assert!((capacities_ah(&learned)[0] - 200.0).abs() < 1e-6);
    }

    #[test]
    fn a_board_that_counts_against_the_reference_is_found_and_moves_no_share() {
        let learned = learned(facts([1.0, -1.0]));
        assert_eq!(learned.reversed, [false, true]);
        assert!((capacities_ah(&learned)[0] - 200.0).abs() < 1e-6);
    }

    #[test]
    fn while_a_pack_is_away_and_a_day_longer_nothing_is_learned() {
        let mut away = facts([1.02, 0.98]);
        away.away.push(Away {
            p: 0,
            begin_ms: 0,
            end_ms: 28 * 24 * HOUR_MS,
        });
        assert!(learned(away.clone()) == away);
    }

    #[test]
    fn nothing_is_learned_across_a_silence() {
        let mut silent = facts([1.02, 0.98]);
        // For six hours, in which it counted a lot, a board was not heard.
        for cut in &mut silent.grid[20..] {
            let counted = &mut cut.totals[1];
            counted.heard_ms -= 6 * HOUR_MS;
            counted.charged -= charge(30.0);
        }
        let (with, without) = (learned(silent), learned(facts([1.02, 0.98])));
        assert!((capacities_ah(&with)[0] - capacities_ah(&without)[0]).abs() < 0.01);
    }
}
