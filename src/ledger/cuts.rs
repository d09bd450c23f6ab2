//! What every instrument of a bank has counted up to an instant: from the totals of the hour before, and the
//! readings of the instant's own hour. Instants that are asked about again and again are kept.

use std::collections::BTreeSet;

use rusqlite::Connection;

use super::{
    hours::{HOUR_MS, last_sample},
    roster::Member,
    told,
};
use crate::{
    charge::{
        count::{Counted, Piece},
        facts::Cut,
    },
    store,
};

/// What the members have counted up to each of these instants, which are in order of time.
pub(super) fn cuts(
    connection: &Connection,
    members: &[Member],
    instants_ms: impl IntoIterator<Item = i64>,
) -> rusqlite::Result<Vec<Cut>> {
    let mut cuts = instants_ms
        .into_iter()
        .map(|at_ms| {
            let totals = since_hour(connection, members, at_ms)?;
            Ok(Cut { at_ms, totals })
        })
        .collect::<rusqlite::Result<Vec<_>>>()?;
    let hours: Vec<i64> = cuts.iter().map(|cut| cut.at_ms.div_euclid(HOUR_MS)).collect();
    for (place, member) in members.iter().enumerate() {
        let before = store::hour::totals_before(connection, member.number, &hours)?;
        for (cut, before) in cuts.iter_mut().zip(before) {
            cut.totals[place] = before + cut.totals[place];
        }
    }
    Ok(cuts)
}

/// What the members have counted up to an instant.
pub(super) fn cut(connection: &Connection, members: &[Member], at_ms: i64) -> rusqlite::Result<Vec<Counted>> {
    Ok(cuts(connection, members, [at_ms])?.remove(0).totals)
}

/// What the members count from the beginning of an instant's hour up to it, as kept, else from the readings.
fn since_hour(connection: &Connection, members: &[Member], at_ms: i64) -> rusqlite::Result<Vec<Counted>> {
    if at_ms.rem_euclid(HOUR_MS) == 0 {
        return Ok(vec![Counted::default(); members.len()]);
    }
    let kept = members
        .iter()
        .map(|member| store::cut::get(connection, at_ms, member.number))
        .collect::<rusqlite::Result<Option<Vec<_>>>>()?;
    match kept {
        Some(kept) => Ok(kept),
        None => within_hour(connection, members, at_ms),
    }
}

/// Keeps the cuts at these instants, and no others.
pub(super) fn keep(
    connection: &Connection,
    members: &[Member],
    instants: &BTreeSet<i64>,
) -> rusqlite::Result<()> {
    let kept = store::cut::instants(connection, members[0].number)?;
    for at_ms in kept.difference(instants) {
        for member in members {
            store::cut::remove_one(connection, *at_ms, member.number)?;
        }
    }
    for at_ms in instants.difference(&kept) {
        let parts = within_hour(connection, members, *at_ms)?;
        for (member, part) in members.iter().zip(&parts) {
            store::cut::put(connection, *at_ms, member.number, part)?;
        }
    }
    Ok(())
}

/// What the members count from the beginning of an instant's hour up to it.
fn within_hour(connection: &Connection, members: &[Member], at_ms: i64) -> rusqlite::Result<Vec<Counted>> {
    let hour = at_ms.div_euclid(HOUR_MS);
    let begin_ms = hour * HOUR_MS;
    let mut previous = Vec::with_capacity(members.len());
    for member in members {
        let (sample, gone) = last_sample(connection, member, hour)?;
        let sample = sample.filter(|_| !gone);
        previous.push(sample);
    }
    let mut counted = vec![Counted::default(); members.len()];
    let longest_ms = members
        .iter()
        .map(|member| member.joining.longest_pause_ms)
        .max()
        .unwrap_or(0);
    // Who spoke at the instant or later has nothing more to say of the time before.
    let mut spoke = vec![false; members.len()];
    let mut silent = members.len();
    let until_ms = at_ms + longest_ms + 1;
    store::reading::each_current(connection, begin_ms, until_ms, |(sample_ms, number, channels)| {
        let Some(place) = members.iter().position(|member| member.number == number) else {
            return true;
        };
        let joining = members[place].joining;
        let gone = told::is_gone(joining, &channels);
        let before = previous[place].filter(|before| before.at_ms < at_ms);
        let Some(sample) = told::current(joining, previous[place], sample_ms, &channels) else {
            return true;
        };
        if let Some(before) = before
            && let Some(piece) = Piece::joining(before, sample, joining)
        {
            counted[place] += piece.between(begin_ms, at_ms);
        }
        previous[place] = Some(sample).filter(|_| !gone);
        if sample_ms >= at_ms && !spoke[place] {
            spoke[place] = true;
            silent -= 1;
        }
        silent > 0
    })?;
    Ok(counted)
}
