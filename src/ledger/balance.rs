//! Gathers the hours of a bank for its balance.

use rusqlite::Connection;

use super::{
    hours::HOUR_MS,
    roster::{Member, Roster},
};
use crate::{
    charge::balance::{Hour, Reported},
    config::{Bank, Setup},
    store,
};

/// The whole hours in `[since_ms, until_ms]` in which the reference was heard, in order: without it there is no balance.
///
/// # Errors
/// Whatever SQLite says.
pub fn hours_of_bank(
    connection: &Connection,
    setup: &Setup,
    bank: &Bank,
    since_ms: i64,
    until_ms: i64,
) -> rusqlite::Result<Vec<Hour>> {
    let members = Roster::look_up(connection, setup)?.of_bank(bank);
    let first = since_ms.div_euclid(HOUR_MS) + i64::from(since_ms.rem_euclid(HOUR_MS) > 0);
    let last = until_ms.div_euclid(HOUR_MS) - 1;
    let heard = members
        .iter()
        .map(|member: &Member| {
            let rows = store::hour::between(connection, member.number, first, last)?;
            Ok(rows.iter().map(|row| (row.hour, reported(row))).collect())
        })
        .collect::<rusqlite::Result<Vec<Vec<(i64, Reported)>>>>()?;
    let reported = |of: usize, hour: i64| {
        let place = heard[of].binary_search_by_key(&hour, |(hour, _)| *hour);
        place.map_or(UNHEARD, |place| heard[of][place].1)
    };
    Ok(heard[0]
        .iter()
        .map(|(hour, reference)| {
            let begin_ms = hour * HOUR_MS;
            let held: Vec<_> = bank.packs.iter().map(|pack| pack.held_at(begin_ms)).collect();
            let in_bank = held.iter().filter(|held| held.in_bank);
            let together_ah: f64 = in_bank.map(|held| held.best_capacity_ah()).sum();
            Hour {
                begin_ms,
                reference: *reference,
                packs: (1..members.len()).map(|of| reported(of, *hour)).collect(),
                shares: held
                    .iter()
                    .map(|held| {
                        let capacity_ah = if held.in_bank {
                            held.best_capacity_ah()
                        } else {
                            0.0
                        };
                        (capacity_ah / together_ah.max(1e-9), capacity_ah)
                    })
                    .collect(),
            }
        })
        .collect())
}

const UNHEARD: Reported = Reported {
    net_ah: 0.0,
    heard: 0.0,
    still: false,
};

#[expect(clippy::cast_precision_loss, reason = "an hour in ms")]
fn reported(row: &store::hour::Hour) -> Reported {
    Reported {
        net_ah: row.counted.net_ah(),
        heard: row.counted.heard_ms as f64 / HOUR_MS as f64,
        still: row.current_ma.is_some_and(|(low, high)| low == high),
    }
}
