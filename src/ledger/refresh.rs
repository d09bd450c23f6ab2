//! Brings everything derived in step with the readings: hours first, then anchors, then the cuts at both.

use std::{collections::BTreeSet, ops::RangeInclusive};

use rusqlite::{Connection, OptionalExtension, TransactionBehavior, params};

use super::{
    anchors, busbar, cautions, cuts, hours,
    hours::HOUR_MS,
    roster::{Member, Roster},
};
use crate::{charge::count::Between, config::Setup, reading::Channel, store};

/// Changes with the way anything is derived, so that what an earlier packdrift derived is rebuilt.
const DERIVATION: u32 = 4;

/// How far a rebuild has come.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Progress {
    /// Hours derived.
    pub done: i64,
    /// Hours in all.
    pub of: i64,
}

/// Derives what readings have made stale; everything, where the setup has changed since.
///
/// # Errors
/// Whatever SQLite says; the ledger is then as it was.
pub fn refresh(connection: &mut Connection, setup: &Setup) -> rusqlite::Result<()> {
    if derived_with(connection)?.as_deref() != Some(&basis(setup)) {
        return rebuild(connection, setup, |_| {});
    }
    let stale = store::hour::stale(connection)?;
    if stale.is_empty() {
        return Ok(());
    }
    let transaction = connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
    let roster = Roster::look_up(&transaction, setup)?;
    let mut affected = BTreeSet::new();
    let reach = roster.longest_pause_ms().div_euclid(HOUR_MS).max(1);
    for (hour, instrument) in stale {
        // Pieces, and what a display did, reach into the hours beside; a gap reaches to where it ends.
        affected.extend(hour - reach..=hour + reach);
        affected.extend(held_until(&transaction, &roster, hour, instrument)?);
        affected.extend(store::hour::next_heard_after(&transaction, instrument, hour)?);
        // A gap that begins near says what was displayed near its beginning.
        let near_ms = hour * HOUR_MS..(hour + reach + 1) * HOUR_MS;
        let ends_ms = store::gap::ends_of_those_beginning(&transaction, instrument, near_ms)?;
        affected.extend(ends_ms.into_iter().map(|end_ms| end_ms.div_euclid(HOUR_MS)));
    }
    for (first, last) in runs(&affected) {
        hours::derive(&transaction, &roster, first, last, |_, _, _| Ok(()))?;
    }
    if let Some(first) = affected.first() {
        let changed = busbar::derive(&transaction, setup, &roster, first * HOUR_MS)?;
        affected.extend(changed);
    }
    for (first, last) in runs(&affected) {
        cautions::derive_spread(&transaction, setup, &roster, first, last)?;
    }
    settle(&transaction, setup, &roster, affected)?;
    transaction.commit()
}

/// The hours behind `hour` into which a current may hold that is heard in it: up to the next one heard.
fn held_until(
    connection: &Connection,
    roster: &Roster,
    hour: i64,
    instrument: i64,
) -> rusqlite::Result<RangeInclusive<i64>> {
    let holds = |member: &&Member| member.number == instrument && member.joining.between == Between::Hold;
    if !roster.members().iter().any(|member| holds(&member)) {
        return Ok(hour..=hour);
    }
    let behind_ms = (hour + 1) * HOUR_MS;
    let next = store::reading::first_value(connection, instrument, Channel::Current, behind_ms, i64::MAX)?;
    let until_ms = match next {
        Some((at_ms, _)) => at_ms,
        None => store::reading::extent(connection)?.map_or(behind_ms, |(_, last_ms)| last_ms),
    };
    Ok(hour..=until_ms.div_euclid(HOUR_MS))
}

/// Drops everything derived and derives it again from the readings.
///
/// # Errors
/// Whatever SQLite says; the ledger is then as it was.
pub fn rebuild(
    connection: &mut Connection,
    setup: &Setup,
    mut progress: impl FnMut(Progress),
) -> rusqlite::Result<()> {
    let transaction = connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
    for table in store::derived::TABLES {
        transaction.execute(&format!("DELETE FROM {table}"), [])?;
    }
    let roster = Roster::look_up(&transaction, setup)?;
    if let Some((first_ms, last_ms)) = store::reading::extent(&transaction)? {
        let (first, last) = (first_ms.div_euclid(HOUR_MS), last_ms.div_euclid(HOUR_MS));
        let of = last - first + 1;
        // One pass for both: to read the readings is most of the work.
        let mut watches = busbar::from_the_first(&transaction, setup, &roster);
        let mut reached = first;
        hours::derive(&transaction, &roster, first, last, |at_ms, number, channels| {
            let hour = at_ms.div_euclid(HOUR_MS);
            if hour > reached {
                reached = hour;
                progress(Progress {
                    done: hour - first,
                    of,
                });
            }
            for watch in &mut watches {
                watch.see(at_ms, number, channels)?;
            }
            Ok(())
        })?;
        for watch in watches {
            watch.end()?;
        }
        cautions::derive_spread(&transaction, setup, &roster, first, last)?;
        progress(Progress { done: of, of });
    }
    transaction.execute("DELETE FROM ledger_basis", [])?;
    settle(&transaction, setup, &roster, BTreeSet::new())?;
    transaction.commit()
}

/// What depends on the hours.
fn settle(
    connection: &Connection,
    setup: &Setup,
    roster: &Roster,
    mut affected: BTreeSet<i64>,
) -> rusqlite::Result<()> {
    let voltage_of = anchors::voltage_of(connection, setup, roster)?;
    let stood: Option<String> = connection
        .query_row("SELECT voltage_of FROM ledger_basis", [], |row| row.get(0))
        .optional()?;
    if stood.as_ref() != Some(&voltage_of)
        && let Some((first_ms, last_ms)) = store::reading::extent(connection)?
    {
        // Once a bank's voltage is somebody else's, every anchor is in question.
        affected = (first_ms.div_euclid(HOUR_MS)..=last_ms.div_euclid(HOUR_MS)).collect();
    }
    connection.execute(
        "INSERT OR REPLACE INTO ledger_basis VALUES (1, ?1, ?2)",
        params![basis(setup), voltage_of],
    )?;
    anchors::derive(connection, setup, roster, &affected)?;
    for bank in &setup.banks {
        let members = roster.of_bank(bank);
        let marks = store::anchor::of_bank(connection, &bank.id)?;
        let mut instants: BTreeSet<i64> = marks.iter().map(|anchor| anchor.end_ms).collect();
        instants.extend(bank.changes_ms());
        for member in &members {
            let gaps = store::gap::of_instrument(connection, member.number)?;
            instants.extend(gaps.iter().flat_map(|gap| [gap.begin_ms, gap.end_ms]));
            let away = store::off_busbar::of_instrument(connection, member.number)?;
            instants.extend(
                away.iter()
                    .flat_map(|away| [Some(away.begin_ms), away.end_ms])
                    .flatten(),
            );
        }
        cuts::keep(connection, &members, &instants)?;
    }
    store::hour::none_stale(connection)
}

/// Runs of consecutive hours.
fn runs(hours: &BTreeSet<i64>) -> Vec<(i64, i64)> {
    let mut runs: Vec<(i64, i64)> = Vec::new();
    for hour in hours {
        match runs.last_mut() {
            Some(run) if run.1 + 1 == *hour => run.1 = *hour,
            _ => runs.push((*hour, *hour)),
        }
    }
    runs
}

/// Whether answers would be of more than the newest hour ago, or of another setup.
///
/// # Errors
/// Whatever SQLite says.
pub fn is_behind(connection: &Connection, setup: &Setup) -> rusqlite::Result<bool> {
    let derived_as_asked = derived_with(connection)?.is_some_and(|derived| derived == basis(setup));
    Ok(!derived_as_asked || store::hour::are_behind(connection)?)
}

fn basis(setup: &Setup) -> String {
    format!("derivation {DERIVATION}, setup {}", setup.digest)
}

fn derived_with(connection: &Connection) -> rusqlite::Result<Option<String>> {
    connection
        .query_row("SELECT basis FROM ledger_basis", [], |row| row.get(0))
        .optional()
}
