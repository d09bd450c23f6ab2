//! What boards displayed: at an instant, at resyncs, and jumps that nothing explains.

use std::collections::BTreeMap;

use rusqlite::Connection;

use super::{
    marks::marks,
    roster::{Member, Roster},
};
use crate::{
    config::{Bank, Setup},
    reading::{DAY_MS, Instrument},
    store::{self, gap::DisplayJump},
};

/// A display within this long of a full charge may jump, ms.
const RESYNC_WITHIN_MS: i64 = 60 * 60_000;

/// What a board displayed at an instant.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Display {
    /// When it said so, ms since 1970.
    pub at_ms: i64,
    /// Tenths of a percent.
    pub soc_permille: i64,
}

/// A full charge as the owner saw it on a display.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Resync {
    /// The mark, ms since 1970.
    pub at_ms: i64,
    /// When the voltage crossed the full value, tenths of a percent.
    pub before_permille: Option<i64>,
    /// Once settled, tenths of a percent.
    pub after_permille: Option<i64>,
}

/// What the reference and then each pack displayed last, up to each of these instants.
///
/// # Errors
/// Whatever SQLite says.
pub fn displays(
    connection: &Connection,
    setup: &Setup,
    bank: &Bank,
    instants_ms: &[i64],
) -> rusqlite::Result<Vec<Vec<Option<Display>>>> {
    let members = Roster::look_up(connection, setup)?.of_bank(bank);
    let mut displaying = Vec::with_capacity(members.len());
    for member in &members {
        if store::hour::ever_displays(connection, member.number)? {
            displaying.push(*member);
        }
    }
    instants_ms
        .iter()
        .map(|at_ms| {
            let shown = displayed(connection, &displaying, *at_ms)?;
            Ok(members
                .iter()
                .map(|member| shown.get(&member.number).copied())
                .collect())
        })
        .collect()
}

/// Goes back from the instant until everybody has displayed something: they speak in turns, so that is soon.
fn displayed(
    connection: &Connection,
    displaying: &[Member],
    at_ms: i64,
) -> rusqlite::Result<BTreeMap<i64, Display>> {
    let pauses_ms = displaying.iter().map(|member| member.joining.longest_pause_ms);
    let from_ms = at_ms - pauses_ms.max().unwrap_or(0);
    let mut shown = BTreeMap::new();
    store::reading::each_display_back(connection, from_ms, at_ms, |(said_ms, number, soc_permille)| {
        let who = displaying.iter().find(|member| member.number == number);
        if who.is_some_and(|member| at_ms - said_ms <= member.joining.longest_pause_ms) {
            shown.entry(number).or_insert(Display {
                at_ms: said_ms,
                soc_permille,
            });
        }
        shown.len() < displaying.len()
    })?;
    Ok(shown)
}

/// Each pack's resyncs at marks in `[from_ms, until_ms]`.
///
/// # Errors
/// Whatever SQLite says.
pub fn resyncs(
    connection: &Connection,
    setup: &Setup,
    bank: &Bank,
    from_ms: i64,
    until_ms: i64,
) -> rusqlite::Result<Vec<Vec<Resync>>> {
    let members = packs_of(connection, setup, bank)?;
    let mut resyncs = vec![Vec::new(); members.len()];
    for mark in marks(connection, setup, bank)? {
        let at_ms = mark.anchor.end_ms;
        if !mark.stands() || !(from_ms..=until_ms).contains(&at_ms) {
            continue;
        }
        for (member, resyncs) in members.iter().zip(&mut resyncs) {
            if let Some(pack) = mark.packs.iter().find(|pack| pack.instrument == member.number)
                && pack.soc_before.or(pack.soc_after).is_some()
            {
                resyncs.push(Resync {
                    at_ms,
                    before_permille: pack.soc_before,
                    after_permille: pack.soc_after,
                });
            }
        }
    }
    Ok(resyncs)
}

/// Jumps of each pack's display in `[from_ms, until_ms]` that neither counted charge nor a full charge explains.
///
/// # Errors
/// Whatever SQLite says.
pub fn jumps(
    connection: &Connection,
    setup: &Setup,
    bank: &Bank,
    from_ms: i64,
    until_ms: i64,
) -> rusqlite::Result<Vec<Vec<DisplayJump>>> {
    let marks = marks(connection, setup, bank)?;
    let at_full = |at_ms: i64| {
        let standing = marks.iter().filter(|mark| mark.stands());
        standing.map(|mark| &mark.anchor).any(|anchor| {
            (anchor.crossed_ms - RESYNC_WITHIN_MS..=anchor.end_ms + RESYNC_WITHIN_MS).contains(&at_ms)
        })
    };
    packs_of(connection, setup, bank)?
        .iter()
        .map(|member| {
            let jumps = store::gap::jumps(connection, member.number, from_ms, until_ms)?;
            Ok(jumps.into_iter().filter(|jump| !at_full(jump.at_ms)).collect())
        })
        .collect()
}

/// When each instrument of the setup last reported anything, ms since 1970: within the last day from the readings,
/// else from the hours.
///
/// # Errors
/// Whatever SQLite says.
pub fn last_heard(
    connection: &Connection,
    setup: &Setup,
    now_ms: i64,
) -> rusqlite::Result<Vec<(Instrument, Option<i64>)>> {
    let roster = Roster::look_up(connection, setup)?;
    setup
        .all_instruments()
        .map(|instrument| {
            let number = roster.member(instrument).number;
            let last_ms = match store::reading::last_heard(connection, number, now_ms - DAY_MS)? {
                Some(last_ms) => Some(last_ms),
                None => store::hour::extent(connection, number)?.map(|(_, last_ms)| last_ms),
            };
            Ok((instrument, last_ms))
        })
        .collect()
}

fn packs_of(connection: &Connection, setup: &Setup, bank: &Bank) -> rusqlite::Result<Vec<Member>> {
    Ok(Roster::look_up(connection, setup)?.of_bank(bank).split_off(1))
}
