//! What an edited setup changes of what held before: the past of a bank is told by dated changes, and an edit that
//! changes it may be meant (a capacity corrected) or not (a new firmware without its date).

use std::{collections::BTreeSet, fmt::Debug};

use super::setup::{Bank, Held, Pack, Reporting, Setup};

/// Something that an edit changes of the past.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ChangeToPast {
    /// The bank.
    pub bank: String,
    /// What is other than before, in plain words.
    pub what: String,
    /// From when on, ms since 1970; `None`: from the beginning.
    pub from_ms: Option<i64>,
}

/// What `edited` changes of what held before `now_ms` under `served`.
#[must_use]
pub fn changes_to_past(served: &Setup, edited: &Setup, now_ms: i64) -> Vec<ChangeToPast> {
    let mut changes = Vec::new();
    for before in &served.banks {
        let mut say = |what: String, from_ms| {
            changes.push(ChangeToPast {
                bank: before.id.clone(),
                what,
                from_ms,
            });
        };
        let Some(after) = edited.bank(&before.id) else {
            say("the bank is gone".to_owned(), None);
            continue;
        };
        for what in of_bank(before, after)
            .into_iter()
            .chain(of_instruments(served, before, edited, after))
        {
            say(what, None);
        }
        for old in &before.packs {
            let id = &served.entry(old.instrument).id;
            let new = after
                .packs
                .iter()
                .find(|pack| edited.entry(pack.instrument).id == *id);
            match new {
                Some(new) => of_pack(id, old, new, now_ms, &mut say),
                None => say(format!("{id} is gone"), None),
            }
        }
        let known = |id: &String| {
            before
                .packs
                .iter()
                .any(|pack| served.entry(pack.instrument).id == *id)
        };
        for new in &after.packs {
            let id = &edited.entry(new.instrument).id;
            // One that joins later has no part in the past.
            if !known(id) && new.held_at(now_ms).in_bank && new.held[0].in_bank {
                say(format!("{id} is new, and in the bank from the beginning"), None);
            }
        }
    }
    changes
}

/// What has no dates: it holds for all of the past.
fn of_bank(before: &Bank, after: &Bank) -> Vec<String> {
    let mut changes = Vec::new();
    let mut compare =
        |what: &str, before: &dyn Debug, after: &dyn Debug| changes.extend(change(what, before, after));
    compare("chemistry", &before.chemistry, &after.chemistry);
    let (full, now_full) = (&before.full, &after.full);
    compare("full.volts in mV", &full.voltage_mv, &now_full.voltage_mv);
    compare("full.tail_fraction", &full.tail_fraction, &now_full.tail_fraction);
    compare("full.hold", &full.hold, &now_full.hold);
    compare("full.merge", &full.merge, &now_full.merge);
    compare(
        "full.repeatability in %",
        &full.repeatability_percent,
        &now_full.repeatability_percent,
    );
    compare("longest_bridge", &before.longest_bridge, &after.longest_bridge);
    compare(
        "self-discharge in % a month, ±",
        &before.losses.self_discharge_percent_month,
        &after.losses.self_discharge_percent_month,
    );
    compare(
        "coulombic efficiency, ±",
        &before.losses.coulombic_efficiency,
        &after.losses.coulombic_efficiency,
    );
    let (reference, now_reference) = (&before.reference, &after.reference);
    compare(
        "the reference's offset_ma",
        &reference.offset_ma,
        &now_reference.offset_ma,
    );
    compare(
        "the reference's gain_percent",
        &reference.gain_percent,
        &now_reference.gain_percent,
    );
    compare("cells_in_series", &before.cells_in_series, &after.cells_in_series);
    changes
}

/// Whose voltage and which reference count, and how each instrument reports: every hour and full charge hangs on it.
fn of_instruments(served: &Setup, before: &Bank, edited: &Setup, after: &Bank) -> Vec<String> {
    let voltage_from = |setup: &Setup, bank: &Bank| {
        let from = bank.full.voltage_from;
        from.map_or_else(|| "the usual".to_owned(), |from| setup.entry(from).id.clone())
    };
    let reference = |setup: &Setup, bank: &Bank| setup.entry(bank.reference.instrument).id.clone();
    let mut changes = Vec::new();
    changes.extend(worded(
        "full.voltage_from",
        &voltage_from(served, before),
        &voltage_from(edited, after),
    ));
    changes.extend(worded(
        "the reference",
        &reference(served, before),
        &reference(edited, after),
    ));
    for instrument in before.instruments() {
        let old = served.entry(instrument);
        let Some(new) = edited.instrument(&old.id) else {
            continue;
        };
        let (was, is) = (reported(old.reporting), reported(edited.entry(new).reporting));
        changes.extend(worded(&format!("{}: reports", old.id), &was, &is));
    }
    changes
}

/// In the words of the setup file. How long a regular reporter is bridged is the bank's.
fn reported(reporting: Reporting) -> String {
    match reporting {
        Reporting::Regular { .. } => "regular".to_owned(),
        Reporting::OnChange { longest_hold } => format!("on_change, longest_hold {longest_hold:?}"),
    }
}

/// What a pack was at every instant before `now_ms` at which either setup has a change.
fn of_pack(id: &str, old: &Pack, new: &Pack, now_ms: i64, say: &mut impl FnMut(String, Option<i64>)) {
    let dates: BTreeSet<Option<i64>> = old
        .held
        .iter()
        .chain(&new.held)
        .map(|held| held.from_ms)
        .filter(|from_ms| from_ms.is_none_or(|from_ms| from_ms < now_ms))
        .collect();
    let mut said: Vec<String> = Vec::new();
    for from_ms in dates {
        let at_ms = from_ms.unwrap_or(i64::MIN);
        let differences = of_held(id, old.held_at(at_ms), new.held_at(at_ms));
        for what in differences.iter().filter(|what| !said.contains(what)) {
            say(what.clone(), from_ms);
        }
        said = differences;
    }
}

fn of_held(id: &str, before: &Held, after: &Held) -> Vec<String> {
    let mut changes = Vec::new();
    let mut compare = |what: &str, before: &dyn Debug, after: &dyn Debug| {
        changes.extend(change(&format!("{id}: {what}"), before, after));
    };
    compare("capacity_ah", &before.capacity_ah, &after.capacity_ah);
    compare("set_capacity_ah", &before.set_capacity_ah, &after.set_capacity_ah);
    compare(
        "measured_capacity_ah, ±",
        &before.measured_capacity_ah,
        &after.measured_capacity_ah,
    );
    compare("revision", &before.revision, &after.revision);
    compare("firmware", &before.firmware, &after.firmware);
    compare(
        "standing_draw_ma, ±",
        &before.standing_draw_ma,
        &after.standing_draw_ma,
    );
    compare("in the bank", &before.in_bank, &after.in_bank);
    changes
}

/// What is other than before, in plain words.
fn change(what: &str, before: &dyn Debug, after: &dyn Debug) -> Option<String> {
    worded(what, &format!("{before:?}"), &format!("{after:?}"))
}

fn worded(what: &str, before: &str, after: &str) -> Option<String> {
    (before != after).then(|| format!("{what} was {before} and is {after}"))
}
