//! Gathers what `charge::causes` works from: readings as means over minutes, streamed once, from a full charge on.

use rusqlite::Connection;

use super::{
    facts,
    hours::{HOUR_MS, last_sample},
    roster::Roster,
    told,
};
use crate::{
    charge::causes::{
        Untold,
        account::{self, BankExplained},
        steps::{Gathering, STEP_MS, Steps},
    },
    config::{Bank, Setup},
    reading::Channel,
    store,
};

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
) -> rusqlite::Result<Option<Result<BankExplained, Untold>>> {
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
    Ok(Some(account::explain(facts, &steps, &marks_ms, begin_ms, end_ms)))
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
    let first = (begin_ms - pause_ms).div_euclid(HOUR_MS);
    let (from_ms, until_ms) = (first * HOUR_MS, end_ms.saturating_add(pause_ms + 1));
    let mut last = Vec::with_capacity(members.len());
    for member in &members {
        let (sample, gone) = last_sample(connection, member, first)?;
        last.push(sample.filter(|_| !gone));
    }
    store::reading::each_between(connection, from_ms, until_ms, |(at_ms, number, channels)| {
        let Some(of) = members.iter().position(|member| member.number == number) else {
            return Ok(());
        };
        if let Some(sample) = told::current_after(joinings[of], &mut last[of], at_ms, &channels) {
            gathering.current(of, at_ms, sample.current_ma);
        }
        if told::is_gone(joinings[of], &channels) {
            gathering.gone(of);
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
