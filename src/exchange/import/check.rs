//! What a whole file shows before any of it is written: how much there is, and whether it makes sense.
//!
//! A wrong unit, a turned sign and the wrong column show in the values together, not in one of them. Then the file
//! is refused as a whole, since quarantine is for what is wrong now and then.

use std::collections::BTreeMap;

use super::{
    trouble::Trouble,
    understand::{Item, Refused},
};
use crate::{
    config::{Bank, Setup},
    reading::{Channel, HOUR_MS, Instrument, Reading, Reason},
};

/// Readings that are shown before anything is written.
const SHOWN: usize = 8;
/// Refused by this part, a column is not what the map says that it is.
const TOO_MANY: f64 = 0.5;
/// Hours of a day that tell which way a current runs, at least.
const HOURS: usize = 6;
/// Correlation of hourly means below which a current runs against the reference's.
const AGAINST: f64 = -0.5;
/// Spread of the reference's hourly means that a day must have to tell, as a part of the bank's capacity an hour.
const LIVELY_C: f64 = 0.01;

/// What was seen in a file.
#[derive(Default)]
pub(super) struct Check {
    pub(super) readings: u64,
    pub(super) refused: BTreeMap<Reason, (u64, String)>,
    pub(super) extent_ms: Option<(i64, i64)>,
    pub(super) first: Vec<(u64, Reading)>,
    values: BTreeMap<(Instrument, Channel), Values>,
    hours: BTreeMap<Instrument, BTreeMap<i64, (i64, i64)>>,
}

/// The values of one channel of an instrument.
#[derive(Default, Clone)]
pub struct Values {
    /// How many were taken.
    pub taken: u64,
    /// The lowest, in kept units.
    pub lowest: i64,
    /// The highest, in kept units.
    pub highest: i64,
    refused: u64,
    first_refused: Option<(u64, String)>,
}

impl Check {
    pub(super) fn see(&mut self, item: &Item, line: u64) {
        match item {
            Item::Reading(reading) => self.reading(reading, line),
            Item::Refused(refused, _) => self.refusal(refused, line),
        }
    }

    fn reading(&mut self, reading: &Reading, line: u64) {
        self.readings += 1;
        let at_ms = reading.at_ms;
        self.extent_ms = Some(self.extent_ms.map_or((at_ms, at_ms), |(first, last)| {
            (first.min(at_ms), last.max(at_ms))
        }));
        if self.first.len() < SHOWN {
            self.first.push((line, *reading));
        }
        for (channel, value) in reading.channels.iter() {
            let values = self.values.entry((reading.instrument, channel)).or_default();
            if values.taken == 0 {
                (values.lowest, values.highest) = (value, value);
            }
            values.taken += 1;
            values.lowest = values.lowest.min(value);
            values.highest = values.highest.max(value);
        }
        if let Some(current) = reading.channels.get(Channel::Current) {
            let hours = self.hours.entry(reading.instrument).or_default();
            let hour = hours.entry(at_ms.div_euclid(HOUR_MS)).or_default();
            hour.0 += current;
            hour.1 += 1;
        }
    }

    fn refusal(&mut self, refused: &Refused, line: u64) {
        let detail = &refused.refusal.detail;
        let count = self
            .refused
            .entry(refused.refusal.reason)
            .or_insert_with(|| (0, format!("line {line}: {detail}")));
        count.0 += 1;
        if let Some(about) = refused.about {
            let values = self.values.entry(about).or_default();
            values.refused += 1;
            values.first_refused.get_or_insert_with(|| (line, detail.clone()));
        }
    }

    /// The channels that were seen, in order.
    pub(super) fn channels(&self) -> Vec<((Instrument, Channel), Values)> {
        self.values
            .iter()
            .map(|(key, values)| (*key, values.clone()))
            .collect()
    }

    /// Whether the file makes sense as a whole.
    pub(super) fn makes_sense(&self, setup: &Setup) -> Result<(), Trouble> {
        for ((_, channel), values) in self.channels() {
            let all = values.taken + values.refused;
            if let Some((line, detail)) = &values.first_refused
                && share(values.refused, all) > TOO_MANY
            {
                return Err(Trouble::at(
                    *line,
                    format!("{detail}; so are {} of {all} values", values.refused),
                    format!(
                        "is this column the {}, and its unit right? write `unit` or `scale` into the map",
                        channel.name()
                    ),
                ));
            }
        }
        let refused: u64 = self.refused.values().map(|(count, _)| count).sum();
        if let Some((count, first)) = self.refused.values().max_by_key(|(count, _)| *count)
            && share(refused, refused + self.readings) > TOO_MANY
        {
            return Err(Trouble::whole(
                format!("{count} rows are refused, the first for this: {first}"),
                "is the map right for this file?",
            ));
        }
        if self.readings == 0 {
            return Err(Trouble::whole(
                "there is no reading in it",
                "is the map right for this file?",
            ));
        }
        for bank in &setup.banks {
            self.runs_with_the_reference(setup, bank)?;
        }
        Ok(())
    }

    /// Refuses a pack whose current runs against the reference's: parallel packs can't.
    fn runs_with_the_reference(&self, setup: &Setup, bank: &Bank) -> Result<(), Trouble> {
        let Some(reference) = self.hours.get(&bank.reference.instrument) else {
            return Ok(());
        };
        for pack in &bank.packs {
            let Some(hours) = self.hours.get(&pack.instrument) else {
                continue;
            };
            let mut days: BTreeMap<i64, Vec<(f64, f64)>> = BTreeMap::new();
            for (hour, sums) in hours {
                if let Some(other) = reference.get(hour) {
                    let day = days.entry(hour.div_euclid(24)).or_default();
                    day.push((mean(*sums), mean(*other)));
                }
            }
            let capacity_ah = bank.capacity_ah(i64::MAX);
            for (day, pairs) in days {
                if against(&pairs, LIVELY_C * capacity_ah * 1000.0) {
                    let name = &setup.entry(pack.instrument).id;
                    let date = chrono::DateTime::from_timestamp(day * 86_400, 0)
                        .map_or_else(String::new, |at| at.date_naive().to_string());
                    return Err(Trouble::whole(
                        format!("on {date} the current of “{name}” runs against the reference's"),
                        format!(
                            "where “{name}” reports charging as negative, write charging = \"negative\" for it; \
                             where it changed that day, import the two parts with two maps"
                        ),
                    ));
                }
            }
        }
        Ok(())
    }
}

#[expect(clippy::cast_precision_loss, reason = "counts of rows")]
fn share(part: u64, all: u64) -> f64 {
    part as f64 / all as f64
}

#[expect(clippy::cast_precision_loss, reason = "sums of mA within an hour")]
fn mean((sum, count): (i64, i64)) -> f64 {
    sum as f64 / count as f64
}

/// Whether the hourly means of a day run against each other, mA; the second is the reference's.
fn against(pairs: &[(f64, f64)], lively_ma: f64) -> bool {
    if pairs.len() < HOURS {
        return false;
    }
    #[expect(clippy::cast_precision_loss, reason = "hours of a day")]
    let count = pairs.len() as f64;
    let sum = pairs
        .iter()
        .fold((0.0, 0.0), |sum, pair| (sum.0 + pair.0, sum.1 + pair.1));
    let middle = (sum.0 / count, sum.1 / count);
    let (mut own, mut others, mut both) = (0.0, 0.0, 0.0);
    for (mine, reference) in pairs {
        let (mine, reference) = (mine - middle.0, reference - middle.1);
        own += mine * mine;
        others += reference * reference;
        both += mine * reference;
    }
    let lively = (others / count).sqrt() > lively_ma;
    lively && own > 0.0 && both / (own * others).sqrt() < AGAINST
}
