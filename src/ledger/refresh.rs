//! Brings everything derived in step with the readings: hours first, then anchors, then the cuts at both.

use std::collections::BTreeSet;

use rusqlite::{Connection, OptionalExtension, TransactionBehavior, params};

use super::{anchors, cuts, hours, hours::HOUR_MS, roster::Roster};
use crate::{config::Setup, store};

/// Changes with the way anything is derived, so that what an earlier packdrift derived is rebuilt.
const DERIVATION: u32 = 1;

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
    for (hour, instrument) in stale {
        // The piece or gap before the first reading, and the one behind the last, belong to other hours too.
        affected.extend([hour - 1, hour]);
        affected.extend(store::hour::next_after(&transaction, instrument, hour)?);
    }
    for (first, last) in runs(&affected) {
        hours::derive(&transaction, &roster, first, last, |_| {})?;
    }
    settle(&transaction, setup, &roster, &affected)?;
    transaction.commit()
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
    for table in ["hour", "gap", "display_jump", "anchor", "anchor_pack", "cut"] {
        transaction.execute(&format!("DELETE FROM {table}"), [])?;
    }
    let roster = Roster::look_up(&transaction, setup)?;
    if let Some((first_ms, last_ms)) = store::reading::extent(&transaction)? {
        let (first, last) = (first_ms.div_euclid(HOUR_MS), last_ms.div_euclid(HOUR_MS));
        let of = last - first + 1;
        hours::derive(&transaction, &roster, first, last, |hour| {
            progress(Progress {
                done: hour - first,
                of,
            });
        })?;
        let all: BTreeSet<i64> = (first..=last).collect();
        settle(&transaction, setup, &roster, &all)?;
        progress(Progress { done: of, of });
    }
    transaction.execute(
        "INSERT OR REPLACE INTO ledger_basis VALUES (1, ?1)",
        params![basis(setup)],
    )?;
    transaction.commit()
}

/// What depends on the hours.
fn settle(
    connection: &Connection,
    setup: &Setup,
    roster: &Roster,
    affected: &BTreeSet<i64>,
) -> rusqlite::Result<()> {
    anchors::derive(connection, setup, roster, affected)?;
    for bank in &setup.banks {
        let members = roster.of_bank(bank);
        let marks = store::anchor::of_bank(connection, &bank.id)?;
        cuts::keep(connection, &members, marks.iter().map(|anchor| anchor.end_ms))?;
        for member in &members {
            let gaps = store::gap::of_instrument(connection, member.number)?;
            cuts::keep(
                connection,
                &members,
                gaps.iter().flat_map(|gap| [gap.begin_ms, gap.end_ms]),
            )?;
        }
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

fn basis(setup: &Setup) -> String {
    format!("derivation {DERIVATION}, setup {}", setup.digest)
}

fn derived_with(connection: &Connection) -> rusqlite::Result<Option<String>> {
    connection
        .query_row("SELECT basis FROM ledger_basis", [], |row| row.get(0))
        .optional()
}
