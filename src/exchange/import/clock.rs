//! When a row was written: instants, and local times with the zone that they are in.
//!
//! A clock that is put forward skips an hour, and times in it are a mistake. A clock that is put back shows an hour
//! twice; which pass a row is of shows in the order of rows, oldest or newest first, where both passes are there. Else
//! it is not guessed.

use std::collections::{BTreeMap, HashMap};

use chrono::{DateTime, FixedOffset, LocalResult, NaiveDateTime, TimeZone};
use chrono_tz::Tz;

use super::{
    map::{Fold, Time},
    rows::Cell,
    trouble::Trouble,
};
use crate::intake::instant;

/// Local times as loggers write them; those with an offset are tried before.
const LOCAL: [&str; 6] = [
    "%Y-%m-%d %H:%M:%S%.f",
    "%Y-%m-%dT%H:%M:%S%.f",
    "%Y-%m-%d %H:%M",
    "%Y-%m-%dT%H:%M",
    "%Y/%m/%d %H:%M:%S%.f",
    "%Y/%m/%d %H:%M",
];

/// Where a clock is.
#[derive(Debug, Clone, Copy)]
enum Zone {
    Named(Tz),
    Fixed(FixedOffset),
}

/// Whose times follow each other: an instrument, or one name of a long file.
pub(super) type Line = usize;

/// Reads times, in the order of a file.
pub(super) struct Clock {
    format: Option<String>,
    has_offset: bool,
    zone: Option<Zone>,
    zones: HashMap<String, Zone>,
    fold: Option<Fold>,
    /// The first and the latest row.
    ends_ms: BTreeMap<Line, (i64, i64)>,
    /// Hours that were shown twice, by whose rows and the first instant that may be meant.
    twice: HashMap<(Line, i64), Twice>,
}

struct Twice {
    text: String,
    first_line: u64,
    once: bool,
    again: bool,
    /// The rows begin with it, when it doesn't show yet which way they go.
    begins: bool,
}

impl Clock {
    pub(super) fn new(time: &Time) -> Result<Self, Trouble> {
        let zone = time.zone.as_deref().map(zone).transpose()?;
        let format = time.format.clone();
        Ok(Self {
            has_offset: format.as_ref().is_some_and(|format| {
                ["%z", "%:z", "%#z", "%+", "%s"]
                    .iter()
                    .any(|sign| format.contains(sign))
            }),
            format,
            zone,
            zones: HashMap::new(),
            fold: time.fold,
            ends_ms: BTreeMap::new(),
            twice: HashMap::new(),
        })
    }

    /// The instant of a row, ms since 1970. `in_zone` is what the row itself says of its zone.
    pub(super) fn instant(
        &mut self,
        whose: Line,
        cell: Cell<'_>,
        in_zone: Option<&str>,
        line: u64,
    ) -> Result<i64, Trouble> {
        let text = match cell {
            Cell::Text(text) => text,
            Cell::Json(value) => {
                let counted = value.as_f64().and_then(instant::from_count);
                return counted.ok_or_else(|| unreadable(line, &value.to_string()));
            }
            Cell::Nothing => {
                return Err(Trouble::at(line, "there is no time", "mend or delete the line"));
            }
        };
        let at_ms = match self.read(text) {
            Some(Read::Instant(at_ms)) => at_ms,
            Some(Read::Local(local)) => {
                let zone = match in_zone {
                    Some(name) => Some(self.named(name)?),
                    None => self.zone,
                };
                let zone = zone.ok_or_else(|| {
                    Trouble::at(
                        line,
                        format!("“{text}” doesn't say in which zone"),
                        "write zone = \"Europe/Oslo\", \"UTC\" or \"+01:00\" under [time] in the map",
                    )
                })?;
                self.placed(whose, local, zone, text, line)?
            }
            None => return Err(unreadable(line, text)),
        };
        self.ends_ms.entry(whose).or_insert((at_ms, at_ms)).1 = at_ms;
        Ok(at_ms)
    }

    fn read(&self, text: &str) -> Option<Read> {
        match &self.format {
            Some(format) if self.has_offset => {
                let at = DateTime::parse_from_str(text, format).ok()?;
                Some(Read::Instant(at.timestamp_millis()))
            }
            Some(format) => NaiveDateTime::parse_from_str(text, format).ok().map(Read::Local),
            None => instant::from_text(text).map(Read::Instant).or_else(|| {
                let read = |format: &&str| NaiveDateTime::parse_from_str(text, format).ok();
                LOCAL.iter().find_map(read).map(Read::Local)
            }),
        }
    }

    fn named(&mut self, name: &str) -> Result<Zone, Trouble> {
        if let Some(zone) = self.zones.get(name) {
            return Ok(*zone);
        }
        let zone = zone(name)?;
        self.zones.insert(name.to_owned(), zone);
        Ok(zone)
    }

    fn placed(
        &mut self,
        whose: Line,
        local: NaiveDateTime,
        zone: Zone,
        text: &str,
        line: u64,
    ) -> Result<i64, Trouble> {
        let tz = match zone {
            Zone::Fixed(offset) => {
                // A year that chrono can't hold: nobody's clock was there.
                let at = local.checked_sub_offset(offset);
                return at
                    .map(|at| at.and_utc().timestamp_millis())
                    .ok_or_else(|| unreadable(line, text));
            }
            Zone::Named(tz) => tz,
        };
        let (earlier_ms, later_ms) = match tz.from_local_datetime(&local) {
            LocalResult::Single(at) => return Ok(at.timestamp_millis()),
            LocalResult::Ambiguous(earlier, later) => (earlier.timestamp_millis(), later.timestamp_millis()),
            LocalResult::None => {
                return Err(Trouble::at(
                    line,
                    format!("“{text}” never was in {tz}: clocks were put forward over it"),
                    "the log's clock was not in that zone; write zone = \"UTC\", or the offset like \"+01:00\"",
                ));
            }
        };
        match self.fold {
            Some(Fold::Earlier) => return Ok(earlier_ms),
            Some(Fold::Later) => return Ok(later_ms),
            None => {}
        }
        let ends_ms = self.ends_ms.get(&whose);
        let again = ends_ms.is_some_and(|(first_ms, last_ms)| {
            // Before both passes there can be a later row only where the newest come first.
            if last_ms < first_ms || later_ms < *last_ms {
                later_ms <= *last_ms
            } else {
                earlier_ms < *last_ms
            }
        });
        // All that is shown twice in one night belongs together: its hours lie within a day.
        let night = earlier_ms.div_euclid(86_400_000);
        let twice = self.twice.entry((whose, night)).or_insert_with(|| Twice {
            text: text.to_owned(),
            first_line: line,
            once: false,
            again: false,
            begins: ends_ms.is_none(),
        });
        twice.once |= !again;
        twice.again |= again;
        Ok(if again { later_ms } else { earlier_ms })
    }

    /// Once all rows were read: nights in which the order of rows did not show which pass is meant.
    pub(super) fn undecided(&self) -> Result<(), Trouble> {
        let backwards = |line: Line| {
            let ends_ms = self.ends_ms.get(&line);
            ends_ms.is_some_and(|(first_ms, last_ms)| last_ms < first_ms)
        };
        let unclear = self.twice.iter().filter_map(|((line, _), twice)| {
            let why = if !(twice.once && twice.again) {
                "the rows show only one pass of the hour"
            } else if twice.begins && backwards(*line) {
                "the rows begin there, newest first"
            } else {
                return None;
            };
            Some((twice, why))
        });
        match unclear.min_by_key(|(twice, _)| twice.first_line) {
            None => Ok(()),
            Some((twice, why)) => Err(Trouble::at(
                twice.first_line,
                format!("“{}” was twice that night, and {why}", twice.text),
                "write fold = \"earlier\" or \"later\" under [time] in the map, or sort the rows oldest first if both \
                 passes are there",
            )),
        }
    }

    /// How many nights were decided by the order of rows.
    pub(super) fn decided(&self) -> usize {
        self.twice.len()
    }
}

enum Read {
    Instant(i64),
    Local(NaiveDateTime),
}

fn zone(name: &str) -> Result<Zone, Trouble> {
    if let Ok(tz) = name.parse::<Tz>() {
        return Ok(Zone::Named(tz));
    }
    if let Ok(offset) = name.parse::<FixedOffset>() {
        return Ok(Zone::Fixed(offset));
    }
    Err(Trouble::whole(
        format!("“{name}” is no time zone"),
        "write a name like \"Europe/Oslo\", \"UTC\", or an offset like \"+01:00\"",
    ))
}

fn unreadable(line: u64, text: &str) -> Trouble {
    Trouble::at(
        line,
        format!("“{text}” can't be read as a time"),
        "write its format under [time] in the map, e.g. format = \"%d.%m.%Y %H:%M:%S\"; see strftime(3)",
    )
}
