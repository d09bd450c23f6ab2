//! From rows to readings and refusals, by the same rules as messages.

use std::{borrow::Cow, collections::BTreeMap};

use super::{
    clock::Clock,
    columns::{Columns, Shape, ValueAt, Who},
    held::Held,
    map::Map,
    rows::{Cell, Rows},
    trouble::Trouble,
};
use crate::{
    config::{Setup, duration},
    intake::{Decoder, instant, value},
    reading::{Channel, Channels, Instrument, Reading, Reason, Refusal},
    unit,
};

/// What stands for no value, beside an empty field and what the map says.
const MISSING: [&str; 9] = [
    "nan",
    "null",
    "none",
    "n/a",
    "na",
    "-",
    "unavailable",
    "unknown",
    "–",
];

/// What a row, or a part of it, came to.
pub(super) enum Item {
    Reading(Reading),
    /// Refused, and the row as it stands in the file.
    Refused(Refused, Vec<u8>),
}

/// A refusal, and what it is about.
pub(super) struct Refused {
    pub(super) refusal: Refusal,
    pub(super) about: Option<(Instrument, Channel)>,
}

/// Understands one file, row by row.
pub(super) struct Understand<'a> {
    setup: &'a Setup,
    decoder: &'a Decoder,
    columns: Columns,
    pub(super) clock: Clock,
    held: Option<Held>,
    missing: Vec<String>,
    decimal: Option<char>,
    now_ms: i64,
    /// Rows of names that the map leaves out, name by name.
    pub(super) left_out: BTreeMap<String, u64>,
}

impl<'a> Understand<'a> {
    pub(super) fn new(
        map: &Map,
        rows: &mut Rows,
        setup: &'a Setup,
        decoder: &'a Decoder,
        now_ms: i64,
    ) -> Result<Self, Trouble> {
        let held = match &map.state_changes {
            None => None,
            Some(changes) => {
                let longest = duration(&changes.longest_hold).map_err(|why| {
                    Trouble::whole(format!("the map's longest_hold: {why}"), "write it like \"2h\"")
                })?;
                Some(Held::new(
                    i64::try_from(longest.as_millis()).unwrap_or(i64::MAX / 4),
                ))
            }
        };
        Ok(Self {
            setup,
            decoder,
            columns: Columns::find(map, rows, setup)?,
            clock: Clock::new(&map.time)?,
            held,
            missing: map.missing.iter().map(|text| text.to_lowercase()).collect(),
            decimal: map.decimal,
            now_ms,
            left_out: BTreeMap::new(),
        })
    }

    /// What the row came to, one item after the other.
    pub(super) fn row(
        &mut self,
        rows: &Rows,
        sink: &mut dyn FnMut(Item) -> Result<(), Trouble>,
    ) -> Result<(), Trouble> {
        let line = rows.line();
        let owner = match self.owner(rows)? {
            Ok(owner) => owner,
            Err(refusal) => {
                return sink(Item::Refused(Refused { refusal, about: None }, rows.raw()));
            }
        };
        let (whose, values): (usize, &[ValueAt]) = match &self.columns.shape {
            Shape::Wide(values) => (owner.map_or(0, |instrument| usize::from(instrument.0)), values),
            Shape::Long { name, series, .. } => {
                let name = text(rows.cell(*name)?).unwrap_or_default();
                match series.get(name.as_ref()) {
                    Some((place, at)) => (*place, std::slice::from_ref(at)),
                    None => {
                        *self.left_out.entry(name.into_owned()).or_default() += 1;
                        return Ok(());
                    }
                }
            }
        };
        let at_ms = time(&self.columns, &mut self.clock, rows, whose)?;
        // A row may be of several instruments; values of one that are wrong refuse the others of it.
        for (place, at) in values.iter().enumerate() {
            if values[..place]
                .iter()
                .any(|done| done.instrument == at.instrument)
            {
                continue;
            }
            let Some(instrument) = at.instrument.or(owner) else {
                continue;
            };
            let mine = values.iter().filter(|other| other.instrument == at.instrument);
            let mut channels = Channels::default();
            let mut refused = None;
            let mut nothing: Vec<Channel> = Vec::new();
            for at in mine {
                match self.value(rows, at, instrument)? {
                    Ok(Some(value)) => channels.set(at.channel, Some(value)),
                    Ok(None) => nothing.push(at.channel),
                    Err(refusal) => {
                        refused = Some(Refused {
                            refusal,
                            about: Some((instrument, at.channel)),
                        });
                    }
                }
            }
            let plausible = instant::plausible(at_ms, self.now_ms);
            if let (None, Err(refusal)) = (&refused, plausible) {
                refused = Some(Refused { refusal, about: None });
            }
            if let Some(refused) = refused {
                sink(Item::Refused(refused, rows.raw()))?;
            } else if let Some(held) = &mut self.held {
                let news = channels.iter().map(|(channel, value)| (channel, Some(value)));
                let gone = nothing.into_iter().map(|channel| (channel, None));
                for (channel, value) in news.chain(gone) {
                    let mut reading = |at_ms, value| {
                        sink(Item::Reading(Reading {
                            instrument,
                            at_ms,
                            channels: Channels::from_iter([(channel, value)]),
                        }))
                    };
                    let whose = (instrument, channel);
                    held.change(self.setup, whose, at_ms, value, line, &mut reading)?;
                }
            } else if !channels.is_empty() {
                sink(Item::Reading(Reading {
                    instrument,
                    at_ms,
                    channels,
                }))?;
            }
        }
        Ok(())
    }

    fn owner(&self, rows: &Rows) -> Result<Result<Option<Instrument>, Refusal>, Trouble> {
        Ok(match &self.columns.who {
            Who::Values => Ok(None),
            Who::Fixed(instrument) => Ok(Some(*instrument)),
            Who::Column { column, known } => {
                let name = text(rows.cell(*column)?).unwrap_or_default();
                known
                    .get(name.as_ref())
                    .copied()
                    .map(Some)
                    .ok_or_else(|| Refusal {
                        reason: Reason::UnknownInstrument,
                        detail: format!(
                            "{} is no instrument of the setup or the map",
                            value::shortened(&name)
                        ),
                    })
            }
        })
    }

    fn value(
        &self,
        rows: &Rows,
        at: &ValueAt,
        instrument: Instrument,
    ) -> Result<Result<Option<i64>, Refusal>, Trouble> {
        let cell = rows.cell(at.column)?;
        let scale = match self.row_unit(rows)? {
            None => at.scale,
            Some(unit) => match unit::scale(at.channel, &unit) {
                Some(scale) => scale * at.scale,
                None => {
                    return Ok(Err(Refusal {
                        reason: Reason::Malformed,
                        detail: format!(
                            "{}: {} is no unit of it",
                            at.channel.name(),
                            value::shortened(&unit)
                        ),
                    }));
                }
            },
        };
        let value = match cell {
            Cell::Nothing => return Ok(Ok(None)),
            Cell::Text(text) if self.is_missing(text) => return Ok(Ok(None)),
            Cell::Text(text) => {
                if let Some(refusal) = self.misused_sign(text, at, rows)? {
                    return Ok(Err(refusal));
                }
                value::from_text(at.channel, text, scale).map(Some)
            }
            Cell::Json(value) => value::from_json(at.channel, value, scale),
        };
        let turned = at.channel == Channel::Current && at.charging_negative;
        Ok(value.and_then(|value| match value {
            Some(value) => {
                let value = if turned { -value } else { value };
                self.decoder.possible(instrument, at.channel, value).map(Some)
            }
            None => Ok(None),
        }))
    }

    /// The unit that the row itself says.
    fn row_unit<'r>(&self, rows: &'r Rows) -> Result<Option<Cow<'r, str>>, Trouble> {
        match self.columns.shape {
            Shape::Long { unit: Some(unit), .. } => Ok(text(rows.cell(unit)?)),
            Shape::Long { .. } | Shape::Wide(_) => Ok(None),
        }
    }

    fn is_missing(&self, text: &str) -> bool {
        // Most values begin as numbers do.
        let first = text.as_bytes()[0];
        if first.is_ascii_digit() || (text.len() > 1 && matches!(first, b'-' | b'+' | b'.')) {
            return !self.missing.is_empty() && self.missing.iter().any(|word| word == text);
        }
        let small = text.to_lowercase();
        MISSING.contains(&small.as_str()) || self.missing.contains(&small)
    }

    /// A point or comma that may mean two things is asked about; one that the map rules out is refused.
    fn misused_sign(&self, text: &str, at: &ValueAt, rows: &Rows) -> Result<Option<Refusal>, Trouble> {
        let refused = || {
            Some(Refusal {
                reason: Reason::NotANumber,
                detail: format!(
                    "{}: {} is not written as the map says",
                    at.channel.name(),
                    value::shortened(text)
                ),
            })
        };
        Ok(match self.decimal {
            Some('.') if text.contains(',') => refused(),
            Some(',') if text.contains('.') => refused(),
            Some(_) => None,
            None => match text.split_once(',') {
                Some((_, fraction)) if fraction.len() == 3 && !fraction.contains([',', '.']) => {
                    return Err(Trouble::at(
                        rows.line(),
                        format!("“{text}” may be a thousand times something or a fraction"),
                        "write decimal = \",\" or decimal = \".\" into the map",
                    ));
                }
                _ => None,
            },
        })
    }
}

fn time(columns: &Columns, clock: &mut Clock, rows: &Rows, whose: usize) -> Result<i64, Trouble> {
    let zone = match columns.zone {
        Some(column) => text(rows.cell(column)?),
        None => None,
    };
    let cell = rows.cell(columns.time)?;
    if let (Some(and), Cell::Text(date)) = (columns.and, cell) {
        let both = format!("{date} {}", text(rows.cell(and)?).unwrap_or_default());
        return clock.instant(whose, Cell::Text(&both), zone.as_deref(), rows.line());
    }
    clock.instant(whose, cell, zone.as_deref(), rows.line())
}

fn text(cell: Cell<'_>) -> Option<Cow<'_, str>> {
    match cell {
        Cell::Text(text) => Some(Cow::Borrowed(text)),
        Cell::Json(value) => Some(Cow::Owned(value.to_string())),
        Cell::Nothing => None,
    }
}
