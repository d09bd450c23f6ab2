//! What instruments' own charge counters say of a stretch of time.

use rusqlite::Connection;

use super::{
    cuts,
    roster::{Member, Roster},
};
use crate::{
    charge::counter::{Counts, Step},
    config::{Bank, Setup},
    reading::Channel,
    store::{self, counter_step},
    unit::thousandths,
};

/// What a counter went up by, with its steps that are not charge put right.
#[derive(Debug, Clone, PartialEq)]
pub struct OwnCount {
    /// mAh; `None` where a step can't be put right.
    pub counted_mah: Option<i64>,
    /// Those steps.
    pub steps: Vec<Step>,
}

/// What each pack's own counter went up by in `[from_ms, until_ms]`; `None` where it reports none.
///
/// # Errors
/// Whatever SQLite says.
pub fn own_counts(
    connection: &Connection,
    setup: &Setup,
    bank: &Bank,
    from_ms: i64,
    until_ms: i64,
) -> rusqlite::Result<Vec<Option<OwnCount>>> {
    Roster::look_up(connection, setup)?.of_bank(bank)[1..]
        .iter()
        .map(|member| own_count(connection, member, from_ms, until_ms))
        .collect()
}

/// What a member's counter counts, by what it did from the first reading up to an instant.
pub(super) fn counts(connection: &Connection, member: &Member, until_ms: i64) -> rusqlite::Result<Counts> {
    let Some((first_ms, _)) = store::hour::extent(connection, member.number)? else {
        return Ok(Counts::Net);
    };
    let own = own_count(connection, member, first_ms, until_ms)?;
    let heard = cuts::cut(connection, std::slice::from_ref(member), until_ms)?[0];
    let own_mah = own.and_then(|own| own.counted_mah);
    let counts = own_mah.map_or(Counts::Net, |mah| {
        Counts::of(thousandths(mah), &heard, member.displayed_capacity_ah)
    });
    Ok(counts)
}

fn own_count(
    connection: &Connection,
    member: &Member,
    from_ms: i64,
    until_ms: i64,
) -> rusqlite::Result<Option<OwnCount>> {
    let number = member.number;
    let pause_ms = member.joining.longest_pause_ms;
    let value_at = |at_ms: i64| -> rusqlite::Result<Option<(i64, i64)>> {
        let before =
            store::reading::last_value(connection, number, Channel::Charge, at_ms - pause_ms, at_ms)?;
        match before {
            Some(before) => Ok(Some(before)),
            None => store::reading::first_value(connection, number, Channel::Charge, at_ms, at_ms + pause_ms),
        }
    };
    let (Some((begin_ms, begin_mah)), Some((end_ms, end_mah))) = (value_at(from_ms)?, value_at(until_ms)?)
    else {
        return Ok(None);
    };
    let steps = counter_step::between(connection, number, begin_ms, end_ms)?;
    let corrections: Option<i64> = steps.iter().map(Step::correction_mah).sum();
    Ok(Some(OwnCount {
        counted_mah: corrections.map(|mah| end_mah - begin_mah + mah),
        steps,
    }))
}
