//! What a newcomer gets from a broker before anything is stored: who speaks, how often, in which step, whether the
//! clock and the sign are right, and what nobody takes.
//!
//! Pure: messages and their arrival times are given. [`Survey::findings`] says what to mend; how it is shown is
//! `command`'s.

mod findings;
mod suggestion;

use std::collections::BTreeMap;

use super::{Arrival, Decoder};
use crate::{
    config::{Role, Setup},
    reading::{Channel, Instrument},
    unit::thousandths,
};

/// Fewer values of a channel say nothing about how it is reported.
const ENOUGH: usize = 8;
/// A display of 1 %, in its kept unit.
const ONE_PERCENT: i64 = 10;

/// Everything heard so far.
pub struct Survey<'a> {
    setup: &'a Setup,
    decoder: Decoder,
    topics: BTreeMap<String, Topic>,
    heard: BTreeMap<(u16, Channel), Vec<Heard>>,
    clocks_ms: BTreeMap<u16, Vec<i64>>,
}

/// A value of a channel: when it came, and the value in kept units.
#[derive(Debug, Clone, Copy)]
struct Heard {
    arrived_ms: i64,
    value: i64,
}

/// What came under one topic.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Topic {
    /// Messages.
    pub messages: usize,
    /// How many of them were refused.
    pub refused: usize,
    /// The pattern of the source that takes it; `None`: nobody does.
    pub taken_by: Option<String>,
    /// Why the last refused one was refused.
    pub last_refusal: Option<String>,
    example: Vec<u8>,
}

/// How one instrument reports.
#[derive(Debug, Clone, PartialEq)]
pub struct Speaker {
    /// Its name.
    pub instrument: String,
    /// Its channels.
    pub channels: Vec<&'static str>,
    /// Usual time between two currents, s.
    pub every_s: Option<f64>,
    /// Its current comes when it changes rather than regularly.
    pub on_change: Option<bool>,
    /// Smallest step of its current, A.
    pub step_a: Option<f64>,
    /// Its clock less ours, s; `None` where it sends no time.
    pub clock_off_s: Option<f64>,
    /// Its last current, A.
    pub current_a: Option<f64>,
    /// Its current runs against the bank's.
    pub reversed: Option<bool>,
    /// Its display never passes 1 % while a current flows: most likely it is a fraction.
    pub displays_fraction: bool,
}

impl<'a> Survey<'a> {
    /// Begins a survey.
    #[must_use]
    pub fn new(setup: &'a Setup) -> Self {
        Self {
            setup,
            decoder: Decoder::new(setup),
            topics: BTreeMap::new(),
            heard: BTreeMap::new(),
            clocks_ms: BTreeMap::new(),
        }
    }

    /// Takes a message. A retained one is told apart by its age only, so its time says nothing of the clock.
    pub fn see(&mut self, topic: &str, body: &[u8], arrived_ms: i64, retained: bool) {
        let decoded = self.decoder.decode(
            topic,
            body,
            Arrival {
                at_ms: arrived_ms,
                live: true,
            },
        );
        let seen = self.topics.entry(topic.to_owned()).or_default();
        seen.messages += 1;
        seen.example = body.to_vec();
        seen.taken_by = self.decoder.taken_by(topic);
        if let Some(refusal) = decoded.refusals.last() {
            seen.refused += 1;
            seen.last_refusal = Some(refusal.to_string());
        }
        for reading in decoded.readings {
            let of = reading.instrument.0;
            if self.decoder.timed(topic) && !retained {
                self.clocks_ms
                    .entry(of)
                    .or_default()
                    .push(reading.at_ms - arrived_ms);
            }
            for (channel, value) in reading.channels.iter() {
                self.heard
                    .entry((of, channel))
                    .or_default()
                    .push(Heard { arrived_ms, value });
            }
        }
    }

    /// The topics heard, in order.
    #[must_use]
    pub fn topics(&self) -> &BTreeMap<String, Topic> {
        &self.topics
    }

    /// Messages heard.
    #[must_use]
    pub fn messages(&self) -> usize {
        self.topics.values().map(|topic| topic.messages).sum()
    }

    /// How each instrument of the setup reports.
    #[must_use]
    pub fn speakers(&self) -> Vec<Speaker> {
        self.setup
            .all_instruments()
            .map(|instrument| self.speaker(instrument))
            .collect()
    }

    fn speaker(&self, instrument: Instrument) -> Speaker {
        let of = instrument.0;
        let none = Vec::new();
        let currents = self.heard.get(&(of, Channel::Current)).unwrap_or(&none);
        let intervals_ms = sorted(
            currents
                .windows(2)
                .map(|pair| pair[1].arrived_ms - pair[0].arrived_ms),
        );
        let steps = sorted(
            currents
                .windows(2)
                .map(|pair| (pair[1].value - pair[0].value).abs()),
        );
        let clocks_ms = sorted(self.clocks_ms.get(&of).into_iter().flatten().copied());
        Speaker {
            instrument: self.setup.entry(instrument).id.clone(),
            channels: Channel::ALL
                .into_iter()
                .filter(|channel| self.heard.contains_key(&(of, *channel)))
                .map(Channel::name)
                .collect(),
            every_s: median(&intervals_ms).map(thousandths),
            on_change: on_change(currents, &intervals_ms),
            step_a: steps.into_iter().find(|step| *step > 0).map(thousandths),
            clock_off_s: median(&clocks_ms).map(thousandths),
            current_a: currents.last().map(|last| thousandths(last.value)),
            reversed: self.reversed(instrument),
            displays_fraction: self.displays_fraction(instrument),
        }
    }

    fn displays_fraction(&self, instrument: Instrument) -> bool {
        let heard = |channel| {
            self.heard
                .get(&(instrument.0, channel))
                .map_or(&[][..], Vec::as_slice)
        };
        let (displayed, currents) = (heard(Channel::Soc), heard(Channel::Current));
        displayed.len() >= ENOUGH
            && displayed.iter().all(|heard| heard.value <= ONE_PERCENT)
            && displayed.iter().any(|heard| heard.value > 0)
            && currents.iter().any(|heard| heard.value != 0)
    }

    /// Whether a pack's current runs against its bank's: every other pack and the reference have a vote at each of its
    /// reports, and most must say so.
    fn reversed(&self, instrument: Instrument) -> Option<bool> {
        let entry = self.setup.entry(instrument);
        let bank = &self.setup.banks[entry.bank];
        let Role::Pack(_) = entry.role else { return None };
        let own = self.heard.get(&(instrument.0, Channel::Current))?;
        let others: Vec<&Vec<Heard>> = bank
            .packs
            .iter()
            .map(|pack| pack.instrument)
            .chain([bank.reference.instrument])
            .filter(|other| *other != instrument)
            .filter_map(|other| self.heard.get(&(other.0, Channel::Current)))
            .collect();
        let agreement: i64 = own
            .iter()
            .flat_map(|mine| {
                others.iter().filter_map(|theirs| {
                    let at = theirs.partition_point(|other| other.arrived_ms <= mine.arrived_ms);
                    let other = theirs.get(at.checked_sub(1)?)?;
                    Some((mine.value * other.value).signum())
                })
            })
            .sum();
        let compared = i64::try_from(own.len() * others.len()).ok()?;
        // Most of what was seen at one time must run the other way.
        (agreement != 0 && compared >= 4).then_some(2 * agreement < -compared)
    }

    /// Currents of a bank just now: the packs' sum and the reference's, A.
    #[must_use]
    pub fn balance_a(&self, bank: usize) -> Option<(f64, f64)> {
        let bank = &self.setup.banks[bank];
        let last =
            |instrument: Instrument| Some(self.heard.get(&(instrument.0, Channel::Current))?.last()?.value);
        let packs: Option<i64> = bank.packs.iter().map(|pack| last(pack.instrument)).sum();
        Some((thousandths(packs?), thousandths(last(bank.reference.instrument)?)))
    }
}

/// Whether values come when they change: hardly ever the same one twice in a row, and at uneven times.
fn on_change(values: &[Heard], intervals_ms: &[i64]) -> Option<bool> {
    if values.len() < ENOUGH {
        return None;
    }
    let repeated = values
        .windows(2)
        .filter(|pair| pair[0].value == pair[1].value)
        .count();
    let early = intervals_ms[intervals_ms.len() / 10];
    let late = intervals_ms[intervals_ms.len() * 9 / 10];
    Some(repeated == 0 && late > 2 * early.max(1))
}

fn sorted(values: impl Iterator<Item = i64>) -> Vec<i64> {
    let mut values: Vec<i64> = values.collect();
    values.sort_unstable();
    values
}

fn median(sorted: &[i64]) -> Option<i64> {
    sorted.get(sorted.len() / 2).copied()
}
