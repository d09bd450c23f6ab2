//! The phases of a bank: derived from hours, anchors and gaps; what a person stated on top.

use rusqlite::Connection;

use super::{
    facts,
    hours::HOUR_MS,
    marks::marks,
    roster::{Member, Roster},
};
use crate::{
    charge::phase::{self, Phase, QuietHour},
    config::{Bank, Setup},
    store::{self, off_busbar::OffBusbar},
};

/// A current this small is noise, fraction of the bank's capacity per hour.
const NOISE_C: f64 = 0.001;

/// The phases of a bank in `[from_ms, until_ms)`, as far as anything was heard or stated.
///
/// # Errors
/// Whatever SQLite says.
pub fn phases(
    connection: &Connection,
    setup: &Setup,
    bank: &Bank,
    from_ms: i64,
    until_ms: i64,
) -> rusqlite::Result<Phases> {
    let roster = Roster::look_up(connection, setup)?;
    let members = roster.of_bank(bank);
    let extents = members
        .iter()
        .map(|member| store::hour::extent(connection, member.number))
        .collect::<rusqlite::Result<Vec<_>>>()?;
    let heard = || extents.iter().flatten();
    let away = away(connection, &members, from_ms, until_ms)?;
    let stated = store::stated_phase::standing(connection, &bank.id)?;
    let mut phases = Vec::new();
    if let (Some(first_ms), Some(last_ms)) = (
        heard().map(|extent| extent.0).min(),
        heard().map(|extent| extent.1).max(),
    ) {
        let (begin_ms, end_ms) = (first_ms.max(from_ms), last_ms.min(until_ms));
        if begin_ms < end_ms {
            let number = members[0].number;
            let rows = store::hour::between(
                connection,
                number,
                begin_ms.div_euclid(HOUR_MS),
                (end_ms - 1).div_euclid(HOUR_MS),
            )?;
            let hours: Vec<QuietHour> = rows
                .iter()
                .map(|row| QuietHour {
                    begin_ms: row.hour * HOUR_MS,
                    largest_ma: row.current_ma.map(|(low, high)| low.abs().max(high.abs())),
                })
                .collect();
            let full: Vec<(i64, i64)> = marks(connection, setup, bank)?
                .iter()
                .filter(|mark| mark.stands())
                .map(|mark| (mark.anchor.begin_ms, mark.anchor.end_ms))
                .collect();
            let mut silences = Vec::new();
            for (member, extent) in members.iter().zip(&extents) {
                let gaps = facts::silences(connection, member, *extent, begin_ms, end_ms)?;
                let bounds = gaps.iter().map(|gap| (gap.begin_ms, gap.end_ms));
                silences.push(bounds.collect::<Vec<_>>());
            }
            let outages = common(&silences);
            #[expect(clippy::cast_possible_truncation, reason = "a current in mA")]
            let noise_ma = (NOISE_C * bank.capacity_ah(end_ms) * 1000.0) as i64;
            phases = phase::derived(
                begin_ms,
                end_ms,
                &hours,
                noise_ma,
                &full,
                &outages,
                &alone(bank, &away),
            );
        }
    }
    for stated in stated {
        let (begin_ms, end_ms) = (
            stated.said.begin_ms.max(from_ms),
            stated.said.end_ms.min(until_ms),
        );
        phase::lay_over(
            &mut phases,
            Phase {
                kind: stated.said.kind,
                begin_ms,
                end_ms,
                stated: Some(stated.id),
            },
        );
    }
    Ok(Phases { phases, away })
}

/// What went on in a bank, and who was off the busbar meanwhile.
#[derive(Debug, Clone, Default)]
pub struct Phases {
    /// Neither overlapping nor with holes, as far as anything was heard.
    pub phases: Vec<Phase>,
    /// By pack, each in order of time.
    pub away: Vec<Vec<OffBusbar>>,
}

/// Who was off the busbar in `[from_ms, until_ms)`.
fn away(
    connection: &Connection,
    members: &[Member],
    from_ms: i64,
    until_ms: i64,
) -> rusqlite::Result<Vec<Vec<OffBusbar>>> {
    members[1..]
        .iter()
        .map(|member| {
            let mut stretches = store::off_busbar::of_instrument(connection, member.number)?;
            stretches.retain(|stretch| {
                stretch.begin_ms < until_ms && stretch.end_ms.is_none_or(|end_ms| end_ms > from_ms)
            });
            Ok(stretches)
        })
        .collect()
}

/// When all packs but one were off the busbar.
fn alone(bank: &Bank, away: &[Vec<OffBusbar>]) -> Vec<(i64, i64)> {
    let in_bank = |p: &usize, at_ms: i64| bank.packs[*p].held_at(at_ms).in_bank;
    let on = |at_ms: i64| {
        (0..away.len())
            .filter(|p| in_bank(p, at_ms) && !away[*p].iter().any(|stretch| stretch.contains(at_ms)))
            .count()
    };
    let mut bounds: Vec<i64> = away
        .iter()
        .flatten()
        .flat_map(|stretch| [stretch.begin_ms, stretch.end_ms.unwrap_or(i64::MAX)])
        .collect();
    bounds.sort_unstable();
    bounds
        .windows(2)
        .filter(|pair| pair[0] < pair[1] && on(pair[0]) == 1)
        .map(|pair| (pair[0], pair[1]))
        .collect()
}

/// Where the intervals of all lists overlap.
fn common(lists: &[Vec<(i64, i64)>]) -> Vec<(i64, i64)> {
    let Some((first, others)) = lists.split_first() else {
        return Vec::new();
    };
    others.iter().fold(first.clone(), |common, other| {
        let mut overlaps = Vec::new();
        for (from, until) in &common {
            for (other_from, other_until) in other {
                let overlap = (*from.max(other_from), *until.min(other_until));
                if overlap.0 < overlap.1 {
                    overlaps.push(overlap);
                }
            }
        }
        overlaps
    })
}
