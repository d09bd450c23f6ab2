//! A bank's causes of drift beside its charge errors: what is known of the bank beforehand becomes the problem that
//! the causes are told from.

use super::{Causes, Pack, Problem, Untold, steps::Steps};
use crate::charge::{
    drift::Record, estimate::Estimate, facts::Facts, fill::Filled, losses::HOURS_PER_MONTH, time::hours,
};

/// What can be told of a bank, and of which time.
#[derive(Debug)]
pub struct BankExplained {
    /// From when on the causes are told, ms since 1970: where the question begins, or the first full charge after.
    pub begin_ms: i64,
    /// Until when, ms since 1970.
    pub end_ms: i64,
    /// By pack of the bank: nothing where it wasn't in the bank throughout.
    pub packs: Vec<Option<PackExplained>>,
}

/// One pack's causes beside its charge error.
#[derive(Debug)]
pub struct PackExplained {
    /// Why it drifts.
    pub causes: Causes,
    /// How far it drifted in that time, as `drift` answers it.
    pub charge_error: Option<Estimate>,
    /// When each epoch of `causes` begins but the first, ms since 1970.
    pub recalibrated_ms: Vec<i64>,
}

/// Tells why the boards of a bank drifted between two cuts, with `steps` from the full charge before the first on.
///
/// # Errors
/// [`Untold`] where nothing can be told of any pack.
pub fn explain(
    facts: &Facts,
    steps: &Steps,
    marks_ms: &[i64],
    begin_ms: i64,
    end_ms: i64,
) -> Result<BankExplained, Untold> {
    let filled = Filled::new(facts);
    let era = facts.bank.at(end_ms);
    let members: Vec<usize> = era.in_bank().map(|(p, _)| p).collect();
    let problem = problem(facts, &filled, steps, &members, marks_ms, begin_ms);
    let told = super::causes(&problem)?;
    let record = Record::new(facts, &filled);
    let ends = facts.cut_at(begin_ms).zip(facts.cut_at(end_ms));
    let mut packs: Vec<Option<PackExplained>> = era.packs.iter().map(|_| None).collect();
    for (causes, p) in told.into_iter().zip(&members) {
        let error = ends.and_then(|(from, until)| record.charge_error(*p, from, until).ok());
        packs[*p] = Some(PackExplained {
            causes,
            charge_error: error.map(|answer| answer.error),
            recalibrated_ms: recalibrated(facts, *p, begin_ms, end_ms),
        });
    }
    Ok(BankExplained {
        begin_ms,
        end_ms,
        packs,
    })
}

fn recalibrated(facts: &Facts, p: usize, begin_ms: i64, end_ms: i64) -> Vec<i64> {
    let noted = facts.recalibrated_ms[p + 1].iter().copied();
    noted
        .filter(|at_ms| (begin_ms + 1..end_ms).contains(at_ms))
        .collect()
}

fn problem<'a>(
    facts: &Facts,
    filled: &Filled<'_>,
    steps: &'a Steps,
    members: &[usize],
    marks_ms: &[i64],
    begin_ms: i64,
) -> Problem<'a> {
    let end_ms = steps.begin_of(steps.len());
    let era = facts.bank.at(end_ms);
    let packs = members
        .iter()
        .map(|p| {
            let pack = &era.packs[*p];
            let self_discharge_a = facts.bank.self_discharge_month.0 * pack.capacity_ah / HOURS_PER_MONTH;
            Pack {
                capacity_ah: pack.capacity_ah,
                capacity_uncertainty: pack.capacity_uncertainty,
                draw_a: pack.standing_draw_ma.0 / 1000.0 + self_discharge_a,
                epochs: recalibrated(facts, *p, begin_ms, end_ms)
                    .into_iter()
                    .map(|at_ms| steps.at(at_ms))
                    .collect(),
            }
        })
        .collect();
    let on = (0..steps.len())
        .map(|step| {
            let middle_ms = steps.begin_of(step) + steps.step_ms / 2;
            members.iter().map(|p| facts.on_busbar(*p, middle_ms)).collect()
        })
        .collect();
    let within = marks_ms.iter().filter(|at_ms| **at_ms >= steps.begin_ms);
    let mut full: Vec<usize> = within.map(|at_ms| steps.at(*at_ms)).collect();
    full.dedup();
    Problem {
        steps,
        packs,
        efficiency: facts.bank.coulombic_efficiency.0,
        full,
        on,
        filled_a: filled_a(facts, filled, steps),
        from: steps.at(begin_ms),
    }
}

/// What stands in for the reference where it wasn't heard: the charge that fills the gap, spread over it evenly.
fn filled_a(facts: &Facts, filled: &Filled<'_>, steps: &Steps) -> Vec<f64> {
    let mut filled_a = vec![0.0; steps.len()];
    for gap in facts.gaps.iter().filter(|gap| gap.of == 0) {
        let Some((from, until)) = facts.cut_at(gap.begin_ms).zip(facts.cut_at(gap.end_ms)) else {
            continue;
        };
        let amperes = filled.between(0, from, until).value_ah / hours(gap.end_ms - gap.begin_ms);
        let last = (steps.at(gap.end_ms) + 1).min(steps.len());
        filled_a[steps.at(gap.begin_ms).min(last)..last].fill(amperes);
    }
    filled_a
}
