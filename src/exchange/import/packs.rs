//! Rows of SenML (RFC 8428): a record a row, of one pack after the other, in JSON or CBOR.
//!
//! A record's name is given whole, and its last two parts as an instrument and a channel.

use std::io::{BufRead, Read};

use serde::Deserialize;
use serde_json::Value;

use super::{file::Contents, rows::Cell, trouble::Trouble};
use crate::{
    intake::{
        instant,
        senml::{self, Record, Time},
    },
    page::words::rfc3339,
    reading::Refusal,
};

/// The largest pack, bytes: it is held in memory as a whole.
const LARGEST: u64 = 16 << 20;

/// What a record is taken apart into.
const HEADER: [&str; 6] = ["name", "instrument", "channel", "unit", "value", "time"];

/// A SenML file's records.
pub(super) struct Packs {
    contents: Contents,
    is_cbor: bool,
    pub(super) header: Vec<String>,
    records: std::vec::IntoIter<Record>,
    values: [Value; HEADER.len()],
    /// The record, from 1.
    pub(super) record: u64,
}

impl Packs {
    pub(super) fn open(mut contents: Contents) -> Result<Self, Trouble> {
        let first = contents.fill_buf()?.first().copied();
        Ok(Self {
            contents,
            is_cbor: first.is_some_and(senml::is_cbor),
            header: HEADER.map(str::to_owned).to_vec(),
            records: Vec::new().into_iter(),
            values: Default::default(),
            record: 0,
        })
    }

    pub(super) fn next(&mut self) -> Result<bool, Trouble> {
        loop {
            if let Some(record) = self.records.next() {
                self.record += 1;
                self.values = values(record, self.record)?;
                return Ok(true);
            }
            match self.pack()? {
                Some(records) => self.records = records.into_iter(),
                None => return Ok(false),
            }
        }
    }

    fn pack(&mut self) -> Result<Option<Vec<Record>>, Trouble> {
        let next = self.record + 1;
        let wrong = |what: String| {
            Trouble::at(
                next,
                what,
                "lines are counted by records here; mend or split the pack that it would be in",
            )
        };
        if !self.is_cbor {
            while self
                .contents
                .fill_buf()?
                .first()
                .is_some_and(u8::is_ascii_whitespace)
            {
                self.contents.consume(1);
            }
        }
        if self.contents.fill_buf()?.is_empty() {
            return Ok(None);
        }
        let mut bytes = (&mut self.contents).take(LARGEST);
        let resolved = if self.is_cbor {
            let pack = ciborium::from_reader(&mut bytes);
            pack.map_err(|error| format!("this is no CBOR: {error}"))
                .map(senml::of_cbor)
        } else {
            let pack = Value::deserialize(&mut serde_json::Deserializer::from_reader(&mut bytes));
            pack.map_err(|error| format!("this is no JSON: {error}"))
                .map(|pack| senml::of_json(&pack))
        };
        if resolved.is_err() && bytes.limit() == 0 {
            return Err(wrong("this pack is larger than 16 MiB".into()));
        }
        let resolved = resolved.map_err(wrong)?;
        resolved.map(Some).map_err(|Refusal { detail, .. }| wrong(detail))
    }

    pub(super) fn cell(&self, column: usize) -> Cell<'_> {
        Cell::of(&self.values[column])
    }

    /// The record for quarantine.
    pub(super) fn raw(&self) -> Vec<u8> {
        Value::from(self.values.to_vec()).to_string().into_bytes()
    }
}

fn values(record: Record, place: u64) -> Result<[Value; HEADER.len()], Trouble> {
    let mut parts = record.name.rsplit([':', '/', '.']);
    let channel = parts.next().unwrap_or_default().to_owned();
    let instrument = parts.next().unwrap_or_default().to_owned();
    let at_ms = match record.time {
        Time::Absolute(s) => instant::from_count(s),
        Time::Relative(_) => {
            return Err(Trouble::at(
                place,
                format!(
                    "the time of “{}” counts from when it was sent, which the file doesn't say",
                    record.name
                ),
                "give the pack a base time (bt)",
            ));
        }
    };
    let value = match record.value {
        None => Value::Null,
        Some(senml::Value::Number(number)) => number.into(),
        Some(senml::Value::Text(text)) => text.into(),
        Some(senml::Value::Switch(on)) => on.into(),
    };
    Ok([
        record.name.into(),
        instrument.into(),
        channel.into(),
        record.unit.into(),
        value,
        at_ms.map(rfc3339).into(),
    ])
}
