//! From readings to cautions, hour by hour; displays far apart are seen in the hours once they stand.

use std::collections::BTreeMap;

use rusqlite::Connection;

use super::{
    hours::HOUR_MS,
    roster::{Member, Roster},
};
use crate::{
    charge::caution::{self, Episode, Kind, Reported, SPREAD_PERMILLE},
    config::{Bank, Setup},
    reading::{Channel, Channels},
    store::{self, caution_hour},
};

/// Watches one instrument.
pub(super) struct Cautions {
    member: Member,
    reported: Reported,
    /// When current and temperature were last reported.
    since_ms: (i64, i64),
}

impl Cautions {
    pub(super) fn new(member: Member) -> Self {
        Self {
            member,
            reported: Reported::default(),
            since_ms: (i64::MIN, i64::MIN),
        }
    }

    /// Keeps in mind what one more reading says: a current and a temperature hold until the next, at most for the
    /// instrument's longest pause.
    pub(super) fn see(&mut self, at_ms: i64, channels: &Channels) {
        let pause_ms = self.member.joining.longest_pause_ms;
        let held = |value: Option<i64>, before: Option<i64>, since_ms: &mut i64| {
            if value.is_some() {
                *since_ms = at_ms;
            }
            value.or(before.filter(|_| at_ms.saturating_sub(*since_ms) <= pause_ms))
        };
        let voltage = channels.get(Channel::Voltage);
        let mean_mv = voltage.map(|mv| mv / self.member.cells_in_series);
        self.reported = Reported {
            cell_min_mv: channels.get(Channel::CellMin).or(mean_mv),
            cell_max_mv: channels.get(Channel::CellMax).or(mean_mv),
            temperature: held(
                channels.get(Channel::Temperature),
                self.reported.temperature,
                &mut self.since_ms.1,
            ),
            current_ma: held(
                channels.get(Channel::Current),
                self.reported.current_ma,
                &mut self.since_ms.0,
            ),
        };
    }

    /// Writes down what the last reading seen is outside of.
    pub(super) fn note(&self, connection: &Connection, at_ms: i64) -> rusqlite::Result<()> {
        let hour = at_ms.div_euclid(HOUR_MS);
        for (kind, value) in caution::outside(&self.reported, self.member.lfp) {
            caution_hour::add(connection, self.member.number, hour, kind, at_ms, value)?;
        }
        Ok(())
    }
}

/// Derives in which of the hours `[first, last]` the displays of packs on one busbar were far apart: told of the
/// pack that is furthest from the middle one.
pub(super) fn derive_spread(
    connection: &Connection,
    setup: &Setup,
    roster: &Roster,
    first: i64,
    last: i64,
) -> rusqlite::Result<()> {
    for bank in &setup.banks {
        let mut displays = BTreeMap::<i64, Vec<(i64, i64)>>::new();
        for (pack, member) in bank.packs.iter().zip(&roster.of_bank(bank)[1..]) {
            caution_hour::remove_kind(connection, member.number, Kind::SocSpread, first, last)?;
            let away = store::off_busbar::of_instrument(connection, member.number)?;
            for row in store::hour::between(connection, member.number, first, last)? {
                let (begin_ms, end_ms) = (row.hour * HOUR_MS, (row.hour + 1) * HOUR_MS);
                let on_busbar = pack.held_at(begin_ms).in_bank
                    && !away.iter().any(|stretch| {
                        stretch.begin_ms < end_ms && stretch.end_ms.is_none_or(|until_ms| until_ms > begin_ms)
                    });
                if let Some((_, highest)) = row.soc_permille.filter(|_| on_busbar) {
                    displays
                        .entry(row.hour)
                        .or_default()
                        .push((highest, member.number));
                }
            }
        }
        for (hour, mut shown) in displays {
            shown.sort_unstable();
            let (lowest, highest) = (shown[0], shown[shown.len() - 1]);
            if highest.0 - lowest.0 <= SPREAD_PERMILLE {
                continue;
            }
            let middle = shown[shown.len() / 2].0;
            let furthest = if highest.0 - middle >= middle - lowest.0 {
                highest
            } else {
                lowest
            };
            let spread = highest.0 - lowest.0;
            let (begin_ms, end_ms) = (hour * HOUR_MS, (hour + 1) * HOUR_MS - 1);
            for at_ms in [begin_ms, end_ms] {
                caution_hour::add(connection, furthest.1, hour, Kind::SocSpread, at_ms, spread)?;
            }
        }
    }
    Ok(())
}

/// Each pack's cautions in `[from_ms, until_ms]`, once an episode.
///
/// # Errors
/// Whatever SQLite says.
pub fn cautions(
    connection: &Connection,
    setup: &Setup,
    bank: &Bank,
    from_ms: i64,
    until_ms: i64,
) -> rusqlite::Result<Vec<Vec<Episode>>> {
    Roster::look_up(connection, setup)?.of_bank(bank)[1..]
        .iter()
        .map(|member| {
            let seen = caution_hour::between(connection, member.number, from_ms, until_ms)?;
            Ok(caution::episodes(seen))
        })
        .collect()
}
