//! From readings to hours, gaps and jumps of displays: one pass in order of time over a run of hours.

use std::collections::BTreeMap;

use rusqlite::Connection;

use super::{
    cautions::Cautions,
    roster::{Member, Roster},
    told,
};
use crate::{
    charge::{
        count::{Between, Counted, Piece, Sample},
        counter::{self, Counter},
    },
    reading::{Channel, Channels},
    store::{
        self,
        gap::{DisplayJump, Gap},
        hour::Hour,
    },
};

pub(super) use crate::reading::HOUR_MS;

/// A display may differ from what was counted by this much from one report to the next, tenths of a percent.
const UNEXPLAINED_JUMP: f64 = 30.0;

/// How many of the longest pauses before an hour a display's charge may reach back: from one report of the display
/// to the next, and from a current before the first of them.
const WARM_UP_PAUSES: i64 = 2;

/// Derives the hours `[first, last]` of all instruments anew. `also` sees every reading that this takes: (time in ms,
/// instrument's number, values).
pub(super) fn derive(
    connection: &Connection,
    roster: &Roster,
    first: i64,
    last: i64,
    mut also: impl FnMut(i64, i64, &Channels) -> rusqlite::Result<()>,
) -> rusqlite::Result<()> {
    let (begin_ms, end_ms) = (first * HOUR_MS, (last + 1) * HOUR_MS);
    // What happens before the first hour decides what its first readings mean; a piece that begins in the last
    // hour may end after it.
    let pause_ms = roster.longest_pause_ms();
    let warm_up = (begin_ms - WARM_UP_PAUSES * pause_ms).div_euclid(HOUR_MS);
    let (read_from_ms, read_until_ms) = (warm_up * HOUR_MS, end_ms + pause_ms + 1);
    store::cut::remove(connection, begin_ms, end_ms)?;
    let mut folds = BTreeMap::new();
    for member in roster.members() {
        store::gap::remove(connection, member.number, begin_ms, end_ms)?;
        store::counter_step::remove(connection, member.number, begin_ms, end_ms)?;
        store::caution_hour::remove(connection, member.number, first, last)?;
        store::hour::remove(connection, member.number, first, last)?;
        folds.insert(
            member.number,
            Fold::begin(connection, *member, first, last, warm_up)?,
        );
    }
    store::reading::each_between(
        connection,
        read_from_ms,
        read_until_ms,
        |(at_ms, number, channels)| {
            also(at_ms, number, &channels)?;
            match folds.get_mut(&number) {
                Some(fold) => fold.take(connection, at_ms, &channels),
                None => Ok(()), // of an instrument that the setup no longer has
            }
        },
    )?;
    for fold in folds.into_values() {
        fold.finish(connection)?;
    }
    Ok(())
}

/// One instrument on its way through a run of hours.
struct Fold {
    member: Member,
    first: i64,
    last: i64,
    previous: Option<Sample>,
    /// The instrument has said that it is no longer there.
    gone: bool,
    /// When the display was last seen, and what it showed.
    previous_soc: Option<(i64, i64)>,
    /// Net charge since the display was last seen.
    since_soc: Counted,
    counter: Counter,
    cautions: Cautions,
    /// Totals and finest step at the end of the last hour written.
    written: Hour,
    /// Hours not yet written: pieces may still reach into them.
    open: BTreeMap<i64, Hour>,
}

impl Fold {
    /// Begins with what was last heard before the hour `warm_up`; readings from there on bring it to the first hour.
    fn begin(
        connection: &Connection,
        member: Member,
        first: i64,
        last: i64,
        warm_up: i64,
    ) -> rusqlite::Result<Self> {
        let written = store::hour::last_before(connection, member.number, first)?.unwrap_or_default();
        let (previous, gone) = last_sample(connection, &member, warm_up)?;
        Ok(Self {
            member,
            first,
            last,
            previous,
            gone,
            previous_soc: None,
            since_soc: Counted::default(),
            counter: Counter::new(member.displayed_capacity_ah, member.joining.longest_pause_ms),
            cautions: Cautions::new(member),
            written,
            open: BTreeMap::new(),
        })
    }

    fn take(&mut self, connection: &Connection, at_ms: i64, channels: &Channels) -> rusqlite::Result<()> {
        let hour = at_ms.div_euclid(HOUR_MS);
        let joining = self.member.joining;
        let before = self.previous.filter(|_| !self.gone);
        if let Some(sample) = told::current(joining, before, at_ms, channels) {
            self.take_current(connection, sample)?;
        }
        self.gone |= told::is_gone(joining, channels);
        if let Some(soc) = channels.get(Channel::Soc) {
            self.take_soc(connection, at_ms, soc)?;
        }
        let step = channels
            .get(Channel::Charge)
            .and_then(|mah| self.counter.take(at_ms, mah));
        self.cautions.see(at_ms, channels);
        if !(self.first..=self.last).contains(&hour) {
            return Ok(());
        }
        if let Some(step) = step {
            store::counter_step::put(connection, self.member.number, &step)?;
        }
        self.cautions.note(connection, at_ms)?;
        let row = self.row(hour);
        row.readings += 1;
        widen(&mut row.current_ma, channels.get(Channel::Current));
        widen(&mut row.voltage_mv, channels.get(Channel::Voltage));
        widen(&mut row.soc_permille, channels.get(Channel::Soc));
        Ok(())
    }

    fn take_current(&mut self, connection: &Connection, sample: Sample) -> rusqlite::Result<()> {
        let hour = sample.at_ms.div_euclid(HOUR_MS);
        if let Some(previous) = self.previous {
            let joined = Piece::joining(previous, sample, self.member.joining);
            if let Some(piece) = joined.filter(|_| !self.gone) {
                self.count(&piece, previous.at_ms, sample.at_ms);
            } else if (self.first..=self.last).contains(&hour) {
                self.note_gap(connection, previous.at_ms, sample.at_ms)?;
            }
            self.write_before(connection, previous.at_ms.div_euclid(HOUR_MS))?;
        }
        if (self.first..=self.last).contains(&hour) {
            let step_ma = self
                .previous
                .map(|previous| (sample.current_ma - previous.current_ma).abs());
            let row = self.row(hour);
            row.first_ms.get_or_insert(sample.at_ms);
            row.last_ms = Some(sample.at_ms);
            if let Some(step_ma) = step_ma.filter(|step_ma| *step_ma > 0) {
                row.step_ma = Some(row.step_ma.map_or(step_ma, |finest| finest.min(step_ma)));
            }
        }
        self.previous = Some(sample);
        self.gone = false;
        Ok(())
    }

    /// Counts a piece in the hours that it touches.
    fn count(&mut self, piece: &Piece, begin_ms: i64, end_ms: i64) {
        let whole = piece.until(i64::MAX);
        let (begins, ends) = (begin_ms.div_euclid(HOUR_MS), end_ms.div_euclid(HOUR_MS));
        for touched in begins.max(self.first)..=ends.min(self.last) {
            self.row(touched).counted += if begins == ends {
                whole
            } else {
                piece.between(touched * HOUR_MS, (touched + 1) * HOUR_MS)
            };
        }
        self.since_soc += whole;
        self.counter.counted(whole);
    }

    fn take_soc(&mut self, connection: &Connection, at_ms: i64, soc: i64) -> rusqlite::Result<()> {
        let counted_permille = 1000.0 * self.since_soc.net_ah() / self.member.displayed_capacity_ah;
        self.since_soc = Counted::default();
        let Some((before_ms, before)) = self.previous_soc.replace((at_ms, soc)) else {
            return Ok(());
        };
        let within = (self.first..=self.last).contains(&at_ms.div_euclid(HOUR_MS));
        if !within || at_ms - before_ms > self.member.joining.longest_pause_ms {
            return Ok(());
        }
        #[expect(clippy::cast_precision_loss, reason = "tenths of a percent")]
        let unexplained = (soc - before) as f64 - counted_permille;
        if unexplained.abs() > UNEXPLAINED_JUMP {
            let jump = DisplayJump {
                at_ms,
                soc_before: before,
                soc_after: soc,
            };
            store::gap::put_jump(connection, self.member.number, &jump)?;
        }
        Ok(())
    }

    /// Writes down a gap with the instrument's own counter and display at both ends.
    fn note_gap(&self, connection: &Connection, begin_ms: i64, end_ms: i64) -> rusqlite::Result<()> {
        let pause_ms = self.member.joining.longest_pause_ms;
        let at_ends = |channel| -> rusqlite::Result<Option<(i64, i64)>> {
            let number = self.member.number;
            let before =
                store::reading::last_value(connection, number, channel, begin_ms - pause_ms, begin_ms)?;
            let after = store::reading::first_value(connection, number, channel, end_ms, end_ms + pause_ms)?;
            Ok(before.zip(after).map(|((_, before), (_, after))| (before, after)))
        };
        let gap = Gap {
            begin_ms,
            end_ms,
            charge_mah: at_ends(Channel::Charge)?,
            soc_permille: at_ends(Channel::Soc)?,
        };
        if let Some(charge_mah) = gap.charge_mah
            && let Some(step) = counter::across_pause(
                end_ms,
                charge_mah,
                gap.soc_permille,
                self.member.displayed_capacity_ah,
            )
        {
            store::counter_step::put(connection, self.member.number, &step)?;
        }
        store::gap::put(connection, self.member.number, &gap)
    }

    fn row(&mut self, hour: i64) -> &mut Hour {
        self.open.entry(hour).or_insert_with(|| Hour {
            hour,
            ..Hour::default()
        })
    }

    /// Writes the hours before `hour`, which nothing can reach any more.
    fn write_before(&mut self, connection: &Connection, hour: i64) -> rusqlite::Result<()> {
        while let Some(entry) = self.open.first_entry()
            && *entry.key() < hour
        {
            let row = entry.remove();
            self.write(connection, row)?;
        }
        Ok(())
    }

    fn write(&mut self, connection: &Connection, mut row: Hour) -> rusqlite::Result<()> {
        (row.total, row.total_step_ma, row.total_readings) = self.totals_with(&row);
        store::hour::put(connection, self.member.number, &row)?;
        self.written = row;
        Ok(())
    }

    /// Writes what is open, and carries the new totals to the hours behind the run.
    fn finish(mut self, connection: &Connection) -> rusqlite::Result<()> {
        self.write_before(connection, i64::MAX)?;
        for later in store::hour::between(connection, self.member.number, self.last + 1, i64::MAX)? {
            if self.totals_with(&later) == (later.total, later.total_step_ma, later.total_readings) {
                break; // and so do all behind it
            }
            self.write(connection, later)?;
        }
        Ok(())
    }

    /// Totals at the end of the hour that follows what is written.
    fn totals_with(&self, next: &Hour) -> (Counted, Option<i64>, i64) {
        let step_ma = [next.step_ma, self.written.total_step_ma]
            .into_iter()
            .flatten()
            .min();
        let readings = self.written.total_readings + next.readings;
        (self.written.total + next.counted, step_ma, readings)
    }
}

/// The sample at which an instrument was last heard before an hour, with a current or with what confirms one that
/// holds, and whether it said then that it is no longer there.
pub(super) fn last_sample(
    connection: &Connection,
    member: &Member,
    hour: i64,
) -> rusqlite::Result<(Option<Sample>, bool)> {
    let number = member.number;
    let Some(at_ms) = store::hour::last_heard_before(connection, number, hour)? else {
        return Ok((None, false));
    };
    let holds = member.joining.between == Between::Hold;
    let said_from_ms = if holds {
        let said = store::hour::last_with_current(connection, number, at_ms.div_euclid(HOUR_MS))?;
        said.map_or(at_ms, |hour| hour * HOUR_MS)
    } else {
        at_ms
    };
    let said = store::reading::last_value(connection, number, Channel::Current, said_from_ms, at_ms)?;
    let sample = said.map(|(_, current_ma)| Sample { at_ms, current_ma });
    let alive = store::reading::last_value(connection, number, Channel::Alive, at_ms, at_ms)?;
    let gone = holds && alive.is_some_and(|(_, alive)| alive == 0);
    Ok((sample, gone))
}

fn widen(extremes: &mut Option<(i64, i64)>, value: Option<i64>) {
    if let Some(value) = value {
        let (low, high) = extremes.unwrap_or((value, value));
        *extremes = Some((low.min(value), high.max(value)));
    }
}
