//! Gathers what `charge::causes` works from: readings as means over minutes, streamed once, from a full charge on.

use rusqlite::Connection;

use super::{facts, roster::Roster};
use crate::{
    charge::{
        causes::{self, Causes, Untold, steps::Gathering, steps::Steps},
        drift::Record,
        estimate::Estimate,
        facts::Facts,
        fill::Filled,
        losses::HOURS_PER_MONTH,
    },
    config::{Bank, Setup},
    reading::Channel,
    store,
};

/// Length of a step, ms: short beside what packs take to share a current, long beside the pauses between reports.
const STEP_MS: i64 = 300_000;
const MS_PER_HOUR: f64 = 3_600_000.0;

/// What can be told of a bank, and of which time.
#[derive(Debug)]
pub struct Explained {
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

/// Tells why the boards of a bank drift. `None` where nothing was heard yet.
///
/// # Errors
/// Whatever SQLite says.
pub fn causes(
    connection: &Connection,
    setup: &Setup,
    bank: &Bank,
    since_ms: i64,
    until_ms: i64,
) -> rusqlite::Result<Option<Result<Explained, Untold>>> {
    let Some(asked) = facts::gather(connection, setup, bank, &[since_ms, until_ms])? else {
        return Ok(None);
    };
    let facts = &asked.facts;
    let end_ms = facts.cuts[asked.at[1]].at_ms;
    // What the packs are must not change on the way.
    let era_ms = facts.bank.eras.iter().map(|era| era.begin_ms);
    let era_ms = era_ms
        .filter(|begin_ms| *begin_ms < end_ms)
        .max()
        .unwrap_or(i64::MIN);
    let from_ms = facts.cuts[asked.at[0]].at_ms.max(era_ms);
    let marks_ms: Vec<i64> = facts
        .marks
        .iter()
        .map(|mark| mark.at_ms)
        .filter(|at_ms| (era_ms..end_ms).contains(at_ms))
        .collect();
    let before = marks_ms.partition_point(|at_ms| *at_ms <= from_ms);
    let Some(start_ms) = marks_ms.get(before.saturating_sub(1)).copied() else {
        return Ok(Some(Err(Untold::NeverFull)));
    };
    let in_bank: Vec<usize> = facts.bank.at(end_ms).in_bank().map(|(p, _)| p).collect();
    let steps = steps(connection, setup, bank, &in_bank, (start_ms, end_ms))?;
    let begin_ms = from_ms.max(start_ms);
    Ok(Some(explain(facts, &steps, &marks_ms, begin_ms, end_ms)))
}

fn explain(
    facts: &Facts,
    steps: &Steps,
    marks_ms: &[i64],
    begin_ms: i64,
    end_ms: i64,
) -> Result<Explained, Untold> {
    let filled = Filled::new(facts);
    let era = facts.bank.at(end_ms);
    let members: Vec<usize> = era.in_bank().map(|(p, _)| p).collect();
    let problem = problem(facts, &filled, steps, &members, marks_ms, begin_ms);
    let told = causes::causes(&problem)?;
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
    Ok(Explained {
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
) -> causes::Problem<'a> {
    let end_ms = steps.begin_of(steps.len());
    let era = facts.bank.at(end_ms);
    let packs = members
        .iter()
        .map(|p| {
            let pack = &era.packs[*p];
            let self_discharge_a = facts.bank.self_discharge_month.0 * pack.capacity_ah / HOURS_PER_MONTH;
            causes::Pack {
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
    let full = marks_ms.iter().filter(|at_ms| **at_ms >= steps.begin_ms);
    causes::Problem {
        steps,
        packs,
        efficiency: facts.bank.coulombic_efficiency.0,
        full: full.map(|at_ms| steps.at(*at_ms)).collect(),
        on,
        filled_a: filled_a(facts, filled, steps),
        from: steps.at(begin_ms),
    }
}

/// What stands in for the reference where it wasn't heard: the charge that fills the gap, spread over it evenly.
#[expect(clippy::cast_precision_loss, reason = "gaps are far below 2^52 ms")]
fn filled_a(facts: &Facts, filled: &Filled<'_>, steps: &Steps) -> Vec<f64> {
    let mut filled_a = vec![0.0; steps.len()];
    for gap in facts.gaps.iter().filter(|gap| gap.of == 0) {
        let Some((from, until)) = facts.cut_at(gap.begin_ms).zip(facts.cut_at(gap.end_ms)) else {
            continue;
        };
        let hours = (gap.end_ms - gap.begin_ms) as f64 / MS_PER_HOUR;
        let amperes = filled.between(0, from, until).value_ah / hours;
        let last = (steps.at(gap.end_ms) + 1).min(steps.len());
        filled_a[steps.at(gap.begin_ms).min(last)..last].fill(amperes);
    }
    filled_a
}

/// Readings of the reference and of those packs as means over steps.
fn steps(
    connection: &Connection,
    setup: &Setup,
    bank: &Bank,
    packs: &[usize],
    (begin_ms, end_ms): (i64, i64),
) -> rusqlite::Result<Steps> {
    let roster = Roster::look_up(connection, setup)?;
    let all = roster.of_bank(bank);
    let members: Vec<_> = std::iter::once(all[0])
        .chain(packs.iter().map(|p| all[p + 1]))
        .collect();
    let joinings: Vec<_> = members.iter().map(|member| member.joining).collect();
    let mut gathering = Gathering::new(begin_ms, end_ms, STEP_MS, &joinings);
    let of_reference = store::hour::ever_reports_voltage(connection, members[0].number)?;
    let pause_ms = roster.longest_pause_ms();
    let (from_ms, until_ms) = (begin_ms - pause_ms, end_ms.saturating_add(pause_ms + 1));
    store::reading::each_between(connection, from_ms, until_ms, |(at_ms, number, channels)| {
        let Some(of) = members.iter().position(|member| member.number == number) else {
            return Ok(());
        };
        if let Some(current_ma) = channels.get(Channel::Current) {
            gathering.current(of, at_ms, current_ma);
        }
        if let Some(voltage_mv) = channels.get(Channel::Voltage)
            && (of == 0) == of_reference
        {
            gathering.voltage(at_ms, voltage_mv);
        }
        Ok(())
    })?;
    Ok(gathering.finish())
}
