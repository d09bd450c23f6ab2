//! Another packdrift's store as a file to import.

use std::{
    fs::File,
    io::{self, Read},
    path::Path,
};

use super::{
    TELL_EVERY,
    map::{Map, Name},
    said::Said,
    trouble::Trouble,
    understand::{Item, Refused},
};
use crate::{
    config::Setup,
    intake::{Decoder, instant, value::shortened},
    reading::{Channels, Instrument, Reading, Reason, Refusal},
    store::{self, reading::Named},
};

/// Whether a file is a database of `SQLite`, by its first bytes.
pub(super) fn is_store(path: &Path) -> io::Result<bool> {
    let mut head = [0; 16];
    let mut file = File::open(path)?;
    match file.read_exact(&mut head) {
        Ok(()) => Ok(&head == b"SQLite format 3\0"),
        Err(error) if error.kind() == io::ErrorKind::UnexpectedEof => Ok(false),
        Err(error) => Err(error),
    }
}

/// What people said in a store, and what there is to remark on it.
pub(super) fn said(path: &Path, setup: &Setup) -> Result<(Said, Vec<String>), Trouble> {
    let connection = store::read_only(path).map_err(|error| Trouble::Other(error.into()))?;
    let (said, left_out) = Said::in_store(&connection, setup)?;
    let remark = (left_out > 0).then(|| {
        format!("{left_out} notes, phases and marks are left out: they speak of what the setup has not")
    });
    Ok((said, remark.into_iter().collect()))
}

/// Gives every reading of a store, with those values that void each other.
pub(super) fn each(
    path: &Path,
    map: Option<&Map>,
    setup: &Setup,
    decoder: &Decoder,
    now_ms: i64,
    sink: &mut dyn FnMut(Item, u64) -> Result<(), Trouble>,
    progress: &mut dyn FnMut(u64, u64),
) -> Result<Vec<String>, Trouble> {
    let connection = store::read_only(path).map_err(|error| Trouble::Other(error.into()))?;
    let bytes = std::fs::metadata(path)?.len();
    let named = |theirs: &str| {
        let ours = match map.and_then(|map| map.instrument.as_ref()) {
            Some(Name::Column(by)) => by.names.get(theirs).map_or(theirs, String::as_str),
            _ => theirs,
        };
        setup.instrument(ours)
    };
    let mut rows = 0_u64;
    store::reading::each_named(&connection, (i64::MIN, i64::MAX), |named_reading| {
        rows += 1;
        if rows.is_multiple_of(TELL_EVERY) {
            progress(0, rows);
        }
        let given = named(&named_reading.name);
        give(given, &named_reading, decoder, now_ms, &mut |item| {
            sink(item, rows)
        })
    })?;
    progress(bytes, rows);
    Ok(Vec::new())
}

fn give(
    instrument: Option<Instrument>,
    named: &Named,
    decoder: &Decoder,
    now_ms: i64,
    sink: &mut dyn FnMut(Item) -> Result<(), Trouble>,
) -> Result<(), Trouble> {
    let refused = |refusal| Item::Refused(Refused { refusal, about: None }, named.name.clone().into_bytes());
    let Some(instrument) = instrument else {
        return sink(refused(Refusal {
            reason: Reason::UnknownInstrument,
            detail: format!(
                "{} is no instrument of the setup or the map",
                shortened(&named.name)
            ),
        }));
    };
    let singly = named.voided.iter().map(|voided| Channels::from_iter([*voided]));
    for channels in std::iter::once(named.channels).chain(singly) {
        if channels.is_empty() {
            continue;
        }
        let possible = instant::plausible(named.at_ms, now_ms).and_then(|_| {
            let mut values = channels.iter();
            values.try_for_each(|(channel, value)| decoder.possible(instrument, channel, value).map(drop))
        });
        sink(match possible {
            Ok(()) => Item::Reading(Reading {
                instrument,
                at_ms: named.at_ms,
                channels,
            }),
            Err(refusal) => refused(refusal),
        })?;
    }
    Ok(())
}
