//! From readings to stretches off the busbar: from the earliest stale hour on, as such a stretch may last for days.

use std::collections::BTreeSet;

use rusqlite::Connection;

use super::{
    hours::{HOUR_MS, last_sample},
    roster::{Member, Roster},
    told,
};
use crate::{
    charge::{
        busbar::{Change, Seen, Watch, telling_ma},
        count::Sample,
    },
    config::{Bank, Setup},
    reading::{Channel, Channels},
    store::{
        self,
        off_busbar::{self, OffBusbar},
    },
};

/// How far before the first hour the readings are looked at, ms, and for as long as a value says something: what is
/// concluded takes minutes.
const WARM_UP_MS: i64 = HOUR_MS;

/// Derives who was off the busbar from `from_ms` on. Gives the hours in which that is other than before.
pub(super) fn derive(
    connection: &Connection,
    setup: &Setup,
    roster: &Roster,
    from_ms: i64,
) -> rusqlite::Result<BTreeSet<i64>> {
    let mut changed = BTreeSet::new();
    let last_ms = store::reading::extent(connection)?.map_or(from_ms, |(_, last_ms)| last_ms);
    for bank in &setup.banks {
        let members = roster.of_bank(bank);
        let before = stretches(connection, &members)?;
        derive_bank(connection, bank, &members, &before, from_ms)?;
        let after = stretches(connection, &members)?;
        for stretch in before.symmetric_difference(&after) {
            let (_, stretch) = stretch;
            let end_ms = stretch.end_ms.unwrap_or(last_ms);
            changed.extend(stretch.begin_ms.div_euclid(HOUR_MS)..=end_ms.div_euclid(HOUR_MS));
        }
    }
    Ok(changed)
}

/// Every pack's stretches, with the pack's place among the members.
fn stretches(connection: &Connection, members: &[Member]) -> rusqlite::Result<BTreeSet<(usize, OffBusbar)>> {
    let mut all = BTreeSet::new();
    for (place, member) in members.iter().enumerate().skip(1) {
        let of_pack = off_busbar::of_instrument(connection, member.number)?;
        all.extend(of_pack.into_iter().map(|stretch| (place, stretch)));
    }
    Ok(all)
}

/// One pack on watch.
struct Watched {
    number: i64,
    watch: Watch,
    /// Off the busbar since then.
    away_since_ms: Option<i64>,
    /// Nothing before this is looked at.
    from_ms: i64,
}

impl Watched {
    /// Whether the pack has just returned.
    fn see(
        &mut self,
        connection: &Connection,
        at_ms: i64,
        seen: Seen,
        telling_ma: i64,
    ) -> rusqlite::Result<bool> {
        if at_ms < self.from_ms {
            return Ok(false);
        }
        match self.watch.see(at_ms, seen, telling_ma) {
            Some(Change::Left(since_ms)) => self.away_since_ms = Some(since_ms),
            Some(Change::Returned(end_ms)) => {
                if let Some(begin_ms) = self.away_since_ms.take() {
                    let end_ms = Some(end_ms);
                    off_busbar::put(connection, self.number, OffBusbar { begin_ms, end_ms })?;
                }
                return Ok(true);
            }
            None => {}
        }
        Ok(false)
    }
}

fn derive_bank(
    connection: &Connection,
    bank: &Bank,
    members: &[Member],
    before: &BTreeSet<(usize, OffBusbar)>,
    from_ms: i64,
) -> rusqlite::Result<()> {
    let pauses_ms = members.iter().map(|member| member.joining.longest_pause_ms);
    let warm_up = (from_ms - WARM_UP_MS - pauses_ms.max().unwrap_or(0)).div_euclid(HOUR_MS);
    let mut samples = Vec::with_capacity(members.len());
    for member in members {
        let (sample, gone) = last_sample(connection, member, warm_up)?;
        samples.push(sample.filter(|_| !gone));
    }
    let mut packs = Vec::with_capacity(members.len() - 1);
    for (place, member) in members.iter().enumerate().skip(1) {
        let away = before
            .iter()
            .find(|(of, stretch)| *of == place && stretch.contains(from_ms) && stretch.begin_ms < from_ms)
            .map(|(_, stretch)| stretch.begin_ms);
        off_busbar::remove_beyond(connection, member.number, from_ms)?;
        let mut watch = Watch::new(member.joining.longest_pause_ms, away.is_some());
        let returned = before
            .iter()
            .filter_map(|(_, stretch)| stretch.end_ms)
            .filter(|end_ms| *end_ms < from_ms)
            .max();
        if let Some(at_ms) = returned {
            watch.somebody_returned(at_ms);
        }
        packs.push(Watched {
            number: member.number,
            watch,
            away_since_ms: away,
            // What was concluded before stands; readings before it would only be taken for a return.
            from_ms: away.map_or(warm_up * HOUR_MS, |_| from_ms),
        });
    }
    let mut watching = Watching {
        connection,
        members: members.to_vec(),
        samples,
        packs,
        telling: Telling::new(bank),
    };
    store::reading::each_between(
        connection,
        warm_up * HOUR_MS,
        i64::MAX,
        |(at_ms, number, channels)| watching.see(at_ms, number, &channels),
    )?;
    watching.end()
}

/// For every bank, what sees all readings from the first on; nothing must stand of what was derived before.
pub(super) fn from_the_first<'a>(
    connection: &'a Connection,
    setup: &'a Setup,
    roster: &Roster,
) -> Vec<Watching<'a>> {
    setup
        .banks
        .iter()
        .map(|bank| {
            let members = roster.of_bank(bank);
            let packs = members[1..].iter().map(|member| Watched {
                number: member.number,
                watch: Watch::new(member.joining.longest_pause_ms, false),
                away_since_ms: None,
                from_ms: i64::MIN,
            });
            Watching {
                connection,
                samples: vec![None; members.len()],
                packs: packs.collect(),
                telling: Telling::new(bank),
                members,
            }
        })
        .collect()
}

/// The packs of a bank on watch, while readings go by in order of time.
pub(super) struct Watching<'a> {
    connection: &'a Connection,
    members: Vec<Member>,
    /// What each member said last of its current.
    samples: Vec<Option<Sample>>,
    packs: Vec<Watched>,
    telling: Telling<'a>,
}

impl Watching<'_> {
    pub(super) fn see(&mut self, at_ms: i64, number: i64, channels: &Channels) -> rusqlite::Result<()> {
        let Some(place) = self.members.iter().position(|member| member.number == number) else {
            return Ok(());
        };
        let joining = self.members[place].joining;
        let sample = told::current_after(joining, &mut self.samples[place], at_ms, channels);
        let current = sample.map(|sample| sample.current_ma);
        let Some(p) = place.checked_sub(1) else {
            if let Some(ma) = current {
                for (p, pack) in self.packs.iter_mut().enumerate() {
                    pack.see(
                        self.connection,
                        at_ms,
                        Seen::Reference(ma),
                        self.telling.ma(p, at_ms),
                    )?;
                }
            }
            return Ok(());
        };
        let connected = channels
            .get(Channel::Connected)
            .map(|connected| Seen::Connected(connected != 0));
        for seen in [connected, current.map(Seen::Current)].into_iter().flatten() {
            if self.packs[p].see(self.connection, at_ms, seen, self.telling.ma(p, at_ms))? {
                for pack in &mut self.packs {
                    pack.watch.somebody_returned(at_ms);
                }
            }
        }
        Ok(())
    }

    /// Writes down who is not back yet.
    pub(super) fn end(self) -> rusqlite::Result<()> {
        for pack in self.packs {
            if let Some(begin_ms) = pack.away_since_ms {
                let end_ms = None;
                off_busbar::put(self.connection, pack.number, OffBusbar { begin_ms, end_ms })?;
            }
        }
        Ok(())
    }
}

/// What current of the reference tells of each pack, as the setup has it at an instant.
struct Telling<'a> {
    bank: &'a Bank,
    /// Until when the figures hold.
    until_ms: i64,
    ma: Vec<i64>,
}

impl<'a> Telling<'a> {
    fn new(bank: &'a Bank) -> Self {
        Self {
            bank,
            until_ms: i64::MIN,
            ma: Vec::new(),
        }
    }

    fn ma(&mut self, p: usize, at_ms: i64) -> i64 {
        if at_ms >= self.until_ms {
            let changes = self.bank.changes_ms();
            self.until_ms = changes
                .into_iter()
                .find(|change_ms| *change_ms > at_ms)
                .unwrap_or(i64::MAX);
            let together_ah = self.bank.capacity_ah(at_ms);
            let of_pack = |pack: &crate::config::Pack| {
                let held = pack.held_at(at_ms);
                if held.in_bank {
                    telling_ma(held.capacity_ah, held.capacity_ah / together_ah)
                } else {
                    i64::MAX
                }
            };
            self.ma = self.bank.packs.iter().map(of_pack).collect();
        }
        self.ma[p]
    }
}
