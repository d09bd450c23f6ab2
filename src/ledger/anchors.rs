//! From readings to anchors: only hours in which the voltage came near full are looked at.

use std::collections::BTreeSet;

use rusqlite::Connection;

use super::{
    cuts,
    hours::HOUR_MS,
    roster::{Member, Roster},
    told,
};
use crate::{
    charge::{
        count::Between,
        full::{self, Anchor, Criterion, Seen, Shown},
    },
    config::{Bank, Setup},
    reading::{Channel, Channels},
    store::{self, anchor::PackAtMark},
    unit::as_ms,
};

/// How long after a mark a display may take to settle, ms.
const SETTLES_MS: i64 = 30 * 60_000;

/// Derives the anchors of all banks that the hours in `stale` can have changed.
pub(super) fn derive(
    connection: &Connection,
    setup: &Setup,
    roster: &Roster,
    stale: &BTreeSet<i64>,
) -> rusqlite::Result<()> {
    let (Some(first), Some(last)) = (stale.first(), stale.last()) else {
        return Ok(());
    };
    for bank in &setup.banks {
        let search = Search::new(connection, bank, roster)?;
        // First: an anchor may well end in an hour that has no voltage of its own, and is then derived again.
        search.forget_elsewhere(stale)?;
        for (from, until) in search.clusters(*first, *last)? {
            if stale.range(from - 1..=until + 1).next().is_some() {
                search.derive(from, until)?;
            }
        }
    }
    Ok(())
}

/// Whose voltage stands for each bank's, as text to compare.
pub(super) fn voltage_of(
    connection: &Connection,
    setup: &Setup,
    roster: &Roster,
) -> rusqlite::Result<String> {
    let mut text = String::new();
    for bank in &setup.banks {
        let of = match Search::new(connection, bank, roster)?.voltage_of {
            VoltageOf::One(number) => number.to_string(),
            VoltageOf::MedianOfPacks => "median".to_owned(),
        };
        text.push_str(&of);
        text.push(' ');
    }
    Ok(text)
}

/// What counts as full for a bank at an instant, in the units of the arithmetic.
#[must_use]
pub fn criterion(bank: &Bank, at_ms: i64) -> Criterion {
    #[expect(clippy::cast_possible_truncation, reason = "a current in mA")]
    let tail_ma = (bank.full.tail_fraction * bank.capacity_ah(at_ms) * 1000.0).round() as i64;
    let alike_ah = bank.full.repeatability_percent / 100.0 * bank.capacity_ah(at_ms);
    #[expect(clippy::cast_possible_truncation, reason = "a charge of a few Ah")]
    let drained_ma_ms = (alike_ah * 3.6e9).round() as i64;
    Criterion {
        drained_ma_ms,
        voltage_mv: bank.full.voltage_mv,
        tail_ma,
        hold_ms: as_ms(bank.full.hold),
        dip_mv: 10 * i64::from(bank.cells_in_series),
        longest_pause_ms: as_ms(bank.longest_bridge),
    }
}

/// Whose voltage is the bank's.
enum VoltageOf {
    One(i64),
    MedianOfPacks,
}

/// What was seen of the bank, in order of time.
type Looks = Vec<(i64, Seen)>;

/// What an instrument said last: ms since 1970 and value.
#[derive(Debug, Clone, Copy, Default)]
struct Last {
    voltage: Option<(i64, i64)>,
    current: Option<(i64, i64)>,
}

pub(super) struct Search<'a> {
    connection: &'a Connection,
    bank: &'a Bank,
    members: Vec<Member>,
    criterion: Criterion,
    voltage_of: VoltageOf,
}

impl<'a> Search<'a> {
    pub(super) fn new(connection: &'a Connection, bank: &'a Bank, roster: &Roster) -> rusqlite::Result<Self> {
        let members = roster.of_bank(bank);
        let voltage_of = match bank.full.voltage_from {
            Some(instrument) => VoltageOf::One(roster.member(instrument).number),
            None if store::hour::ever_reports_voltage(connection, members[0].number)? => {
                VoltageOf::One(members[0].number)
            }
            None => VoltageOf::MedianOfPacks,
        };
        let mut criterion = criterion(bank, i64::MAX);
        // What holds until it changes is silent for as long as it holds.
        let who = |member: &&Member| match voltage_of {
            VoltageOf::One(number) => member.number == number || member.number == members[0].number,
            VoltageOf::MedianOfPacks => true,
        };
        let holding = members.iter().filter(who).map(|member| member.joining);
        for joining in holding.filter(|joining| joining.between == Between::Hold) {
            criterion.longest_pause_ms = criterion.longest_pause_ms.max(joining.longest_pause_ms);
        }
        Ok(Self {
            connection,
            bank,
            members,
            criterion,
            voltage_of,
        })
    }

    /// Runs of hours that may hold one anchor together, from the one before `first` to the one behind `last`.
    fn clusters(&self, first: i64, last: i64) -> rusqlite::Result<Vec<(i64, i64)>> {
        let near_mv = self.criterion.voltage_mv - self.criterion.dip_mv;
        let reach = as_ms(self.bank.full.merge) / HOUR_MS + 2;
        let (mut from, mut until) = (first - reach, last + reach);
        // Widened until the edges are quiet for longer than anchors are merged over.
        let mut hours = self.hours_reaching(near_mv, from, until)?;
        loop {
            let open_before = hours.first().is_some_and(|hour| hour - from < reach);
            let open_behind = hours.last().is_some_and(|hour| until - hour < reach);
            if !open_before && !open_behind {
                break;
            }
            let before = hours.len();
            if open_before {
                from -= reach;
            }
            if open_behind {
                until += reach;
            }
            hours = self.hours_reaching(near_mv, from, until)?;
            if hours.len() == before {
                break;
            }
        }
        let mut clusters: Vec<(i64, i64)> = Vec::new();
        for hour in hours {
            match clusters.last_mut() {
                Some(cluster) if hour - cluster.1 < reach => cluster.1 = hour,
                _ => clusters.push((hour, hour)),
            }
        }
        Ok(clusters)
    }

    fn hours_reaching(&self, near_mv: i64, from: i64, until: i64) -> rusqlite::Result<BTreeSet<i64>> {
        let mut hours = BTreeSet::new();
        for member in self.voltage_members() {
            hours.extend(store::hour::reaching(
                self.connection,
                member.number,
                near_mv,
                from,
                until,
            )?);
        }
        Ok(hours)
    }

    /// Those whose voltage, or the median of whose voltages, is the bank's.
    fn voltage_members(&self) -> impl Iterator<Item = &Member> {
        self.members.iter().enumerate().filter_map(|(place, member)| {
            let its = match self.voltage_of {
                VoltageOf::One(number) => member.number == number,
                VoltageOf::MedianOfPacks => place > 0,
            };
            its.then_some(member)
        })
    }

    /// Derives the anchors within a cluster of hours.
    fn derive(&self, from: i64, until: i64) -> rusqlite::Result<()> {
        // An hour of margin on both sides: the hours beside a cluster hold no full voltage.
        let (begin_ms, end_ms) = ((from - 1) * HOUR_MS, (until + 2) * HOUR_MS);
        store::anchor::remove(self.connection, &self.bank.id, begin_ms, end_ms)?;
        let mut looks = Looks::default();
        let mut last = vec![Last::default(); self.members.len()];
        store::reading::each_between(self.connection, begin_ms, end_ms, |(at_ms, number, channels)| {
            self.see(at_ms, number, &channels, &mut last, &mut looks);
            Ok(())
        })?;
        let small_ah = 0.01 * self.bank.capacity_ah(end_ms);
        let criterion = Criterion {
            longest_pause_ms: self.criterion.longest_pause_ms,
            ..criterion(self.bank, begin_ms)
        };
        let found = full::anchors(looks, &criterion);
        let merged = full::merged(
            found,
            as_ms(self.bank.full.merge),
            small_ah,
            |from_ms, until_ms| {
                let reference = &self.members[..1];
                let before = cuts::cut(self.connection, reference, from_ms)?;
                let after = cuts::cut(self.connection, reference, until_ms)?;
                Ok::<_, rusqlite::Error>(Some((after[0] - before[0]).discharged_ah()))
            },
        )?;
        for anchor in merged {
            let packs = self.packs_at(&anchor)?;
            store::anchor::put(self.connection, &self.bank.id, &anchor, &packs)?;
        }
        Ok(())
    }

    fn see(&self, at_ms: i64, number: i64, channels: &Channels, last: &mut [Last], looks: &mut Looks) {
        let Some(place) = self.members.iter().position(|member| member.number == number) else {
            return;
        };
        let joining = self.members[place].joining;
        let said = |channel| channels.get(channel);
        let voltage = told::value(joining, last[place].voltage, at_ms, said(Channel::Voltage));
        let current = told::value(joining, last[place].current, at_ms, said(Channel::Current));
        if told::is_gone(joining, channels) {
            last[place] = Last::default();
        } else {
            last[place].voltage = voltage.or(last[place].voltage);
            last[place].current = current.or(last[place].current);
        }
        if let Some((_, voltage_mv)) = voltage {
            match self.voltage_of {
                VoltageOf::One(of) if of == number => looks.push((at_ms, Seen::Voltage(voltage_mv))),
                VoltageOf::One(_) => {}
                VoltageOf::MedianOfPacks => {
                    let packs = self.bank.packs.iter().zip(&self.members[1..]).zip(&last[1..]);
                    let voltages = packs.filter_map(|((pack, member), last)| {
                        let (since_ms, voltage_mv) = last.voltage?;
                        let is_fresh = at_ms - since_ms <= member.joining.longest_pause_ms;
                        (is_fresh && pack.held_at(at_ms).in_bank).then_some(voltage_mv)
                    });
                    if let Some(median_mv) = median(voltages) {
                        looks.push((at_ms, Seen::Voltage(median_mv)));
                    }
                }
            }
        }
        if let Some((_, current_ma)) = current.filter(|_| place == 0) {
            looks.push((at_ms, Seen::Current(current_ma)));
        }
    }

    /// Anchors that stood in a stale hour which is no longer near full.
    fn forget_elsewhere(&self, stale: &BTreeSet<i64>) -> rusqlite::Result<()> {
        for anchor in store::anchor::of_bank(self.connection, &self.bank.id)? {
            let hour = anchor.end_ms.div_euclid(HOUR_MS);
            let near_mv = self.criterion.voltage_mv - self.criterion.dip_mv;
            if stale.contains(&hour) && !self.hours_reaching(near_mv, hour, hour)?.contains(&hour) {
                store::anchor::remove(self.connection, &self.bank.id, anchor.end_ms, anchor.end_ms + 1)?;
            }
        }
        Ok(())
    }

    /// The bank at an instant that somebody calls a full charge, as far as it was logged.
    pub(super) fn seen_at(&self, at_ms: i64) -> rusqlite::Result<Anchor> {
        let last = |member: &Member, channel| {
            let from_ms = at_ms - member.joining.longest_pause_ms;
            let value = store::reading::last_value(self.connection, member.number, channel, from_ms, at_ms)?;
            Ok::<_, rusqlite::Error>(value.map(|(_, value)| value))
        };
        let mut voltages_mv = Vec::new();
        for member in self.voltage_members() {
            voltages_mv.extend(last(member, Channel::Voltage)?);
        }
        Ok(Anchor {
            begin_ms: at_ms,
            end_ms: at_ms,
            crossed_ms: at_ms,
            voltage_mv: median(voltages_mv.into_iter()),
            tail_ma: last(&self.members[0], Channel::Current)?,
        })
    }

    /// What each pack showed at the mark of an anchor.
    pub(super) fn packs_at(&self, anchor: &Anchor) -> rusqlite::Result<Vec<PackAtMark>> {
        let capacity_ah = self.bank.capacity_ah(anchor.end_ms);
        // From the crossing until displays have had time to settle.
        let settled_ms = anchor.end_ms + SETTLES_MS;
        let settled = store::reading::highest_displays(self.connection, anchor.crossed_ms, settled_ms)?;
        let mut packs = Vec::with_capacity(self.bank.packs.len());
        for (pack, member) in self.bank.packs.iter().zip(&self.members[1..]) {
            let pause_ms = member.joining.longest_pause_ms;
            let away = store::off_busbar::of_instrument(self.connection, member.number)?
                .iter()
                .any(|stretch| stretch.contains(anchor.end_ms))
                || !pack.held_at(anchor.end_ms).in_bank;
            let last = |channel, until_ms: i64| -> rusqlite::Result<Option<i64>> {
                let from_ms = until_ms - pause_ms;
                let value =
                    store::reading::last_value(self.connection, member.number, channel, from_ms, until_ms)?;
                Ok(value.map(|(_, value)| value))
            };
            let shown = Shown {
                voltage_mv: last(Channel::Voltage, anchor.end_ms)?,
                tail_ma: last(Channel::Current, anchor.end_ms)?,
                cell_min_mv: last(Channel::CellMin, anchor.end_ms)?,
                away,
            };
            let share = pack.held_at(anchor.end_ms).best_capacity_ah() / capacity_ah;
            let cells = i64::from(self.bank.cells_in_series);
            let criterion = criterion(self.bank, anchor.end_ms);
            let against = full::against(&criterion, cells, anchor.voltage_mv, share, &shown);
            packs.push(PackAtMark {
                instrument: member.number,
                against: against.map(|against| against.word().to_owned()),
                voltage_mv: shown.voltage_mv,
                tail_ma: shown.tail_ma,
                cell_min_mv: shown.cell_min_mv,
                cell_max_mv: last(Channel::CellMax, anchor.end_ms)?,
                temperature: last(Channel::Temperature, anchor.end_ms)?,
                soc_before: last(Channel::Soc, anchor.crossed_ms)?,
                soc_after: settled.get(&member.number).copied(),
            });
        }
        Ok(packs)
    }
}

fn median(values: impl Iterator<Item = i64>) -> Option<i64> {
    let mut values: Vec<i64> = values.collect();
    values.sort_unstable();
    let upper = *values.get(values.len() / 2)?;
    let lower = values[(values.len() - 1) / 2];
    Some(i64::midpoint(lower, upper))
}
