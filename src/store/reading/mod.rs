//! `reading`: the truth. Idempotent and independent of order.
//!
//! The channels of one instrument and instant merge. Where two values of one channel differ neither is believed:
//! the channel is void for that reading, whichever value came first, and both stand in `conflict`.

mod asked;
mod put;

use rusqlite::{Connection, Row, types::ValueRef};

use crate::reading::{Channel, Channels};

pub use asked::{
    Named, StoredReading, each_between, each_current, each_display_back, each_named, extent, first_value,
    highest_displays, last_heard, last_value, of_instrument, usual_interval_ms,
};
pub use put::{Insert, Stored, TouchedHours, mark_stale};

pub(super) const COLUMNS: &str =
    "current, voltage, soc, charge, temperature, cell_min, cell_max, connected, alive";

/// Bits of a reading's key that tell its instrument; the others are its time.
const INSTRUMENT_BITS: u32 = 12;

fn key(at_ms: i64, instrument: i64) -> i64 {
    first_key(at_ms) + instrument
}

/// The least key of an instant; the largest of all where that is beyond what keys hold.
pub(super) fn first_key(at_ms: i64) -> i64 {
    at_ms.saturating_mul(1 << INSTRUMENT_BITS)
}

/// The largest key of an instant.
fn last_key(at_ms: i64) -> i64 {
    first_key(at_ms.saturating_add(1)).saturating_sub(1)
}

/// The time in ms and the instrument's number that a key is made of.
pub(super) fn parts(key: i64) -> (i64, i64) {
    (key >> INSTRUMENT_BITS, key & ((1 << INSTRUMENT_BITS) - 1))
}

/// Readings with keys from ?1 to ?2, in order. A copy, or another's store, may have been written before schema 5, when
/// the parts of the key stood alone.
pub(super) fn in_order(connection: &Connection) -> rusqlite::Result<&'static str> {
    let by_key = connection
        .prepare("SELECT EXISTS (SELECT 1 FROM pragma_table_info('reading') WHERE name = 'key')")?
        .query_row([], |row| row.get(0))?;
    Ok(if by_key {
        "key BETWEEN ?1 AND ?2 ORDER BY key"
    } else {
        "at_ms BETWEEN ?1 >> 12 AND ?2 >> 12 ORDER BY at_ms, instrument"
    })
}

fn channels_of(row: &Row<'_>, first_column: usize) -> rusqlite::Result<Channels> {
    let mut channels = Channels::default();
    for (offset, channel) in Channel::ALL.into_iter().enumerate() {
        // Whole numbers and nothing else: the table is STRICT.
        if let ValueRef::Integer(value) = row.get_ref(first_column + offset)? {
            channels.set(channel, Some(value));
        }
    }
    Ok(channels)
}
